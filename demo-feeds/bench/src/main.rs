//! The decision bench: many invented fermentations, the real verdict on each, and a table of where
//! it was wrong and how long it took to be right.

mod draw;
mod kinds;
mod maker;
mod rivals;
mod run;
mod score;
mod second;
mod sensor;
mod show;
mod table;
#[cfg(test)]
mod tests;
mod truth;
mod world;

use std::path::{Path, PathBuf};
use std::sync::Mutex;
use std::sync::atomic::{AtomicUsize, Ordering};
use std::time::Instant;

use anyhow::{Context, bail};
use clap::{Parser, ValueEnum};

use kinds::Kind;
use run::Wanted;
use score::Score;
use world::Generator;

#[derive(Parser)]
#[command(about = "Judges invented fermentations with the real verdict and prints how it did.")]
struct Args {
    /// Seeds to work with, or those that are reported and must not be worked with.
    #[arg(long, value_enum, default_value_t = Set::Development)]
    set: Set,
    /// Runs of each kind by each generator.
    #[arg(long, default_value_t = 200)]
    runs: u64,
    /// Only these kinds.
    #[arg(long, value_enum)]
    kind: Vec<Kind>,
    #[arg(long, value_enum)]
    generator: Option<Generator>,
    /// Hours between looks.
    #[arg(long, default_value_t = 2, value_parser = clap::value_parser!(u8).range(1..=24))]
    every: u8,
    #[arg(long, default_value_t = 2, value_parser = clap::value_parser!(u8).range(1..))]
    threads: u8,
    /// List so many of the worst runs of each sort, with their seeds.
    #[arg(long, default_value_t = 0)]
    worst: usize,
    /// Tell one run day by day: kind and number of the run.
    #[arg(long, num_args = 2, value_names = ["KIND", "SEED"])]
    show: Option<Vec<String>>,
    /// Put the tables between the two marker lines of this Markdown file.
    #[arg(long)]
    write: Option<PathBuf>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
enum Set {
    Development,
    Reported,
}

impl Set {
    fn first_seed(self) -> u64 {
        match self {
            Set::Development => 1,
            Set::Reported => 7_000_000_001,
        }
    }
}

const BEGIN: &str = "<!-- bench:begin -->";
const END: &str = "<!-- bench:end -->";

fn main() -> anyhow::Result<()> {
    let args = Args::parse();
    let every = usize::from(args.every);
    if let Some([kind, seed]) = args.show.as_deref() {
        let kind = Kind::from_str(kind, true).map_err(anyhow::Error::msg)?;
        let seed = seed.parse().context("the seed must be a whole number")?;
        let generator = args.generator.unwrap_or(Generator::Balances);
        let wanted = Wanted {
            kind,
            generator,
            seed,
            every,
        };
        print!("{}", show::show(wanted));
        return Ok(());
    }
    let kinds = if args.kind.is_empty() {
        Kind::ALL.to_vec()
    } else {
        args.kind.clone()
    };
    let generators = args.generator.map_or(Generator::ALL.to_vec(), |g| vec![g]);
    let first = args.set.first_seed();
    let wanted: Vec<Wanted> = generators
        .iter()
        .flat_map(|g| kinds.iter().map(move |k| (*g, *k)))
        .flat_map(|(generator, kind)| {
            (first..first + args.runs).map(move |seed| Wanted {
                kind,
                generator,
                seed,
                every,
            })
        })
        .collect();
    let begun = Instant::now();
    let scores = all(&wanted, usize::from(args.threads));
    let missing = scores.iter().filter(|s| s.is_none()).count();
    let scores: Vec<Score> = scores.into_iter().flatten().collect();
    let mut text = format!(
        "{} seeds, {} runs a kind, a look every {} h.\n\n",
        match args.set {
            Set::Development => "Development",
            Set::Reported => "Reported",
        },
        args.runs,
        args.every
    );
    for generator in &generators {
        let of: Vec<Score> = scores
            .iter()
            .filter(|s| s.generator == *generator)
            .cloned()
            .collect();
        text.push_str(&table::tables(generator.name(), &of));
    }
    if generators.len() > 1 {
        text.push_str(&table::tables("both", &scores));
    }
    print!("{text}");
    if args.worst > 0 {
        print!("{}", table::worst(&scores, args.worst));
    }
    eprintln!(
        "{} runs in {:.1} s; {missing} could not be drawn",
        scores.len(),
        begun.elapsed().as_secs_f64()
    );
    match &args.write {
        Some(file) => write_between(file, &text),
        None => Ok(()),
    }
}

/// In the order wanted, whatever the threads do.
fn all(wanted: &[Wanted], threads: usize) -> Vec<Option<Score>> {
    let next = AtomicUsize::new(0);
    let done: Mutex<Vec<(usize, Option<Score>)>> = Mutex::new(Vec::with_capacity(wanted.len()));
    std::thread::scope(|scope| {
        for _ in 0..threads {
            scope.spawn(|| {
                while let Some((i, wanted)) = {
                    let i = next.fetch_add(1, Ordering::Relaxed);
                    wanted.get(i).map(|w| (i, *w))
                } {
                    let score = run::run(wanted, |_, _, _| ()).map(|r| score::score(&r));
                    if let Ok(mut done) = done.lock() {
                        done.push((i, score));
                    }
                }
            });
        }
    });
    let mut done = done.into_inner().unwrap_or_default();
    done.sort_by_key(|d| d.0);
    done.into_iter().map(|d| d.1).collect()
}

fn write_between(file: &Path, text: &str) -> anyhow::Result<()> {
    let name = file.display();
    let old = std::fs::read_to_string(file).with_context(|| format!("{name} cannot be read"))?;
    let (Some(begin), Some(end)) = (old.find(BEGIN), old.find(END)) else {
        bail!("{name} lacks the lines {BEGIN} and {END}");
    };
    if end < begin {
        bail!("in {name} {END} stands before {BEGIN}");
    }
    let new = format!("{}{BEGIN}\n{text}{}", &old[..begin], &old[end..]);
    std::fs::write(file, new).with_context(|| format!("{name} cannot be written"))
}

//! The decision bench: many invented fermentations, the real verdict on each, and a table of where
//! it was wrong and how long it took to be right.

mod draw;
mod history;
mod kinds;
mod maker;
mod parallel;
mod rivals;
mod run;
mod score;
mod second;
mod sensor;
mod show;
mod summary;
mod table;
#[cfg(test)]
mod tests;
mod truth;
mod world;

use std::path::{Path, PathBuf};
use std::time::Instant;

use anyhow::{Context, bail};
use clap::{Parser, ValueEnum};

use history::Pair;
use kinds::Kind;
use maker::Habit;
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
    #[arg(long, default_value_t = 1, value_parser = clap::value_parser!(u8).range(1..=24))]
    every: u8,
    /// What the maker does to know where a mead can end.
    #[arg(long, value_enum, default_value_t = Habit::Jar)]
    maker: Habit,
    #[arg(long, default_value_t = 2, value_parser = clap::value_parser!(u8).range(1..))]
    threads: u8,
    /// List so many of the worst runs of each sort, with their seeds.
    #[arg(long, default_value_t = 0)]
    worst: usize,
    /// Tell one run day by day: kind and number of the run.
    #[arg(long, num_args = 2, value_names = ["KIND", "SEED"])]
    show: Option<Vec<String>>,
    /// Also judge batches of so many cellars by each generator with history and without.
    #[arg(long, value_name = "CELLARS")]
    history: Option<Option<u64>>,
    /// Also print how stabilise would fare at other odds.
    #[arg(long)]
    trade_off: bool,
    /// Put the tables between the two marker lines of this Markdown file, history and other odds
    /// among them.
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

/// Cellars by each generator unless told otherwise.
const CELLARS: u64 = 40;
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
            maker: args.maker,
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
    let wanted = |maker: Habit| -> Vec<Wanted> {
        generators
            .iter()
            .flat_map(|g| kinds.iter().map(move |k| (*g, *k)))
            .flat_map(|(generator, kind)| {
                (first..first + args.runs).map(move |seed| Wanted {
                    kind,
                    generator,
                    seed,
                    every,
                    maker,
                })
            })
            .collect()
    };
    let begun = Instant::now();
    let threads = usize::from(args.threads);
    let scores = all(&wanted(args.maker), threads);
    let missing = scores.iter().filter(|s| s.is_none()).count();
    let scores: Vec<Score> = scores.into_iter().flatten().collect();
    // What is written tells both makers.
    let without = args.write.as_ref().map(|_| {
        let scores = all(&wanted(Habit::Hydrometer), threads);
        scores.into_iter().flatten().collect::<Vec<Score>>()
    });
    let history = match args.history {
        Some(cellars) => Some(cellars.unwrap_or(CELLARS)),
        None => args.write.as_ref().map(|_| CELLARS),
    };
    let cellars: Vec<(Generator, u64)> = generators
        .iter()
        .flat_map(|g| (first..first + history.unwrap_or(0)).map(|seed| (*g, seed)))
        .collect();
    let pairs: Vec<Pair> = parallel::each(&cellars, threads, |(generator, seed)| {
        history::cellar(generator, seed, every)
    })
    .concat();
    let mut text = format!(
        "{} seeds, {} runs a kind by each generator, a look every {} h.\n\n",
        match args.set {
            Set::Development => "Development",
            Set::Reported => "Reported",
        },
        args.runs,
        args.every
    );
    for generator in &generators {
        let name = generator.name();
        if !scores.is_empty() {
            let of = scores.iter().filter(|s| s.generator == *generator);
            text.push_str(&table::tables(name, &of.cloned().collect::<Vec<_>>()));
        }
        if history.is_some() {
            let of = pairs.iter().filter(|p| p.generator == *generator);
            text.push_str(&table::history(name, &of.copied().collect::<Vec<_>>()));
        }
    }
    if generators.len() > 1 && !scores.is_empty() {
        text.push_str(&table::tables("both", &scores));
    }
    if args.trade_off || args.write.is_some() {
        text.push_str(&table::trade_off(&scores));
    }
    if let Some(without) = &without {
        text.push_str(&table::gates_alone("both, without a jar", without));
    }
    text.push_str(&summary::summary(&scores, &pairs, without.as_deref()));
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

fn all(wanted: &[Wanted], threads: usize) -> Vec<Option<Score>> {
    parallel::each(wanted, threads, |wanted| {
        run::run(wanted, |_| ()).map(|r| score::score(&r))
    })
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

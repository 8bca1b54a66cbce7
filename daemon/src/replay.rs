//! `ebbmark replay`: files in, verdicts out, through the same code the daemon runs.

use std::io::Write;
use std::path::PathBuf;

use anyhow::{Context, Result, bail};
use clap::Args;
use ebbmark_core::files::{self, BadLine};
use ebbmark_core::replay::{Known, Line, replay};
use ebbmark_core::units::{AbvPercent, Gravity};

/// Give the verdicts over a file of readings as the daemon would have given them live.
#[derive(Args, Debug)]
pub struct ReplayArgs {
    /// Readings: CSV with the columns at (RFC 3339), gravity (SG 20/20), temperature (°C).
    file: PathBuf,
    /// Gravity before the pitch, SG 20/20.
    #[arg(long, value_name = "SG")]
    original_gravity: Option<f64>,
    /// Where it is expected to end, SG 20/20.
    #[arg(long, value_name = "SG")]
    expected_final: Option<f64>,
    /// Strength the yeast bears, % vol.
    #[arg(long, value_name = "PERCENT")]
    tolerance: Option<f64>,
    /// What was done: CSV with the columns at, what, and any of gravity, temperature, ph, volume,
    /// doses, note, despite; a mead's card gives such a file.
    #[arg(long, value_name = "EVENTS.csv")]
    events: Option<PathBuf>,
    /// One JSON object a line instead of sentences.
    #[arg(long)]
    json: bool,
}

pub fn run(args: &ReplayArgs) -> Result<()> {
    let gravity = |name: &str, v: Option<f64>| {
        v.map(Gravity::new)
            .transpose()
            .with_context(|| format!("--{name}"))
    };
    let known = Known {
        original: gravity("original-gravity", args.original_gravity)?,
        expected_final: gravity("expected-final", args.expected_final)?,
        tolerance: args
            .tolerance
            .map(AbvPercent::new)
            .transpose()
            .context("--tolerance")?,
    };
    let (rows, bad) = files::readings(&text(&args.file)?, None, &files::ON_RECORD)
        .with_context(|| args.file.display().to_string())?;
    report(&args.file, &bad);
    if rows.is_empty() {
        bail!("{}: no line could be read", args.file.display());
    }
    let deeds = match &args.events {
        None => Vec::new(),
        Some(file) => {
            let (deeds, bad) = files::events(&text(file)?, &files::ON_RECORD)
                .with_context(|| file.display().to_string())?;
            report(file, &bad);
            deeds
        }
    };
    print(&replay(&rows, &deeds, known), args.json)
}

fn text(file: &PathBuf) -> Result<String> {
    let bytes = std::fs::read(file).with_context(|| format!("cannot read {}", file.display()))?;
    String::from_utf8(bytes).with_context(|| format!("{} is not UTF-8 text", file.display()))
}

fn report(file: &std::path::Path, bad: &[BadLine]) {
    for line in bad {
        eprintln!(
            "{}: line {} left out: {}",
            file.display(),
            line.line,
            line.why
        );
    }
}

fn print(lines: &[Line], json: bool) -> Result<()> {
    let mut out = std::io::BufWriter::new(std::io::stdout().lock());
    for line in lines {
        let written = if json {
            serde_json::to_writer(&mut out, line)?;
            writeln!(out)
        } else {
            let open = |g: &ebbmark_core::replay::LineGate| if g.open { "open" } else { "shut" };
            let gates = &line.gates;
            writeln!(
                out,
                "{}  {}  [rack {}, stabilise {}, seal {}]",
                line.at,
                line.sentence,
                open(&gates.rack),
                open(&gates.stabilise),
                open(&gates.seal)
            )
        };
        match written {
            // `| head` closes the pipe: that is an end, not an error.
            Err(e) if e.kind() == std::io::ErrorKind::BrokenPipe => return Ok(()),
            other => other?,
        }
    }
    match out.flush() {
        Err(e) if e.kind() == std::io::ErrorKind::BrokenPipe => Ok(()),
        other => Ok(other?),
    }
}

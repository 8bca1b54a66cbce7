//! `ebbmark log`: a line of a vessel's log from the command line, or the log as text.

use anyhow::{Context, Result, anyhow, bail};
use clap::Args;
use clap::builder::PossibleValuesParser;
use ebbmark_core::deed::{Deed, Dose, Substance, What};
use ebbmark_core::text::Style;
use ebbmark_core::time::Moment;
use ebbmark_core::units::{Celsius, Gravity, Kilograms, Litres, Ph, Preferences, Quantity};
use ebbmark_core::words::{self, LONGEST_NAME};
use ebbmark_core::{line, show};
use ebbmark_store::model::Command;

use crate::backup::upgrade;
use crate::config::Config;
use crate::hand;

/// Write into a vessel's log, or print it.
///
/// Without WHAT the log is printed.
#[derive(Args, Debug)]
pub struct LogArgs {
    /// What was done.
    #[arg(value_parser = PossibleValuesParser::new(written().map(What::key)))]
    what: Option<String>,
    /// Name of the vessel.
    #[arg(long)]
    vessel: String,
    /// Weighed in: WHAT=MASS NAME, such as "fruit=2.4 kg quince" or "diammonium-phosphate=4 g".
    /// May be given several times.
    #[arg(long = "dose", value_name = "WHAT=MASS NAME", value_parser = dose)]
    doses: Vec<Dose>,
    /// Gravity measured after it ("1.031", "7.8 °P"); of a test ferment that of its jar, at 20 °C.
    #[arg(long, value_parser = quantity::<Gravity>)]
    gravity: Option<Gravity>,
    /// Temperature then ("18", "64 °F").
    #[arg(long, value_parser = quantity::<Celsius>)]
    temperature: Option<Celsius>,
    #[arg(long, value_parser = quantity::<Ph>)]
    ph: Option<Ph>,
    /// Volume in the vessel after it ("9.5", "2.5 gal").
    #[arg(long, value_parser = quantity::<Litres>)]
    volume: Option<Litres>,
    /// When, RFC 3339. Default: now.
    #[arg(long, value_parser = Moment::parse_rfc3339)]
    at: Option<Moment>,
    #[arg(long, default_value = "")]
    note: String,
}

/// All but the hand reading, which is put right first and has a command of its own.
fn written() -> impl Iterator<Item = What> {
    What::ALL.into_iter().filter(|w| *w != What::HandReading)
}

fn quantity<Q: Quantity>(text: &str) -> Result<Q, String> {
    let plain = Q::MEASURE.read(text, Preferences::USUAL)?;
    Q::new(plain).map_err(|e| e.to_string())
}

fn dose(text: &str) -> Result<Dose, String> {
    let (of, rest) = text
        .split_once('=')
        .ok_or("it must look like \"fruit=2.4 kg quince\"")?;
    let of = Substance::from_key(of.trim()).ok_or_else(|| {
        let all = Substance::ALL.map(Substance::key).join(", ");
        format!("\"{of}\" is none of {all}")
    })?;
    // "2.4 kg quince": number, unit, and the rest is its name; "2.4kg quince" too.
    let mut parts = rest.trim().splitn(2, char::is_whitespace);
    let number = parts.next().unwrap_or_default();
    let rest = parts.next().unwrap_or_default().trim_start();
    let (mass, name) = if number.ends_with(|c: char| c.is_ascii_digit()) {
        let (unit, name) = rest.split_once(char::is_whitespace).unwrap_or((rest, ""));
        (format!("{number} {unit}"), name)
    } else {
        (number.to_owned(), rest)
    };
    Ok(Dose {
        mass: quantity::<Kilograms>(&mass)?,
        name: words::kept(name.trim(), LONGEST_NAME)?,
        ..Dose::of(of, Kilograms::computed(0.0))
    })
}

pub fn run(config: &Config, args: &LogArgs) -> Result<()> {
    let Some(key) = &args.what else {
        return print(config, args);
    };
    let what = What::from_key(key).ok_or_else(|| anyhow!("\"{key}\" is nothing that is logged"))?;
    let (writer, reader) = upgrade::open(config)?;
    let vessel = hand::find(&reader, &args.vessel)?;
    let now = hand::now()?;
    let deed = Deed {
        gravity: args.gravity,
        temperature: args.temperature,
        ph: args.ph,
        volume: args.volume,
        note: hand::note(&args.note)?,
        doses: args.doses.clone(),
        ..Deed::new(hand::past(args.at, now)?, what)
    };
    deed.check()
        .map_err(|why| anyhow!("{}: {why}", option(why.field())))?;
    writer.command_blocking(Command::Log {
        vessel: vessel.id,
        deed,
        hand: None,
        once: None,
        made_at: now,
    })?;
    println!("{}: {}", vessel.facts.name, what.label());
    Ok(())
}

/// Where on the command line a field of a line stands.
fn option(field: &str) -> &str {
    match field {
        "gravity" => "--gravity",
        "ph" => "--ph",
        "volume" => "--volume",
        "doses" => "--dose",
        other => other,
    }
}

fn print(config: &Config, args: &LogArgs) -> Result<()> {
    let said = !args.doses.is_empty() || !args.note.is_empty() || args.at.is_some();
    if said || args.gravity.is_some() || args.volume.is_some() {
        bail!("say what was done, such as \"ebbmark log rack --vessel …\"");
    }
    let reader = ebbmark_store::read(&config.database())?;
    let vessel = hand::find(&reader, &args.vessel)?;
    let (zone, units) = reader.zone_and_units(&config.zone())?;
    let Some(batch) = &vessel.batch else {
        bail!("nothing is in {}", vessel.facts.name)
    };
    let now = hand::now()?;
    let history = reader.history(batch, now).context("the log")?;
    for line in history.lines.iter().filter(|l| l.replaced_by.is_none()) {
        let at = show::day_and_time(line.deed.at, now, &Style { units, zone: &zone });
        let words = line::in_words(&line.deed, line.hand.as_ref(), units);
        println!("{at}  {words}");
    }
    Ok(())
}

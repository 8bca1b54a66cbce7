//! `ebbmark hand` and `ebbmark import`: readings that come by hand or by file.
//!
//! They write through a writer of their own beside a running daemon; SQLite's lock puts the two
//! in order, and the daemon looks at every vessel once a minute.

use std::path::PathBuf;

use anyhow::{Context, Result, anyhow, bail};
use clap::Args;
use ebbmark_core::decode::hand::HandReading;
use ebbmark_core::deed::EARLIEST;
use ebbmark_core::feed::Quantity;
use ebbmark_core::files;
use ebbmark_core::reading::TimeFrom;
use ebbmark_core::time::Moment;
use ebbmark_core::units::{Celsius, Gravity, Ph};
use ebbmark_core::words::{self, LONGEST_NOTE};
use ebbmark_store::Reader;
use ebbmark_store::model::{Command, Done, ImportRow, Vessel};

use crate::backup::upgrade;
use crate::clock::Clock;
use crate::config::Config;

/// Enter a hand reading.
#[derive(Args, Debug)]
pub struct HandArgs {
    /// Name of the vessel.
    #[arg(long)]
    vessel: String,
    /// As read off the hydrometer, SG.
    #[arg(long, value_name = "SG")]
    gravity: f64,
    /// Temperature of the sample, °C.
    #[arg(long, value_name = "C", default_value_t = 20.0)]
    sample: f64,
    /// Temperature the hydrometer is marked for, °C.
    #[arg(long, value_name = "C", default_value_t = 20.0)]
    reference: f64,
    /// pH, if it was measured.
    #[arg(long, value_name = "PH")]
    ph: Option<f64>,
    /// When, RFC 3339. Default: now.
    #[arg(long, value_parser = Moment::parse_rfc3339)]
    at: Option<Moment>,
    #[arg(long, default_value = "")]
    note: String,
}

/// Bring in readings from a CSV file.
#[derive(Args, Debug)]
pub struct ImportArgs {
    /// CSV with the columns at (RFC 3339), gravity (SG 20/20), temperature (°C).
    file: PathBuf,
    /// Name of the vessel they belong to.
    #[arg(long)]
    vessel: String,
    /// Read another column as something: NAME=QUANTITY, such as "Balling=gravity-plato" or
    /// "When=time". May be given several times; then only these are read.
    #[arg(long = "column", value_name = "NAME=QUANTITY", value_parser = column)]
    columns: Vec<(String, Quantity)>,
}

fn column(text: &str) -> Result<(String, Quantity), String> {
    let all = || Quantity::ALL.map(Quantity::key).join(", ");
    let (name, key) = text
        .split_once('=')
        .ok_or("it must look like NAME=QUANTITY")?;
    let quantity =
        Quantity::from_key(key).ok_or_else(|| format!("\"{key}\" is none of {}", all()))?;
    Ok((name.to_string(), quantity))
}

pub(crate) fn find(reader: &Reader, name: &str) -> Result<Vessel> {
    let vessels = reader.vessels()?;
    let known: Vec<String> = vessels.iter().map(|v| v.facts.name.clone()).collect();
    let same = |v: &Vessel| v.facts.name.to_lowercase() == name.to_lowercase();
    match vessels.into_iter().find(same) {
        Some(vessel) => Ok(vessel),
        None if known.is_empty() => bail!("there is no vessel yet; add one on the page"),
        None => bail!(
            "no vessel is named \"{name}\"; there are: {}",
            known.join(", ")
        ),
    }
}

pub(crate) fn now() -> Result<Moment> {
    let clock = Clock::system();
    if !clock.is_believable() {
        let says = clock.now().to_rfc3339();
        bail!("the clock says {says}, which cannot be; set it first");
    }
    Ok(clock.now())
}

/// When it was: now, unless it is said.
pub(crate) fn past(said: Option<Moment>, now: Moment) -> Result<Moment> {
    match said {
        Some(at) if at > now => bail!("--at {} lies in the future", at.to_rfc3339()),
        Some(at) if at < EARLIEST => bail!("--at {} is before the year 2000", at.to_rfc3339()),
        said => Ok(said.unwrap_or(now)),
    }
}

pub(crate) fn note(text: &str) -> Result<String> {
    words::kept(text, LONGEST_NOTE).map_err(|why| anyhow!("--note: {why}"))
}

pub fn hand(config: &Config, args: &HandArgs) -> Result<()> {
    let (writer, reader) = upgrade::open(config)?;
    let vessel = find(&reader, &args.vessel)?;
    let now = now()?;
    let hand = HandReading {
        at: past(args.at, now)?,
        time_from: TimeFrom::Payload,
        read: Gravity::new(args.gravity).context("--gravity")?,
        sample: Celsius::new(args.sample).context("--sample")?,
        reference: Celsius::new(args.reference).context("--reference")?,
        ph: args.ph.map(Ph::new).transpose().context("--ph")?,
        note: note(&args.note)?,
    };
    let original = reader.original_gravity(vessel.id, hand.at)?;
    let deed = hand.deed(original)?;
    let corrected = deed.gravity;
    writer.command_blocking(Command::Log {
        vessel: vessel.id,
        deed,
        hand: Some(hand.facts()),
        once: None,
        made_at: now,
    })?;
    if let Some(corrected) = corrected {
        println!("{}: {:.4} at 20 °C", vessel.facts.name, corrected.get());
    }
    Ok(())
}

pub fn import(config: &Config, args: &ImportArgs) -> Result<()> {
    let file = args.file.display();
    let text = std::fs::read(&args.file).with_context(|| format!("cannot read {file}"))?;
    let text = String::from_utf8(text).with_context(|| format!("{file} is not UTF-8 text"))?;
    let columns = (!args.columns.is_empty()).then_some(args.columns.as_slice());
    let believed = files::up_to_tomorrow(now()?);
    let (rows, bad) =
        files::readings(&text, columns, &believed).with_context(|| file.to_string())?;
    let (writer, reader) = upgrade::open(config)?;
    let vessel = find(&reader, &args.vessel)?;
    for line in &bad {
        eprintln!("{file}: line {} left out: {}", line.line, line.why);
    }
    let rows = rows
        .iter()
        .map(|r| ImportRow {
            at: r.at,
            gravity: r.gravity,
            temperature: r.temperature,
        })
        .collect();
    let done = writer.command_blocking(Command::Import {
        vessel: vessel.id,
        rows,
    })?;
    if let Done::Imported {
        added,
        known,
        conflicting,
    } = done
    {
        println!(
            "{}: {added} readings added, {known} were there already, {conflicting} left out because another value stands at their time, {} lines could not be read",
            vessel.facts.name,
            bad.len()
        );
    }
    Ok(())
}

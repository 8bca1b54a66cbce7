//! Fills a data folder with an invented cellar of any size, to measure on:
//!
//!     cargo run --release -p ebbmark --example fill_cellar -- FOLDER VESSELS DAYS MINUTES
//!
//! `VESSELS` vessels with `DAYS` days of readings, one every `MINUTES` minutes, up to now.

use std::path::PathBuf;
use std::time::{SystemTime, UNIX_EPOCH};

use anyhow::{Context, Result};
use ebbmark_core::time::{Moment, Span};
use ebbmark_core::units::{Celsius, Gravity};
use ebbmark_demo_feeds::float::Faults;
use ebbmark_demo_feeds::kinds::{Kind, Wanted, series};
use ebbmark_store::Options;
use ebbmark_store::model::{BatchFacts, Command, Done, ImportRow, VesselFacts};

fn main() -> Result<()> {
    let mut words = std::env::args().skip(1);
    let mut next = |what: &str| words.next().with_context(|| format!("give {what}"));
    let folder = PathBuf::from(next("the folder")?);
    let vessels: u64 = next("the number of vessels")?.parse()?;
    let days: f64 = next("the number of days")?.parse()?;
    let every = Span::minutes(next("the minutes between readings")?.parse()?);
    std::fs::create_dir_all(&folder)?;
    let (writer, _) = ebbmark_store::open(&folder.join("ebbmark.sqlite3"), Options::default())?;
    let now = Moment(SystemTime::now().duration_since(UNIX_EPOCH)?.as_millis() as i64);
    let start = now - Span::from_days(days);
    for number in 0..vessels {
        let kind = Kind::ALL[number as usize % Kind::ALL.len()];
        let series = series(&Wanted {
            kind,
            faults: Faults::ORDINARY,
            seed: number,
            start,
            days,
            every,
        });
        let facts = VesselFacts {
            name: format!("Vessel {number:03}"),
            capacity: None,
            temperature_low: None,
            temperature_high: None,
            tare: None,
            place: String::new(),
        };
        let Done::Vessel(vessel) = writer.command_blocking(Command::AddVessel(facts))? else {
            anyhow::bail!("the store made no vessel");
        };
        let facts = BatchFacts {
            name: format!("Invented mead {number:03}"),
            started: start,
            original_gravity: series
                .events
                .iter()
                .find_map(|e| e.gravity)
                .and_then(|g| Gravity::new(g).ok()),
            expected_final: None,
            tolerance: None,
            volume: None,
            yeast: String::new(),
            honey: String::new(),
            note: "Invented.".into(),
            origin: None,
        };
        writer.command_blocking(Command::StartBatch { vessel, facts })?;
        let row = |r: &ebbmark_demo_feeds::kinds::Row| ImportRow {
            at: r.at,
            gravity: Gravity::new(r.gravity).ok(),
            temperature: Celsius::new(r.temperature).ok(),
        };
        let rows = series.rows.iter().map(row).collect();
        writer.command_blocking(Command::Import { vessel, rows })?;
    }
    Ok(())
}

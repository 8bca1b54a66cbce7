//! Fills a data folder with an invented cellar of any size, to measure on:
//!
//!     cargo run --release -p ebbmark --example fill_cellar -- FOLDER VESSELS DAYS MINUTES [SOURCE]
//!
//! `VESSELS` vessels with `DAYS` days of readings, one every `MINUTES` minutes, up to now; each has a
//! float of its own, claimed on the topic `float/NUMBER` of `SOURCE` (the built-in intake, or the name of a
//! broker), that sends a JSON object with `gravity` and `temperature`. A course is simulated once for each kind and seed: a few dozen are as good as
//! thousands to measure on.

use std::path::PathBuf;
use std::time::{SystemTime, UNIX_EPOCH};

use anyhow::{Context, Result};
use ebbmark_core::feed::{FeedMap, Format, Pick, Quantity};
use ebbmark_core::ids::VesselId;
use ebbmark_core::time::{Moment, Span};
use ebbmark_core::units::{Celsius, Gravity};
use ebbmark_demo_feeds::float::Faults;
use ebbmark_demo_feeds::kinds::{Kind, Series, Wanted, series};
use ebbmark_store::model::{BatchFacts, Command, Done, ImportRow, VesselFacts};
use ebbmark_store::{Options, Writer};

const COURSES: u64 = 30;
/// In one import: a year of minutes as one command would be a transaction of hundreds of megabytes.
const AT_ONCE: usize = 50_000;

fn main() -> Result<()> {
    let mut words = std::env::args().skip(1);
    let mut next = |what: &str| words.next().with_context(|| format!("give {what}"));
    let folder = PathBuf::from(next("the folder")?);
    let vessels: u64 = next("the number of vessels")?.parse()?;
    let days: f64 = next("the number of days")?.parse()?;
    let every = Span::minutes(next("the minutes between readings")?.parse()?);
    let source = next("the source").unwrap_or_else(|_| "intake".to_owned());
    std::fs::create_dir_all(&folder)?;
    let (writer, _) = ebbmark_store::open(&folder.join("ebbmark.sqlite3"), Options::default())?;
    let now = Moment(SystemTime::now().duration_since(UNIX_EPOCH)?.as_millis() as i64);
    let start = now - Span::from_days(days);
    for course in 0..COURSES.min(vessels) {
        let kind = Kind::ALL[course as usize % Kind::ALL.len()];
        let series = series(&Wanted {
            kind,
            faults: Faults::ORDINARY,
            seed: course,
            start,
            days,
            every,
        });
        for number in (course..vessels).step_by(COURSES as usize) {
            let vessel = add(&writer, number, &series, start)?;
            claim(&writer, &source, number, vessel)?;
        }
    }
    Ok(())
}

fn add(writer: &Writer, number: u64, series: &Series, started: Moment) -> Result<VesselId> {
    let facts = VesselFacts {
        name: format!("Vessel {number:04}"),
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
        name: format!("Invented mead {number:04}"),
        started,
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
    for rows in series.rows.chunks(AT_ONCE) {
        let rows = rows
            .iter()
            .map(|r| ImportRow {
                at: r.at,
                gravity: Gravity::new(r.gravity).ok(),
                temperature: Celsius::new(r.temperature).ok(),
            })
            .collect();
        writer.command_blocking(Command::Import { vessel, rows })?;
    }
    Ok(vessel)
}

fn claim(writer: &Writer, source: &str, number: u64, vessel: VesselId) -> Result<()> {
    let pick = |from: &str, quantity| Pick {
        from: from.into(),
        quantity,
    };
    let claim = Command::Claim {
        source: source.to_owned(),
        topic: format!("float/{number}"),
        name: format!("Float {number:04}"),
        vessel: Some(vessel),
        map: FeedMap {
            format: Format::Json {
                picks: vec![
                    pick("/gravity", Quantity::GravitySg),
                    pick("/temperature", Quantity::TemperatureCelsius),
                ],
            },
            tilt_polynomial: Vec::new(),
        },
    };
    writer.command_blocking(claim)?;
    Ok(())
}

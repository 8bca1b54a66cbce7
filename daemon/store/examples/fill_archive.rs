//! Fills a database with years of invented meads that are over, to measure the archive on:
//!
//!     cargo run --release -p ebbmark-store --example fill_archive -- FILE MEADS DAYS MINUTES
//!
//! `MEADS` meads, one after the other in forty vessels, each with `DAYS` days of readings, one every
//! `MINUTES` minutes, and some lines in the log. All goes through the store's commands
//! into a file, which is new. Nothing in it was measured.

use std::path::PathBuf;
use std::time::Instant;

use ebbmark_core::deed::{Deed, Dose, Substance, What};
use ebbmark_core::ids::VesselId;
use ebbmark_core::time::{Moment, Span};
use ebbmark_core::units::{Celsius, Gravity, Kilograms, Litres};
use ebbmark_store::model::{BatchFacts, Command, Done, ImportRow, VesselFacts};
use ebbmark_store::{Options, Writer, archive};
use rusqlite::Connection;

type Outcome<T> = Result<T, Box<dyn std::error::Error>>;

const VESSELS: usize = 40;
/// 2026-06-01T00:00:00Z, when the last ones end.
const END: Moment = Moment(1_780_272_000_000);
/// Between two meads in one vessel.
const EMPTY: Span = Span::days(3);
const HONEYS: [&str; 7] = [
    "linden",
    "heather",
    "Höhenhonig",
    "buckwheat",
    "clover",
    "miód leśny",
    "chestnut",
];
const YEASTS: [&str; 5] = ["wine A", "wine B", "ale C", "cider D", "Hefe Ä"];
const FRUITS: [&str; 6] = ["figs", "cherries", "plums", "quince", "Äpfel", "currants"];

/// A number between 0 and 1 that looks drawn by lot (splitmix64, S. Vigna, public domain).
struct Lot(u64);

impl Lot {
    fn draw(&mut self) -> f64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        ((z ^ (z >> 31)) >> 11) as f64 / (1u64 << 53) as f64
    }

    fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.draw()
    }

    fn of<T: Copy>(&mut self, all: &[T]) -> T {
        all[(self.draw() * all.len() as f64) as usize % all.len()]
    }
}

struct Mead {
    vessel: usize,
    started: Moment,
    original: f64,
    end: f64,
    rate: f64,
    middle: f64,
    /// Days it lies still, and from which day on.
    rest: f64,
    rests_from: f64,
    warmth: f64,
}

impl Mead {
    fn gravity(&self, days: f64) -> f64 {
        let on = if days < self.rests_from {
            days
        } else {
            (days - self.rest).max(self.rests_from)
        };
        self.end + (self.original - self.end) / (1.0 + (self.rate * (on - self.middle)).exp())
    }
}

fn main() -> Outcome<()> {
    let mut words = std::env::args().skip(1);
    let mut next = |what: &str| words.next().ok_or_else(|| format!("give {what}"));
    let path = PathBuf::from(next("the file")?);
    let meads: usize = next("the number of meads")?.parse()?;
    let days: i64 = next("the days of each")?.parse()?;
    let every = Span::minutes(next("the minutes between readings")?.parse()?);
    if path.exists() {
        return Err(format!("{} is there already", path.display()).into());
    }
    let begun = Instant::now();
    let (writer, reader) = ebbmark_store::open(&path, Options::default())?;
    let vessels = vessels(&writer)?;
    let mut lot = Lot(1);
    let rounds = meads.div_ceil(VESSELS) as i64;
    let first = END - Span((Span::days(days) + EMPTY).0 * rounds);
    let mut all = Vec::new();
    for n in 0..meads {
        let round = (n / VESSELS) as i64;
        let started =
            first + Span((Span::days(days) + EMPTY).0 * round) + Span::hours((n % VESSELS) as i64);
        let original = lot.between(1.07, 1.14);
        let middle = lot.between(4.0, 12.0);
        let mead = Mead {
            vessel: n % VESSELS,
            started,
            original,
            end: lot.between(0.995, 1.01),
            rate: lot.between(0.4, 1.0),
            middle,
            rests_from: middle + lot.between(-3.0, 4.0),
            rest: if lot.draw() < 0.1 {
                lot.between(4.0, 12.0)
            } else {
                0.0
            },
            warmth: lot.between(15.0, 22.0),
        };
        note(&writer, &mut lot, vessels[mead.vessel], n, &mead, days)?;
        all.push(mead);
    }
    println!(
        "{meads} meads noted after {:.0} s",
        begun.elapsed().as_secs_f64()
    );
    let rows = pour_in(&path, &writer, &mut lot, &vessels, &all, days, every)?;
    println!(
        "{rows} readings after {:.0} s",
        begun.elapsed().as_secs_f64()
    );
    loop {
        let made = archive::make_stale(&reader, 200)?;
        if made.is_empty() {
            break;
        }
        for command in made {
            writer.command_blocking(command)?;
        }
    }
    println!("all summed up after {:.0} s", begun.elapsed().as_secs_f64());
    Ok(())
}

fn vessels(writer: &Writer) -> Outcome<Vec<VesselId>> {
    let mut all = Vec::new();
    for n in 0..VESSELS {
        let facts = VesselFacts {
            name: format!("Invented vessel {n:02}"),
            capacity: None,
            temperature_low: None,
            temperature_high: None,
            tare: None,
            place: String::new(),
        };
        let Done::Vessel(vessel) = writer.command_blocking(Command::AddVessel(facts))? else {
            return Err("the store made no vessel".into());
        };
        // Makes the feed that what is poured in belongs to.
        let rows = vec![ImportRow {
            at: Moment(0),
            gravity: None,
            temperature: Celsius::new(15.0).ok(),
        }];
        writer.command_blocking(Command::Import { vessel, rows })?;
        all.push(vessel);
    }
    Ok(all)
}

fn note(
    writer: &Writer,
    lot: &mut Lot,
    vessel: VesselId,
    n: usize,
    mead: &Mead,
    days: i64,
) -> Outcome<()> {
    let honey = lot.of(&HONEYS);
    let fruit = lot.of(&FRUITS);
    let facts = BatchFacts {
        name: format!("Invented {honey} {n:04}"),
        started: mead.started,
        original_gravity: Gravity::new(mead.original).ok(),
        expected_final: None,
        tolerance: None,
        volume: Litres::new(20.0).ok(),
        yeast: lot.of(&YEASTS).to_owned(),
        honey: format!("{honey}, invented"),
        note: "Nothing here was measured.".to_owned(),
        origin: None,
    };
    let started = Command::StartBatch { vessel, facts };
    let Done::Batch(batch) = writer.command_blocking(started)? else {
        return Err("the store made no mead".into());
    };
    let at = |days: f64| mead.started + Span::from_days(days);
    let fed = |days: f64| Deed {
        note: "half of it".to_owned(),
        ..Deed::new(at(days), What::Nutrient)
    };
    let fruit = Deed {
        doses: vec![Dose {
            name: fruit.to_owned(),
            ..Dose::of(Substance::Fruit, Kilograms::computed(1.5))
        }],
        note: format!("{fruit}, in a bag"),
        ..Deed::new(at(20.0), What::Remark)
    };
    let read = Deed {
        gravity: Gravity::new(mead.gravity(1.0)).ok(),
        ..Deed::new(at(1.0), What::HandReading)
    };
    let racked = Deed::new(at(35.0), What::Rack);
    for deed in [fed(0.5), read, fed(2.0), fruit, racked] {
        writer.command_blocking(Command::Log {
            vessel,
            made_at: deed.at,
            deed,
            hand: None,
            once: None,
        })?;
    }
    let at = at(days as f64);
    writer.command_blocking(Command::EndBatch { batch, at })?;
    Ok(())
}

fn pour_in(
    path: &std::path::Path,
    writer: &Writer,
    lot: &mut Lot,
    vessels: &[VesselId],
    meads: &[Mead],
    days: i64,
    every: Span,
) -> Outcome<usize> {
    let conn = Connection::open(path)?;
    // They would mark what no summary was made of yet, once for each of millions of hours.
    let triggers: Vec<(String, String)> = conn
        .prepare(
            "SELECT name, sql FROM sqlite_schema WHERE type = 'trigger' AND tbl_name = 'hour'",
        )?
        .query_map([], |r| Ok((r.get(0)?, r.get(1)?)))?
        .collect::<rusqlite::Result<_>>()?;
    for (name, _) in &triggers {
        conn.execute_batch(&format!("DROP TRIGGER {name}"))?;
    }
    let mut poured = 0;
    for (place, vessel) in vessels.iter().enumerate() {
        for mead in meads.iter().filter(|m| m.vessel == place) {
            let mut rows = Vec::new();
            for n in 0..Span::days(days).0 / every.0 {
                let span = Span(every.0 * n);
                let day = span.as_days();
                let noise = lot.draw() + lot.draw() - 1.0;
                let gravity = mead.gravity(day) + 0.0012 * noise;
                let warmth = mead.warmth + (day * std::f64::consts::TAU).sin() + 0.2 * noise;
                // As a float says them: so many decimals.
                let rounded = |n: f64, to: f64| (n * to).round() / to;
                rows.push(ImportRow {
                    at: mead.started + span,
                    gravity: Gravity::new(rounded(gravity, 1e5)).ok(),
                    temperature: Celsius::new(rounded(warmth, 100.0)).ok(),
                });
            }
            poured += rows.len();
            let vessel = *vessel;
            writer.command_blocking(Command::Import { vessel, rows })?;
        }
    }
    for (_, sql) in &triggers {
        conn.execute_batch(sql)?;
    }
    Ok(poured)
}

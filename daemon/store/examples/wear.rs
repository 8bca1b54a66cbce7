//! What a day in the cellar writes to the disk, and how much of the disk it takes:
//!
//!     cargo run -p ebbmark-store --example wear -- FOLDER [VESSELS] [HOURS] [WINDOW-MS]
//!
//! `VESSELS` floats (50) send a reading a minute, each at a second of its own, for `HOURS` hours (24)
//! told in quick time: what would have come within `WINDOW-MS` (0: each by itself) shares a commit, as
//! the writer would have it at a true clock. Hours are rolled as the daemon does it, a verdict of each
//! vessel is kept every hour. FOLDER has to be on a disk: in memory nothing is written.
//! Nothing in it was measured; floats and their meads are invented.

use std::path::{Path, PathBuf};

use ebbmark_core::feed::{FeedMap, Format, Pick, Quantity};
use ebbmark_core::ids::{BatchId, VesselId};
use ebbmark_core::text::Style;
use ebbmark_core::time::{Moment, Span};
use ebbmark_core::units::{Celsius, Gravity, Preferences};
use ebbmark_core::verdict::outcome::Verdict;
use ebbmark_core::verdict::{Assessor, Case};
use ebbmark_store::hours::{roll_stale, worth_rolling};
use ebbmark_store::model::{Arrival, BatchFacts, Command, Done, ImportRow, Stamp, VesselFacts};
use ebbmark_store::{Options, Reader, Writer};
use rusqlite::Connection;

type Outcome<T> = Result<T, Box<dyn std::error::Error>>;

/// 2026-03-01T06:00:00Z, on an hour.
const BEGIN: Moment = Moment(1_772_344_800_000);
/// Of which every vessel has hours already, so that there is something to judge.
const BEFORE: i64 = 6 * 24;
const VERDICT: Span = Span::hours(1);
const MINUTE: i64 = 60_000;

struct Vessel {
    id: VesselId,
    batch: BatchId,
    topic: String,
    verdict: Verdict,
}

/// Bytes this process has handed to the system, and bytes of pages it made the system write.
#[derive(Clone, Copy, Default)]
struct Written {
    said: u64,
    pages: u64,
}

impl Written {
    fn now() -> Outcome<Written> {
        let text = std::fs::read_to_string("/proc/self/io")?;
        let of = |name: &str| -> Outcome<u64> {
            let line = text.lines().find_map(|l| l.strip_prefix(name));
            Ok(line
                .ok_or("no such line in /proc/self/io")?
                .trim()
                .parse()?)
        };
        Ok(Written {
            said: of("wchar:")?,
            pages: of("write_bytes:")?,
        })
    }

    fn since(self, before: Written) -> Written {
        Written {
            said: self.said - before.said,
            pages: self.pages - before.pages,
        }
    }

    fn add(&mut self, other: Written) {
        self.said += other.said;
        self.pages += other.pages;
    }
}

fn main() -> Outcome<()> {
    let mut words = std::env::args().skip(1);
    let folder = PathBuf::from(words.next().ok_or("give a folder")?);
    let mut next = |usual: i64| words.next().map_or(Ok(usual), |w| w.parse::<i64>());
    let (vessels, hours, window) = (next(50)?, next(24)?, next(0)?);
    std::fs::create_dir_all(&folder)?;
    let path = folder.join("wear.sqlite3");
    let (writer, reader) = ebbmark_store::open(&path, Options::default())?;
    let runtime = tokio::runtime::Builder::new_current_thread().build()?;
    let mut cellar = Vec::new();
    for n in 0..vessels {
        cellar.push(runtime.block_on(vessel(&writer, &reader, n))?);
    }
    let size_before = sizes(&path)?;

    let mut total = [Written::default(); 3];
    let (mut commits, mut readings) = (0_u64, 0_u64);
    let mut group: Vec<Arrival> = Vec::new();
    let mut group_ends = i64::MIN;
    let mut quarter = BEGIN + VERDICT;
    let mut look = BEGIN + Span::minutes(1);
    for minute in 0..hours * 60 {
        for (n, v) in cellar.iter_mut().enumerate() {
            // Spread over the minute, and never quite on time.
            let offset = n as i64 * MINUTE / vessels + jitter(minute * 977 + n as i64);
            let at = BEGIN + Span(minute * MINUTE + offset);
            if at.0 >= group_ends && !group.is_empty() {
                total[0].add(runtime.block_on(send(&writer, std::mem::take(&mut group)))?);
                commits += 1;
            }
            if group.is_empty() {
                group_ends = at.0 + window.max(1);
            }
            readings += 1;
            group.push(arrival(&v.topic, at, minute, n as i64));
            if at >= look {
                look = at + Span::minutes(1);
                let before = Written::now()?;
                if worth_rolling(&reader, at)? {
                    for command in roll_stale(&reader, at)? {
                        writer.command_blocking(command)?;
                    }
                }
                total[1].add(Written::now()?.since(before));
            }
        }
        let now = BEGIN + Span::minutes(minute + 1);
        if now >= quarter {
            quarter = quarter + VERDICT;
            let before = Written::now()?;
            let save = |v: &mut Vessel| {
                v.verdict.at = now;
                Command::SaveVerdict {
                    vessel: v.id,
                    batch: v.batch,
                    verdict: Box::new(v.verdict.clone()),
                    sentence: "Still falling by 0.010 a day.".into(),
                    notices: Vec::new(),
                }
            };
            writer.commands_blocking(cellar.iter_mut().map(save).collect())?;
            total[2].add(Written::now()?.since(before));
        }
    }
    if !group.is_empty() {
        total[0].add(runtime.block_on(send(&writer, group))?);
        commits += 1;
    }
    let before = Written::now()?;
    runtime.block_on(writer.close());
    total[0].add(Written::now()?.since(before));

    println!("{readings} readings of {vessels} floats in {hours} h, {commits} commits of them");
    let days = hours as f64 / 24.0;
    for (what, w) in ["arrivals", "hours", "verdicts"].iter().zip(total) {
        line(what, w, readings, days);
    }
    let mut all = Written::default();
    total.iter().for_each(|w| all.add(*w));
    line("all", all, readings, days);
    println!("at rest, bytes a reading (grown while they came):");
    let mut grown = 0;
    for (name, size) in sizes(&path)? {
        let before = size_before.iter().find(|(n, _)| *n == name);
        let more = size - before.map_or(0, |(_, s)| *s);
        grown += more;
        if more != 0 {
            println!("  {name:<20} {:>9.2}", more as f64 / readings as f64);
        }
    }
    println!("  {:<20} {:>9.2}", "all", grown as f64 / readings as f64);
    Ok(())
}

fn line(what: &str, w: Written, readings: u64, days: f64) {
    println!(
        "{what:<10} {:>8.0} bytes a reading handed over ({:>7.1} MB a day), {:>8.0} in pages ({:>7.1} MB a day)",
        w.said as f64 / readings as f64,
        w.said as f64 / days / 1e6,
        w.pages as f64 / readings as f64,
        w.pages as f64 / days / 1e6,
    );
}

/// Bytes in pages that are in use, by table and index.
fn sizes(path: &Path) -> Outcome<Vec<(String, i64)>> {
    let conn = Connection::open(path)?;
    let all = conn
        .prepare("SELECT name, sum(pgsize) FROM dbstat GROUP BY name ORDER BY name")?
        .query_map([], |r| Ok((r.get(0)?, r.get(1)?)))?
        .collect::<rusqlite::Result<_>>()?;
    Ok(all)
}

/// Below a second, the same each time (an integer hash: splitmix64, S. Vigna, public domain).
fn jitter(n: i64) -> i64 {
    let mut z = n.cast_unsigned().wrapping_mul(0x9e37_79b9_7f4a_7c15);
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    ((z >> 40) % 1_000) as i64
}

fn arrival(topic: &str, at: Moment, minute: i64, n: i64) -> Arrival {
    let noise = jitter(minute * 131 + n) as f64 / 1e6;
    let gravity = 1.060 - minute as f64 * 7e-6 + noise;
    let temperature = 18.0 + (jitter(minute * 7 + n) % 40) as f64 / 16.0;
    let battery = 4.1 - minute as f64 * 1e-4;
    Arrival {
        source: "intake".into(),
        topic: topic.to_owned(),
        payload: format!(
            r#"{{"name":"float-{n:02}","gravity":{gravity:.4},"angle":{:.2},"temperature":{temperature:.2},"battery":{battery:.2},"rssi":{}}}"#,
            25.0 + gravity * 10.0,
            -60 - jitter(minute + n) % 12,
        )
        .into_bytes(),
        stamp: Stamp {
            wall: Some(at),
            monotonic_ms: at.since(BEGIN).0,
        },
        delivery: None,
        retained: false,
    }
}

/// In one commit: they come together, and the writer waits a moment for more.
async fn send(writer: &Writer, group: Vec<Arrival>) -> Outcome<Written> {
    let before = Written::now()?;
    let mut waiters = Vec::new();
    for arrival in group {
        waiters.push(writer.arrive(arrival).await?);
    }
    for waiter in waiters {
        waiter.await??;
    }
    Ok(Written::now()?.since(before))
}

async fn vessel(writer: &Writer, reader: &Reader, n: i64) -> Outcome<Vessel> {
    let facts = VesselFacts {
        name: format!("Vessel {n:02}"),
        capacity: None,
        temperature_low: None,
        temperature_high: None,
        tare: None,
        place: String::new(),
    };
    let Done::Vessel(id) = writer.command(Command::AddVessel(facts)).await? else {
        return Err("no vessel was made".into());
    };
    let facts = BatchFacts {
        name: format!("Invented mead {n:02}"),
        started: BEGIN - Span::hours(BEFORE),
        original_gravity: Gravity::new(1.110).ok(),
        expected_final: None,
        tolerance: None,
        volume: None,
        yeast: String::new(),
        honey: String::new(),
        note: "Invented.".into(),
        origin: None,
    };
    let start = Command::StartBatch { vessel: id, facts };
    let Done::Batch(batch) = writer.command(start).await? else {
        return Err("no mead was started".into());
    };
    let rows = (0..BEFORE * 4).map(|quarter| ImportRow {
        at: BEGIN - Span::hours(BEFORE) + Span::minutes(quarter * 15),
        gravity: Gravity::new(1.110 - quarter as f64 * 0.05 / (BEFORE as f64 * 4.0)).ok(),
        temperature: Celsius::new(19.0).ok(),
    });
    let rows = rows.collect();
    writer.command(Command::Import { vessel: id, rows }).await?;
    let topic = format!("cellar/float-{n:02}");
    let pick = |from: &str, quantity| Pick {
        from: from.into(),
        quantity,
    };
    let map = FeedMap {
        format: Format::Json {
            picks: vec![
                pick("/gravity", Quantity::GravitySg),
                pick("/angle", Quantity::TiltDegrees),
                pick("/temperature", Quantity::TemperatureCelsius),
                pick("/battery", Quantity::BatteryVolts),
                pick("/rssi", Quantity::SignalDbm),
            ],
        },
        tilt_polynomial: Vec::new(),
    };
    writer
        .command(Command::Claim {
            source: "intake".into(),
            topic: topic.clone(),
            name: topic.clone(),
            map,
            vessel: Some(id),
        })
        .await?;
    for command in roll_stale(reader, BEGIN)? {
        writer.command(command).await?;
    }
    let mead = reader.batch(batch)?.ok_or("the mead is gone")?;
    let history = reader.history(&mead, BEGIN)?;
    let case = Case {
        hours: &history.hours,
        deeds: &[],
        started: Some(history.started),
        original: mead.facts.original_gravity,
        expected_final: None,
        tolerance: None,
        learned: None,
    };
    let zone = jiff::tz::TimeZone::UTC;
    let style = Style {
        units: Preferences::default(),
        zone: &zone,
    };
    let mut assessor = Assessor::default();
    let mut verdict = assessor.assess(&case, BEGIN, &style);
    verdict.curve = assessor.curve(&verdict);
    Ok(Vessel {
        id,
        batch,
        topic,
        verdict,
    })
}

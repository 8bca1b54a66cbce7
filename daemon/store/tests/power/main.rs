//! The power is cut at any point, on a disk that keeps what was synced and nothing else for sure: every
//! message that was acknowledged is there, once, and the database is whole.
//!
//! A child process (this test binary, started again under `strace`) stores messages and notes each
//! acknowledgement in a file. What it wrote and synced, in order, is then played onto a made-up disk
//! up to a point, where of all that was not synced some is lost, some kept, some torn in sectors of
//! 512 bytes, each file and each write by itself. As a check of the check the same is done on a disk
//! that only pretends to sync: that one has to lose something.
//!
//! `EBBMARK_POWER_CUTS` is the number of cuts; the default is short.
#![expect(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

#[path = "../common/mod.rs"]
mod common;
mod dice;
mod disk;
mod steps;

use std::fs;
use std::io::Write;
use std::path::{Path, PathBuf};
use std::time::Duration;

use common::*;
use dice::Dice;
use disk::Disk;
use ebbmark_store::condition::{Condition, condition};
use ebbmark_store::hours::roll_stale;
use ebbmark_store::model::Command;
use ebbmark_store::{Options, Reader, Writer, backup, open, read, swap};
use steps::{NOTED, Step, watched};

const PATH: &str = "EBBMARK_POWER_PATH";
const SWAP_PATH: &str = "EBBMARK_POWER_SWAP_PATH";
const CUTS: &str = "EBBMARK_POWER_CUTS";
const DATABASE: &str = "store.db";
const COPY: &str = "copy";
/// Enough for the log of changes to be merged into the database several times.
const BURSTS: u64 = 260;
const SEED: u64 = 0x5eed_0b0a_7d1d_2026;
const LONG: Duration = Duration::from_secs(600);

fn cuts() -> u64 {
    std::env::var(CUTS).map_or(40, |n| n.parse().unwrap())
}

fn payload(n: u64, dice: &mut Dice) -> String {
    let padding = " ".repeat(dice.below(2_000) as usize);
    format!(
        r#"{{"t": {}, "g": 1.05, "n": {n}{padding}}}"#,
        at(n as i64).0
    )
}

/// The child. Does nothing when it is not started by the test below.
#[tokio::test]
async fn child() {
    let Ok(folder) = std::env::var(PATH) else {
        return;
    };
    let folder = Path::new(&folder);
    let mut noted = fs::File::create(folder.join(NOTED)).unwrap();
    let (writer, reader) = open(&folder.join(DATABASE), Options::default()).unwrap();
    writer.command(claim("a", timed(), None)).await.unwrap();
    let mut dice = Dice(0x9e37_79b9);
    let mut n = 0;
    for burst in 0..BURSTS {
        let mut waiting = Vec::new();
        for _ in 0..=dice.below(8) {
            let message = arrival("a", &payload(n, &mut dice));
            waiting.push((n, writer.arrive(message).await.unwrap()));
            n += 1;
        }
        for (n, waiter) in waiting {
            waiter.await.unwrap().unwrap();
            // In one call.
            noted.write_all(format!("{n}\n").as_bytes()).unwrap();
        }
        if burst % 20 == 0 {
            let key = "last".to_owned();
            let value = Some(n.to_string());
            let set = Command::SetSetting { key, value };
            writer.command(set).await.unwrap();
        }
        // Hours that are over are packed, and the log of changes is merged.
        if burst % 40 == 30 {
            for command in roll_stale(&reader, ALWAYS.1).unwrap() {
                writer.command(command).await.unwrap();
            }
            rusqlite::Connection::open(folder.join(DATABASE))
                .and_then(|conn| conn.query_row("PRAGMA wal_checkpoint", [], |_| Ok(())))
                .unwrap();
        }
    }
    writer.close().await;
}

/// Of the payloads, in the order they came. Each has its reading.
fn numbers(reader: &Reader) -> Vec<u64> {
    let number = |payload: &Vec<u8>| {
        let json: serde_json::Value = serde_json::from_slice(payload).unwrap();
        json["n"].as_u64().unwrap()
    };
    let payloads = reader.payloads("intake", "a").unwrap();
    let numbers: Vec<u64> = payloads.iter().map(number).collect();
    if let Some(feed) = reader.feeds().unwrap().first() {
        let readings = reader.readings(feed.id, ALWAYS.0, ALWAYS.1).unwrap();
        let minutes = readings.iter().map(|r| r.at.since(T0).0 / 60_000);
        let mut sorted = numbers.clone();
        sorted.sort_unstable();
        assert!(minutes.eq(sorted.iter().map(|n| *n as i64)), "{numbers:?}");
        assert_eq!(feed.readings, numbers.len() as u64);
    }
    numbers
}

/// What is wrong after the power is back, if anything.
async fn wrong(folder: &Path, noted: u64) -> Option<String> {
    let path = folder.join(DATABASE);
    let state = condition(&path, LONG);
    match state {
        Ok(Condition::Sound) => {}
        Ok(Condition::Missing | Condition::Empty) if noted == 0 => {}
        other => return Some(format!("it is {other:?}")),
    }
    let (writer, reader) = match open(&path, Options::default()) {
        Ok(opened) => opened,
        Err(e) => return Some(e.to_string()),
    };
    writer.close().await;
    let conn = rusqlite::Connection::open(&path).unwrap();
    let said: rusqlite::Result<String> = conn.query_row("PRAGMA integrity_check", [], |r| r.get(0));
    if said.as_deref() != Ok("ok") {
        return Some(format!("{said:?}"));
    }
    let found = numbers(&reader);
    // As they came: all that were noted, perhaps a few more, each once.
    let in_order = (0..found.len() as u64).collect::<Vec<_>>();
    if found != in_order || (found.len() as u64) < noted {
        return Some(format!("{noted} were acknowledged, there are {found:?}"));
    }
    let feeds = reader.feeds().unwrap();
    let counted = feeds.first().map_or(0, |feed| feed.readings);
    (counted != found.len() as u64).then(|| format!("{counted} of {} counted", found.len()))
}

/// Cuts the power at so many points; gives what was wrong at which.
fn cut(steps: &[Step], cuts: u64, pretends: bool, seed: u64) -> Vec<(usize, String)> {
    let runtime = tokio::runtime::Runtime::new().unwrap();
    let mut dice = Dice(seed);
    let mut points: Vec<usize> = (0..cuts)
        .map(|_| dice.below(steps.len() as u64 + 1) as usize)
        .collect();
    // The first moments, in which the database is not yet what it will be.
    points.extend((0..64).map(|n| n / 4).filter(|n| *n < steps.len()));
    points.sort_unstable();
    let (mut disk, mut noted, mut done) = (Disk::default(), 0, 0);
    disk.pretends = pretends;
    let mut found = Vec::new();
    for point in points {
        for step in &steps[done..point] {
            disk.take(step);
            if let Step::Noted(n) = step {
                assert_eq!(*n, noted, "they are answered in order");
                noted += 1;
            }
        }
        done = point;
        let folder = tempfile::tempdir().unwrap();
        disk.after_a_cut(folder.path(), &mut dice, None);
        if let Some(what) = runtime.block_on(wrong(folder.path(), noted)) {
            found.push((point, what));
        }
    }
    found
}

#[test]
fn what_was_acknowledged_outlives_a_power_cut() {
    let folder = tempfile::tempdir().unwrap();
    let steps = watched("child", PATH, folder.path());
    let merged = steps
        .iter()
        .filter(|s| matches!(s, Step::Sync { file } if file == DATABASE))
        .count();
    assert!(merged > 3, "the log of changes was merged {merged} times");
    assert!(steps.iter().any(|s| matches!(s, Step::Noted(_))));
    assert_eq!(cut(&steps, cuts(), false, SEED), []);
    // This is how it would look.
    assert!(!cut(&steps, 20, true, SEED).is_empty());
}

/// The child that puts a copy in the place of the database.
#[test]
fn swapping_child() {
    let Ok(folder) = std::env::var(SWAP_PATH) else {
        return;
    };
    let folder = Path::new(&folder);
    let database = folder.join(DATABASE);
    let coming = swap::coming(&database).unwrap();
    backup::make(&folder.join(COPY), &coming, &|| true).unwrap();
    swap::put(&database, "2026-11-26T093000Z").unwrap();
}

async fn fill(writer: &Writer, numbers: std::ops::Range<u64>) {
    let mut dice = Dice(SEED);
    for n in numbers {
        let message = arrival("a", &payload(n, &mut dice));
        writer
            .arrive(message)
            .await
            .unwrap()
            .await
            .unwrap()
            .unwrap();
    }
}

/// Wherever it is cut, the database is the old one or the new one, whole; and the old one is never lost.
#[test]
fn a_database_is_replaced_over_a_power_cut() {
    let runtime = tokio::runtime::Runtime::new().unwrap();
    let live = tempfile::tempdir().unwrap();
    let folder = tempfile::tempdir().unwrap();
    let (writer, _reader) = open(&live.path().join(DATABASE), Options::default()).unwrap();
    runtime.block_on(async {
        writer.command(claim("a", timed(), None)).await.unwrap();
        fill(&writer, 0..40).await;
        backup::make(
            &live.path().join(DATABASE),
            &folder.path().join(COPY),
            &|| true,
        )
        .unwrap();
        fill(&writer, 40..70).await;
    });
    // As a kill leaves it: with a log of changes that belongs to it.
    for suffix in ["", "-wal"] {
        let name = format!("{DATABASE}{suffix}");
        fs::copy(live.path().join(&name), folder.path().join(&name)).unwrap();
    }
    let before = Disk::with(folder.path());
    let steps = watched("swapping_child", SWAP_PATH, folder.path());
    assert!(steps.iter().any(|s| matches!(s, Step::Rename { .. })));

    let first = steps.iter().position(|s| matches!(s, Step::Rename { .. }));
    let mut dice = Dice(SEED);
    let points = (0..cuts() / 4).map(|_| dice.below(steps.len() as u64) as usize);
    let mut tries: Vec<(usize, Option<u32>)> = points.map(|point| (point, None)).collect();
    // Where names change everything is tried that can come of it.
    for point in first.unwrap()..=steps.len() {
        let mut disk = before.clone();
        steps[..point].iter().for_each(|step| disk.take(step));
        tries.extend((0..1 << disk.names_open()).map(|kept| (point, Some(kept))));
    }
    let (mut old, mut new) = (0, 0);
    for (point, names) in tries {
        let mut disk = before.clone();
        steps[..point].iter().for_each(|step| disk.take(step));
        let found = tempfile::tempdir().unwrap();
        disk.after_a_cut(found.path(), &mut dice, names);
        let path = found.path().join(DATABASE);
        swap::settle(&path).unwrap();
        assert_eq!(condition(&path, LONG).unwrap(), Condition::Sound, "{point}");
        let whole = |path: &Path| {
            let conn = rusqlite::Connection::open(path).unwrap();
            let said: String = conn
                .query_row("PRAGMA integrity_check", [], |r| r.get(0))
                .unwrap();
            assert_eq!(said, "ok", "{point}");
            drop(conn);
            numbers(&read(path).unwrap()).len()
        };
        match whole(&path) {
            70 => old += 1,
            40 => {
                new += 1;
                let aside: Vec<PathBuf> = swap::aside(&path).unwrap();
                assert_eq!(aside.len(), 1, "{point}: {aside:?}");
                assert_eq!(whole(&aside[0]), 70, "{point}");
            }
            other => panic!("{point}: neither the old nor the new one, but {other}"),
        }
        assert_eq!(whole(&found.path().join(COPY)), 40);
    }
    assert!(old > 0 && new > 0, "{old} {new}");
}

//! Killed at any point, the store keeps every message it acknowledged, once.
//!
//! A child process (this test binary, started again) plays a broker with 20 messages in flight
//! and prints a line for every receipt; it is killed without warning, and the next child sends
//! what was not acknowledged again, marked as a repeat, and goes on.
//!
//! `EBBMARK_CRASHES` is the number of kills; the default is short.
#![expect(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

mod common;

use std::collections::VecDeque;
use std::hash::{BuildHasher, Hasher};
use std::io::{BufRead, BufReader, Write};
use std::process::{Command as Process, Stdio};
use std::time::Duration;

use common::*;
use ebbmark_core::time::Span;
use ebbmark_store::hours::roll_stale;
use ebbmark_store::model::Command;
use ebbmark_store::{Options, StoreError, open};

const PATH: &str = "EBBMARK_CRASH_PATH";
const FROM: &str = "EBBMARK_CRASH_FROM";
const KILLS: &str = "EBBMARK_CRASHES";
const IN_FLIGHT: u64 = 20;

/// Each message is the only one with its payload and its instant.
fn payload(n: u64) -> String {
    format!(
        r#"{{"t": {}, "g": 1.05, "n": {n}}}"#,
        (T0 + Span::seconds(n as i64)).0
    )
}

fn random(below: u64) -> u64 {
    let state = std::collections::hash_map::RandomState::new();
    state.build_hasher().finish() % below
}

/// The child. Does nothing when it is not started by the test below.
#[tokio::test]
async fn child() {
    let Ok(path) = std::env::var(PATH) else {
        return;
    };
    let first: u64 = std::env::var(FROM).unwrap().parse().unwrap();
    let (writer, reader) = open(path.as_ref(), Options::default()).unwrap();
    match writer.command(claim("a", timed(), None)).await {
        Ok(_) | Err(StoreError::Refused(_)) => {}
        Err(other) => panic!("{other}"),
    }
    let mut out = std::io::stdout();
    let mut waiting = VecDeque::new();
    for n in first.. {
        // What the child before this one may have sent and not been answered.
        let repeat = first > 0 && n < first + IN_FLIGHT;
        let packet_id = u16::try_from(n % 65_535 + 1).unwrap();
        let message = delivered("a", &payload(n), packet_id, repeat);
        waiting.push_back((n, writer.arrive(message).await.unwrap()));
        if waiting.len() as u64 == IN_FLIGHT {
            let (n, waiter) = waiting.pop_front().unwrap();
            waiter.await.unwrap().unwrap();
            writeln!(out, "kept {n}").unwrap();
            out.flush().unwrap();
        }
        // Something else goes on beside it, so that kills fall into more than one kind of work.
        if n % 97 == 0 {
            writer
                .command(Command::SetSetting {
                    key: "last".into(),
                    value: Some(n.to_string()),
                })
                .await
                .unwrap();
        }
        // Hours that are over are packed.
        if n % 60 == 59 {
            for command in roll_stale(&reader, ALWAYS.1).unwrap() {
                writer.command(command).await.unwrap();
            }
        }
    }
}

/// Runs a child until it is killed; gives the number of the first message it did not answer for.
fn run_and_kill(path: &std::path::Path, first: u64) -> u64 {
    let mut child = Process::new(std::env::current_exe().unwrap())
        .args(["child", "--exact", "--nocapture"])
        .env(PATH, path)
        .env(FROM, first.to_string())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    let mut lines = BufReader::new(child.stdout.take().unwrap()).lines();
    let mut next = first;
    let mut read = |next: &mut u64| -> bool {
        for line in lines.by_ref() {
            // The last line may be cut short by the kill: then it was not said.
            let Ok(line) = line else { return false };
            if let Some(n) = line
                .strip_prefix("kept ")
                .and_then(|n| n.parse::<u64>().ok())
            {
                assert_eq!(n, *next, "answers come in order");
                *next += 1;
                return true;
            }
        }
        false
    };
    for _ in 0..=random(300) {
        assert!(read(&mut next), "the child ended by itself");
    }
    std::thread::sleep(Duration::from_micros(random(6_000)));
    child.kill().unwrap();
    child.wait().unwrap();
    while read(&mut next) {}
    next
}

#[test]
fn every_acknowledged_message_is_there_exactly_once() {
    let kills: u32 = std::env::var(KILLS).map_or(10, |n| n.parse().unwrap());
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("store.db");
    let mut answered = 0;
    for _ in 0..kills {
        answered = run_and_kill(&path, answered);
        let conn = rusqlite::Connection::open(&path).unwrap();
        let check: String = conn
            .query_row("PRAGMA integrity_check", [], |r| r.get(0))
            .unwrap();
        assert_eq!(check, "ok");
    }
    assert!(answered >= u64::from(kills));

    let conn = rusqlite::Connection::open(&path).unwrap();
    let bundles: i64 = conn
        .query_row("SELECT count(*) FROM bundle", [], |r| r.get(0))
        .unwrap();
    assert!(bundles > 0, "nothing was packed meanwhile");
    let (_writer, reader) = open(&path, Options::default()).unwrap();
    let mut found: Vec<u64> = reader
        .payloads("intake", "a")
        .unwrap()
        .iter()
        .map(|payload| {
            let json: serde_json::Value = serde_json::from_slice(payload).unwrap();
            json["n"].as_u64().unwrap()
        })
        .collect();
    found.sort_unstable();
    // Every answered one, then some of those that were in flight at the last kill; none twice.
    assert!(found.windows(2).all(|w| w[0] < w[1]), "one is there twice");
    let lost: Vec<u64> = (0..answered)
        .filter(|n| found.binary_search(n).is_err())
        .collect();
    assert_eq!(lost, [0; 0]);
    assert!(found.len() as u64 <= answered + IN_FLIGHT);
    let broken: i64 = conn
        .query_row("SELECT count(*) FROM pragma_foreign_key_check", [], |r| {
            r.get(0)
        })
        .unwrap();
    assert_eq!(broken, 0);

    // And what was made of them fits: readings, the feed's picture, its hours.
    let feed = reader.feeds().unwrap().remove(0);
    let (from, to) = ALWAYS;
    let readings = reader.readings(feed.id, from, to).unwrap();
    assert_eq!(readings.len(), found.len());
    assert_eq!(feed.readings, found.len() as u64);
    assert_eq!(feed.last_reading, readings.last().map(|r| r.at));
    let in_hours: u32 = reader
        .hours(feed.id, T0, T0 + Span::days(365))
        .unwrap()
        .iter()
        .filter_map(|h| h.gravity)
        .map(|g| g.n)
        .sum();
    assert_eq!(in_hours as usize, found.len());
}

//! A board without a battery clock: it comes up in 1970 and learns the time later.

use std::path::PathBuf;

use ebbmark_tests::cellar::Cellar;
use ebbmark_tests::page::Visitor;
use ebbmark_tests::wait::until_true;
use serde_json::json;

use crate::common::{Hands, days_ago, local, message, publish};

/// Debian's place for it, whatever the machine.
pub fn faketime() -> PathBuf {
    let folders = std::fs::read_dir("/usr/lib").expect("every system has it");
    folders
        .filter_map(|entry| Some(entry.ok()?.path().join("faketime/libfaketime.so.1")))
        .find(|path| path.is_file())
        .expect("faketime is not installed; tests/run installs it")
}

/// Two years, in seconds.
const YEARS: i64 = 2 * 365 * 86_400;

/// Readings that are dated about that moment.
fn dated_about(cellar: &Cellar, seconds: i64) -> usize {
    let readings = cellar.database().readings("intake", "shelf/number");
    for reading in &readings {
        let off = (reading.at - seconds * 1000).abs();
        assert!(off < 600_000, "{off} ms from when it came");
    }
    readings.len()
}

/// A board that comes up two years ahead, and is put right later: what came before waits, and nobody is told
/// of two years without readings.
#[test]
fn a_clock_two_years_ahead_at_the_start_is_put_right() {
    let cellar = Cellar::new();
    cellar.set_password();
    let clock = Hands::of(&cellar);
    let now = days_ago(0);
    clock.set(now);
    let mut daemon = clock.start(&cellar);
    let visitor = Visitor::signed_in(&daemon.page);
    let vessel = visitor.add_vessel("Cask");
    publish(
        daemon.intake_port,
        &[],
        &[message("shelf/number", "1.070", 1)],
    );
    visitor.claim("intake", "shelf/number", Some(&vessel));
    visitor.start_mead(&vessel, &local(now - 86_400), "1.090", "1.000");
    daemon.stop();
    assert_eq!(dated_about(&cellar, now), 1);

    clock.set(now + YEARS);
    let mut daemon = clock.start(&cellar);
    daemon
        .process
        .err
        .wait_for_part("the clock cannot be believed yet");
    publish(
        daemon.intake_port,
        &[],
        &[message("shelf/number", "1.069", 1)],
    );
    assert_eq!(dated_about(&cellar, now), 1, "it waits");
    clock.set(now + 60);
    daemon.process.err.wait_for_part("the clock is set");
    until_true("dated", || dated_about(&cellar, now) == 2);
    daemon.stop();
    assert_eq!(cellar.database().count("SELECT count(*) FROM notice"), 0);
}

/// The wall clock jumps while the daemon runs, for a while: time goes on as it passes.
#[test]
fn a_clock_that_jumps_for_a_while_is_not_followed() {
    let cellar = Cellar::new();
    cellar.set_password();
    let clock = Hands::of(&cellar);
    let now = days_ago(0);
    clock.set(now);
    let mut daemon = clock.start(&cellar);
    let visitor = Visitor::signed_in(&daemon.page);
    let send = |gravity: &str| {
        let reading = [message("shelf/number", gravity, 1)];
        publish(daemon.intake_port, &[], &reading);
    };
    send("1.070");
    visitor.claim("intake", "shelf/number", None);
    for jump in [YEARS, -YEARS, -3_600] {
        clock.set(now + jump);
        send("1.069");
        send("1.068");
        let page = visitor.page("/feeds");
        assert!(!page.contains("could not be believed"), "{page}");
        clock.set(now + 30);
        send("1.067");
    }
    assert_eq!(dated_about(&cellar, now), 10);
    let said = daemon.process.err.count("the clock stepped");
    assert_eq!(said, 3, "once each");
    daemon.stop();
}

/// The real program under `faketime`, which shows it another wall clock (and leaves the
/// monotonic one as it is). The clock is read from a file, so that it can be set meanwhile.
#[test]
fn readings_before_the_clock_is_set_are_kept_and_dated_later() {
    let cellar = Cellar::new();
    cellar.set_password();
    let clock = Hands::of(&cellar);
    clock.set(600);
    let daemon = clock.start(&cellar);
    daemon
        .process
        .err
        .wait_for_part("the clock cannot be believed yet");

    let yesterday = days_ago(1);
    let dated = json!({ "sg": 1.06, "time": yesterday }).to_string();
    let messages = [
        message("shelf/number", "1.070", 1),
        message("shelf/number", "1.069", 1),
        message("shelf/dated", &dated, 1),
    ];
    publish(daemon.intake_port, &[], &messages);
    let visitor = Visitor::signed_in(&daemon.page);
    for topic in ["shelf/number", "shelf/dated"] {
        visitor.claim("intake", topic, None);
    }
    // More, now that they are feeds.
    publish(daemon.intake_port, &[], &messages[..1]);
    let database = cellar.database();
    assert_eq!(database.readings("intake", "shelf/number"), []);
    assert_eq!(database.payloads("intake", "shelf/number").len(), 3);
    let page = visitor.page("/feeds");
    assert!(page.contains("could not be believed"), "{page}");
    assert!(page.contains("Waiting for a date"), "{page}");

    let noon = days_ago(0);
    clock.set(noon);
    daemon.process.err.wait_for_part("the clock is set");
    until_true("the readings dated", || {
        database.readings("intake", "shelf/number").len() == 3
    });
    for reading in database.readings("intake", "shelf/number") {
        let off = (reading.at - noon * 1000).abs();
        assert!(off < 300_000, "{off} ms from when the clock was set");
    }
    let readings = database.readings("intake", "shelf/dated");
    assert_eq!(readings.len(), 1, "its own time was good all along");
    assert_eq!(readings[0].at, yesterday * 1000);
}

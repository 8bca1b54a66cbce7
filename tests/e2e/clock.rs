//! A board without a battery clock: it comes up in 1970 and learns the time later.

use std::path::PathBuf;

use ebbmark_tests::cellar::{Cellar, Daemon};
use ebbmark_tests::page::Visitor;
use ebbmark_tests::wait::until_true;
use serde_json::json;

use crate::common::{days_ago, message, publish, rfc3339};

/// Debian's place for it, whatever the machine.
pub fn faketime() -> PathBuf {
    let folders = std::fs::read_dir("/usr/lib").expect("every system has it");
    folders
        .filter_map(|entry| Some(entry.ok()?.path().join("faketime/libfaketime.so.1")))
        .find(|path| path.is_file())
        .expect("faketime is not installed; tests/run installs it")
}

/// The real program under `faketime`, which shows it another wall clock (and leaves the
/// monotonic one as it is). The clock is read from a file, so that it can be set meanwhile.
#[test]
fn readings_before_the_clock_is_set_are_kept_and_dated_later() {
    let cellar = Cellar::new();
    cellar.set_password();
    let clock = cellar.file("clock", "@1970-01-01 00:10:00");
    let mut command = cellar.command();
    command
        .arg("run")
        .env("LD_PRELOAD", faketime())
        .env("FAKETIME_TIMESTAMP_FILE", &clock)
        .env("FAKETIME_NO_CACHE", "1")
        .env("FAKETIME_DONT_FAKE_MONOTONIC", "1")
        .env("TZ", "UTC");
    let daemon = Daemon::start(&mut command);
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
    let set = rfc3339(noon).replace('T', " ").replace('Z', "");
    std::fs::write(&clock, format!("@{set}")).unwrap();
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

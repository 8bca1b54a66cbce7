//! What several of the tests do.

use std::io::Write;
use std::path::PathBuf;
use std::process::{Command, Output};
use std::time::{Duration, SystemTime, UNIX_EPOCH};

use ebbmark_tests::cellar::{Cellar, Daemon};
use ebbmark_tests::page::Visitor;
use ebbmark_tests::process::Process;
use ebbmark_tests::tools;
use serde_json::{Value, json};

use crate::clock::faketime;

pub fn now_ms() -> i64 {
    let since = SystemTime::now().duration_since(UNIX_EPOCH);
    since
        .expect("the clock of a test machine is set")
        .as_millis() as i64
}

/// Whole seconds of a moment some days ago.
pub fn days_ago(days: i64) -> i64 {
    now_ms() / 1000 - days * 86_400
}

/// RFC 3339 of Unix seconds, by the system's own `date`.
pub fn rfc3339(seconds: i64) -> String {
    let output = Command::new("date")
        .args(["-u", "-d", &format!("@{seconds}"), "+%Y-%m-%dT%H:%M:%SZ"])
        .output()
        .expect("date is part of every system");
    String::from_utf8_lossy(&output.stdout).trim().to_owned()
}

/// As a form takes it, in a cellar whose zone is UTC.
pub fn local(seconds: i64) -> String {
    rfc3339(seconds).chars().take(16).collect()
}

/// A message for the foreign client.
pub fn message(topic: &str, payload: &str, qos: u8) -> Value {
    json!({ "topic": topic, "payload": payload, "qos": qos })
}

/// The foreign client, connected.
pub fn publisher(port: u16, options: &[&str]) -> Process {
    let mut command = tools::client("publish.py");
    command.args(["--port", &port.to_string()]).args(options);
    let process = Process::start("the foreign client", &mut command);
    process.out.wait_for_part("ready");
    process
}

/// Publishes with the foreign client and waits until all was acknowledged.
pub fn publish(port: u16, options: &[&str], messages: &[Value]) {
    let mut process = publisher(port, options);
    let mut input = process.input();
    for message in messages {
        writeln!(input, "{message}").expect("the foreign client reads");
    }
    drop(input);
    process.must_end_well();
    let said = process.out.all();
    assert_eq!(said.len(), messages.len() + 1, "{said:?}");
}

/// An invented course ending about now: CSV.
pub fn series(kind: &str, days: i64, every: &str) -> String {
    let start = rfc3339(days_ago(days));
    let output = Command::new(tools::built("ebbmark-demo-feeds"))
        .args(["csv", "--kind", kind, "--seed", "7", "--every", every])
        .args(["--days", &days.to_string(), "--start", &start])
        .output()
        .expect("the built program starts");
    text(&output)
}

/// The program is shown another wall clock, going on from Unix seconds; the monotonic one is left as it is.
pub fn faked(command: &mut Command, from: i64) -> &mut Command {
    preloaded(command).env("FAKETIME", from_now(from))
}

/// As `faketime` takes it: going on from these Unix seconds.
fn from_now(seconds: i64) -> String {
    let from = rfc3339(seconds).replace('T', " ").replace('Z', "");
    format!("@{from}")
}

fn preloaded(command: &mut Command) -> &mut Command {
    command
        .env("LD_PRELOAD", faketime())
        .env("FAKETIME_DONT_FAKE_MONOTONIC", "1")
        .env("TZ", "UTC")
}

/// How often `faketime` looks at its file. At each look of one thread the others may see the true time, so
/// it must not be at each question.
const LOOKED_AT: Duration = Duration::from_secs(1);

/// A wall clock that is set by hand, read from a file by the program under `faketime`; the monotonic one is
/// left as it is.
pub struct Hands(PathBuf);

impl Hands {
    pub fn of(cellar: &Cellar) -> Hands {
        Hands(cellar.path("clock"))
    }

    /// Goes on from these Unix seconds, and has when this comes back.
    pub fn set(&self, seconds: i64) {
        std::fs::write(&self.0, from_now(seconds)).expect("a temporary folder");
        std::thread::sleep(LOOKED_AT * 2);
    }

    pub fn start(&self, cellar: &Cellar) -> Daemon {
        let mut command = cellar.command();
        preloaded(&mut command)
            .arg("run")
            .env("FAKETIME_TIMESTAMP_FILE", &self.0)
            .env("FAKETIME_CACHE_DURATION", LOOKED_AT.as_secs().to_string());
        Daemon::start(&mut command)
    }
}

/// What it wrote, if it ended well.
pub fn text(output: &Output) -> String {
    assert!(output.status.success(), "{output:?}");
    String::from_utf8(output.stdout.clone()).expect("it writes UTF-8")
}

pub fn errors(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

/// The demo at this many simulated minutes a second, and the address of its page.
pub fn demo(minutes_per_second: &str) -> (Process, String) {
    demo_by(Command::new(tools::built("ebbmark")), minutes_per_second)
}

/// On another day.
pub fn demo_on(day: &str, minutes_per_second: &str) -> (Process, String) {
    let mut command = Command::new(tools::built("ebbmark"));
    preloaded(&mut command).env("FAKETIME", day);
    demo_by(command, minutes_per_second)
}

fn demo_by(mut command: Command, minutes_per_second: &str) -> (Process, String) {
    command
        .args(["demo", "--page-port", "0"])
        .args(["--minutes-per-second", minutes_per_second])
        .env_remove("RUST_LOG");
    let demo = Process::start("the demo", &mut command);
    let page = demo.out.wait_for("the address of the page", |line| {
        let (_, rest) = line.split_once("http://")?;
        Some(format!("http://{}", rest.trim_end_matches('/')))
    });
    (demo, page)
}

/// The tables that send notices to a mail server on this machine, and over MQTT, without gathering.
pub fn mail_to(port: u16) -> String {
    format!(
        r#"
[notify]
mqtt = true
gather-minutes = 0

[notify.mail]
host = "127.0.0.1"
port = {port}
security = "none"
from = "Cellar <cellar@example.org>"
to = ["maker@example.org"]
"#
    )
}

/// A vessel with a mead in it that has just settled.
pub fn settle(cellar: &Cellar, visitor: &Visitor, name: &str) {
    let vessel = visitor.add_vessel(name);
    visitor.start_mead(&vessel, &local(days_ago(40)), "1.094", "1.000");
    let file = cellar.file("dry.csv", series("dry", 40, "60"));
    let name = name.replace('\r', "");
    let output = cellar.import(&file, &name);
    assert!(output.status.success(), "{output:?}");
}

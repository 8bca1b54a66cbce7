//! The pages in a real browser.

use std::process::{Command, Stdio};

use ebbmark_core::reckon;
use ebbmark_tests::cellar::{Cellar, PASSWORD};
use ebbmark_tests::page::Visitor;
use ebbmark_tests::sink::MailSink;
use ebbmark_tests::tools::{root, system, tool};
use ebbmark_tests::wait::until_true;
use serde_json::{Value, json};

use crate::common::{days_ago, demo, mail_to, message, publish, rfc3339, series, text};

/// Runs a script of `tests/browser` and fails with what it found wrong.
pub fn browse(script: &str, page: &str, password: &str, scripts: &str) {
    browse_with(script, page, password, scripts, &[]);
}

/// With more that the script has to know.
pub fn browse_with(script: &str, page: &str, password: &str, scripts: &str, more: &[(&str, &str)]) {
    let output = Command::new(system("node"))
        .arg(root().join("tests/browser").join(script))
        .env("EBBMARK_TOOLS", tool(""))
        .env("EBBMARK_CHROMIUM", system("chromium"))
        .env("EBBMARK_SHOTS", tool("").join("shots"))
        .env("EBBMARK_PAGE", page)
        .env("EBBMARK_PASSWORD", password)
        .env("EBBMARK_SCRIPTS", scripts)
        .envs(more.iter().copied())
        .stdin(Stdio::null())
        .output()
        .expect("node starts");
    let said = String::from_utf8_lossy(&output.stdout);
    let found: Value = said
        .lines()
        .last()
        .and_then(|line| serde_json::from_str(line).ok())
        .unwrap_or_else(|| panic!("{script} broke off: {output:?}"));
    let failed = found["failed"].as_array().expect("a list");
    assert!(
        failed.is_empty(),
        "{script}:\n{}",
        serde_json::to_string_pretty(failed).unwrap_or_default()
    );
    assert!(
        found["done"].as_array().is_some_and(|done| done.len() > 10),
        "{found}"
    );
}

fn the_makers_way(scripts: &str) {
    let cellar = Cellar::new();
    cellar.set_password();
    let daemon = cellar.start();
    let payload = json!({ "gravity": 1.0601, "temperature": 18.4, "time": days_ago(22) });
    publish(
        daemon.intake_port,
        &[],
        &[message("shelf/float-1", &payload.to_string(), 1)],
    );
    browse("maker.mjs", &daemon.page, PASSWORD, scripts);
}

#[test]
fn the_makers_way_with_scripts() {
    the_makers_way("on");
}

#[test]
fn the_makers_way_without_scripts() {
    the_makers_way("off");
}

/// `tests/browser/reckonings.json` uses each once; one that is missing there fails this.
#[test]
fn every_reckoning_is_used_in_the_browser() {
    let table = std::fs::read_to_string(root().join("tests/browser/reckonings.json"));
    let rows: Value = serde_json::from_str(&table.expect("the table is there")).expect("JSON");
    let rows = rows.as_array().expect("a list");
    let used: Vec<&str> = rows.iter().filter_map(|r| r["key"].as_str()).collect();
    let missing: Vec<&str> = reckon::ALL
        .iter()
        .map(|r| r.key)
        .filter(|key| !used.contains(key))
        .collect();
    assert!(missing.is_empty(), "without a row: {missing:?}");
    for row in rows {
        let said = row["says"].as_array().map_or(0, Vec::len);
        assert!(said > 0, "nothing is expected of {}", row["key"]);
    }
    let cellar = Cellar::new();
    cellar.set_password();
    let daemon = cellar.start();
    browse("reckon.mjs", &daemon.page, PASSWORD, "on");
}

fn stabilising(scripts: &str) {
    let cellar = Cellar::new();
    cellar.set_password();
    let daemon = cellar.start();
    browse("stabilise.mjs", &daemon.page, PASSWORD, scripts);
}

#[test]
fn stabilising_with_scripts() {
    stabilising("on");
}

#[test]
fn stabilising_without_scripts() {
    stabilising("off");
}

#[test]
fn split_moved_and_poured_together_on_a_phone() {
    let cellar = Cellar::new();
    cellar.set_password();
    let daemon = cellar.start();
    browse("pouring.mjs", &daemon.page, PASSWORD, "on");
}

/// In the invented cellar, whose time stands nearly still.
#[test]
fn every_page_fits_and_bars_nobody() {
    let (demo, page) = demo("0.01");
    let password = demo.out.wait_for("the password", |line| {
        Some(line.split_once("the password is ")?.1.to_owned())
    });
    let visitor = Visitor::new(&page);
    until_true("every vessel judged", || {
        !visitor.page("/").contains("Nothing judged yet")
    });
    browse("look.mjs", &page, &password, "on");
}

#[test]
fn a_curve_is_read_and_looked_into() {
    let cellar = Cellar::new();
    let (daemon, visitor) = cellar.open();
    let token = visitor.api_token();
    let post = |path: &str, body: &Value| {
        let answer = visitor.api(path, &token, "", body);
        assert_eq!(answer.status, 201, "{path}: {}", answer.body);
    };
    let cask = json!({ "name": "Cask", "temperature-low": 12, "temperature-high": 26 });
    post("vessels", &cask);
    let started = rfc3339(days_ago(30));
    let mead = json!({ "name": "Linden, invented", "at": started, "original-gravity": 1.1 });
    post("vessels/1/meads", &mead);
    let fed = json!({
        "what": "nutrient", "at": rfc3339(days_ago(24)),
        "doses": [{ "of": "nutrient", "mass": 0.006, "name": "yeast hulls" }],
    });
    post("vessels/1/log", &fed);
    let file = cellar.file("readings.csv", series("dry", 30, "15"));
    let import = ["import", "readings.csv", "--vessel", "Cask"].map(|a| match a {
        "readings.csv" => file.as_os_str(),
        other => other.as_ref(),
    });
    text(&cellar.ebbmark(&import));
    until_true("the mead is judged", || {
        !visitor.page("/vessel/1").contains("Nothing judged yet")
    });
    browse("curve.mjs", &daemon.page, PASSWORD, "on");
}

#[test]
fn nothing_written_is_lost_behind_thick_walls() {
    let cellar = Cellar::new();
    cellar.set_password();
    let daemon = cellar.start();
    browse("walls.mjs", &daemon.page, PASSWORD, "on");
}

/// Nothing is set up but the configuration file: no password, no vessel.
#[test]
fn the_first_hour_from_an_empty_board() {
    let mail = MailSink::start();
    let cellar = Cellar::with(&mail_to(mail.port));
    let daemon = cellar.start();
    let code = daemon.process.err.wait_for("the code", |line| {
        let (_, rest) = line.split_once("with the code ")?;
        Some(rest.split(',').next()?.to_owned())
    });
    let port = daemon.intake_port.to_string();
    let publish = system("mosquitto_pub");
    let more = [
        ("EBBMARK_CODE", code.as_str()),
        ("EBBMARK_INTAKE", port.as_str()),
        ("EBBMARK_PUBLISH", publish.to_str().expect("a path")),
    ];
    browse_with("first.mjs", &daemon.page, "", "on", &more);
    let mails = mail.mails();
    assert_eq!(mails.len(), 1, "{mails:?}");
}

#[test]
fn who_gets_in_and_how_numbers_are_liked() {
    let cellar = Cellar::new();
    cellar.set_password();
    let daemon = cellar.start();
    browse("habits.mjs", &daemon.page, PASSWORD, "on");
}

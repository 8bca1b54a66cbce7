//! Databases of every earlier schema, each made by the program of its time (`tests/upgrades/make`),
//! brought up to now by the built program; and what an older program says of a newer one.

use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use ebbmark_core::time::Moment;
use ebbmark_tests::cellar::{Cellar, Daemon};
use ebbmark_tests::database::Database;
use ebbmark_tests::page::Visitor;
use ebbmark_tests::tools::root;
use rusqlite::Connection;
use serde_json::Value;

use crate::common::{errors, faked, rfc3339};

/// What the program of today writes: one more with each file.
fn newest() -> u64 {
    let folder = root().join("daemon/store/src/migrations");
    std::fs::read_dir(folder)
        .expect("the folder of migrations")
        .count() as u64
}

fn database(schema: u64) -> PathBuf {
    root().join(format!(
        "tests/upgrades/databases/schema-{schema}.sqlite3.gz"
    ))
}

/// What was entered, and what the program of then had said.
fn known(schema: u64) -> Value {
    let path = database(schema).with_file_name(format!("schema-{schema}.json"));
    let text = std::fs::read(path).expect("tests/upgrades/make makes it");
    serde_json::from_slice(&text).expect("JSON")
}

fn unpack(schema: u64, to: &Path) {
    std::fs::create_dir_all(to.parent().expect("a folder")).expect("a temporary folder");
    let unpacked = Command::new("gzip")
        .arg("-dc")
        .arg(database(schema))
        .stdout(Stdio::from(
            std::fs::File::create(to).expect("a temporary folder"),
        ))
        .status();
    assert!(unpacked.expect("gzip is part of every system").success());
}

/// Ten minutes after the database was made: nothing has gone silent meanwhile.
fn start(cellar: &Cellar, known: &Value) -> Daemon {
    let then = known["made"].as_i64().expect("as it was written") + 600;
    Daemon::start(faked(&mut cellar.command(), then).arg("run"))
}

fn schema_of(path: &Path) -> u64 {
    Database::open(path).count("PRAGMA user_version")
}

/// The rows of a CSV without its head.
fn rows(text: &str) -> Vec<Vec<String>> {
    let row = |line: &str| line.split(',').map(str::to_owned).collect();
    text.lines().skip(1).map(row).collect()
}

fn number(text: &str) -> f64 {
    text.parse().unwrap_or_else(|_| panic!("{text:?}"))
}

fn all_is_there(cellar: &Cellar, daemon: &Daemon, known: &Value) {
    let visitor = Visitor::signed_in(&daemon.page);
    let token = visitor.api_token();
    let vessels = visitor.api_get("vessels", &token);
    let vessels = vessels.as_array().expect("a list");
    let names: Vec<&str> = vessels.iter().filter_map(|v| v["name"].as_str()).collect();
    let wanted: Vec<&str> = known["vessels"]
        .as_array()
        .expect("a list")
        .iter()
        .filter_map(Value::as_str)
        .collect();
    assert_eq!(names, wanted);
    for (vessel, mead) in vessels
        .iter()
        .zip(known["meads"].as_array().expect("a list"))
    {
        assert_eq!(vessel["mead"]["name"], mead["name"]);
        assert_eq!(vessel["mead"]["original_gravity"], mead["original"]);
        let started = mead["started"].as_i64().expect("as it was written") / 60 * 60_000;
        assert_eq!(vessel["mead"]["started"], started);
        assert_eq!(vessel["mead"]["tolerance"], 14.0);
        assert_eq!(vessel["mead"]["volume"], 20.0);
        assert_eq!(vessel["mead"]["yeast"], "an invented yeast");
    }
    for verdict in known["verdicts"].as_array().expect("a list") {
        let vessel = vessels.iter().find(|v| v["name"] == verdict["vessel"]);
        let vessel = vessel.expect("it is still there");
        assert_eq!(vessel["verdict"]["phase"], verdict["phase"], "{vessel}");
    }
    for vessel in vessels {
        let name = vessel["name"].as_str().expect("as it was written");
        let page = format!("/vessel/{}", vessel["id"]);
        let sent = known["readings"][name].as_array().expect("a list");
        let kept = rows(&visitor.page(&format!("{page}/readings.csv")));
        assert_eq!(kept.len(), sent.len(), "{name}");
        for (kept, sent) in kept.iter().zip(sent) {
            let at = Moment(sent[0].as_i64().expect("as it was written") * 1000);
            assert_eq!(kept[0], at.to_rfc3339(), "{name}");
            // Written to the fifth decimal, and the second.
            assert!((number(&kept[1]) - sent[1].as_f64().expect("as it was written")).abs() < 1e-5);
            assert!((number(&kept[2]) - sent[2].as_f64().expect("as it was written")).abs() < 0.01);
        }
        let log = visitor.page(&format!("{page}/log.csv"));
        let lines: Vec<&Value> = known["log"]
            .as_array()
            .expect("a list")
            .iter()
            .filter(|line| line["vessel"] == name)
            .collect();
        assert_eq!(log.lines().count(), lines.len() + 1, "{log}");
        for line in lines {
            let what = line["what"].as_str().expect("as it was written");
            // Forms take whole minutes.
            let at = rfc3339(line["at"].as_i64().expect("as it was written") / 60 * 60);
            let kept = log.lines().find(|l| l.starts_with(&format!("{at},{what}")));
            let kept = kept.unwrap_or_else(|| panic!("{at} {what} is not in {log}"));
            for part in ["note", "read"] {
                let wanted = &line[part];
                let wanted = wanted.as_str().map_or(wanted.to_string(), str::to_owned);
                assert!(wanted == "null" || kept.contains(&wanted), "{kept}");
            }
            if let Some(mass) = line["mass_kg"].as_f64() {
                assert!(kept.contains(&format!("\"\"mass\"\":{mass}")), "{kept}");
            }
        }
    }
    let notices = visitor.page("/notices");
    for notice in known["notices"].as_array().expect("a list") {
        let title = notice["title"].as_str().expect("as it was written");
        assert!(notices.contains(title), "{title} is not in {notices}");
    }
    let topic = known["topic"].as_str().expect("as it was written");
    let of_the_float = known["readings"][wanted[0]]
        .as_array()
        .expect("a list")
        .len();
    let database = cellar.database();
    assert_eq!(database.payloads("intake", topic).len(), of_the_float);
    assert_eq!(database.payloads("intake", "shelf/nobody"), [b"21.5"]);
    assert_eq!(database.integrity(), "ok");
    assert_eq!(schema_of(&cellar.database_path()), newest());
}

fn comes_up(schema: u64) {
    let known = known(schema);
    assert_eq!(known["schema"], schema);
    let cellar = Cellar::new();
    unpack(schema, &cellar.database_path());
    assert_eq!(schema_of(&cellar.database_path()), schema);

    let mut daemon = start(&cellar, &known);
    all_is_there(&cellar, &daemon, &known);
    daemon.stop();
    let said = |daemon: &Daemon, part: &str| daemon.process.err.count(part) as u64;
    assert_eq!(
        said(&daemon, "database schema upgraded"),
        newest() - schema,
        "a step each"
    );
    let copy = cellar.path(&format!("data/backup/ebbmark-schema-{schema}.sqlite3"));
    if schema < newest() {
        assert_eq!(schema_of(&copy), schema, "as it was");
        assert_eq!(Database::open(&copy).integrity(), "ok");
    }
    assert_eq!(copy.exists(), schema < newest());
    std::fs::remove_dir_all(cellar.path("data/backup")).expect("a folder of ours");

    // Once more: there is nothing to be done.
    let mut daemon = start(&cellar, &known);
    all_is_there(&cellar, &daemon, &known);
    daemon.stop();
    assert_eq!(said(&daemon, "schema"), 0);
    assert!(!copy.exists());
}

macro_rules! from_schema {
    ($($name:ident $schema:literal),*) => {
        $(#[test]
        fn $name() {
            comes_up($schema);
        })*
    };
}

from_schema!(
    from_1 1, from_2 2, from_3 3, from_4 4, from_5 5, from_6 6, from_7 7, from_8 8, from_9 9
);

/// As an older program meets a newer database: it leaves it alone and names the copy to go on from,
/// and going on from it works.
#[test]
fn the_way_back() {
    let schema = newest();
    let known = known(schema - 1);
    let cellar = Cellar::new();
    unpack(schema - 1, &cellar.database_path());
    start(&cellar, &known).stop();
    // What a newer program would have done: kept a copy of this one's, changed the schema.
    let copy = cellar.path(&format!("data/backup/ebbmark-schema-{schema}.sqlite3"));
    std::fs::copy(cellar.database_path(), &copy).unwrap();
    Connection::open(cellar.database_path())
        .and_then(|newer| newer.pragma_update(None, "user_version", (schema + 1) as i64))
        .unwrap();
    // And copies of the newer one, which are of no use here.
    let newer = cellar.path("data/backup/ebbmark-2099-01-01T000000Z.sqlite3");
    std::fs::copy(cellar.database_path(), &newer).unwrap();
    let before = std::fs::read(cellar.database_path()).unwrap();

    let output = faked(&mut cellar.command(), known["made"].as_i64().unwrap() + 900)
        .arg("run")
        .output()
        .unwrap();
    assert!(!output.status.success());
    let said = errors(&output);
    let way = said
        .split_once("ebbmark restore ")
        .unwrap_or_else(|| panic!("no way back: {said}"))
        .1;
    let named = way.split_whitespace().next().unwrap();
    assert_eq!(Path::new(named), copy, "{said}");
    assert_eq!(said.trim().lines().count(), 1, "{said}");
    assert_eq!(std::fs::read(cellar.database_path()).unwrap(), before);

    let restored = cellar.ebbmark(&["restore", named]);
    assert!(restored.status.success(), "{restored:?}");
    let mut daemon = start(&cellar, &known);
    all_is_there(&cellar, &daemon, &known);
    daemon.stop();
    // The newer one is not lost.
    let aside = std::fs::read_dir(cellar.path("data")).unwrap();
    let aside: Vec<PathBuf> = aside
        .map(|entry| entry.unwrap().path())
        // Not the files SQLite keeps beside one.
        .filter(|path| {
            let name = path.to_string_lossy();
            name.contains(".aside-") && !name.ends_with("-wal") && !name.ends_with("-shm")
        })
        .filter(|path| schema_of(path) == schema + 1)
        .collect();
    assert_eq!(aside.len(), 1, "{aside:?}");
}

/// Without a copy it says so, and still what to do.
#[test]
fn no_way_back() {
    let cellar = Cellar::new();
    unpack(newest() - 1, &cellar.database_path());
    Connection::open(cellar.database_path())
        .and_then(|newer| newer.pragma_update(None, "user_version", (newest() + 1) as i64))
        .unwrap();
    let output = cellar.ebbmark(&["run"]);
    assert!(!output.status.success());
    let said = errors(&output);
    assert!(said.contains("newer program"), "{said}");
    assert!(said.contains("no copy that this program reads"), "{said}");
}

//! Copies are made by themselves and by hand, beside a daemon that goes on; what is wrong with them
//! is told once; and a cellar comes back from one.

use std::fs;
use std::io::Write;
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};

use ebbmark_tests::cellar::{Cellar, Daemon};
use ebbmark_tests::page::Visitor;
use ebbmark_tests::wait::{until, until_true};
use serde_json::Value;

use crate::common::{days_ago, errors, message, publish, text};
use crate::kill::{kills, payload};

const TOPIC: &str = "shelf/backup";

fn send(daemon: &Daemon, numbers: std::ops::Range<u64>) {
    let start = days_ago(2);
    let all: Vec<Value> = numbers
        .map(|n| message(TOPIC, &payload(n, start), 1))
        .collect();
    publish(daemon.intake_port, &[], &all);
}

/// The finished copies in a folder.
fn copies(folder: &Path) -> Vec<PathBuf> {
    let Ok(entries) = fs::read_dir(folder) else {
        return Vec::new();
    };
    let mut found: Vec<PathBuf> = entries
        .map(|e| e.expect("a folder of ours").path())
        .filter(|p| p.extension().is_some_and(|e| e == "sqlite3"))
        .collect();
    found.sort();
    found
}

fn kept(path: &Path) -> usize {
    let database = ebbmark_tests::database::Database::open(path);
    assert_eq!(database.integrity(), "ok");
    database.payloads("intake", TOPIC).len()
}

fn line(cellar: &Cellar) -> (String, String) {
    let output = cellar.ebbmark(&["look-round", "--json"]);
    let all: Value = serde_json::from_slice(&output.stdout).expect("JSON");
    let lines = all["lines"].as_array().expect("a list of lines");
    let line = lines.iter().find(|l| l["what"] == "backup");
    let line = line.expect("a line about backups");
    let text = |key: &str| line[key].as_str().unwrap_or_default().to_owned();
    (text("state"), text("says"))
}

#[test]
fn a_copy_comes_by_itself_and_is_carried_on() {
    let cellar = Cellar::new();
    let (folder, elsewhere) = (cellar.path("stick"), cellar.path("elsewhere"));
    fs::create_dir(&folder).unwrap();
    fs::create_dir(&elsewhere).unwrap();
    cellar.configure(&format!(
        "[backup]\nfolder = {folder:?}\nafter = [\"/bin/cp\", \"-t\", {elsewhere:?}]"
    ));
    let (mut daemon, _) = cellar.open();
    let copy = until("a copy", || copies(&folder).pop());
    until_true("it is carried on", || copies(&elsewhere).len() == 1);
    let (state, says) = line(&cellar);
    assert_eq!(state, "look-at", "{says}");
    assert!(says.contains("disk of the cellar itself"), "{says}");
    // The next one is for tomorrow, also after a restart.
    daemon.stop();
    let mut daemon = cellar.start();
    send(&daemon, 0..3);
    daemon.stop();
    assert_eq!(copies(&folder), [copy]);
}

#[test]
fn a_folder_that_is_not_there_is_told_once_and_is_not_made() {
    let cellar = Cellar::new();
    let folder = cellar.path("stick");
    cellar.configure(&format!("[backup]\nfolder = {folder:?}"));
    let told = "SELECT count(*) FROM notice WHERE kind = 'backup'";
    let open = "SELECT count(*) FROM notice WHERE kind = 'backup' AND cleared IS NULL";
    cellar.set_password();
    for _ in 0..2 {
        let mut daemon = cellar.start();
        let said = daemon.process.err.wait_for_part("no backup was made");
        assert!(said.contains("stick") && said.contains("mount"), "{said}");
        until_true("the notice", || cellar.database().count(told) > 0);
        // It goes on all the same.
        send(&daemon, 0..1);
        let page = Visitor::signed_in(&daemon.page).page("/notices");
        assert!(page.contains("No backup could be made"), "{page}");
        daemon.stop();
    }
    assert_eq!(cellar.database().count(told), 1);
    assert!(!folder.exists());
    assert_eq!(line(&cellar).0, "broken");

    fs::create_dir(&folder).unwrap();
    // A program that fails is a matter of its own.
    cellar.configure(&format!(
        "[backup]\nfolder = {folder:?}\nafter = [\"/bin/sh\", \"-c\", \"echo nobody home; exit 1\"]"
    ));
    let mut daemon = cellar.start();
    until_true("both notices", || cellar.database().count(told) == 2);
    let page = Visitor::signed_in(&daemon.page).page("/notices");
    assert!(page.contains("nobody home"), "{page}");
    daemon.stop();
    assert_eq!(cellar.database().count(open), 1);
    assert_eq!(copies(&folder).len(), 1);
}

/// Makes the database large enough that copying it takes a while.
fn fatten(cellar: &Cellar) {
    let connection = rusqlite::Connection::open(cellar.database_path()).expect("a file of ours");
    connection
        .execute_batch(
            "WITH RECURSIVE n (i) AS (SELECT 1 UNION ALL SELECT i + 1 FROM n WHERE i < 800)
             INSERT INTO raw (topic, run, monotonic, wall, payload)
             SELECT (SELECT min(id) FROM topic), 1, 0, 1790000000000, randomblob(60000) FROM n",
        )
        .expect("a file of ours");
}

#[test]
fn killed_in_the_middle_of_a_copy() {
    let cellar = Cellar::new();
    let folder = cellar.path("data/backup");
    let (mut daemon, visitor) = cellar.open();
    send(&daemon, 0..1);
    visitor.claim("intake", TOPIC, None);
    let first = until("the first copy", || copies(&folder).pop());
    daemon.stop();
    fs::remove_file(first).unwrap();
    fatten(&cellar);

    let unfinished = || -> Vec<PathBuf> {
        let entries = fs::read_dir(&folder).expect("a folder of ours");
        let paths = entries.map(|e| e.expect("a folder of ours").path());
        paths
            .filter(|p| p.to_string_lossy().contains(".part"))
            .collect()
    };
    for _ in 0..kills().div_ceil(20) {
        // The last one's left-over is for the daemon to clear.
        for left in unfinished() {
            fs::remove_file(left).unwrap();
        }
        let mut killed = cellar.start();
        until_true("a copy under way", || !unfinished().is_empty());
        killed.process.kill();
        assert!(copies(&folder).is_empty());
        assert!(!unfinished().is_empty());
    }

    // Messages come in while the next one is made.
    daemon = cellar.start();
    let mut sent = 1;
    while copies(&folder).is_empty() {
        send(&daemon, sent..sent + 20);
        sent += 20;
    }
    assert!(sent > 1);
    daemon.stop();
    assert!(unfinished().is_empty());
    let copy = copies(&folder).pop().expect("a copy");
    let there = kept(&copy) as u64;
    assert!((801..=800 + sent).contains(&there), "{there} of {sent}");
    assert_eq!(kept(&cellar.database_path()) as u64, 800 + sent);
}

#[test]
fn by_hand_into_a_file() {
    let cellar = Cellar::new();
    let (mut daemon, visitor) = cellar.open();
    send(&daemon, 0..7);
    visitor.claim("intake", TOPIC, None);
    let file = cellar.path("by-hand.sqlite3");
    let arguments = ["backup", "--to", file.to_str().unwrap()];
    let said = text(&cellar.ebbmark(&arguments));
    assert!(said.contains("by-hand.sqlite3"), "{said}");
    assert_eq!(kept(&file), 7);
    let again = cellar.ebbmark(&arguments);
    assert!(!again.status.success());
    assert!(errors(&again).contains("by-hand.sqlite3"), "{again:?}");
    daemon.stop();
}

#[test]
fn a_copy_is_put_back_and_what_was_there_is_kept() {
    let cellar = Cellar::new();
    let (mut daemon, visitor) = cellar.open();
    send(&daemon, 0..7);
    visitor.claim("intake", TOPIC, None);
    let file = cellar.path("by-hand.sqlite3");
    let path = file.to_str().unwrap();
    text(&cellar.ebbmark(&["backup", "--to", path]));
    send(&daemon, 7..12);

    let refused = cellar.ebbmark(&["restore", path]);
    assert!(!refused.status.success());
    let said = errors(&refused);
    assert!(said.contains("another ebbmark runs"), "{said}");
    assert!(said.contains("nothing was changed"), "{said}");
    // Killed: part of what came in lies in the log of changes.
    daemon.process.kill();

    let bytes = fs::read(&file).unwrap();
    let broken = cellar.file("broken.sqlite3", &bytes[..bytes.len() / 2]);
    let refused = cellar.ebbmark(&["restore", broken.to_str().unwrap()]);
    assert!(
        errors(&refused).contains("nothing was changed"),
        "{refused:?}"
    );
    assert_eq!(kept(&cellar.database_path()), 12);

    let said = text(&cellar.ebbmark(&["restore", path]));
    assert!(said.contains("What was there is in"), "{said}");
    assert_eq!(kept(&cellar.database_path()), 7);
    assert_eq!(kept(&aside(&cellar)), 12);
    assert_eq!(fs::read(&file).unwrap(), bytes);
    let mut daemon = cellar.start();
    send(&daemon, 7..12);
    daemon.stop();
    assert_eq!(kept(&cellar.database_path()), 12);
}

/// The database that was moved aside.
fn aside(cellar: &Cellar) -> PathBuf {
    let entries = fs::read_dir(cellar.path("data")).expect("a file of ours");
    let mut paths = entries.map(|e| e.expect("a file of ours").path());
    let found = paths.find(|p| {
        let name = p
            .file_name()
            .expect("a file of ours")
            .to_string_lossy()
            .into_owned();
        name.contains(".aside-") && name.ends_with('Z')
    });
    found.expect("one was moved aside")
}

/// Overwrites what lies in the middle of the database.
fn spoil(cellar: &Cellar) -> Vec<u8> {
    let path = cellar.database_path();
    let connection = rusqlite::Connection::open(&path).expect("a file of ours");
    connection
        .query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(()))
        .expect("a file of ours");
    drop(connection);
    let connection = rusqlite::Connection::open(&path).expect("a file of ours");
    // The last page of payloads: among what came after the copy.
    let leaf: i64 = connection
        .query_row(
            "SELECT max(pageno) FROM dbstat WHERE name = 'raw' AND pagetype = 'leaf'",
            [],
            |r| r.get(0),
        )
        .expect("a file of ours");
    let size: i64 = connection
        .pragma_query_value(None, "page_size", |r| r.get(0))
        .expect("a file of ours");
    drop(connection);
    let page = std::fs::OpenOptions::new().write(true).open(&path);
    page.and_then(|file| file.write_all_at(&vec![0xa5; size as usize], ((leaf - 1) * size) as u64))
        .expect("a file of ours");
    fs::read(&path).expect("a file of ours")
}

#[test]
fn a_damaged_database_is_replaced_by_the_last_good_copy_and_what_can_be_read() {
    let cellar = Cellar::new();
    let (mut daemon, visitor) = cellar.open();
    send(&daemon, 0..40);
    visitor.claim("intake", TOPIC, None);
    text(&cellar.ebbmark(&["backup"]));
    send(&daemon, 40..400);
    daemon.stop();
    let damaged = spoil(&cellar);

    // Two starts: what happened is told once, and nothing is lost again.
    for _ in 0..2 {
        let mut daemon = cellar.start();
        until_true("the notice", || {
            Visitor::signed_in(&daemon.page)
                .page("/notices")
                .contains("went on from a copy")
        });
        daemon.stop();
    }
    let told = "SELECT count(*) FROM notice WHERE kind = 'database'";
    assert_eq!(cellar.database().count(told), 1);
    let there = kept(&cellar.database_path());
    // More than the copy, less than all: one page is gone.
    assert!((41..400).contains(&there), "{there}");
    assert_eq!(fs::read(aside(&cellar)).unwrap(), damaged);
    let output = cellar.ebbmark(&["look-round", "--json"]);
    let all = String::from_utf8_lossy(&output.stdout).into_owned();
    assert!(all.contains("database moved aside"), "{all}");
}

/// It shows only while it runs: the daemon ends, so that the service manager's next start mends it.
#[test]
fn damage_that_shows_while_it_runs_is_mended_by_the_next_start() {
    let cellar = Cellar::new();
    let (mut daemon, visitor) = cellar.open();
    send(&daemon, 0..40);
    visitor.claim("intake", TOPIC, None);
    text(&cellar.ebbmark(&["backup"]));
    send(&daemon, 40..400);
    daemon.stop();
    let mut daemon = cellar.start();
    spoil(&cellar);
    let mut client = crate::common::publisher(daemon.intake_port, &["--persistent", "--id", "x"]);
    let mut input = client.input();
    let late = payload(400, days_ago(2));
    writeln!(input, "{}", message(TOPIC, &late, 1)).expect("the foreign client reads");
    drop(input);
    assert!(!daemon.process.wait().success());
    daemon.process.err.wait_for_part("the database is damaged");
    assert_eq!(client.out.all().len(), 1, "only that it is ready");

    let mut daemon = cellar.start();
    daemon.process.err.wait_for_part("going on from the copy");
    client.must_end_well();
    daemon.stop();
    let database = cellar.database();
    assert_eq!(database.integrity(), "ok");
    let last = database.payloads("intake", TOPIC).pop();
    assert_eq!(last, Some(late.into_bytes()));
    assert!(!cellar.path("data/doubted").exists());
}

#[test]
fn without_a_copy_nothing_is_touched_and_the_remedy_is_named() {
    let cellar = Cellar::with("[backup]\noff = true");
    let (mut daemon, visitor) = cellar.open();
    send(&daemon, 0..200);
    visitor.claim("intake", TOPIC, None);
    daemon.stop();
    let damaged = spoil(&cellar);
    let output = cellar.ebbmark(&["run"]);
    assert!(!output.status.success());
    let said = errors(&output);
    assert!(said.contains("ebbmark restore FILE"), "{said}");
    assert_eq!(fs::read(cellar.database_path()).unwrap(), damaged);
    let entries = fs::read_dir(cellar.path("data")).unwrap();
    let names: Vec<_> = entries.map(|e| e.unwrap().file_name()).collect();
    // Reading leaves its index and an empty log of changes behind, no more.
    let known = [
        "running",
        "ebbmark.sqlite3",
        "ebbmark.sqlite3-wal",
        "ebbmark.sqlite3-shm",
    ];
    assert!(
        names.iter().all(|n| known.iter().any(|k| n == k)),
        "{names:?}"
    );
}

#[test]
fn a_database_that_is_gone_is_not_begun_anew_beside_its_copies() {
    let cellar = Cellar::new();
    let (mut daemon, _) = cellar.open();
    until_true("a copy", || !copies(&cellar.path("data/backup")).is_empty());
    daemon.stop();
    fs::remove_file(cellar.database_path()).unwrap();
    let output = cellar.ebbmark(&["run"]);
    assert!(!output.status.success());
    let said = errors(&output);
    assert!(
        said.contains("ebbmark restore") && said.contains("mount"),
        "{said}"
    );
    assert!(!cellar.database_path().exists());

    // Emptied is damaged: nobody does that on purpose and leaves the file.
    fs::write(cellar.database_path(), "").unwrap();
    let mut daemon = cellar.start();
    daemon.process.err.wait_for_part("going on from the copy");
    daemon.stop();
}

//! What a damaged database still holds comes over, and the copy's own rows are never worse for it.
#![expect(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

mod common;

use std::fs;
use std::path::{Path, PathBuf};
use std::time::Duration;

use common::*;
use ebbmark_core::deed::What;
use ebbmark_store::backup::{self, GoOn};
use ebbmark_store::condition::{Condition, condition};
use ebbmark_store::hours::roll_stale;
use ebbmark_store::model::Command;
use ebbmark_store::rescue::{Rescued, rescue};
use ebbmark_store::{Options, Reader, StoreError, open};

const ON: GoOn<'static> = &|| true;
const LONG: Duration = Duration::from_secs(600);
const COPIED: i64 = 600;
const ALL: i64 = 2400;
/// Payloads kept of a topic that nobody claimed.
const UNCLAIMED: u64 = 20;

/// A cellar of which there is a copy, and that went on after it.
struct Cellar {
    store: Store,
    copy: PathBuf,
    _folder: tempfile::TempDir,
}

async fn cellar() -> Cellar {
    let store = Store::new();
    let vessel = store.vessel("Carboy").await;
    store.run(beginning(vessel, batch_facts("First"))).await;
    store.claim("a", timed(), Some(vessel)).await;
    store.fill("a", 0..COPIED).await;
    store.run(log(vessel, What::Taste, 1)).await;
    let folder = tempfile::tempdir().unwrap();
    let copy = folder.path().join("copy");
    backup::make(&store.path, &copy, ON).unwrap();

    // A feed, a vessel and lines the copy knows nothing of, and a word that changed.
    store.fill("a", COPIED..ALL).await;
    let other = store.vessel("Keg").await;
    store.claim("b", timed(), Some(other)).await;
    store.fill("b", 0..300).await;
    // Of a topic nobody claimed only the last few are kept: the others are not lost.
    store.fill("nobody", 0..100).await;
    store.run(log(vessel, What::Rack, 2)).await;
    store.run(log(other, What::Remark, 3)).await;
    store
        .run(Command::EditVessel(vessel, vessel_facts("Glass carboy")))
        .await;
    let store = store.reopen().await;
    store.writer.close().await;
    Cellar {
        store,
        copy,
        _folder: folder,
    }
}

fn log(vessel: ebbmark_core::ids::VesselId, what: What, minutes: i64) -> Command {
    Command::Log {
        vessel,
        deed: deed(what, minutes),
        hand: None,
        once: None,
        made_at: at(minutes),
    }
}

impl Cellar {
    /// Into a fresh copy each time: the store opened on the last one may not be closed yet.
    fn rescue(&self) -> (Rescued, Store) {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("store.db");
        fs::copy(&self.copy, &path).unwrap();
        let rescued = rescue(&self.store.path, &path).unwrap();
        backup::look_through(&path, ON).unwrap();
        let store = Store::on(folder);
        let loose = store.count("SELECT count(*) FROM pragma_foreign_key_check");
        assert_eq!(loose, 0);
        (rescued, store)
    }

    /// Pages of a table with rows in them, in the order of their keys.
    fn pages(&self, name: &str) -> Vec<usize> {
        let conn = self.store.sql();
        conn.prepare(
            "SELECT pageno FROM dbstat WHERE name = ?1 AND pagetype = 'leaf' ORDER BY path",
        )
        .unwrap()
        .query_map([name], |r| r.get::<_, i64>(0))
        .unwrap()
        .map(|page| page.unwrap() as usize)
        .collect()
    }

    /// What the daemon does every few hours. Afterwards all of it is in the file, and its log is empty.
    async fn pack(&self) {
        let (writer, reader) = open(&self.store.path, Options::default()).unwrap();
        for command in roll_stale(&reader, ALWAYS.1).unwrap() {
            writer.command(command).await.unwrap();
        }
        writer.close().await;
    }

    fn spoil(&self, pages: &[usize]) {
        let size = self.store.count("SELECT page_size FROM pragma_page_size") as usize;
        let mut bytes = fs::read(&self.store.path).unwrap();
        for page in pages {
            bytes[(page - 1) * size..page * size].fill(0xa5);
        }
        fs::write(&self.store.path, bytes).unwrap();
    }

    fn condition(&self) -> Condition {
        condition(&self.store.path, LONG).unwrap()
    }
}

fn readings(reader: &Reader) -> Vec<u64> {
    reader
        .feeds()
        .unwrap()
        .iter()
        .map(|feed| {
            let there = reader.readings(feed.id, ALWAYS.0, ALWAYS.1).unwrap();
            assert_eq!(feed.readings, there.len() as u64);
            feed.readings
        })
        .collect()
}

#[tokio::test]
async fn of_a_sound_one_everything() {
    let cellar = cellar().await;
    assert_eq!(cellar.condition(), Condition::Sound);
    let (rescued, store) = cellar.rescue();
    let reader = &store.reader;
    let expected = Rescued {
        payloads: (ALL - COPIED) as u64 + 300 + UNCLAIMED,
        readings: (ALL - COPIED) as u64 + 300,
        lines: 2,
        payloads_lost: 0,
        damaged: Vec::new(),
    };
    assert_eq!(rescued, expected);
    assert_eq!(readings(reader), [ALL as u64, 300]);
    let vessels = reader.vessels().unwrap();
    let names: Vec<&str> = vessels.iter().map(|v| v.facts.name.as_str()).collect();
    assert_eq!(names, ["Glass carboy", "Keg"]);
    // What changed is rolled again, and comes to the same.
    for command in ebbmark_store::hours::roll_stale(reader, at(ALL)).unwrap() {
        store.run(command).await;
    }
    let feed = reader.feeds().unwrap()[0].id;
    let hours = reader.hours(feed, ALWAYS.0, ALWAYS.1).unwrap();
    let rolled: u32 = hours.iter().filter_map(|h| h.gravity).map(|g| g.n).sum();
    assert_eq!(i64::from(rolled), ALL);
}

#[tokio::test]
async fn around_a_bad_page_of_payloads_and_readings() {
    let cellar = cellar().await;
    let (raw, reading) = (cellar.pages("raw"), cellar.pages("reading"));
    // A leaf in the last third: among what the copy does not have.
    let bad = [raw[raw.len() * 2 / 3], reading[reading.len() * 2 / 3]];
    cellar.spoil(&bad);
    assert!(matches!(cellar.condition(), Condition::Damaged(_)));
    let (rescued, store) = cellar.rescue();
    let reader = &store.reader;
    assert_eq!(rescued.damaged, ["raw", "reading"]);
    assert_eq!(rescued.lines, 2);
    let newer = (ALL - COPIED) as u64 + 300;
    // One page of either, some hundred rows at most.
    assert!((1..=200).contains(&rescued.payloads_lost), "{rescued:?}");
    assert_eq!(rescued.payloads + rescued.payloads_lost, newer + UNCLAIMED);
    assert!(
        (newer - 200..newer).contains(&rescued.readings),
        "{rescued:?}"
    );
    let there: u64 = readings(reader).iter().sum();
    assert_eq!(there, COPIED as u64 + rescued.readings);
    assert_eq!(reader.vessels().unwrap()[0].facts.name, "Glass carboy");
}

#[tokio::test]
async fn around_a_bad_page_of_what_is_packed() {
    let cellar = cellar().await;
    cellar.pack().await;
    let (blocks, bundles) = (cellar.pages("block"), cellar.pages("bundle"));
    assert!(bundles.len() > 1, "{bundles:?}");
    cellar.spoil(&[blocks[blocks.len() / 2], bundles[bundles.len() / 2]]);
    assert!(matches!(cellar.condition(), Condition::Damaged(_)));
    let (rescued, store) = cellar.rescue();
    assert_eq!(rescued.damaged, ["bundle", "block"]);
    let newer = (ALL - COPIED) as u64 + 300;
    assert!(rescued.payloads_lost > 0, "{rescued:?}");
    assert_eq!(rescued.payloads + rescued.payloads_lost, newer + UNCLAIMED);
    assert!(rescued.readings < newer, "{rescued:?}");
    let there: u64 = readings(&store.reader).iter().sum();
    assert_eq!(there, COPIED as u64 + rescued.readings);
}

/// A value in which a bit is wrong lies on a sound page. The others are saved all the same, whole tables or
/// row by row.
#[tokio::test]
async fn around_hours_that_cannot_be_read() {
    for spoilt in ["bundle", "hour"] {
        let cellar = cellar().await;
        cellar.pack().await;
        let nonsense = "UPDATE block SET readings = x'00' WHERE hour IN \
                        (SELECT hour FROM block ORDER BY hour DESC LIMIT 2 OFFSET 2)";
        let sql = cellar.store.sql();
        assert_eq!(sql.execute(nonsense, []).unwrap(), 2);
        sql.query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(()))
            .unwrap();
        drop(sql);
        let pages = cellar.pages(spoilt);
        cellar.spoil(&[pages[pages.len() / 2]]);
        let (rescued, store) = cellar.rescue();
        let there: u64 = readings(&store.reader).iter().sum();
        let all = ALL as u64 + 300;
        assert!(
            (all - 120..all).contains(&there),
            "{spoilt}: {there} {rescued:?}"
        );
        assert_eq!(rescued.readings, there - COPIED as u64);
    }
}

#[tokio::test]
async fn of_a_sound_one_that_is_packed_everything() {
    let cellar = cellar().await;
    cellar.pack().await;
    let (rescued, store) = cellar.rescue();
    assert_eq!(rescued.damaged, [""; 0]);
    let newer = (ALL - COPIED) as u64 + 300;
    assert_eq!(
        (rescued.payloads, rescued.readings, rescued.payloads_lost),
        (newer + UNCLAIMED, newer, 0)
    );
    assert_eq!(readings(&store.reader), [ALL as u64, 300]);
    // And it can be packed, what the copy had loose with it.
    for command in roll_stale(&store.reader, ALWAYS.1).unwrap() {
        store.run(command).await;
    }
    assert_eq!(readings(&store.reader), [ALL as u64, 300]);
    let feed = store.reader.feeds().unwrap()[0].id;
    let hours = store.reader.hours(feed, ALWAYS.0, ALWAYS.1).unwrap();
    let rolled: u32 = hours.iter().filter_map(|h| h.gravity).map(|g| g.n).sum();
    assert_eq!(i64::from(rolled), ALL);
}

#[tokio::test]
async fn books_that_are_damaged_change_nothing_in_the_copy() {
    let cellar = cellar().await;
    let bad = [cellar.pages("vessel")[0], cellar.pages("feed")[0]];
    cellar.spoil(&bad);
    let (rescued, store) = cellar.rescue();
    let reader = &store.reader;
    assert!(
        rescued.damaged.contains(&"vessel".to_owned()),
        "{rescued:?}"
    );
    assert!(rescued.damaged.contains(&"feed".to_owned()), "{rescued:?}");
    let vessels = reader.vessels().unwrap();
    let names: Vec<&str> = vessels.iter().map(|v| v.facts.name.as_str()).collect();
    assert_eq!(names, ["Carboy"]);
    // The feed the copy knows goes on; all payloads are there, to be read again once b is claimed.
    assert_eq!(readings(reader), [ALL as u64]);
    assert_eq!(rescued.payloads, (ALL - COPIED) as u64 + 300 + UNCLAIMED);
    // The line about the lost vessel is lost with it.
    assert_eq!(rescued.lines, 1);
}

#[tokio::test]
async fn of_rubbish_nothing_and_the_copy_stands() {
    let cellar = cellar().await;
    let whole = fs::read(&cellar.store.path).unwrap();
    let log = cellar.store.path.with_extension("db-wal");
    let write = |bytes: &[u8]| fs::write(&cellar.store.path, bytes).unwrap();
    let spoilt: [(&str, Vec<u8>); 3] = [
        ("rubbish", b"neither fish nor fowl ".repeat(500)),
        ("its first page gone", {
            let mut bytes = whole.clone();
            bytes[..4096].fill(0);
            bytes
        }),
        ("cut short", whole[..whole.len() / 3].to_vec()),
    ];
    for (what, bytes) in spoilt {
        write(&bytes);
        assert!(
            matches!(cellar.condition(), Condition::Damaged(_)),
            "{what}"
        );
        let (_, store) = cellar.rescue();
        assert!(readings(&store.reader)[0] >= COPIED as u64, "{what}");
        assert_eq!(fs::read(&cellar.store.path).unwrap(), bytes, "{what}");
    }
    write(b"");
    assert_eq!(cellar.condition(), Condition::Empty);
    fs::write(&log, "a log of something").unwrap();
    assert!(matches!(cellar.condition(), Condition::Damaged(_)));
    fs::remove_file(&cellar.store.path).unwrap();
    assert!(matches!(cellar.condition(), Condition::Damaged(_)));
    fs::remove_file(&log).unwrap();
    assert_eq!(cellar.condition(), Condition::Missing);
    // Another program's is no damage.
    let other = rusqlite::Connection::open(&cellar.store.path).unwrap();
    other.execute_batch("CREATE TABLE t (a)").unwrap();
    let said = condition(&cellar.store.path, LONG);
    assert!(matches!(said, Err(StoreError::NotOurs { .. })), "{said:?}");
}

/// Its log of changes is lost, and it is back where it was before the copy.
#[tokio::test]
async fn one_that_is_older_than_the_copy_changes_nothing() {
    let store = Store::new();
    let vessel = store.vessel("Carboy").await;
    let store = store.reopen().await;
    let old = fs::read(&store.path).unwrap();
    store.run(log(vessel, What::Rack, 1)).await;
    store
        .run(Command::EditVessel(vessel, vessel_facts("Glass carboy")))
        .await;
    let folder = tempfile::tempdir().unwrap();
    let (copy, before) = (folder.path().join("copy"), folder.path().join("before"));
    backup::make(&store.path, &copy, ON).unwrap();
    fs::write(&before, old).unwrap();
    assert_eq!(condition(&before, LONG).unwrap(), Condition::Sound);
    rescue(&before, &copy).unwrap();
    let (_, reader) = open(&copy, Options::default()).unwrap();
    assert_eq!(reader.vessels().unwrap()[0].facts.name, "Glass carboy");
    let lines = reader.log(vessel, ALWAYS.0, ALWAYS.1).unwrap();
    assert_eq!(lines.len(), 1);
    assert!(Path::new(&copy).exists());
}

/// A page that goes bad under the writer: the message is not acknowledged, and what is wrong is told.
#[tokio::test]
async fn damage_that_is_met_while_writing_is_told() {
    let cellar = cellar().await;
    cellar.pack().await;
    let (writer, _reader) = open(&cellar.store.path, Options::default()).unwrap();
    cellar.spoil(&cellar.pages("block"));
    // Whether there is a reading of that instant can only be told from what is packed.
    let message = arrival("a", &measured(1, 1.05));
    let answer = writer.arrive(message).await.unwrap().await.unwrap();
    assert!(answer.is_err(), "{answer:?}");
    let trouble = writer.troubles().borrow().clone().unwrap();
    assert!(trouble.damaged, "{trouble:?}");
}

/// The same while reading; a commit that is kept afterwards does not make it good.
#[tokio::test]
async fn damage_that_is_met_while_reading_is_told() {
    let cellar = cellar().await;
    cellar.pack().await;
    let (writer, reader) = open(&cellar.store.path, Options::default()).unwrap();
    let feed = reader.feeds().unwrap()[0].id;
    cellar.spoil(&cellar.pages("block"));
    assert_eq!(*writer.troubles().borrow(), None);
    assert!(reader.readings(feed, ALWAYS.0, ALWAYS.1).is_err());
    let set = Command::SetSetting {
        key: "word".into(),
        value: Some("kept".into()),
    };
    writer.command(set).await.unwrap();
    let trouble = writer.troubles().borrow().clone().unwrap();
    assert!(trouble.damaged, "{trouble:?}");
}

/// Damage that shows at the first start of this program, before what was there has been brought up.
#[tokio::test]
async fn what_an_earlier_program_kept_is_rescued_and_read() {
    let folder = tempfile::tempdir().unwrap();
    let damaged = folder.path().join("damaged");
    as_version_9(&damaged);
    let into = tempfile::tempdir().unwrap();
    let path = into.path().join("store.db");
    fs::copy(&damaged, &path).unwrap();
    let rescued = rescue(&damaged, &path).unwrap();
    assert_eq!(rescued.damaged, Vec::<String>::new());
    let store = Store::on(into);
    let feed = store.reader.feeds().unwrap()[0].id;
    assert_eq!(store.gravities(feed).len(), 2000);
    let hours = store.reader.hours(feed, T0, at(2000)).unwrap();
    assert_eq!(hours.len(), 34);
}

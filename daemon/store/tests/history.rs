//! What a mead inherits from the one it was split off from, and what finished ones leave behind.
#![expect(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

mod common;

use common::*;
use ebbmark_core::deed::{Deed, What};
use ebbmark_core::fit::curve::Family;
use ebbmark_core::ids::{BatchId, VesselId};
use ebbmark_core::learn::CurveRecord;
use ebbmark_core::time::Span;
use ebbmark_core::units::{Gravity, Ph};
use ebbmark_store::model::{Batch, BatchFacts, Command, Done, ImportRow, Origin, Stay};
use ebbmark_store::{Options, open};

async fn start(store: &Store, vessel: VesselId, facts: BatchFacts) -> BatchId {
    match store.run(beginning(vessel, facts)).await {
        Done::Batch(id) => id,
        other => panic!("{other:?}"),
    }
}

fn split_off(parent: BatchId, minutes: i64) -> BatchFacts {
    BatchFacts {
        started: at(minutes),
        origin: Some(Origin {
            parent,
            at: at(minutes),
        }),
        ..batch_facts("a part")
    }
}

/// A reading each hour in `hours` after T0, its gravity telling vessel and hour.
async fn readings(store: &Store, vessel: VesselId, hours: std::ops::Range<i64>) {
    let rows = hours.map(|h| ImportRow {
        at: at(60 * h + 30),
        gravity: Gravity::new(1.0 + 0.01 * vessel.0 as f64 + 1e-4 * h as f64).ok(),
        temperature: None,
    });
    let rows = rows.collect();
    store.run(Command::Import { vessel, rows }).await;
}

async fn note(store: &Store, vessel: VesselId, what: What, minutes: i64) {
    let log = Command::Log {
        vessel,
        deed: deed(what, minutes),
        hand: None,
        once: None,
        made_at: at(minutes),
    };
    store.run(log).await;
}

fn batch(store: &Store, id: BatchId) -> Batch {
    store.reader.batch(id).unwrap().unwrap()
}

#[tokio::test]
async fn a_split_off_mead_has_the_past_of_the_other_and_no_other() {
    let store = Store::new();
    let [cask, jar, keg] = [
        store.vessel("cask").await,
        store.vessel("jar").await,
        store.vessel("keg").await,
    ];
    let whole = start(&store, cask, batch_facts("whole")).await;
    // Another mead was in the jar before: none of the part's business.
    let before = start(&store, jar, batch_facts("before")).await;
    for vessel in [cask, jar, keg] {
        readings(&store, vessel, 0..10).await;
        note(&store, vessel, What::Nutrient, 61).await;
        note(&store, vessel, What::Rouse, 331).await;
    }
    let end = Command::EndBatch {
        batch: before,
        at: at(240),
    };
    store.run(end).await;
    let part = start(&store, jar, split_off(whole, 300)).await;
    let second = start(&store, keg, split_off(part, 420)).await;

    let stays = store.reader.stays(&batch(&store, second), at(600)).unwrap();
    let stay = |batch, vessel, from, to| Stay {
        batch,
        vessel,
        from: at(from),
        to: at(to),
    };
    assert_eq!(
        stays,
        [
            stay(whole, cask, 0, 300),
            stay(part, jar, 300, 420),
            stay(second, keg, 420, 600)
        ]
    );
    let history = store
        .reader
        .history(&batch(&store, second), at(600))
        .unwrap();
    assert_eq!(history.started, T0);
    let seen: Vec<f64> = history
        .hours
        .iter()
        .filter_map(|h| h.gravity)
        .map(|g| (g.median * 1e4).round() / 1e4)
        .collect();
    let [a, b, c] = [cask, jar, keg].map(|v| 1.0 + 0.01 * v.0 as f64);
    let expected: Vec<f64> = (0..10_i64)
        .map(|h| [a, b, c][usize::from(h >= 5) + usize::from(h >= 7)] + 1e-4 * h as f64)
        .map(|g| (g * 1e4).round() / 1e4)
        .collect();
    assert_eq!(seen, expected);
    let lines: Vec<(VesselId, What, i64)> = history
        .lines
        .iter()
        .map(|l| (l.vessel, l.deed.what, (l.deed.at.0 - T0.0) / 60_000))
        .collect();
    assert_eq!(
        lines,
        [
            (cask, What::Nutrient, 61),
            (jar, What::Split, 300),
            (jar, What::Rouse, 331),
            (keg, What::Split, 420)
        ]
    );

    // The cask knows that a part of it went, and has its own past only.
    let history = store
        .reader
        .history(&batch(&store, whole), at(600))
        .unwrap();
    let notes: Vec<&str> = history
        .lines
        .iter()
        .filter(|l| l.deed.what == What::Split)
        .map(|l| l.deed.note.as_str())
        .collect();
    assert_eq!(notes, ["a part into jar"]);
    assert_eq!(history.hours.len(), 10);
}

#[tokio::test]
async fn a_split_that_cannot_have_been_is_refused() {
    let store = Store::new();
    let (cask, jar) = (store.vessel("cask").await, store.vessel("jar").await);
    let whole = start(&store, cask, batch_facts("whole")).await;
    let unpoured = Command::StartBatch {
        vessel: jar,
        facts: split_off(whole, 30),
    };
    let why = store.refused(unpoured).await;
    assert!(why.contains("poured, not started"), "{why}");
    let part = start(&store, jar, split_off(whole, 30)).await;
    let refused = async |facts: BatchFacts| store.refused(Command::EditBatch(part, facts)).await;
    let why = refused(split_off(whole, -5)).await;
    assert!(why.contains("nothing to split off"), "{why}");
    let why = refused(split_off(BatchId(77), 5)).await;
    assert_eq!(why, "there is no batch 77");
    let late = BatchFacts {
        started: at(6),
        ..split_off(whole, 5)
    };
    let why = refused(late).await;
    assert!(why.contains("begins when it is split off"), "{why}");

    let round = |id, facts| Command::EditBatch(id, facts);
    let why = store.refused(round(whole, split_off(part, 40))).await;
    assert!(why.contains("split off from it"), "{why}");
    let own = Command::EditBatch(whole, split_off(whole, 40));
    let why = store.refused(own).await;
    assert!(why.contains("into another vessel"), "{why}");
    assert!(store.reader.log(jar, at(0), at(60)).unwrap().len() == 1);

    // A file that goes in circles all the same is not followed for ever.
    let sql = "UPDATE batch SET parent = ?1, split_at = ?2 WHERE id = ?3";
    store
        .sql()
        .execute(sql, [part.0, at(30).0, whole.0])
        .unwrap();
    let history = store.reader.history(&batch(&store, part), at(60)).unwrap();
    assert_eq!(history.started, T0);
}

fn record(yeast: &str, ln_k: f64) -> CurveRecord {
    CurveRecord {
        yeast: yeast.into(),
        honey: "lime".into(),
        original: 1.1,
        ended: 0.998,
        families: vec![
            (Family::Logistic, vec![1.1, 0.998, ln_k, 3.0]),
            (Family::Asymmetric, vec![1.1, 0.998, ln_k, 3.0, 0.25]),
            (Family::Gompertz, vec![1.1, 0.998, ln_k, 1.5]),
        ],
    }
}

#[tokio::test]
async fn a_curve_is_kept_until_the_mead_settles_again() {
    let store = Store::new();
    let mut meads = Vec::new();
    for name in ["cask", "jar", "keg"] {
        let vessel = store.vessel(name).await;
        meads.push((vessel, start(&store, vessel, batch_facts(name)).await));
    }
    let keep = |batch, record| Command::KeepCurve {
        batch,
        at: at(90),
        record,
    };
    store.run(keep(meads[0].1, record("wine", -1.5))).await;
    store.run(keep(meads[0].1, record("wine", -1.0))).await;
    store.run(keep(meads[1].1, record("ale", -0.5))).await;
    let store = store.reopen().await;
    let others = store.reader.curve_records(meads[2].1).unwrap();
    assert_eq!(others, [record("wine", -1.0), record("ale", -0.5)]);
    let others = store.reader.curve_records(meads[0].1).unwrap();
    assert_eq!(others, [record("ale", -0.5)], "not its own");

    // Split off, it shares its past with the first: neither learns from the other, and of the
    // two only one speaks to a third.
    let end = Command::EndBatch {
        batch: meads[2].1,
        at: at(100),
    };
    store.run(end).await;
    let part = start(&store, meads[2].0, split_off(meads[0].1, 200)).await;
    store.run(keep(part, record("wine", -1.1))).await;
    let of = |batch| store.reader.curve_records(batch).unwrap();
    assert_eq!(of(part), [record("ale", -0.5)]);
    assert_eq!(of(meads[0].1), [record("ale", -0.5)]);
    assert_eq!(of(meads[1].1), [record("wine", -1.0)]);

    let why = store.refused(keep(BatchId(77), record("wine", 0.0))).await;
    assert_eq!(why, "there is no batch 77");
    let why = store.refused(keep(part, record("wine", f64::NAN))).await;
    assert!(why.contains("no number"), "{why}");

    // A family of another version is passed over.
    let sql = r#"UPDATE curve_record SET families = '{"spline": [1.0], "logistic": [1.1]}'"#;
    store.sql().execute(sql, []).unwrap();
    assert_eq!(of(part)[0].families, [(Family::Logistic, vec![1.1])]);
}

#[tokio::test]
async fn a_database_of_schema_2_is_upgraded_with_what_is_in_it() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("store.db");
    let old = rusqlite::Connection::open(&path).unwrap();
    for sql in [
        include_str!("../src/migrations/0001.sql"),
        include_str!("../src/migrations/0002.sql"),
    ] {
        old.execute_batch(sql).unwrap();
    }
    old.execute_batch(&format!(
        "INSERT INTO vessel (name) VALUES ('cask');
         INSERT INTO batch (vessel, name, started, original_gravity, yeast, note)
             VALUES (1, 'linden', {}, 1.098, 'wine', 'from the hives by the wood');
         PRAGMA user_version = 2;
         PRAGMA application_id = {};",
        T0.0, 0x4562_6d6b
    ))
    .unwrap();
    drop(old);
    let (writer, reader) = open(&path, Options::default()).unwrap();
    assert!(reader.schema_version().unwrap() > 5);
    let linden = reader.vessel(VesselId(1)).unwrap().unwrap().batch.unwrap();
    let facts = BatchFacts {
        original_gravity: Gravity::new(1.098).ok(),
        yeast: "wine".into(),
        note: "from the hives by the wood".into(),
        ..batch_facts("linden")
    };
    assert_eq!(linden.facts, facts);
    let history = reader.history(&linden, T0 + Span::days(1)).unwrap();
    assert_eq!((history.started, history.hours.len()), (T0, 0));
    let changed = BatchFacts {
        honey: "lime, first crop".into(),
        ..facts
    };
    let edit = Command::EditBatch(linden.id, changed.clone());
    writer.command(edit).await.unwrap();
    assert_eq!(reader.batch(linden.id).unwrap().unwrap().facts, changed);
    writer.close().await;
}

#[tokio::test]
async fn lines_of_schema_3_are_upgraded_and_can_then_hold_more() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("store.db");
    let old = rusqlite::Connection::open(&path).unwrap();
    for sql in [
        include_str!("../src/migrations/0001.sql"),
        include_str!("../src/migrations/0002.sql"),
        include_str!("../src/migrations/0003.sql"),
    ] {
        old.execute_batch(sql).unwrap();
    }
    old.execute_batch(&format!(
        "INSERT INTO vessel (name) VALUES ('cask');
         INSERT INTO entry (vessel, at, what, gravity, note, made_at)
             VALUES (1, {at}, 'rack', 1.002, 'off the lees', {at});
         PRAGMA user_version = 3;
         PRAGMA application_id = {};",
        0x4562_6d6b,
        at = T0.0,
    ))
    .unwrap();
    drop(old);
    let (writer, reader) = open(&path, Options::default()).unwrap();
    assert!(reader.schema_version().unwrap() > 5);
    let vessel = VesselId(1);
    let log = || reader.log(vessel, ALWAYS.0, ALWAYS.1).unwrap();
    let racked = Deed {
        gravity: Gravity::new(1.002).ok(),
        note: "off the lees".into(),
        ..Deed::new(T0, What::Rack)
    };
    assert_eq!(log()[0].deed, racked);
    let measured = Deed {
        ph: Ph::new(3.4).ok(),
        ..racked
    };
    let correct = Command::Correct {
        entry: log()[0].id,
        deed: measured.clone(),
        hand: None,
        made_at: T0,
    };
    writer.command(correct).await.unwrap();
    let lines = log();
    assert_eq!(lines[0].replaced_by, Some(lines[1].id));
    assert_eq!((lines[0].deed.ph, &lines[1].deed), (None, &measured));
    writer.close().await;
}

//! Meads that change vessels, are split and are poured together. Names and numbers are invented.
#![expect(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

mod common;

use common::*;
use ebbmark_core::deed::{Deed, Dose, Substance, What};
use ebbmark_core::ids::{BatchId, VesselId};
use ebbmark_core::lineage::sulphur_dioxide;
use ebbmark_core::liquid::Liquid;
use ebbmark_core::sulphite::Salt;
use ebbmark_core::units::{Gravity, Kilograms, Litres};
use ebbmark_store::model::{
    Batch, BatchFacts, Command, Done, ImportRow, Move, Part, Relative, Share, Stay,
};
use ebbmark_store::{Options, open};

fn litres(v: f64) -> Option<Litres> {
    Litres::new(v).ok()
}

fn gravity(v: f64) -> Option<Gravity> {
    Gravity::new(v).ok()
}

async fn mead(store: &Store, vessel: VesselId, name: &str, volume: f64, original: f64) -> BatchId {
    let facts = BatchFacts {
        volume: litres(volume),
        original_gravity: gravity(original),
        ..batch_facts(name)
    };
    match store.run(Command::StartBatch { vessel, facts }).await {
        Done::Batch(id) => id,
        other => panic!("{other:?}"),
    }
}

fn moving(batch: BatchId, from: VesselId, to: VesselId, minutes: i64) -> Move {
    Move {
        batch,
        from,
        to,
        at: at(minutes),
        volume: None,
        note: String::new(),
        feeds: Vec::new(),
        once: None,
        made_at: at(minutes),
    }
}

fn part(parent: BatchId, volume: f64) -> Part {
    Part {
        parent,
        volume: litres(volume),
        emptied: false,
    }
}

fn all_of(parent: BatchId, volume: f64) -> Part {
    Part {
        emptied: true,
        ..part(parent, volume)
    }
}

fn pouring(vessel: VesselId, name: &str, minutes: i64, parts: Vec<Part>) -> Command {
    Command::PourBatch {
        vessel,
        facts: BatchFacts {
            started: at(minutes),
            ..batch_facts(name)
        },
        parts,
        feeds: Vec::new(),
        once: None,
        made_at: at(minutes),
    }
}

async fn pour(store: &Store, command: Command) -> BatchId {
    match store.run(command).await {
        Done::Batch(id) => id,
        other => panic!("{other:?}"),
    }
}

async fn log(store: &Store, vessel: VesselId, deed: Deed) {
    let made_at = deed.at;
    let log = Command::Log {
        vessel,
        deed,
        hand: None,
        once: None,
        made_at,
    };
    store.run(log).await;
}

async fn read(store: &Store, vessel: VesselId, minutes: i64, sg: f64) {
    let deed = Deed {
        gravity: gravity(sg),
        ..Deed::new(at(minutes), What::HandReading)
    };
    log(store, vessel, deed).await;
}

fn batch(store: &Store, id: BatchId) -> Batch {
    store.reader.batch(id).unwrap().unwrap()
}

fn stays(store: &Store, id: BatchId) -> Vec<(VesselId, i64, i64)> {
    let stays = store.reader.stays(&batch(store, id), at(10_000)).unwrap();
    let minutes = |s: &Stay| {
        let of = |at: ebbmark_core::time::Moment| (at.0 - T0.0) / 60_000;
        (s.vessel, of(s.from), of(s.to))
    };
    stays.iter().map(minutes).collect()
}

fn in_it(store: &Store, vessel: VesselId) -> Option<String> {
    let vessel = store.reader.vessel(vessel).unwrap().unwrap();
    vessel.batch.map(|b| b.facts.name)
}

fn notes(store: &Store, vessel: VesselId) -> Vec<(What, String)> {
    let lines = store.reader.log(vessel, ALWAYS.0, ALWAYS.1).unwrap();
    lines
        .into_iter()
        .map(|l| (l.deed.what, l.deed.note))
        .collect()
}

fn relative(store: &Store, id: BatchId, minutes: i64) -> Relative {
    let family = store.reader.family(id, at(minutes)).unwrap();
    family.of(id).unwrap().clone()
}

/// By two gravities alone.
fn strength(original: f64, now: f64) -> f64 {
    let must = Liquid::must(Litres::computed(1.0), gravity(original).unwrap()).unwrap();
    let mead = must.ferment_to(gravity(now).unwrap()).unwrap().liquid;
    mead.strength().unwrap().get()
}

#[tokio::test]
async fn a_mead_moves_twice_and_comes_back() {
    let store = Store::new();
    let (cask, keg) = (store.vessel("cask").await, store.vessel("keg").await);
    let linden = mead(&store, cask, "linden", 20.0, 1.1).await;
    let float = store.claim("f1", timed(), Some(cask)).await;
    for minutes in [30, 90, 150, 210] {
        let payload = measured(minutes, 1.08);
        store.arrive(arrival("f1", &payload)).await;
    }
    let first = Move {
        volume: litres(18.5),
        note: "off the lees".into(),
        feeds: vec![float],
        ..moving(linden, cask, keg, 60)
    };
    store.run(Command::MoveBatch(first)).await;
    assert_eq!(in_it(&store, cask), None);
    assert_eq!(in_it(&store, keg).as_deref(), Some("linden"));
    assert_eq!(
        store.reader.feed(float).unwrap().unwrap().vessel,
        Some(keg),
        "the float went along"
    );
    store
        .run(Command::MoveBatch(moving(linden, keg, cask, 120)))
        .await;
    assert_eq!(
        stays(&store, linden),
        [(cask, 0, 60), (keg, 60, 120), (cask, 120, 10_000)]
    );
    assert_eq!(
        notes(&store, cask),
        [
            (What::Rack, "into keg".to_owned()),
            (What::Rack, "from keg".to_owned())
        ]
    );
    assert_eq!(
        notes(&store, keg),
        [
            (What::Rack, "from cask; off the lees".to_owned()),
            (What::Rack, "into cask".to_owned())
        ]
    );
    // The float stayed in the keg at the second move: what it reads there is nobody's.
    let history = store
        .reader
        .history(&batch(&store, linden), at(10_000))
        .unwrap();
    let read: usize = history
        .hours
        .iter()
        .filter_map(|h| h.gravity)
        .map(|g| g.n as usize)
        .sum();
    assert_eq!(read, 2);
    let lines: Vec<(VesselId, i64)> = history
        .lines
        .iter()
        .map(|l| (l.vessel, (l.deed.at.0 - T0.0) / 60_000))
        .collect();
    assert_eq!(lines, [(keg, 60), (cask, 120)], "each step of it once");
    let volume = relative(&store, linden, 200).book.volume().unwrap().get();
    assert!((volume - 18.5).abs() < 1e-9);
    // Who was where when.
    let began = |vessel, minutes| store.reader.original_gravity(vessel, at(minutes)).unwrap();
    assert_eq!(began(cask, 30), gravity(1.1));
    assert_eq!(began(cask, 90), None);
    assert_eq!(began(keg, 90), gravity(1.1));
    assert_eq!(began(cask, 130), gravity(1.1));
    assert_eq!(store.reader.batches(keg).unwrap()[0].id, linden);
    assert_eq!(store.reader.batches(cask).unwrap().len(), 1);

    let end = Command::EndBatch {
        batch: linden,
        at: at(300),
    };
    store.run(end).await;
    assert_eq!(stays(&store, linden)[2], (cask, 120, 300));
}

#[tokio::test]
async fn a_move_that_cannot_be_is_refused_and_a_double_tap_is_one() {
    let store = Store::new();
    let [cask, keg, jar] = [
        store.vessel("cask").await,
        store.vessel("keg").await,
        store.vessel("jar").await,
    ];
    let linden = mead(&store, cask, "linden", 20.0, 1.1).await;
    let heather = mead(&store, jar, "heather", 5.0, 1.08).await;
    let refused = async |asked: Move| store.refused(Command::MoveBatch(asked)).await;
    let why = refused(moving(linden, cask, jar, 60)).await;
    assert_eq!(why, "\"heather\" is in jar; it has to be empty");
    let why = refused(moving(linden, cask, cask, 60)).await;
    assert_eq!(why, "it is in that vessel already");
    let why = refused(moving(linden, cask, keg, -5)).await;
    assert!(why.contains("only have left it later"), "{why}");
    let why = refused(moving(linden, cask, VesselId(9), 5)).await;
    assert_eq!(why, "there is no vessel 9");
    let why = refused(moving(BatchId(9), cask, keg, 5)).await;
    assert_eq!(why, "there is no batch 9");

    let tap = Move {
        once: Some("tap".into()),
        ..moving(linden, cask, keg, 60)
    };
    for _ in 0..2 {
        let done = store.run(Command::MoveBatch(tap.clone())).await;
        assert_eq!(done, Done::Batch(linden));
    }
    assert_eq!(notes(&store, keg).len(), 1);
    assert_eq!(stays(&store, linden).len(), 2);
    // The other phone still shows it in the cask.
    let why = refused(moving(linden, cask, jar, 90)).await;
    assert_eq!(why, "it is no longer there: it is in keg now");

    // While something was in it later, nothing can be put there earlier.
    store
        .run(Command::MoveBatch(moving(linden, keg, cask, 200)))
        .await;
    let why = refused(moving(heather, jar, keg, 100)).await;
    assert!(why.contains("keg was not empty: \"linden\""), "{why}");
    store
        .run(Command::MoveBatch(moving(heather, jar, keg, 200)))
        .await;
    let end = |minutes| Command::EndBatch {
        batch: heather,
        at: at(minutes),
    };
    let why = store.refused(end(150)).await;
    assert!(why.contains("cannot have ended before"), "{why}");
    store.run(end(250)).await;
    let why = refused(moving(heather, keg, jar, 300)).await;
    assert!(why.contains("has ended"), "{why}");
}

/// 20 L are given 4 g of sulphite, and a fourth of it goes into the jar; the rest is racked down.
#[tokio::test]
async fn a_split_takes_its_volume_and_what_was_given() {
    let store = Store::new();
    let (cask, jar) = (store.vessel("cask").await, store.vessel("jar").await);
    let whole = mead(&store, cask, "linden", 20.0, 1.1).await;
    let stabilised = Deed {
        gravity: gravity(1.1),
        doses: vec![Dose {
            of: Substance::PotassiumMetabisulphite,
            mass: Kilograms::new(0.004).unwrap(),
            name: String::new(),
            extract: None,
        }],
        ..Deed::new(at(30), What::Stabilise)
    };
    log(&store, cask, stabilised).await;
    let command = pouring(jar, "linden on plums", 60, vec![part(whole, 5.0)]);
    let child = pour(&store, command).await;
    assert_eq!(
        notes(&store, cask)[1],
        (What::Split, "5 L into jar".to_owned())
    );
    assert_eq!(
        notes(&store, jar),
        [(What::Split, "5 L from cask".to_owned())]
    );
    let racked = Deed {
        volume: litres(12.0),
        ..Deed::new(at(90), What::Rack)
    };
    log(&store, cask, racked).await;
    read(&store, jar, 120, 1.02).await;

    let (whole, child) = (relative(&store, whole, 200), relative(&store, child, 200));
    let near = |a: f64, b: f64| assert!((a - b).abs() < 1e-9, "{a} {b}");
    let salt = |of: &Relative| {
        let given = of.book.given(sulphur_dioxide).unwrap().get();
        given / Salt::Potassium.sulphur_dioxide()
    };
    near(whole.book.volume().unwrap().get(), 12.0);
    near(salt(&whole), 0.0024);
    near(salt(&child), 0.001);
    near(child.book.strength().unwrap().get(), strength(1.1, 1.02));
    assert_eq!(child.batch.facts.volume, litres(5.0));
    assert_eq!(child.vessel, "jar");
    let shares = store.reader.family(whole.batch.id, at(200)).unwrap().shares;
    let share = Share {
        child: child.batch.id,
        parent: whole.batch.id,
        at: at(60),
        volume: litres(5.0),
    };
    assert_eq!(shares, [share]);

    // A reckoning about the part is filled with what it inherited.
    let record = store.reader.mead_record(jar, at(200)).unwrap().unwrap();
    let inherited = record.inherited.unwrap();
    near(inherited.book.volume().unwrap().get(), 5.0);
    assert_eq!((inherited.parts, inherited.at), (1, at(60)));
    let record = store.reader.mead_record(cask, at(200)).unwrap().unwrap();
    assert_eq!(record.poured, [(at(60), litres(5.0))]);
    assert!(record.inherited.is_none());
}

/// The honey meads of cask and keg and a little of the jar's go into the keg.
#[tokio::test]
async fn a_blend_of_three_is_the_sum_of_its_parts() {
    let store = Store::new();
    let [cask, keg, jar] = [
        store.vessel("cask").await,
        store.vessel("keg").await,
        store.vessel("jar").await,
    ];
    let dry = mead(&store, cask, "dry", 20.0, 1.1).await;
    let mild = mead(&store, keg, "mild", 10.0, 1.06).await;
    let sweet = mead(&store, jar, "sweet", 5.0, 1.12).await;
    for (vessel, sg) in [(cask, 1.0), (keg, 1.01), (jar, 1.05)] {
        read(&store, vessel, 40, sg).await;
    }
    let rows = vec![ImportRow {
        at: at(30),
        gravity: gravity(1.05),
        temperature: None,
    }];
    store.run(Command::Import { vessel: cask, rows }).await;
    let parts = vec![part(dry, 12.0), all_of(mild, 6.0), part(sweet, 2.0)];
    let command = pouring(keg, "house", 60, parts);
    let Command::PourBatch { facts, parts, .. } = command.clone() else {
        panic!()
    };
    let tap = Command::PourBatch {
        vessel: keg,
        facts,
        parts,
        feeds: Vec::new(),
        once: Some("tap".into()),
        made_at: at(60),
    };
    let house = pour(&store, tap.clone()).await;
    assert_eq!(pour(&store, tap).await, house, "a second tap makes none");

    assert_eq!(in_it(&store, keg).as_deref(), Some("house"));
    assert_eq!(batch(&store, mild).ended, Some(at(60)));
    assert_eq!(in_it(&store, cask).as_deref(), Some("dry"));
    assert_eq!(
        notes(&store, keg).last().unwrap(),
        &(
            What::Blend,
            "12 L from cask, all of it (6 L) from keg, 2 L from jar".to_owned()
        )
    );
    assert_eq!(notes(&store, jar)[1].1, "2 L into keg");
    let taken = |original: f64, now: f64, litres: f64| {
        let twice = Litres::computed(2.0 * litres);
        let must = Liquid::must(twice, gravity(original).unwrap()).unwrap();
        let mead = must.ferment_to(gravity(now).unwrap()).unwrap().liquid;
        mead.take(Litres::computed(litres)).unwrap().0
    };
    let sum = taken(1.1, 1.0, 12.0)
        .with(taken(1.06, 1.01, 6.0))
        .with(taken(1.12, 1.05, 2.0));
    let book = relative(&store, house, 60).book;
    let near = |a: f64, b: f64| assert!((a - b).abs() < 1e-9, "{a} {b}");
    near(
        book.strength().unwrap().get(),
        sum.strength().unwrap().get(),
    );
    near(book.gravity().unwrap().get(), sum.gravity().unwrap().get());
    near(book.holds.liquid.extract().get(), sum.extract().get());
    // Its curve is that of the largest part.
    let history = store
        .reader
        .history(&batch(&store, house), at(200))
        .unwrap();
    assert_eq!(history.started, T0);
    assert_eq!(history.hours.len(), 1);
    assert_eq!(stays(&store, house), [(cask, 0, 60), (keg, 60, 10_000)]);
    let family = store.reader.family(sweet, at(200)).unwrap();
    let names: Vec<&str> = family
        .meads
        .iter()
        .map(|m| m.batch.facts.name.as_str())
        .collect();
    assert_eq!(names, ["dry", "mild", "sweet", "house"]);
    assert_eq!(family.shares.len(), 3);
    let moved = BatchFacts {
        started: at(50),
        ..batch(&store, house).facts
    };
    let origin = moved
        .origin
        .map(|o| ebbmark_store::model::Origin { at: at(50), ..o });
    let moved = BatchFacts { origin, ..moved };
    let why = store.refused(Command::EditBatch(house, moved)).await;
    assert!(why.contains("begins when that was done"), "{why}");
}

#[tokio::test]
async fn a_pouring_that_cannot_be_is_refused() {
    let store = Store::new();
    let [cask, keg, jar] = [
        store.vessel("cask").await,
        store.vessel("keg").await,
        store.vessel("jar").await,
    ];
    let dry = mead(&store, cask, "dry", 20.0, 1.1).await;
    mead(&store, keg, "mild", 10.0, 1.06).await;
    let refused =
        async |vessel, minutes, parts| store.refused(pouring(vessel, "new", minutes, parts)).await;
    let why = refused(jar, 60, Vec::new()).await;
    assert_eq!(why, "say which mead it is poured from");
    let why = refused(jar, 60, vec![part(dry, 2.0), part(dry, 3.0)]).await;
    assert_eq!(why, "a mead can be a part of another only once");
    let why = refused(keg, 60, vec![part(dry, 2.0)]).await;
    assert_eq!(why, "\"mild\" is in keg; it has to be empty");
    let why = refused(cask, 60, vec![part(dry, 2.0)]).await;
    assert!(why.contains("cannot share its vessel"), "{why}");
    let why = refused(jar, -60, vec![part(dry, 2.0)]).await;
    assert!(why.contains("there was nothing of \"dry\""), "{why}");
    let why = refused(jar, 60, vec![part(BatchId(44), 2.0)]).await;
    assert_eq!(why, "there is no batch 44");
    // Nothing of a refused pouring stays: the emptied one has not ended.
    let why = refused(keg, 60, vec![all_of(dry, 2.0)]).await;
    assert_eq!(why, "\"mild\" is in keg; it has to be empty");
    assert_eq!(batch(&store, dry).ended, None);
    assert_eq!(in_it(&store, cask).as_deref(), Some("dry"));
    assert!(notes(&store, jar).is_empty());
}

#[tokio::test]
async fn a_split_of_schema_4_is_upgraded_to_stays_and_shares() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("store.db");
    let old = rusqlite::Connection::open(&path).unwrap();
    for sql in [
        include_str!("../src/migrations/0001.sql"),
        include_str!("../src/migrations/0002.sql"),
        include_str!("../src/migrations/0003.sql"),
        include_str!("../src/migrations/0004.sql"),
    ] {
        old.execute_batch(sql).unwrap();
    }
    old.execute_batch(&format!(
        "INSERT INTO vessel (name) VALUES ('cask'), ('jar');
         INSERT INTO batch (vessel, name, started, original_gravity, volume, yeast, note)
             VALUES (1, 'linden', {begun}, 1.098, 20.0, 'wine', '');
         INSERT INTO batch (vessel, name, started, volume, yeast, note, parent, split_at, ended)
             VALUES (2, 'linden on plums', {split}, 8.0, 'wine', '', 1, {split}, {ended});
         INSERT INTO entry (vessel, at, what, gravity, note, made_at)
             VALUES (1, {read}, 'hand-reading', 1.020, '', {read});
         PRAGMA user_version = 4;
         PRAGMA application_id = {app};",
        begun = T0.0,
        split = at(600).0,
        ended = at(900).0,
        read = at(500).0,
        app = 0x4562_6d6b,
    ))
    .unwrap();
    drop(old);
    let (writer, reader) = open(&path, Options::default()).unwrap();
    assert!(reader.schema_version().unwrap() > 5);
    let [whole, part] = [BatchId(1), BatchId(2)].map(|id| reader.batch(id).unwrap().unwrap());
    let stays = reader.stays(&part, at(5_000)).unwrap();
    let stay = |batch, vessel, from, to| Stay {
        batch: BatchId(batch),
        vessel: VesselId(vessel),
        from: at(from),
        to: at(to),
    };
    assert_eq!(stays, [stay(1, 1, 0, 600), stay(2, 2, 600, 900)]);
    let family = reader.family(part.id, at(5_000)).unwrap();
    let near = |a: f64, b: f64| assert!((a - b).abs() < 1e-9, "{a} {b}");
    let left = family.of(part.id).unwrap();
    near(left.book.volume().unwrap().get(), 8.0);
    near(left.book.strength().unwrap().get(), strength(1.098, 1.02));
    // It goes on as one begun with this program does.
    let asked = moving(whole.id, VesselId(1), VesselId(2), 1_000);
    writer.command(Command::MoveBatch(asked)).await.unwrap();
    let now = reader.vessel(VesselId(2)).unwrap().unwrap().batch.unwrap();
    assert_eq!(now.id, whole.id);
    writer.close().await;
}

//! What is packed is what it was: for who reads it, for what comes late, for a map put right.
#![expect(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

mod common;

use common::*;
use ebbmark_core::feed::Quantity;
use ebbmark_core::ids::FeedId;
use ebbmark_core::reading::ProblemKind;
use ebbmark_core::time::{Moment, Span};
use ebbmark_store::hours::{roll_stale, worth_rolling};
use ebbmark_store::model::{Arrival, Command, ImportRow};
use ebbmark_store::shelf_life::{ShelfLife, past};

async fn pack(store: &Store) {
    for command in roll_stale(&store.reader, ALWAYS.1).unwrap() {
        store.run(command).await;
    }
    assert_eq!(store.count("SELECT count(*) FROM reading"), 0);
    assert!(roll_stale(&store.reader, ALWAYS.1).unwrap().is_empty());
}

async fn let_go(store: &Store, life: ShelfLife, now: Moment) -> usize {
    let mut commands = 0;
    loop {
        let some = past(&store.reader, life, now).unwrap();
        if some.is_empty() {
            return commands;
        }
        commands += some.len();
        for command in some {
            store.run(command).await;
        }
    }
}

/// Hours as (index since T0, readings, median).
fn hours(store: &Store, feed: FeedId) -> Vec<(i64, u32, f64)> {
    let hours = store
        .reader
        .hours(feed, T0 - Span::days(1), T0 + Span::days(900));
    let of = |g: ebbmark_core::hours::HourGravity| (g.n, g.median);
    hours
        .unwrap()
        .iter()
        .map(|h| {
            let (n, median) = h.gravity.map_or((0, f64::NAN), of);
            (h.index - T0.0 / 3_600_000, n, median)
        })
        .collect()
}

/// As it comes `minutes` after T0, read by its arrival.
fn untold(minutes: i64, gravity: f64) -> Arrival {
    arrival_at("a", &format!(r#"{{"g": {gravity}}}"#), Some(at(minutes)))
}

#[tokio::test]
async fn nobody_sees_a_difference() {
    let store = Store::new();
    let vessel = store.vessel("Cask").await;
    store.run(beginning(vessel, batch_facts("Mead"))).await;
    let feed = store.claim("a", timed(), Some(vessel)).await;
    store.fill("a", 0..300).await;
    store.fill("nobody", 0..30).await;
    let seen = |store: &Store| {
        let reader = &store.reader;
        (
            store.gravities(feed),
            hours(store, feed),
            reader.feed(feed).unwrap(),
            reader.payloads("intake", "a").unwrap(),
            reader.unclaimed().unwrap(),
            reader.vessel_readings(vessel, at(17), at(133)).unwrap(),
            reader.vessel_hours(vessel, at(17), at(133)).unwrap(),
        )
    };
    let before = seen(&store);
    assert_eq!(before.0.len(), 300);
    pack(&store).await;
    assert_eq!(store.count("SELECT count(*) FROM block"), 5);
    assert_eq!(store.count("SELECT count(*) FROM raw"), 20, "nobody's");
    assert_eq!(seen(&store), before);
    // And after a start.
    let store = store.reopen().await;
    assert_eq!(seen(&store), before);
}

#[tokio::test]
async fn the_hour_that_runs_is_left_alone_and_a_few_readings_may_wait() {
    let store = Store::new();
    store.claim("a", untimed(), None).await;
    for minutes in [0, 59, 61] {
        store.arrive(untold(minutes, 1.1)).await;
    }
    assert!(!worth_rolling(&store.reader, at(119)).unwrap());
    assert!(worth_rolling(&store.reader, at(6 * 60)).unwrap());
    for command in roll_stale(&store.reader, at(119)).unwrap() {
        store.run(command).await;
    }
    assert_eq!(store.count("SELECT count(*) FROM reading"), 1);
    assert_eq!(store.count("SELECT count(*) FROM raw"), 1);
    assert_eq!(store.reader.feeds().unwrap()[0].readings, 3);
}

#[tokio::test]
async fn an_hour_that_cannot_be_read_holds_up_nothing() {
    let store = Store::new();
    let feed = store.claim("a", timed(), None).await;
    for minutes in [0, 10, 70] {
        store.arrive(arrival("a", &measured(minutes, 1.05))).await;
    }
    pack(&store).await;
    let nonsense = "UPDATE block SET readings = x'00' WHERE hour = (SELECT min(hour) FROM block)";
    assert_eq!(store.sql().execute(nonsense, []).unwrap(), 1);
    // Late for that hour, and for one that comes after it in the same command.
    for minutes in [20, 130] {
        store.arrive(arrival("a", &measured(minutes, 1.04))).await;
    }
    let seen = |store: &Store| {
        let minutes: Vec<i64> = store
            .gravities(feed)
            .iter()
            .map(|(at, _)| at / 60_000)
            .collect();
        assert_eq!(minutes, [20, 70, 130]);
        let hours: Vec<(i64, u32)> = hours(store, feed).iter().map(|h| (h.0, h.1)).collect();
        // What was reckoned of the first one stands.
        assert_eq!(hours, [(0, 2), (1, 1), (2, 1)]);
        assert_eq!(store.reader.feeds().unwrap()[0].readings, 5);
    };
    seen(&store);
    for _ in 0..2 {
        for command in roll_stale(&store.reader, ALWAYS.1).unwrap() {
            store.run(command).await;
        }
        assert_eq!(store.count("SELECT count(*) FROM block"), 3);
        assert_eq!(store.count("SELECT count(*) FROM reading"), 1);
        // Whoever can read it one day finds it as it was.
        assert_eq!(
            store.count("SELECT count(*) FROM block WHERE readings = x'00'"),
            1
        );
        seen(&store);
    }
    assert!(
        !worth_rolling(&store.reader, at(300)).unwrap(),
        "again and again"
    );
    // Read by another map it would be gone.
    let remap = Command::Remap {
        feed,
        name: "a".into(),
        map: untimed(),
    };
    assert!(store.writer.command(remap).await.is_err());
    let store = store.reopen().await;
    seen(&store);
    // When its time is over it goes like all others, and what lay beside it.
    let_go(&store, LIFE, T0 + YEAR + Span::days(2)).await;
    assert_eq!(store.count("SELECT count(*) FROM block"), 0);
    assert_eq!(store.count("SELECT count(*) FROM reading"), 0);
    assert_eq!(
        store.count("SELECT gone FROM hour ORDER BY hour LIMIT 1"),
        3
    );
    let left: Vec<u32> = hours(&store, feed).iter().map(|h| h.1).collect();
    assert_eq!(left, [2, 1, 1]);
}

#[tokio::test]
async fn what_comes_late_finds_its_packed_hour() {
    let store = Store::new();
    let feed = store.claim("a", timed(), None).await;
    for minutes in [0, 10, 70] {
        store.arrive(arrival("a", &measured(minutes, 1.1))).await;
    }
    pack(&store).await;
    // New, the same again, and another value for an instant that is known.
    store.arrive(arrival("a", &measured(5, 1.09))).await;
    store.arrive(arrival("a", &measured(10, 1.1))).await;
    store.arrive(arrival("a", &measured(0, 1.05))).await;
    let want: Vec<(i64, f64)> = [(0, 1.1), (5, 1.09), (10, 1.1), (70, 1.1)]
        .map(|(minutes, g)| (minutes * 60_000, g))
        .to_vec();
    assert_eq!(store.gravities(feed), want);
    assert_eq!(store.problem_count(ProblemKind::Duplicate), 1);
    assert_eq!(store.problem_count(ProblemKind::Conflict), 1);
    assert_eq!(hours(&store, feed), [(0, 3, 1.1), (1, 1, 1.1)]);
    pack(&store).await;
    assert_eq!(store.gravities(feed), want);
    assert_eq!(hours(&store, feed), [(0, 3, 1.1), (1, 1, 1.1)]);
    // The same once more, after a start.
    let store = store.reopen().await;
    store.arrive(arrival("a", &measured(5, 1.09))).await;
    assert_eq!(store.problem_count(ProblemKind::Duplicate), 2);
    assert_eq!(store.gravities(feed), want);
}

/// Two that come within a millisecond are two, also where the first is packed.
#[tokio::test]
async fn an_instant_that_is_taken_in_a_packed_hour_is_not_taken_twice() {
    let store = Store::new();
    let feed = store.claim("a", untimed(), None).await;
    store.arrive(untold(3, 1.1)).await;
    pack(&store).await;
    store.arrive(untold(3, 1.09)).await;
    let first = 3 * 60_000;
    assert_eq!(store.gravities(feed), [(first, 1.1), (first + 1, 1.09)]);
}

#[tokio::test]
async fn a_repeat_of_a_bundled_message_is_known() {
    let store = Store::new();
    let feed = store.claim("a", untimed(), None).await;
    let message = |id, repeat| delivered("a", r#"{"g": 1.1}"#, id, repeat);
    store.arrive(message(7, false)).await;
    store.arrive(message(8, false)).await;
    pack(&store).await;
    assert_eq!(store.count("SELECT count(*) FROM raw"), 0);
    assert_eq!(store.arrive(message(7, true)).await.raw, None);
    // The same bytes, another packet.
    assert!(store.arrive(message(9, true)).await.raw.is_some());
    assert_eq!(store.gravities(feed).len(), 3);
    // A number is not given twice, though all that had one are bundled.
    let numbers = store.count("SELECT max(id) FROM raw");
    assert_eq!(numbers, 3);
}

#[tokio::test]
async fn a_map_put_right_is_run_over_what_is_packed() {
    let store = Store::new();
    let wrong = json(&[("/t", Quantity::Time), ("/x", Quantity::GravitySg)]);
    let feed = store.claim("a", wrong, None).await;
    // Some are packed, some are not, one is of an hour that is.
    store.fill("a", 0..130).await;
    for command in roll_stale(&store.reader, ALWAYS.1).unwrap() {
        store.run(command).await;
    }
    store.fill("a", 130..150).await;
    assert!(store.gravities(feed).is_empty());
    let remap = |map| Command::Remap {
        feed,
        name: "a".into(),
        map,
    };
    store.run(remap(timed())).await;
    assert_eq!(store.gravities(feed).len(), 150);
    assert_eq!(store.reader.feeds().unwrap()[0].readings, 150);
    assert_eq!(hours(&store, feed).iter().map(|h| h.1).sum::<u32>(), 150);
    pack(&store).await;
    // And as plato, from bundles alone.
    let plato = json(&[("/t", Quantity::Time), ("/g", Quantity::GravityPlato)]);
    store.run(remap(plato)).await;
    let first = store.gravities(feed)[0].1;
    assert!(first > 1.003 && first < 1.006, "1.05 °P is thin: {first}");
    assert_eq!(store.gravities(feed).len(), 150);
    assert_eq!(store.reader.feeds().unwrap()[0].readings, 150);
}

#[tokio::test]
async fn what_waits_for_its_time_is_not_bundled() {
    let store = Store::new();
    let feed = store.claim("a", untimed(), None).await;
    store.arrive(arrival_at("a", r#"{"g": 1.1}"#, None)).await;
    store.arrive(untold(1, 1.09)).await;
    pack(&store).await;
    assert_eq!(store.count("SELECT count(*) FROM raw"), 1);
    let offset_ms = at(0).0;
    store.run(Command::Redate { offset_ms }).await;
    // A second after the run began; then the one that had its time.
    assert_eq!(store.gravities(feed), [(1_000, 1.1), (60_000, 1.09)]);
    assert_eq!(store.reader.feeds().unwrap()[0].readings, 2);
    pack(&store).await;
    // In the order they came, though the first was bundled last.
    let all = store.reader.payloads("intake", "a").unwrap();
    assert_eq!(all, [br#"{"g": 1.1}"#.to_vec(), br#"{"g": 1.09}"#.to_vec()]);
}

#[tokio::test]
async fn what_is_imported_is_packed_at_once() {
    let store = Store::new();
    let vessel = store.vessel("Cask").await;
    let rows: Vec<ImportRow> = (0..500)
        .map(|n| ImportRow {
            at: at(n * 15),
            gravity: ebbmark_core::units::Gravity::new(1.1).ok(),
            temperature: None,
        })
        .collect();
    store
        .run(Command::Import {
            vessel,
            rows: rows.clone(),
        })
        .await;
    assert_eq!(store.count("SELECT count(*) FROM reading"), 0);
    let feed = store.reader.feeds().unwrap()[0].id;
    assert_eq!(store.gravities(feed).len(), 500);
    let again = store.run(Command::Import { vessel, rows }).await;
    let known = format!("{again:?}");
    assert!(known.contains("known: 500"), "{known}");
}

// ---- what is let go ----

const YEAR: Span = Span::days(365);
const LIFE: ShelfLife = ShelfLife {
    payloads: Some(Span::days(100)),
    readings: Some(YEAR),
};

#[tokio::test]
async fn payloads_go_then_readings_and_hours_stay() {
    let store = Store::new();
    let feed = store.claim("a", untimed(), None).await;
    for minutes in 0..180 {
        store
            .arrive(untold(minutes, 1.1 - minutes as f64 * 1e-5))
            .await;
    }
    pack(&store).await;
    let (readings, rolled) = (store.gravities(feed), hours(&store, feed));
    assert_eq!(let_go(&store, LIFE, T0 + Span::days(99)).await, 0);

    assert!(let_go(&store, LIFE, T0 + Span::days(101)).await > 0);
    assert_eq!(store.count("SELECT count(*) FROM bundle"), 0);
    assert_eq!(store.gravities(feed), readings);
    // Another map has nothing to be run over; what was read stays, whatever was wrong with it.
    let remap = Command::Remap {
        feed,
        name: "a".into(),
        map: json(&[("/x", Quantity::GravitySg)]),
    };
    store.run(remap).await;
    assert_eq!(store.gravities(feed), readings);

    assert!(let_go(&store, LIFE, T0 + YEAR + Span::days(1)).await > 0);
    assert_eq!(store.count("SELECT count(*) FROM block"), 0);
    assert!(store.gravities(feed).is_empty());
    assert_eq!(hours(&store, feed), rolled);
    let shown = store.reader.feed(feed).unwrap().unwrap();
    assert_eq!(
        (shown.readings, shown.last_reading),
        (180, Some(at(179))),
        "what it had is not forgotten"
    );
    let store = store.reopen().await;
    assert_eq!(hours(&store, feed), rolled);
}

#[tokio::test]
async fn a_reading_of_an_hour_that_is_only_rolled_is_named() {
    let store = Store::new();
    let vessel = store.vessel("Cask").await;
    let feed = store.claim("a", timed(), Some(vessel)).await;
    for minutes in 0..60 {
        let message = arrival_at("a", &measured(minutes, 1.1), Some(at(minutes)));
        store.arrive(message).await;
    }
    pack(&store).await;
    let_go(&store, LIFE, T0 + Span::days(400)).await;
    let rolled = hours(&store, feed);
    assert_eq!(rolled, [(0, 60, 1.1)]);
    assert!(store.reader.is_only_hours(vessel, at(0), at(60)).unwrap());
    assert!(!store.reader.is_only_hours(vessel, at(60), at(90)).unwrap());
    let late = arrival_at("a", &measured(30, 1.05), Some(T0 + Span::days(400)));
    let receipt = store.arrive(late).await;
    assert_eq!((receipt.readings, receipt.problems), (0, 1));
    assert_eq!(store.problem_count(ProblemKind::BadTime), 1);
    assert_eq!(hours(&store, feed), rolled);
}

#[tokio::test]
async fn nothing_goes_that_a_mead_still_needs() {
    let store = Store::new();
    let vessel = store.vessel("Cask").await;
    let feed = store.claim("a", untimed(), Some(vessel)).await;
    for minutes in 0..600 {
        store.arrive(untold(minutes, 1.1)).await;
    }
    // Pitched in the sixth hour.
    let mut facts = batch_facts("Mead");
    facts.started = at(5 * 60 + 30);
    let started = store.run(beginning(vessel, facts)).await;
    let ebbmark_store::model::Done::Batch(batch) = started else {
        panic!("{started:?}");
    };
    pack(&store).await;
    let late = T0 + Span::days(800);
    let judged = |store: &Store| {
        let mead = store.reader.batch(batch).unwrap().unwrap();
        store.reader.history(&mead, late).unwrap().hours
    };
    let before = judged(&store);
    let_go(&store, LIFE, late).await;
    assert_eq!(judged(&store), before);
    // Of what was before the mead only the hour stays in which an hour before the pitch begins.
    let kept = store.gravities(feed);
    assert_eq!(kept[0].0, 4 * 3_600_000);
    assert_eq!(
        store.count("SELECT count(*) FROM hour WHERE gone IS NOT NULL"),
        4
    );
    assert!(store.count("SELECT count(*) FROM bundle") > 0);

    let at_end = at(590);
    store.run(Command::EndBatch { batch, at: at_end }).await;
    let before = judged(&store);
    let_go(&store, LIFE, late).await;
    // Its ragged hours are cut from readings, which stay; the others from what is rolled.
    assert_eq!(judged(&store), before);
    assert_eq!(store.count("SELECT count(*) FROM bundle"), 0);
    assert!(store.count("SELECT count(*) FROM hour WHERE gone IS NOT NULL") > 4);
}

#[tokio::test]
async fn what_may_not_have_been_read_stays() {
    let store = Store::new();
    let feed = store.claim("a", untimed(), None).await;
    store.arrive(untold(0, 1.1)).await;
    store.arrive(arrival_at("a", r#"{"g": 1.08}"#, None)).await;
    store.arrive(arrival_at("nobody", "1.1", Some(at(0)))).await;
    pack(&store).await;
    store.run(Command::RetireFeed(feed)).await;
    store.arrive(untold(60, 1.05)).await;
    pack(&store).await;
    assert_eq!(let_go(&store, LIFE, T0 + Span::days(800)).await, 0);
    assert_eq!(store.reader.payloads("intake", "a").unwrap().len(), 3);
    assert_eq!(store.reader.payloads("intake", "nobody").unwrap().len(), 1);
}

#[tokio::test]
async fn pages_that_were_let_go_are_used_again() {
    let store = Store::new();
    store.claim("a", untimed(), None).await;
    let life = ShelfLife {
        payloads: Some(Span::days(30)),
        readings: Some(Span::days(60)),
    };
    let mut sizes = Vec::new();
    for month in 0..6 {
        let mut waiting = Vec::new();
        for minutes in 0..3_000 {
            let message = untold(month * 30 * 1440 + minutes, 1.1 - minutes as f64 * 1e-5);
            waiting.push(store.writer.arrive(message).await.unwrap());
        }
        for waiter in waiting {
            waiter.await.unwrap().unwrap();
        }
        pack(&store).await;
        let_go(&store, life, at((month + 1) * 30 * 1440)).await;
        sizes.push(store.count("SELECT page_count FROM pragma_page_count"));
    }
    // Two months of readings are kept, and a row for every hour; the file has stopped growing.
    assert!(sizes[5] <= sizes[3] + 20, "{sizes:?}");
}

// ---- upgrade ----

/// A database as version 9 kept it, filled by hand.
#[tokio::test]
async fn what_an_earlier_program_kept_is_carried_over() {
    let folder = tempfile::tempdir().unwrap();
    as_version_9(&folder.path().join("store.db"));

    let store = Store::on(folder);
    let feed = store.reader.feeds().unwrap()[0].clone();
    assert_eq!((feed.readings, feed.last_reading), (2000, Some(at(1999))));
    let readings = store.gravities(feed.id);
    assert_eq!(readings.len(), 2000);
    assert!(
        readings
            .iter()
            .zip(0..)
            .all(|(r, n)| *r == (n * 60_000, 1.05))
    );
    let of_hours = hours(&store, feed.id);
    assert_eq!(of_hours.len(), 34);
    // The first was marked: it is rolled anew.
    assert_eq!(of_hours[0], (0, 60, 1.05));
    assert_eq!(of_hours.iter().map(|h| h.1).sum::<u32>(), 2000);
    assert_eq!(store.count("SELECT count(*) FROM raw"), 3);
    assert_eq!(store.reader.payloads("intake", "a").unwrap().len(), 2000);
    assert_eq!(store.reader.unclaimed().unwrap()[0].payloads.len(), 3);
    let old = "SELECT count(*) FROM sqlite_schema WHERE name LIKE 'old\\_%' ESCAPE '\\'";
    assert_eq!(store.count(old), 0);
    // It goes on: the next payload has the next number, and a re-reading finds all of them.
    let receipt = store.arrive(arrival("a", &measured(2000, 1.04))).await;
    assert_eq!(receipt.raw.map(|r| r.0), Some(2004));
    pack(&store).await;
    let remap = Command::Remap {
        feed: feed.id,
        name: "a".into(),
        map: timed(),
    };
    store.run(remap).await;
    assert_eq!(store.gravities(feed.id).len(), 2001);
    assert_eq!(
        store.count("SELECT count(*) FROM pragma_foreign_key_check"),
        0
    );
}

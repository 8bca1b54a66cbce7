//! Hours are always current, and saving them never loses a later change.
#![expect(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

mod common;

use common::*;
use ebbmark_core::ids::FeedId;
use ebbmark_core::time::Span;
use ebbmark_store::hours::roll_stale;
use ebbmark_store::model::Command;

fn counts(store: &Store, feed: FeedId) -> Vec<(i64, u32)> {
    let (from, to) = (T0, T0 + Span::hours(24));
    let hours = store.reader.hours(feed, from, to).unwrap();
    let first = T0.0 / 3_600_000;
    hours
        .iter()
        .map(|h| (h.index - first, h.gravity.unwrap().n))
        .collect()
}

#[tokio::test]
async fn rolled_or_not_the_hours_are_the_same() {
    let store = Store::new();
    let feed = store.claim("a", timed(), None).await;
    for minutes in [0, 1, 70, 200] {
        store.arrive(arrival("a", &measured(minutes, 1.1))).await;
    }
    let want = [(0, 2), (1, 1), (3, 1)];
    assert_eq!(store.reader.stale_hours().unwrap().len(), 3);
    assert_eq!(counts(&store, feed), want);
    for command in roll_stale(&store.reader, ALWAYS.1).unwrap() {
        store.run(command).await;
    }
    assert!(store.reader.stale_hours().unwrap().is_empty());
    assert_eq!(counts(&store, feed), want);
    assert!(roll_stale(&store.reader, ALWAYS.1).unwrap().is_empty());

    // Touched again, among hours that are rolled.
    store.arrive(arrival("a", &measured(71, 1.1))).await;
    store.arrive(arrival("a", &measured(130, 1.1))).await;
    assert_eq!(store.reader.stale_hours().unwrap().len(), 2);
    assert_eq!(counts(&store, feed), [(0, 2), (1, 2), (2, 1), (3, 1)]);
    // Whole hours, whatever part of them is asked for.
    let part = store.reader.hours(feed, at(65), at(66)).unwrap();
    assert_eq!(part[0].gravity.unwrap().n, 2);
    assert!(store.reader.hours(feed, at(65), at(65)).unwrap().is_empty());
}

#[tokio::test]
async fn a_reading_that_comes_while_its_hour_is_rolled_is_not_lost() {
    let store = Store::new();
    let feed = store.claim("a", timed(), None).await;
    store.arrive(arrival("a", &measured(0, 1.1))).await;
    let early = roll_stale(&store.reader, ALWAYS.1).unwrap();
    store.arrive(arrival("a", &measured(1, 1.1))).await;
    for command in early {
        store.run(command).await;
    }
    // It is packed with the other.
    assert!(store.reader.stale_hours().unwrap().is_empty());
    assert_eq!(counts(&store, feed), [(0, 2)]);
}

#[tokio::test]
async fn an_older_roll_does_not_replace_a_newer_one() {
    let store = Store::new();
    let feed = store.claim("a", timed(), None).await;
    store.arrive(arrival("a", &measured(0, 1.1))).await;
    let older = roll_stale(&store.reader, ALWAYS.1).unwrap();
    store.arrive(arrival("a", &measured(1, 1.1))).await;
    let newer = roll_stale(&store.reader, ALWAYS.1).unwrap();
    for command in newer.into_iter().chain(older) {
        store.run(command).await;
    }
    assert!(store.reader.stale_hours().unwrap().is_empty());
    assert_eq!(counts(&store, feed), [(0, 2)]);
}

#[tokio::test]
async fn a_roll_that_was_asked_for_before_a_reading_came_takes_it_along() {
    let store = Store::new();
    let feed = store.claim("a", timed(), None).await;
    for minutes in 0..5 {
        store.arrive(arrival("a", &measured(minutes, 1.1))).await;
    }
    let store = store.reopen().await;
    let early = roll_stale(&store.reader, ALWAYS.1).unwrap();
    store.arrive(arrival("a", &measured(9, 1.1))).await;
    for command in early {
        store.run(command).await;
    }
    assert_eq!(counts(&store, feed), [(0, 6)]);
}

#[tokio::test]
async fn an_hour_that_lost_its_readings_is_gone() {
    let store = Store::new();
    let feed = store.claim("a", timed(), None).await;
    store.arrive(arrival("a", &measured(0, 1.1))).await;
    for command in roll_stale(&store.reader, ALWAYS.1).unwrap() {
        store.run(command).await;
    }
    store
        .run(Command::Remap {
            feed,
            name: "a".into(),
            map: json(&[("/nothing", ebbmark_core::feed::Quantity::GravitySg)]),
        })
        .await;
    assert_eq!(counts(&store, feed), []);
    for command in roll_stale(&store.reader, ALWAYS.1).unwrap() {
        store.run(command).await;
    }
    assert_eq!(counts(&store, feed), []);
    assert_eq!(store.count("SELECT count(*) FROM hour"), 0);
}

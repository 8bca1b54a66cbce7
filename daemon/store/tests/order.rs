//! What must hold for any messages: order and repetition do not matter, and hours are what the
//! readings say.
#![expect(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

mod common;

use common::*;
use ebbmark_core::hours::{Hour, hour_index, roll};
use ebbmark_core::time::{Moment, Span};
use ebbmark_store::model::{Command, StoredReading};
use proptest::prelude::*;

/// Stores the messages in this order; some hours are rolled halfway.
async fn stored(messages: &[(i64, f64)]) -> (Vec<StoredReading>, Vec<Hour>, Option<Moment>) {
    let store = Store::new();
    let feed = store.claim("a", timed(), None).await;
    let mut waiters = Vec::new();
    for (n, (minutes, gravity)) in messages.iter().enumerate() {
        let message = arrival("a", &measured(*minutes, *gravity));
        waiters.push(store.writer.arrive(message).await.unwrap());
        if n == messages.len() / 2 {
            for command in ebbmark_store::hours::roll_stale(&store.reader, ALWAYS.1).unwrap() {
                store.run(command).await;
            }
        }
    }
    for waiter in waiters {
        waiter.await.unwrap().unwrap();
    }
    let (from, to) = (T0, T0 + Span::days(2));
    (
        store.reader.readings(feed, from, to).unwrap(),
        store.reader.hours(feed, from, to).unwrap(),
        store.reader.feed(feed).unwrap().unwrap().last_reading,
    )
}

/// (minutes after T0, gravity).
type Sent = Vec<(i64, f64)>;

/// Distinct instants, each with one gravity, and the same with repetitions and shuffled.
fn messages() -> impl Strategy<Value = (Sent, Sent)> {
    proptest::collection::btree_map(0i64..600, 0.99f64..1.15, 1..40).prop_flat_map(|once| {
        let once: Sent = once.into_iter().collect();
        let repeats = proptest::collection::vec(proptest::sample::select(once.clone()), 0..20);
        let shuffled = repeats.prop_map({
            let once = once.clone();
            move |more| once.iter().copied().chain(more).collect::<Sent>()
        });
        (Just(once), shuffled.prop_shuffle())
    })
}

/// The hours of a vessel, straight from its readings.
fn rolled(readings: &[StoredReading]) -> Vec<Hour> {
    readings
        .chunk_by(|a, b| hour_index(a.at) == hour_index(b.at))
        .filter_map(|hour| {
            let index = hour_index(hour[0].at);
            let hour: Vec<_> = hour
                .iter()
                .map(|r| (r.at, r.gravity, r.temperature))
                .collect();
            roll(index, &hour)
        })
        .collect()
}

/// A float that moves between two vessels, or lies on the shelf, at the given minutes; hours
/// rolled after the message with this number. Gives (hours, hours from the readings).
async fn moved(
    messages: &[(i64, f64)],
    moves: &[(i64, u8)],
    roll_after: usize,
    asked: (i64, i64),
) -> Vec<(Vec<Hour>, Vec<Hour>)> {
    let store = Store::new();
    let vessels = [store.vessel("a").await, store.vessel("b").await];
    let feed = store.claim("t", timed(), None).await;
    for (minutes, to) in moves {
        let assign = Command::Assign {
            feed,
            vessel: vessels.get(usize::from(*to)).copied(),
            at: at(*minutes),
        };
        store.run(assign).await;
    }
    for (n, (minutes, gravity)) in messages.iter().enumerate() {
        store
            .arrive(arrival("t", &measured(*minutes, *gravity)))
            .await;
        if n == roll_after {
            for command in ebbmark_store::hours::roll_stale(&store.reader, ALWAYS.1).unwrap() {
                store.run(command).await;
            }
        }
    }
    let (from, to) = (at(asked.0), at(asked.1));
    vessels
        .iter()
        .map(|v| {
            let readings = store.reader.vessel_readings(*v, from, to).unwrap();
            let hours = store.reader.vessel_hours(*v, from, to).unwrap();
            (hours, rolled(&readings))
        })
        .collect()
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn order_and_repetition_do_not_matter((once, shuffled) in messages()) {
        let runtime = tokio::runtime::Builder::new_current_thread().build().unwrap();
        let want = runtime.block_on(stored(&once));
        prop_assert_eq!(want.0.len(), once.len());
        let got = runtime.block_on(stored(&shuffled));
        prop_assert_eq!(got, want);
    }

    #[test]
    fn the_hours_of_a_vessel_are_those_of_its_readings(
        messages in proptest::collection::vec((0i64..400, 0.99f64..1.15), 1..25),
        moves in proptest::collection::vec((-10i64..420, 0u8..3), 0..6),
        roll_after in 0usize..25,
        asked in (-10i64..420, -10i64..420),
    ) {
        let runtime = tokio::runtime::Builder::new_current_thread().build().unwrap();
        for (hours, want) in runtime.block_on(moved(&messages, &moves, roll_after, asked)) {
            prop_assert_eq!(hours, want);
        }
    }
}

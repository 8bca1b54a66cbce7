//! Messages that say when they measured may come in any order, any number of times.
#![expect(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

mod common;

use common::*;
use ebbmark_core::hours::Hour;
use ebbmark_core::time::{Moment, Span};
use ebbmark_store::model::StoredReading;
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
            for command in ebbmark_store::hours::roll_stale(&store.reader).unwrap() {
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
}

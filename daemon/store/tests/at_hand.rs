//! What readers keep in memory is what stands in the database, whatever happens between two questions.
#![expect(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

mod common;

use common::*;
use ebbmark_core::feed::Quantity;
use ebbmark_core::ids::FeedId;
use ebbmark_core::time::Span;
use ebbmark_core::units::Gravity;
use ebbmark_store::hours::roll_stale;
use ebbmark_store::model::{Command, ImportRow};
use proptest::prelude::*;
use tokio::runtime::Runtime;

#[derive(Clone, Debug)]
enum Step {
    /// A reading of one of the floats at some minute.
    Comes(usize, i64),
    /// What lies before that minute is packed.
    Packs(i64),
    /// A feed is read again, by a map that finds the values or by one that does not.
    Remaps(usize, bool),
    Imports(i64),
    Asks(i64, i64),
}

fn step() -> impl Strategy<Value = Step> {
    let minute = 0..600i64;
    prop_oneof![
        6 => (0..2usize, minute.clone()).prop_map(|(float, at)| Step::Comes(float, at)),
        2 => minute.clone().prop_map(Step::Packs),
        1 => (0..2usize, any::<bool>()).prop_map(|(float, finds)| Step::Remaps(float, finds)),
        1 => minute.clone().prop_map(Step::Imports),
        4 => (minute.clone(), minute).prop_map(|(a, b)| Step::Asks(a.min(b), a.max(b))),
    ]
}

const FLOATS: [&str; 2] = ["a", "b"];

async fn happens(store: &Store, feeds: &[FeedId], step: &Step) {
    match step {
        Step::Comes(float, minute) => {
            let payload = measured(*minute, 1.0 + *minute as f64 * 1e-4);
            store.arrive(arrival(FLOATS[*float], &payload)).await;
        }
        Step::Packs(until) => {
            for command in roll_stale(&store.reader, at(*until)).unwrap() {
                store.run(command).await;
            }
        }
        Step::Remaps(float, finds) => {
            let map = if *finds {
                timed()
            } else {
                json(&[("/nothing", Quantity::GravitySg)])
            };
            let name = FLOATS[*float].into();
            let feed = feeds[*float];
            store.run(Command::Remap { feed, name, map }).await;
        }
        Step::Imports(minute) => {
            let vessel = store.reader.vessels().unwrap()[0].id;
            let rows = vec![ImportRow {
                at: at(*minute),
                gravity: Gravity::new(1.05).ok(),
                temperature: None,
            }];
            store.run(Command::Import { vessel, rows }).await;
        }
        Step::Asks(from, to) => same(store, at(*from), at(*to)),
    }
}

/// The reader that was there all along says what one says that was just opened.
fn same(store: &Store, from: ebbmark_core::time::Moment, to: ebbmark_core::time::Moment) {
    let anew = ebbmark_store::read(&store.path).unwrap();
    let feeds: Vec<FeedId> = anew.feeds().unwrap().iter().map(|f| f.id).collect();
    assert!(feeds.len() >= FLOATS.len());
    for feed in feeds {
        assert_eq!(
            store.reader.readings(feed, from, to).unwrap(),
            anew.readings(feed, from, to).unwrap()
        );
        for until in [to, to + Span::days(1)] {
            assert_eq!(
                store.reader.hours(feed, from, until).unwrap(),
                anew.hours(feed, from, until).unwrap()
            );
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 24, ..ProptestConfig::default() })]

    #[test]
    fn it_is_what_stands_in_the_database(steps in prop::collection::vec(step(), 1..40)) {
        Runtime::new().unwrap().block_on(async {
            let store = Store::new();
            let vessel = store.vessel("Jar").await;
            let mut feeds = Vec::new();
            for float in FLOATS {
                feeds.push(store.claim(float, timed(), Some(vessel)).await);
            }
            for step in &steps {
                happens(&store, &feeds, step).await;
            }
            same(&store, T0, T0 + Span::days(1));
        });
    }
}

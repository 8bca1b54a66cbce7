//! Whatever becomes of notices, none is lost: each goes out, waits, is given up after its tries, or was
//! answered before it went.

#![expect(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

mod common;

use std::collections::BTreeMap;

use ebbmark_core::ids::NoticeId;
use ebbmark_core::notice::NoticeKind;
use ebbmark_core::time::{Moment, Span};
use ebbmark_store::model::{Command, DeliveryOutcome, DeliveryState, Done, NewNotice, Notice};
use proptest::prelude::*;

use common::{Store, at};

const WAYS: [&str; 2] = ["mail", "bell"];

/// What happens next, to one of three conditions.
#[derive(Clone, Copy, Debug)]
enum Step {
    Comes(usize),
    Ends(usize),
    Seen(usize),
    Later(usize),
    ToldAgain,
    /// All that is due by one way is tried.
    Tried(usize, Outcome),
    Restarted,
}

#[derive(Clone, Copy, Debug)]
enum Outcome {
    Taken,
    PutOff,
    GivenUp,
}

fn step() -> impl Strategy<Value = Step> {
    let outcome = prop_oneof![
        Just(Outcome::Taken),
        Just(Outcome::PutOff),
        Just(Outcome::GivenUp)
    ];
    prop_oneof![
        3 => (0..3_usize).prop_map(Step::Comes),
        1 => (0..3_usize).prop_map(Step::Ends),
        1 => (0..3_usize).prop_map(Step::Seen),
        1 => (0..3_usize).prop_map(Step::Later),
        1 => Just(Step::ToldAgain),
        3 => (0..WAYS.len(), outcome).prop_map(|(way, outcome)| Step::Tried(way, outcome)),
        1 => Just(Step::Restarted),
    ]
}

fn new(which: usize, now: Moment) -> NewNotice {
    let kind = [
        NoticeKind::Restarted,
        NoticeKind::Stuck,
        NoticeKind::FeedSilent,
    ][which];
    NewNotice {
        kind,
        key: key(which),
        vessel: None,
        at: now,
        title: "title".into(),
        body: "body".into(),
        pressing: which == 0,
        channels: WAYS.map(str::to_owned).to_vec(),
    }
}

fn key(which: usize) -> String {
    format!("condition:{which}")
}

/// How often each delivery went out, by the one who takes it.
type Taken = BTreeMap<(NoticeId, String), u32>;

async fn tried(store: &Store, way: &str, outcome: Outcome, now: Moment, taken: &mut Taken) {
    for due in store.reader.due(now, 100).unwrap() {
        if due.channel != way {
            continue;
        }
        let attempt = match outcome {
            Outcome::Taken => {
                *taken
                    .entry((due.notice.id, due.channel.clone()))
                    .or_default() += 1;
                DeliveryOutcome::Sent { at: now }
            }
            Outcome::PutOff => DeliveryOutcome::Retry {
                next: now + Span::minutes(1),
                error: "busy".into(),
            },
            Outcome::GivenUp => DeliveryOutcome::GivenUp {
                at: now,
                error: "no such address".into(),
            },
        };
        let command = Command::Delivered {
            notice: due.notice.id,
            channel: due.channel,
            attempt,
        };
        store.run(command).await;
    }
}

fn open(store: &Store, which: usize) -> Option<Notice> {
    let standing = store.reader.standing().unwrap();
    standing.into_iter().find(|n| n.key == key(which))
}

async fn run(steps: &[Step]) {
    let mut store = Store::new();
    let (mut taken, mut answered) = (Taken::new(), Vec::new());
    let mut now = at(0);
    for step in steps {
        now = now + Span::minutes(7);
        match *step {
            Step::Comes(which) => {
                let stood = open(&store, which).is_some();
                let done = store.run(Command::Notify(vec![new(which, now)])).await;
                let Done::Notices(made) = done else {
                    panic!("{done:?}")
                };
                assert_eq!(
                    made.len(),
                    usize::from(!stood),
                    "told of once while it stands"
                );
            }
            Step::Ends(which) => {
                let clear = Command::Clear {
                    key: key(which),
                    at: now,
                };
                store.run(clear).await;
            }
            Step::Seen(which) | Step::Later(which) => {
                let later = matches!(step, Step::Later(_));
                if let Some(notice) = open(&store, which) {
                    answered.push(notice.id);
                    let answer = Command::AnswerNotice {
                        notice: notice.id,
                        again: later.then(|| now + Span::minutes(20)),
                        at: now,
                    };
                    store.run(answer).await;
                }
            }
            Step::ToldAgain => {
                for notice in store.reader.to_tell_again(now).unwrap() {
                    assert!(notice.cleared.is_none() && notice.seen.is_none());
                    let again = Command::TellAgain {
                        notice: notice.id,
                        channels: WAYS.map(str::to_owned).to_vec(),
                        at: now,
                    };
                    store.run(again).await;
                }
            }
            Step::Tried(way, outcome) => tried(&store, WAYS[way], outcome, now, &mut taken).await,
            Step::Restarted => store = store.reopen().await,
        }
        for notice in store.reader.notices(100).unwrap() {
            assert_eq!(notice.deliveries.len(), WAYS.len(), "none is forgotten");
            for delivery in &notice.deliveries {
                let went = taken.contains_key(&(notice.id, delivery.channel.clone()));
                match delivery.state {
                    DeliveryState::Sent { .. } => assert!(went),
                    DeliveryState::Withdrawn { .. } => assert!(answered.contains(&notice.id)),
                    DeliveryState::Queued { .. } => {
                        assert!(notice.seen.is_none(), "what he has seen is not told");
                    }
                    DeliveryState::GivenUp { .. } => assert!(delivery.last_error.is_some()),
                }
            }
        }
    }
    // Whatever waits goes out in the end, and then nothing waits.
    let end = now + Span::days(3);
    for way in WAYS {
        tried(&store, way, Outcome::Taken, end, &mut taken).await;
    }
    assert_eq!(store.reader.due(end, 100).unwrap(), []);
    for notice in store.reader.notices(100).unwrap() {
        for delivery in &notice.deliveries {
            let went = taken.get(&(notice.id, delivery.channel.clone())).copied();
            let told = went.unwrap_or_default();
            assert!(told <= notice.times + 1, "once for each time it was told");
            let ended = matches!(
                delivery.state,
                DeliveryState::Withdrawn { .. } | DeliveryState::GivenUp { .. }
            );
            assert!(told > 0 || ended);
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(20))]

    #[test]
    fn none_is_lost_and_none_goes_twice(steps in proptest::collection::vec(step(), 1..40)) {
        let runtime = tokio::runtime::Builder::new_current_thread().enable_all().build();
        runtime.expect("a runtime").block_on(run(&steps));
    }
}

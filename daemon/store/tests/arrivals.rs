//! What becomes of messages.
#![expect(clippy::unwrap_used, reason = "a test that cannot go on has failed")]

mod common;

use common::*;
use ebbmark_core::feed::{FeedMap, Format, Quantity};
use ebbmark_core::reading::ProblemKind;
use ebbmark_core::time::{Moment, Span};
use ebbmark_store::model::{Change, Command};

#[tokio::test]
async fn a_claimed_topic_is_read_and_told() {
    let store = Store::new();
    let vessel = store.vessel("carboy 1").await;
    let feed = store.claim("a", timed(), Some(vessel)).await;
    let mut changes = store.writer.changes();

    let receipt = store.arrive(arrival("a", &measured(0, 1.1))).await;

    assert!(receipt.raw.is_some());
    assert_eq!(receipt.feed, Some(feed));
    assert_eq!(receipt.vessel, Some(vessel));
    assert_eq!((receipt.readings, receipt.problems), (1, 0));
    assert_eq!(store.gravities(feed), [(0, 1.1)]);
    assert_eq!(
        changes.recv().await.unwrap(),
        Change::Readings {
            feed,
            vessel: Some(vessel),
            from: T0
        }
    );
    let shown = store.reader.feed(feed).unwrap().unwrap();
    assert_eq!(shown.last_reading, Some(T0));
    assert_eq!(shown.last_gravity.map(|g| g.get()), Some(1.1));
    assert_eq!(shown.readings, 1);
    assert_eq!(shown.vessel, Some(vessel));
}

#[tokio::test]
async fn a_reading_sent_twice_is_one_and_another_value_does_not_replace_it() {
    let store = Store::new();
    let feed = store.claim("a", timed(), None).await;
    store.arrive(arrival("a", &measured(0, 1.1))).await;

    let again = store.arrive(arrival("a", &measured(0, 1.1))).await;
    assert_eq!((again.readings, again.problems), (0, 1));
    let other = store.arrive(arrival("a", &measured(0, 1.2))).await;
    assert_eq!((other.readings, other.problems), (0, 1));

    assert_eq!(store.gravities(feed), [(0, 1.1)]);
    assert_eq!(store.problem_count(ProblemKind::Duplicate), 1);
    assert_eq!(store.problem_count(ProblemKind::Conflict), 1);
    // All three payloads are kept.
    assert_eq!(store.count("SELECT count(*) FROM raw"), 3);
}

#[tokio::test]
async fn readings_timed_by_arrival_in_one_millisecond_are_all_kept() {
    let store = Store::new();
    let feed = store.claim("a", untimed(), None).await;
    let payload = |i: i64| format!(r#"{{"g": {}}}"#, 1.05 + i as f64 * 0.001);
    for i in 0..4 {
        let receipt = store.arrive(arrival_at("a", &payload(i), Some(T0))).await;
        assert_eq!((receipt.readings, receipt.problems), (1, 0));
    }
    // The instants after T0 are taken; one that came before them is not pushed behind them.
    store
        .arrive(arrival_at("a", &payload(9), Some(T0 - Span(1))))
        .await;
    let store = store.reopen().await;
    store
        .arrive(arrival_at("a", &payload(4), Some(T0 + Span(1))))
        .await;
    let at: Vec<i64> = store.gravities(feed).iter().map(|(at, _)| *at).collect();
    assert_eq!(at, [-1, 0, 1, 2, 3, 4]);
}

#[tokio::test]
async fn one_bad_field_does_not_hide_the_rest() {
    let store = Store::new();
    let map = json(&[
        ("/g", Quantity::GravitySg),
        ("/c", Quantity::TemperatureCelsius),
    ]);
    let feed = store.claim("a", map, None).await;
    let receipt = store.arrive(arrival("a", r#"{"g": 7, "c": 18.5}"#)).await;
    assert_eq!((receipt.readings, receipt.problems), (1, 1));
    let problems = store.reader.problems().unwrap();
    assert_eq!(problems.len(), 1);
    assert_eq!(problems[0].kind, ProblemKind::OutOfRange);
    assert_eq!(problems[0].feed, Some(feed));
    assert!(problems[0].detail.contains("/g"), "{}", problems[0].detail);
    let shown = store.reader.feed(feed).unwrap().unwrap();
    assert_eq!(shown.last_temperature.map(|t| t.get()), Some(18.5));
    assert_eq!(shown.last_gravity, None);
}

#[tokio::test]
async fn a_redelivery_is_recognised_across_a_restart() {
    let store = Store::new();
    store.claim("a", untimed(), None).await;
    let payload = r#"{"g": 1.08}"#;
    let first = store.arrive(delivered("a", payload, 7, false)).await;
    assert!(first.raw.is_some());
    let store = store.reopen().await;

    let repeat = store.arrive(delivered("a", payload, 7, true)).await;
    assert_eq!(repeat.raw, None);
    assert_eq!((repeat.readings, repeat.problems), (0, 1));
    assert_eq!(store.problem_count(ProblemKind::Duplicate), 1);
    assert_eq!(store.count("SELECT count(*) FROM raw"), 1);

    // Not a repeat of anything stored: another packet id, another payload, another peer; and
    // one equal in all that does not say it is a repeat.
    let mut other_peer = delivered("a", payload, 7, true);
    if let Some(delivery) = &mut other_peer.delivery {
        delivery.peer = "float-2".into();
    }
    for message in [
        delivered("a", payload, 8, true),
        delivered("a", r#"{"g": 1.081}"#, 7, true),
        other_peer,
        delivered("a", payload, 7, false),
    ] {
        assert!(store.arrive(message).await.raw.is_some());
    }
    assert_eq!(store.count("SELECT count(*) FROM raw"), 5);
}

#[tokio::test]
async fn a_kept_copy_is_no_reading_of_now_and_no_sign_of_life() {
    let store = Store::new();
    let timeless = store.claim("a", untimed(), None).await;
    let own = store.claim("b", timed(), None).await;
    let away = Command::WentAway {
        source: "intake".into(),
        topics: vec!["a".into()],
        at: T0,
    };
    store.run(away).await;
    let kept = |topic: &str, payload: &str| {
        let mut message = arrival(topic, payload);
        message.retained = true;
        message
    };
    let receipt = store.arrive(kept("a", r#"{"g": 1.08}"#)).await;
    assert_eq!((receipt.readings, receipt.problems), (0, 1));
    assert_eq!(store.problem_count(ProblemKind::BadTime), 1);
    let shown = store.reader.feed(timeless).unwrap().unwrap();
    assert_eq!(shown.went_away, Some(T0));
    let receipt = store.arrive(kept("b", &measured(0, 1.1))).await;
    assert_eq!((receipt.readings, receipt.problems), (1, 0));
    assert_eq!(store.gravities(own), [(0, 1.1)]);

    // Reading it again makes it no younger.
    let remap = Command::Remap {
        feed: timeless,
        name: "a".into(),
        map: untimed(),
    };
    store.run(remap).await;
    assert!(store.gravities(timeless).is_empty());
    store.arrive(arrival("a", r#"{"g": 1.07}"#)).await;
    let shown = store.reader.feed(timeless).unwrap().unwrap();
    assert_eq!((shown.went_away, shown.readings), (None, 1));
}

#[tokio::test]
async fn only_the_latest_use_of_a_packet_id_can_be_repeated() {
    let store = Store::new();
    let feed = store.claim("a", untimed(), None).await;
    // A float that always uses packet id 1 comes back to an earlier value with a message that
    // did not reach us the first time.
    let (high, low) = (r#"{"g": 1.08}"#, r#"{"g": 1.07}"#);
    store.arrive(delivered("a", high, 1, false)).await;
    store.arrive(delivered("a", low, 1, false)).await;
    let new = store.arrive(delivered("a", high, 1, true)).await;
    assert!(new.raw.is_some());
    let repeat = store.arrive(delivered("a", high, 1, true)).await;
    assert_eq!(repeat.raw, None);
    assert_eq!(store.gravities(feed).len(), 3);
}

#[tokio::test]
async fn a_repeat_is_looked_for_only_among_the_latest() {
    let store = Store::new();
    store.claim("a", untimed(), None).await;
    store
        .arrive(delivered("a", r#"{"g": 1.08}"#, 7, false))
        .await;
    let mut others = Vec::new();
    for i in 0..1023 {
        let other = delivered("a", r#"{"g": 1.07}"#, 100 + i, false);
        others.push(store.writer.arrive(other).await.unwrap());
    }
    for other in others {
        other.await.unwrap().unwrap();
    }
    let repeat = store
        .arrive(delivered("a", r#"{"g": 1.08}"#, 7, true))
        .await;
    assert_eq!(repeat.raw, None, "1024 back");
    store
        .arrive(delivered("a", r#"{"g": 1.07}"#, 2000, false))
        .await;
    let new = store
        .arrive(delivered("a", r#"{"g": 1.08}"#, 7, true))
        .await;
    assert!(new.raw.is_some(), "1025 back");
}

#[tokio::test]
async fn an_unclaimed_topic_keeps_its_latest_payloads() {
    let store = Store::new();
    for i in 0..25 {
        let receipt = store.arrive(arrival("new", &i.to_string())).await;
        assert_eq!(receipt.feed, None);
    }
    let unclaimed = store.reader.unclaimed().unwrap();
    assert_eq!(unclaimed.len(), 1);
    assert_eq!(unclaimed[0].count, 25);
    assert_eq!(unclaimed[0].last, Some(T0 + Span::days(1)));
    let kept: Vec<String> = unclaimed[0]
        .payloads
        .iter()
        .map(|p| String::from_utf8(p.clone()).unwrap())
        .collect();
    let want: Vec<String> = (5..25).rev().map(|i| i.to_string()).collect();
    assert_eq!(kept, want);
}

#[tokio::test]
async fn too_many_unclaimed_topics_lose_the_one_heard_longest_ago() {
    let store = Store::new();
    let feed = store.claim("mine", untimed(), None).await;
    let waiters: Vec<_> = {
        let mut waiters = Vec::new();
        for i in 0..200 {
            let message = arrival(&format!("t{i}"), "1");
            waiters.push(store.writer.arrive(message).await.unwrap());
        }
        waiters
    };
    for waiter in waiters {
        waiter.await.unwrap().unwrap();
    }
    store.arrive(arrival("t0", "2")).await;
    assert_eq!(store.reader.unclaimed_dropped().unwrap(), 0);
    store.arrive(arrival("one more", "3")).await;

    let topics: Vec<String> = store
        .reader
        .unclaimed()
        .unwrap()
        .into_iter()
        .map(|u| u.topic)
        .collect();
    assert_eq!(topics.len(), 200);
    assert_eq!(topics[..2], ["one more", "t0"]);
    assert!(!topics.contains(&"t1".to_owned()));
    assert_eq!(store.reader.unclaimed_dropped().unwrap(), 1);
    // A claimed topic never makes room.
    assert!(store.reader.feed(feed).unwrap().is_some());
    // The one dropped may come again.
    store.arrive(arrival("t1", "4")).await;
    assert_eq!(store.reader.unclaimed().unwrap()[0].topic, "t1");
}

#[tokio::test]
async fn a_large_payload_is_kept_only_for_a_claimed_topic() {
    let store = Store::new();
    store.claim("mine", untimed(), None).await;
    let large = format!(r#"{{"g": 1.05, "x": "{}"}}"#, "x".repeat(64 * 1024));
    let receipt = store.arrive(arrival("new", &large)).await;
    assert_eq!((receipt.raw, receipt.problems), (None, 1));
    assert!(store.reader.unclaimed().unwrap().is_empty());
    let problems = store.reader.problems().unwrap();
    assert_eq!(
        (problems[0].topic.as_str(), problems[0].feed),
        ("new", None)
    );
    let receipt = store.arrive(arrival("mine", &large)).await;
    assert_eq!(receipt.readings, 1);
}

#[tokio::test]
async fn counts_of_problems_on_invented_topics_are_bounded() {
    let store = Store::new();
    store.claim("mine", untimed(), None).await;
    store.arrive(arrival("mine", "not json")).await;
    let mut tasks = Vec::new();
    for i in 0..450 {
        let writer = store.writer.clone();
        tasks.push(tokio::spawn(async move {
            let refused = Command::Refused {
                source: "http".into(),
                topic: format!("invented {i}"),
                kind: ProblemKind::Unreadable,
                detail: "too large".into(),
                at: at(10_000 + i),
            };
            writer.command(refused).await.unwrap()
        }));
    }
    for task in tasks {
        task.await.unwrap();
    }
    let problems = store.reader.problems().unwrap();
    assert_eq!(problems.len(), 401);
    assert!(problems.iter().any(|p| p.topic == "mine"));
    assert_eq!(problems[0].topic, "invented 449");
    assert!(!problems.iter().any(|p| p.topic == "invented 49"));
}

#[tokio::test]
async fn claiming_reads_what_was_kept() {
    let store = Store::new();
    let vessel = store.vessel("carboy 1").await;
    for i in 0..3 {
        store.arrive(arrival("a", &measured(i, 1.1))).await;
    }
    let feed = store.claim("a", timed(), Some(vessel)).await;
    assert_eq!(store.gravities(feed).len(), 3);
    assert!(store.reader.unclaimed().unwrap().is_empty());
    let (from, to) = ALWAYS;
    let of_vessel = store.reader.vessel_readings(vessel, from, to).unwrap();
    assert_eq!(of_vessel.len(), 3);
    // And goes on reading.
    let receipt = store.arrive(arrival("a", &measured(3, 1.1))).await;
    assert_eq!((receipt.feed, receipt.readings), (Some(feed), 1));

    let why = store.refused(claim("a", timed(), None)).await;
    assert!(why.contains("already read as the feed \"feed a\""), "{why}");
}

#[tokio::test]
async fn a_retired_feed_is_brought_back_by_a_claim_with_all_it_was_sent() {
    let store = Store::new();
    let (old, new) = (store.vessel("old").await, store.vessel("new").await);
    let feed = store.claim("a", timed(), Some(old)).await;
    store.arrive(arrival("a", &measured(0, 1.1))).await;
    store.run(Command::RetireFeed(feed)).await;

    let receipt = store.arrive(arrival("a", &measured(1, 1.09))).await;
    assert_eq!((receipt.feed, receipt.readings), (Some(feed), 0));
    assert!(receipt.raw.is_some());
    assert_eq!(store.gravities(feed), [(0, 1.1)]);

    assert_eq!(store.claim("a", timed(), Some(new)).await, feed);
    assert_eq!(store.gravities(feed), [(0, 1.1), (60_000, 1.09)]);
    let (from, to) = ALWAYS;
    let at = |vessel| -> Vec<Moment> {
        let readings = store.reader.vessel_readings(vessel, from, to).unwrap();
        readings.iter().map(|r| r.at).collect()
    };
    assert_eq!(at(old), [T0]);
    assert_eq!(at(new), [T0 + Span::minutes(1)]);
    assert!(!store.reader.feed(feed).unwrap().unwrap().retired);
}

#[tokio::test]
async fn another_map_reads_everything_again() {
    let store = Store::new();
    let map = json(&[("/t", Quantity::Time), ("/p", Quantity::GravityPlato)]);
    let feed = store.claim("a", map, None).await;
    for i in 0..3 {
        store.arrive(arrival("a", &measured(i, 1.1))).await;
    }
    assert_eq!(store.problem_count(ProblemKind::Missing), 3);
    assert!(store.gravities(feed).is_empty());

    store
        .run(Command::Remap {
            feed,
            name: "renamed".into(),
            map: timed(),
        })
        .await;
    assert_eq!(store.gravities(feed).len(), 3);
    assert_eq!(store.problem_count(ProblemKind::Missing), 0);
    let shown = store.reader.feed(feed).unwrap().unwrap();
    assert_eq!((shown.name.as_str(), shown.readings), ("renamed", 3));
    assert_eq!(shown.last_gravity.map(|g| g.get()), Some(1.1));

    // Read as something else, what was read before is gone, hours included.
    let first = (T0, T0 + Span::hours(1));
    assert_eq!(store.reader.hours(feed, first.0, first.1).unwrap().len(), 1);
    for command in ebbmark_store::hours::roll_stale(&store.reader, ALWAYS.1).unwrap() {
        store.run(command).await;
    }
    store
        .run(Command::Remap {
            feed,
            name: "renamed".into(),
            map: FeedMap {
                format: Format::Number {
                    quantity: Quantity::GravitySg,
                },
                tilt_polynomial: Vec::new(),
            },
        })
        .await;
    assert!(store.gravities(feed).is_empty());
    assert!(
        store
            .reader
            .hours(feed, first.0, first.1)
            .unwrap()
            .is_empty()
    );
    let shown = store.reader.feed(feed).unwrap().unwrap();
    assert_eq!((shown.readings, shown.last_gravity), (0, None));
}

#[tokio::test]
async fn readings_wait_for_a_clock_that_can_be_believed() {
    let store = Store::new();
    let vessel = store.vessel("carboy 1").await;
    let own = store.claim("own", timed(), Some(vessel)).await;
    let none = store.claim("none", untimed(), Some(vessel)).await;
    let undated = |topic: &str, payload: &str, monotonic_ms| {
        let mut message = arrival_at(topic, payload, None);
        message.stamp.monotonic_ms = monotonic_ms;
        message
    };
    let receipt = store.arrive(undated("own", &measured(0, 1.1), 10)).await;
    assert_eq!((receipt.readings, receipt.waits_for_time), (0, true));
    let receipt = store.arrive(undated("none", r#"{"g": 1.09}"#, 20)).await;
    assert_eq!((receipt.readings, receipt.waits_for_time), (0, true));
    assert_eq!(store.reader.undated().unwrap(), 2);
    assert_eq!(store.reader.feed(none).unwrap().unwrap().undated, 1);
    assert_eq!(store.reader.latest_instant().unwrap(), None);

    let offset_ms = (T0 + Span::minutes(5)).0;
    let why = store.refused(Command::Redate { offset_ms: 0 }).await;
    assert!(why.contains("1970"), "{why}");
    store.run(Command::Redate { offset_ms }).await;

    assert_eq!(store.gravities(none), [(300_020, 1.09)]);
    assert_eq!(store.gravities(own), [(0, 1.1)]);
    assert_eq!(store.reader.undated().unwrap(), 0);
    assert_eq!(
        store.reader.latest_instant().unwrap(),
        Some(Moment(offset_ms + 20))
    );
    assert!(store.reader.problems().unwrap().is_empty());
    // One that was stamped before the clock was known and queued after it.
    let receipt = store.arrive(undated("none", r#"{"g": 1.08}"#, 30)).await;
    assert_eq!((receipt.readings, receipt.waits_for_time), (1, false));
    assert_eq!(store.gravities(none)[1], (300_030, 1.08));
}

#[tokio::test]
async fn an_earlier_run_is_not_dated_by_this_one() {
    let store = Store::new();
    let feed = store.claim("a", untimed(), None).await;
    store.arrive(arrival_at("a", r#"{"g": 1.09}"#, None)).await;
    // One nobody has claimed yet waits as well, once it is claimed.
    store.arrive(arrival_at("b", r#"{"g": 1.07}"#, None)).await;
    let store = store.reopen().await;
    store.run(Command::Redate { offset_ms: T0.0 }).await;
    assert!(store.gravities(feed).is_empty());
    assert_eq!(store.reader.undated().unwrap(), 1);
    let other = store.claim("b", untimed(), None).await;
    assert_eq!(store.reader.undated().unwrap(), 2);
    assert_eq!(store.reader.feed(other).unwrap().unwrap().undated, 1);
}

#[tokio::test]
async fn dating_counts_no_problem_twice() {
    let store = Store::new();
    let map = json(&[
        ("/g", Quantity::GravitySg),
        ("/c", Quantity::TemperatureCelsius),
    ]);
    let feed = store.claim("a", map, None).await;
    store
        .arrive(arrival_at("a", r#"{"g": 1.09, "c": "warm"}"#, None))
        .await;
    assert_eq!(store.problem_count(ProblemKind::WrongType), 1);
    store.run(Command::Redate { offset_ms: T0.0 }).await;
    assert_eq!(store.gravities(feed).len(), 1);
    assert_eq!(store.problem_count(ProblemKind::WrongType), 1);
}

#[tokio::test]
async fn a_device_that_went_away_is_back_with_its_next_message() {
    let store = Store::new();
    let feed = store.claim("a", untimed(), None).await;
    store
        .run(Command::WentAway {
            source: "intake".into(),
            topics: vec!["a".into(), "nobody's".into()],
            at: T0,
        })
        .await;
    let went = |store: &Store| store.reader.feed(feed).unwrap().unwrap().went_away;
    assert_eq!(went(&store), Some(T0));
    let store = store.reopen().await;
    assert_eq!(went(&store), Some(T0));
    store.arrive(arrival("a", r#"{"g": 1.09}"#)).await;
    assert_eq!(went(&store), None);
}

#[tokio::test]
async fn messages_out_of_order_leave_the_picture_of_the_latest() {
    let store = Store::new();
    let feed = store.claim("a", timed(), None).await;
    for minutes in [5, 9, 1] {
        let gravity = 1.1 - minutes as f64 * 0.001;
        store
            .arrive(arrival("a", &measured(minutes, gravity)))
            .await;
    }
    let check = |store: &Store| {
        let shown = store.reader.feed(feed).unwrap().unwrap();
        assert_eq!(shown.last_reading, Some(at(9)));
        assert_eq!(shown.last_gravity.map(|g| g.get()), Some(1.1 - 0.009));
        assert_eq!(shown.readings, 3);
    };
    check(&store);
    let store = store.reopen().await;
    store.arrive(arrival("a", &measured(9, 1.5))).await;
    check(&store);
}

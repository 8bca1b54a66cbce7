//! Hand readings that come as messages.

#[cfg(test)]
mod common;

use common::{ALWAYS, Store, T0, arrival_at, batch_facts, untimed};
use ebbmark_core::density::correct_hand_reading;
use ebbmark_core::ids::VesselId;
use ebbmark_core::reading::ProblemKind;
use ebbmark_core::time::Span;
use ebbmark_core::units::{Celsius, Gravity};
use ebbmark_store::model::{Arrival, BatchFacts, Command, Delivery, Done, Receipt};

/// A vessel with a mead of original gravity 1.100 in it.
#[cfg(test)]
async fn vessel(store: &Store, name: &str) -> VesselId {
    let vessel = store.vessel(name).await;
    let facts = BatchFacts {
        original_gravity: Some(Gravity::new(1.100).unwrap()),
        ..batch_facts("Invented")
    };
    store.run(Command::StartBatch { vessel, facts }).await;
    vessel
}

async fn send(store: &Store, topic: &str, payload: &str, delivery: Option<Delivery>) -> Receipt {
    let arrival = Arrival {
        delivery,
        ..arrival_at(topic, payload, Some(T0))
    };
    store.arrive(arrival).await
}

fn packet(repeat: bool) -> Option<Delivery> {
    Some(Delivery {
        peer: "phone".into(),
        packet_id: 1,
        repeat,
    })
}

#[tokio::test]
async fn it_goes_into_the_log_corrected() {
    let store = Store::new();
    let vessel = vessel(&store, "North cask").await;
    let text = r#"[{"bn":"x:","n":"gravity","v":1.010},{"n":"temperature","u":"Cel","v":30}]"#;
    let receipt = send(&store, "cellar/north CASK/hand", text, None).await;
    assert_eq!(
        (receipt.vessel, receipt.readings, receipt.problems),
        (Some(vessel), 1, 0)
    );
    let log = store.reader.log(vessel, ALWAYS.0, ALWAYS.1).unwrap();
    assert_eq!(log.len(), 1);
    let hand = log[0].hand.unwrap();
    assert_eq!(
        (hand.read.get(), hand.sample.get(), hand.reference.get()),
        (1.010, 30.0, 20.0)
    );
    // A warm mead reads low: the corrected value is higher.
    assert!(log[0].deed.gravity.unwrap().get() > 1.012);
}

#[tokio::test]
async fn a_repeat_is_one_line_and_a_second_reading_another() {
    let store = Store::new();
    let vessel = vessel(&store, "Jar").await;
    send(&store, "cellar/jar/hand", "1.01", packet(false)).await;
    let again = send(&store, "cellar/jar/hand", "1.01", packet(true)).await;
    assert_eq!(again.problems, 1);
    let lines = |s: &Store| s.reader.log(vessel, ALWAYS.0, ALWAYS.1).unwrap().len();
    assert_eq!(lines(&store), 1);
    let store = store.reopen().await;
    send(&store, "cellar/jar/hand", "1.01", packet(true)).await;
    assert_eq!(lines(&store), 1);
    // A packet that does not say it is a repeat is a new reading, and so is another value.
    send(&store, "cellar/jar/hand", "1.02", packet(true)).await;
    assert_eq!(lines(&store), 2);
}

#[tokio::test]
async fn nonsense_is_counted_and_a_stranger_is_kept_unclaimed() {
    let store = Store::new();
    let vessel = vessel(&store, "Jar").await;
    assert_eq!(send(&store, "cellar/jar/hand", "7", None).await.problems, 1);
    assert!(
        store
            .reader
            .log(vessel, ALWAYS.0, ALWAYS.1)
            .unwrap()
            .is_empty()
    );
    let problems = store.reader.problems().unwrap();
    assert!(problems[0].detail.contains("gravity 7"), "{problems:?}");
    send(&store, "cellar/nobody/hand", "1.01", None).await;
    assert_eq!(
        store.reader.unclaimed().unwrap()[0].topic,
        "cellar/nobody/hand"
    );
    // Both are acknowledged, so both are on file.
    assert_eq!(store.count("SELECT count(*) FROM raw"), 2);
}

#[tokio::test]
async fn one_that_came_before_the_clock_was_set_is_dated_and_logged() {
    let store = Store::new();
    let vessel = vessel(&store, "Jar").await;
    let undated = |payload: String, monotonic_ms| {
        let mut message = arrival_at("cellar/jar/hand", &payload, None);
        message.stamp.monotonic_ms = monotonic_ms;
        message
    };
    // More than are kept of a topic nobody has claimed.
    for i in 0..25 {
        let message = undated(format!("1.0{}", 40 - i), 10 + i);
        let receipt = store.arrive(message).await;
        assert!(
            receipt.waits_for_time && receipt.problems == 0,
            "{receipt:?}"
        );
    }
    store.arrive(undated("7".into(), 50)).await;
    // Strangers without end do not push them out.
    for i in 0..250 {
        let stranger = arrival_at(&format!("loft/{i}"), "1", None);
        store.arrive(stranger).await;
    }
    let lines = |s: &Store| s.reader.log(vessel, ALWAYS.0, ALWAYS.1).unwrap();
    assert!(lines(&store).is_empty());
    store.run(Command::Redate { offset_ms: T0.0 }).await;
    let log = lines(&store);
    assert_eq!(log.len(), 25);
    let mut at: Vec<i64> = log.iter().map(|line| line.deed.at.0 - T0.0).collect();
    at.sort_unstable();
    assert_eq!((at[0], at[24]), (10, 34));
    assert_eq!(store.reader.undated().unwrap(), 0);
    assert_eq!(store.problem_count(ProblemKind::OutOfRange), 1);
    // Dated once.
    store.run(Command::Redate { offset_ms: T0.0 }).await;
    assert_eq!(lines(&store).len(), 25);
}

#[tokio::test]
async fn a_kept_copy_is_one_line_if_it_says_when_and_else_none() {
    let store = Store::new();
    let vessel = vessel(&store, "Jar").await;
    let kept = |payload: &str| Arrival {
        retained: true,
        ..arrival_at("cellar/jar/hand", payload, Some(T0))
    };
    assert_eq!(store.arrive(kept("1.01")).await.problems, 1);
    let lines = || store.reader.log(vessel, ALWAYS.0, ALWAYS.1).unwrap().len();
    assert_eq!(lines(), 0);
    let dated = format!(
        r#"[{{"bn":"x:","bt":{},"n":"gravity","v":1.010}}]"#,
        T0.0 / 1000
    );
    send(&store, "cellar/jar/hand", &dated, None).await;
    store.arrive(kept(&dated)).await;
    assert_eq!(lines(), 1);
}

#[tokio::test]
async fn a_claimed_topic_is_a_feed_whatever_its_name() {
    let store = Store::new();
    let feed = store.claim("cellar/jar/hand", untimed(), None).await;
    let vessel = vessel(&store, "Jar").await;
    send(&store, "cellar/jar/hand", r#"{"g": 1.05}"#, None).await;
    assert_eq!(store.gravities(feed).len(), 1);
    let log = store.reader.log(vessel, ALWAYS.0, ALWAYS.1).unwrap();
    assert!(log.is_empty());
}

#[tokio::test]
async fn a_back_dated_one_is_corrected_by_the_mead_of_its_day() {
    let store = Store::new();
    let vessel = store.vessel("Jar").await;
    let mead = |began: f64, started| BatchFacts {
        original_gravity: Some(Gravity::new(began).unwrap()),
        started,
        ..batch_facts("Invented")
    };
    let first = Command::StartBatch {
        vessel,
        facts: mead(1.150, T0 - Span::days(60)),
    };
    let Done::Batch(batch) = store.run(first).await else {
        panic!("no batch")
    };
    let end = Command::EndBatch {
        batch,
        at: T0 - Span::days(30),
    };
    store.run(end).await;
    let facts = mead(1.050, T0 - Span::days(20));
    store.run(Command::StartBatch { vessel, facts }).await;

    let then = T0 - Span::days(40);
    let text = format!(
        r#"[{{"bn":"x:","bt":{},"n":"gravity","v":1.010}},{{"n":"temperature","u":"Cel","v":30}}]"#,
        then.0 / 1000
    );
    send(&store, "cellar/jar/hand", &text, None).await;
    let log = store.reader.log(vessel, ALWAYS.0, ALWAYS.1).unwrap();
    let celsius = |t| Celsius::new(t).unwrap();
    let read = Gravity::new(1.010).unwrap();
    let by = |original| {
        let original = Gravity::new(original).unwrap();
        correct_hand_reading(read, celsius(30.0), celsius(20.0), Some(original)).unwrap()
    };
    assert_eq!(log[0].deed.gravity, Some(by(1.150)));
    assert_ne!(by(1.150), by(1.050));
    let began = |at| store.reader.original_gravity(vessel, at).unwrap();
    assert_eq!(began(then), Gravity::new(1.150).ok());
    assert_eq!(began(T0 - Span::days(25)), None, "it stood empty");
    assert_eq!(began(T0), Gravity::new(1.050).ok());
}

#[tokio::test]
async fn a_line_of_the_log_goes_in_whole_and_once() {
    let store = Store::new();
    let vessel = vessel(&store, "North cask").await;
    let text = r#"{"what": "addition", "at": "2025-10-09T10:00:00Z", "volume": 11.5,
        "doses": [{"of": "fruit", "mass": "2400 g", "name": "quince", "extract": 10.5}]}"#;
    let receipt = send(&store, "cellar/north cask/log", text, None).await;
    assert_eq!((receipt.vessel, receipt.problems), (Some(vessel), 0));
    // A broker that keeps it hands it over again; so does a sender that got no answer.
    let kept = Arrival {
        retained: true,
        ..arrival_at("cellar/north cask/log", text, Some(T0 + Span::hours(5)))
    };
    store.arrive(kept).await;
    let log = store.reader.log(vessel, ALWAYS.0, ALWAYS.1).unwrap();
    assert_eq!(log.len(), 1);
    assert_eq!(log[0].deed.at.to_rfc3339(), "2025-10-09T10:00:00Z");
    assert_eq!(log[0].deed.doses[0].name, "quince");
    assert_eq!(log[0].deed.doses[0].mass.get(), 2.4);
    // Without a time of its own each is another.
    for _ in 0..2 {
        send(
            &store,
            "cellar/north cask/log",
            r#"{"what": "rouse"}"#,
            None,
        )
        .await;
    }
    assert_eq!(
        store.reader.log(vessel, ALWAYS.0, ALWAYS.1).unwrap().len(),
        3
    );
    // A reading among them is put right as any other.
    let hand = r#"{"what": "hand-reading", "gravity": 1.010, "temperature": 30, "note": "cloudy"}"#;
    send(&store, "cellar/north cask/log", hand, None).await;
    let log = store.reader.log(vessel, ALWAYS.0, ALWAYS.1).unwrap();
    let line = log.iter().find(|l| l.hand.is_some()).unwrap();
    assert!(line.deed.gravity.unwrap().get() > 1.012);
    assert_eq!(line.deed.note, "cloudy");
}

#[tokio::test]
async fn a_line_that_cannot_be_read_is_counted_with_what_and_where() {
    let store = Store::new();
    let vessel = vessel(&store, "Jar").await;
    let wrong = r#"{"what": "addition", "doses": [{"of": "fruit", "mass": "a lot"}]}"#;
    assert_eq!(
        send(&store, "cellar/jar/log", wrong, None).await.problems,
        1
    );
    let problems = store.reader.problems().unwrap();
    assert!(
        problems[0].detail.starts_with("doses/0/mass: "),
        "{problems:?}"
    );
    let log = store.reader.log(vessel, ALWAYS.0, ALWAYS.1).unwrap();
    assert!(log.is_empty());
    assert!(store.reader.unclaimed().unwrap().is_empty());
}

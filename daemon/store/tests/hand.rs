//! Hand readings that come as messages.

#[cfg(test)]
mod common;

use common::{ALWAYS, Store, T0, arrival_at, batch_facts};
use ebbmark_core::ids::VesselId;
use ebbmark_core::units::Gravity;
use ebbmark_store::model::{Arrival, BatchFacts, Command, Delivery, Receipt};

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
}

//! The metrics, read by another program.

use ebbmark_tests::cellar::Cellar;
use ebbmark_tests::tools;
use ebbmark_tests::wait::until_true;
use serde_json::{Value, json};

use crate::common::{days_ago, local, message, publish};

fn read(text: &str) -> Value {
    tools::told("read_metrics.py", text)
}

#[test]
fn another_program_reads_the_metrics() {
    let cellar = Cellar::new();
    let (daemon, visitor) = cellar.open();
    let name = "Cask \"by the\\stairs\"\u{2028}蜂蜜";
    let vessel = visitor.add_vessel(name);
    visitor.start_mead(&vessel, &local(days_ago(3)), "1.094", "1.000");
    let send = |payload: &str| {
        let message = message("shelf/number", payload, 1);
        publish(daemon.intake_port, &[], &[message]);
    };
    send("1.070");
    visitor.claim("intake", "shelf/number", Some(&vessel));
    send("7");
    until_true("a verdict in the metrics", || {
        visitor.page("/metrics").contains("ebbmark_phase{")
    });
    let found = read(&visitor.page("/metrics"));
    let one = |family: &str, labels: Value| -> f64 {
        let samples = found[family]["samples"]
            .as_array()
            .unwrap_or_else(|| panic!("no {family} in {found}"));
        let is_it = |s: &&Value| {
            let wanted = labels.as_object().expect("labels");
            wanted.iter().all(|(k, v)| s["labels"][k] == *v)
        };
        let mut all = samples.iter().filter(is_it);
        let value = all
            .next()
            .unwrap_or_else(|| panic!("no {labels} in {samples:?}"));
        assert!(all.next().is_none(), "{labels} stands twice in {samples:?}");
        value["value"].as_f64().expect("a number")
    };
    let mead = json!({ "vessel": name, "mead": "Lime blossom" });
    assert_eq!(
        one("ebbmark_readings", json!({ "topic": "shelf/number" })),
        1.0
    );
    assert_eq!(
        one(
            "ebbmark_problems",
            json!({ "topic": "shelf/number", "kind": "out-of-range" })
        ),
        1.0
    );
    assert_eq!(one("ebbmark_gravity", mead.clone()), 1.07);
    let mut gate = mead.clone();
    gate["gate"] = json!("seal");
    assert_eq!(one("ebbmark_gate_open", gate), 0.0);
    assert_eq!(one("ebbmark_phase", mead), 1.0);
    assert_eq!(
        found["ebbmark_last_reading_timestamp_seconds"]["unit"],
        "seconds"
    );
    let age = days_ago(0) as f64 - one("ebbmark_last_reading_timestamp_seconds", json!({}));
    assert!((0.0..300.0).contains(&age), "{age}");
    assert_eq!(one("ebbmark_build", json!({ "version": "0.1.0" })), 1.0);
}

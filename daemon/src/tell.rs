//! What the daemon says over MQTT: one retained topic for each vessel.
//!
//! `ebbmark/vessel/<slug>/verdict`, JSON: `at` (RFC 3339), `vessel`, `phase`, `sentence`,
//! `gravity` (SG 20/20), `fall_per_day`, `left_to_fall` (SG, `mid`, `low`, `high`), `settles_at`
//! (RFC 3339, likewise), `temperature` (°C), `gates` (`rack`, `stabilise`, `seal`: `open`, `why`).

use ebbmark_core::time::Moment;
use ebbmark_core::units::{Celsius, Gravity};
use ebbmark_core::verdict::outcome::{Range, Verdict};
use serde_json::json;

use crate::mqtt::Outgoing;
use crate::notify::mqtt::slug;

pub fn verdict(outgoing: &Outgoing, vessel: &str, v: &Verdict, sentence: &str) {
    let when = |r: Range<Moment>| json!({ "mid": r.mid.to_rfc3339(), "low": r.low.to_rfc3339(), "high": r.high.to_rfc3339() });
    let body = json!({
        "at": v.at.to_rfc3339(),
        "vessel": vessel,
        "phase": v.phase,
        "sentence": sentence,
        "gravity": v.gravity.map(Gravity::get),
        "fall_per_day": v.fall_per_day,
        "left_to_fall": v.left_to_fall,
        "settles_at": v.settles_at.map(when),
        "temperature": v.temperature.map(Celsius::get),
        "gates": v.gates,
    });
    let topic = format!("ebbmark/vessel/{}/verdict", slug(vessel));
    outgoing.publish(topic, body.to_string().into_bytes());
}

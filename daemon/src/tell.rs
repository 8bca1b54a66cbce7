//! What the daemon says over MQTT: one retained topic for each vessel with a mead in it, and one for
//! all that is to be done.
//!
//! A retained verdict outlives its mead unless it is taken back: when the batch ends, or the
//! vessel is renamed or retired, the topic is cleared with an empty payload.
//!
//! Topics, fields and units are described in DEVELOPERS.md under "Topics under ebbmark/", which a test
//! holds against what is published.

use std::collections::HashMap;

use ebbmark_core::ids::VesselId;
use ebbmark_core::text::Style;
use ebbmark_core::time::Moment;
use ebbmark_core::units::{Celsius, Gravity};
use ebbmark_core::verdict::outcome::{FloatSeen, Gate, Verdict};
use ebbmark_store::tasks::{self, ToDo};
use serde_json::{Value, json};

use crate::mqtt::Outgoing;

/// The topic each vessel's verdict was last published on.
#[derive(Default)]
pub struct Told {
    topics: HashMap<VesselId, String>,
}

impl Told {
    /// Takes back what stands on another topic than this slug's, or on any if there is none.
    /// Tells whether there was something to take back.
    pub fn move_to(&mut self, outgoing: &Outgoing, vessel: VesselId, slug: Option<&str>) -> bool {
        let wanted = slug.map(topic);
        match self.topics.get(&vessel) {
            Some(told) if Some(told) != wanted.as_ref() => {}
            _ => return false,
        }
        // Another vessel may have come by this name meanwhile and speak there already.
        if let Some(left) = self.topics.remove(&vessel)
            && !self.topics.values().any(|other| *other == left)
        {
            outgoing.publish(left, Vec::new());
        }
        true
    }

    pub fn verdict(
        &mut self,
        outgoing: &Outgoing,
        id: VesselId,
        (vessel, slug): (&str, &str),
        v: &Verdict,
        sentence: &str,
    ) {
        let topic = topic(slug);
        outgoing.publish(topic.clone(), body(vessel, v, sentence));
        self.topics.insert(id, topic);
    }
}

const TASKS: &str = "ebbmark/tasks";

/// Says what is to be done, if that is not what was said last.
pub fn tasks(outgoing: &Outgoing, to_do: &[ToDo], now: Moment, style: &Style) {
    let said = tasks::said(to_do, now, style).to_string().into_bytes();
    if outgoing
        .get(TASKS)
        .is_none_or(|last| *last.payload != *said)
    {
        outgoing.publish(TASKS.to_owned(), said);
    }
}

fn topic(slug: &str) -> String {
    format!("ebbmark/vessel/{slug}/verdict")
}

fn body(vessel: &str, v: &Verdict, sentence: &str) -> Vec<u8> {
    let body = json!({
        "at": v.at.to_rfc3339(),
        "vessel": vessel,
        "phase": v.phase,
        "sentence": sentence,
        "gravity": v.gravity.map(Gravity::get),
        "fall_per_day": v.fall_per_day,
        "left_to_fall": v.left_to_fall,
        "settles_at": v.settles_at.map(|s| s.map(Moment::to_rfc3339)),
        "final_gravity": v.final_gravity,
        "temperature": v.temperature.map(Celsius::get),
        "look_again_at": v.look_again_at.map(Celsius::get),
        "gates": {
            "rack": gate(&v.gates.rack),
            "stabilise": gate(&v.gates.stabilise),
            "seal": gate(&v.gates.seal),
        },
        "odds": v.odds,
        "float": v.float.as_ref().map(float),
    });
    body.to_string().into_bytes()
}

fn gate(g: &Gate) -> Value {
    json!({ "open": g.open, "why": g.why, "opens": g.opens.map(Moment::to_rfc3339) })
}

fn float(f: &FloatSeen) -> Value {
    json!({
        "trued": f.trued,
        "disagrees": f.disagrees.map(|d| json!({
            "at": d.at.to_rfc3339(),
            "hand": d.hand,
            "float": d.float,
        })),
        "still_since": f.still_since.map(Moment::to_rfc3339),
        "jumps": f.jumps.len(),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use ebbmark_core::verdict::outcome::{Doubt, FloatSeen, Trued};

    #[test]
    fn what_is_told_can_be_read_without_knowing_our_types() {
        let mut v = ebbmark_core::verdict::Assessor::default().assess(
            &ebbmark_core::verdict::Case {
                hours: &[],
                deeds: &[],
                started: None,
                original: None,
                expected_final: None,
                tolerance: None,
                learned: None,
            },
            Moment(1_790_000_000_000),
            &ebbmark_core::text::Style {
                units: Default::default(),
                zone: &jiff::tz::TimeZone::UTC,
            },
        );
        v.look_again_at = Celsius::new(17.5).ok();
        v.gates.rack.opens = Some(Moment(1_790_000_000_000));
        v.float = Some(FloatSeen {
            trued: Some(Trued {
                reads_high: 0.001,
                reads_high_sd: 0.0002,
                drift_per_day: 0.0,
                drift_sd: 0.0001,
                hand_readings: 2,
            }),
            disagrees: Some(Doubt {
                at: Moment(1_790_000_000_000),
                hand: 1.01,
                float: 1.02,
            }),
            still_since: None,
            jumps: vec![(Moment(0), 0.003)],
        });
        let told: Value = serde_json::from_slice(&body("Jar", &v, "No readings yet.")).unwrap();
        let when = "2026-09-21T14:13:20Z";
        assert_eq!(told["at"], when);
        assert_eq!(told["look_again_at"], 17.5);
        assert_eq!(told["gates"]["rack"]["opens"], when);
        assert_eq!(told["gates"]["seal"]["opens"], Value::Null);
        assert_eq!(told["odds"], Value::Null);
        assert_eq!(told["float"]["disagrees"]["at"], when);
        assert_eq!(told["float"]["trued"]["hand_readings"], 2);
        assert_eq!(told["float"]["jumps"], 1);
    }
}

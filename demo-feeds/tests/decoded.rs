//! The daemon's own decoder understands what the floats say, by the maps given with them.

use ebbmark_core::decode::decode;
use ebbmark_core::time::{Moment, Span};
use ebbmark_demo_feeds::scenario::cellar;

const NOW: Moment = Moment(1_790_000_000_000);

#[test]
fn nearly_every_message_gives_a_reading_close_to_the_truth() {
    for vessel in cellar(NOW, 1) {
        let from = NOW - Span::days(2);
        let sent: Vec<_> = vessel
            .history()
            .filter(|(at, _)| *at > from)
            .step_by(4)
            .collect();
        let mut read = 0;
        for (at, payload) in &sent {
            let decoded = decode(&vessel.feed.map, payload, Some(*at));
            let Some(reading) = decoded.readings.first() else {
                continue;
            };
            let (Some(gravity), Some(temperature)) = (reading.gravity, reading.temperature) else {
                continue;
            };
            if reading.at != *at {
                continue;
            }
            let truth = vessel.truth_at(*at);
            // Spikes are wider than this; both they and spoilt messages are few.
            if (gravity.get() - truth.gravity).abs() < 0.006
                && (temperature.get() - truth.temperature).abs() < 0.5
            {
                read += 1;
            }
        }
        assert!(
            read * 100 > sent.len() * 97,
            "{}: {read} of {}",
            vessel.name,
            sent.len()
        );
    }
}

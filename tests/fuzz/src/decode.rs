//! Payloads of floats, under every form and any map.

use ebbmark_core::decode::{Looks, decode, decode_copy, look};
use ebbmark_core::feed::{FeedMap, Format, Pick, Quantity};
use ebbmark_core::reading::Reading;
use ebbmark_core::time::{Moment, Span};
use ebbmark_core::units::{Celsius, Degrees, Gravity};

use crate::{NOW, first_line};

/// The first byte says which form and whether it was retained; the first line holds the map
/// (`from=quantity,…;c0,c1,…`), the rest is the payload.
pub fn run(data: &[u8]) {
    let Some((how, data)) = data.split_first() else {
        return;
    };
    let (map, payload) = first_line(data);
    let map = read_map(*how, &String::from_utf8_lossy(map));
    let retained = how & 0x80 != 0;
    let decoded = decode_copy(&map, payload, Some(NOW), retained);
    for reading in &decoded.readings {
        holds(reading, !retained);
    }
    // What came of a message is in proportion to it: each reading and each problem has at least
    // its bytes of it or its pick of the map.
    let asked = picks(&map.format);
    assert!(decoded.readings.len() <= payload.len() + 1);
    assert!(decoded.problems.len() <= payload.len() + asked + 1);
    let words: usize = decoded.problems.iter().map(|p| p.detail.len()).sum();
    assert!(
        words <= (payload.len() + asked + 1) * 1024,
        "{words} of words"
    );
    if decoded.readings.is_empty() {
        assert!(
            !decoded.problems.is_empty(),
            "neither a reading nor a problem"
        );
    }
    assert_eq!(decoded, decode_copy(&map, payload, Some(NOW), retained));

    // Without a clock nothing is dated, and it is said that something waits or is wrong.
    let undated = decode(&map, payload, None);
    assert!(undated.readings.is_empty());
    assert!(undated.needs_time || !undated.problems.is_empty());

    if let Looks::Json(found) | Looks::Senml(found) = look(payload) {
        assert!(found.len() <= 40);
    }
    round_trip(&decoded.readings);
}

fn read_map(how: u8, text: &str) -> FeedMap {
    let (picks, polynomial) = text.split_once(';').unwrap_or((text, ""));
    let picks = picks
        .split(',')
        .filter_map(|pick| pick.rsplit_once('='))
        .filter_map(|(from, key)| {
            Some(Pick {
                from: from.to_owned(),
                quantity: Quantity::from_key(key)?,
            })
        })
        .collect();
    FeedMap {
        format: match how & 0x03 {
            0 => Format::Json { picks },
            1 => Format::Senml { picks },
            _ => Format::Number {
                quantity: Quantity::ALL[usize::from(how >> 2) % Quantity::ALL.len()],
            },
        },
        tilt_polynomial: polynomial
            .split(',')
            .filter_map(|c| c.parse().ok())
            .filter(|c: &f64| c.is_finite())
            .take(8)
            .collect(),
    }
}

fn picks(format: &Format) -> usize {
    match format {
        Format::Senml { picks } | Format::Json { picks } => picks.len(),
        Format::Number { .. } => 1,
    }
}

fn holds(reading: &Reading, may_be_of_arrival: bool) {
    use ebbmark_core::reading::TimeFrom;
    assert!(reading.at >= Moment::EARLIEST_BELIEVABLE && reading.at <= NOW + Span::days(1));
    assert!(may_be_of_arrival || reading.time_from == TimeFrom::Payload);
    assert!(
        reading
            .gravity
            .is_none_or(|g| Gravity::new(g.get()).is_ok())
    );
    assert!(
        reading
            .temperature
            .is_none_or(|t| Celsius::new(t.get()).is_ok())
    );
    assert!(reading.tilt.is_none_or(|t| Degrees::new(t.get()).is_ok()));
    assert!(
        reading.gravity.is_some()
            || reading.temperature.is_some()
            || reading.tilt.is_some()
            || reading.battery.is_some()
            || reading.signal.is_some()
    );
}

/// A reading that was taken is taken again when it is written as the native form has it.
fn round_trip(readings: &[Reading]) {
    let records: Vec<serde_json::Value> = readings
        .iter()
        .flat_map(|r| {
            let at = r.at.0 as f64 / 1000.0;
            let gravity = r
                .gravity
                .map(|g| serde_json::json!({"n": "gravity", "v": g.get(), "t": at}));
            let temperature = r.temperature.map(
                |t| serde_json::json!({"n": "temperature", "u": "Cel", "v": t.get(), "t": at}),
            );
            [gravity, temperature].into_iter().flatten()
        })
        .collect();
    if records.is_empty() {
        return;
    }
    let wanted: Vec<_> = values(readings);
    let text = serde_json::Value::from(records).to_string();
    let native = FeedMap {
        format: Format::Senml { picks: Vec::new() },
        tilt_polynomial: Vec::new(),
    };
    let again = decode(&native, text.as_bytes(), Some(NOW));
    // Two of one message may have come to lie on one millisecond.
    if again.problems.is_empty() {
        assert_eq!(values(&again.readings), wanted, "{text}");
    }
}

fn values(readings: &[Reading]) -> Vec<(i64, Option<f64>, Option<f64>)> {
    let mut all: Vec<_> = readings
        .iter()
        .filter(|r| r.gravity.is_some() || r.temperature.is_some())
        .map(|r| {
            let gravity = r.gravity.map(|g| g.get());
            (r.at.0, gravity, r.temperature.map(|t| t.get()))
        })
        .collect();
    all.sort_by_key(|(at, ..)| *at);
    all
}

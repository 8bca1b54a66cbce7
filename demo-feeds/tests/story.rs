//! What `ebbmark demo` promises: the invented cellar's floats, through the real decoding and the
//! real verdict, tell the story that the person watching is told to expect.

use ebbmark_core::decode::decode;
use ebbmark_core::deed::Deed;
use ebbmark_core::files::Row;
use ebbmark_core::replay::{Known, Line, replay};
use ebbmark_core::time::{Moment, Span};
use ebbmark_core::verdict::outcome::Phase;
use ebbmark_demo_feeds::scenario::{DemoVessel, cellar};

fn now() -> Moment {
    Moment::parse_rfc3339("2026-11-25T08:00:00Z").expect("a valid instant")
}

/// Verdicts from the first reading to `after` from now.
fn story(vessel: &DemoVessel, after: Span) -> Vec<Line> {
    let until = now() + after;
    let coming = vessel
        .coming()
        .take_while(|m| m.due <= until)
        .map(|m| (m.at, m.payload));
    let rows: Vec<Row> = vessel
        .history()
        .chain(coming)
        .flat_map(|(at, payload)| decode(&vessel.feed.map, &payload, Some(at)).readings)
        .map(|r| Row {
            at: r.at,
            gravity: r.gravity,
            temperature: r.temperature,
        })
        .collect();
    let deeds: Vec<Deed> = vessel.deeds.iter().map(|d| d.deed.clone()).collect();
    let known = Known {
        original: Some(vessel.batch.original_gravity),
        expected_final: Some(vessel.batch.expected_final),
        tolerance: Some(vessel.batch.tolerance),
    };
    replay(&rows, &deeds, known)
}

/// Lines given at or after now.
fn from_now(lines: &[Line]) -> impl Iterator<Item = &Line> {
    lines
        .iter()
        .filter(|l| Moment::parse_rfc3339(&l.at).is_ok_and(|at| at >= now()))
}

fn tell(name: &str, lines: &[Line]) -> String {
    let mut text = format!("{name}\n");
    for line in from_now(lines) {
        text += &format!("  {} {}\n", line.at, line.sentence);
    }
    text
}

#[test]
fn one_vessel_settles_while_the_viewer_watches() {
    for seed in [1, 2, 3] {
        let vessels = cellar(now(), seed);
        let vessel = &vessels[0];
        let lines = story(vessel, Span::hours(84));
        let told = tell(vessel.name, &lines);
        let first = from_now(&lines).next().expect("a verdict");
        assert_eq!(first.phase, Phase::Slowing, "{told}");
        let settled = from_now(&lines).find(|l| l.phase == Phase::Settled);
        let settled = settled.unwrap_or_else(|| panic!("it never settles\n{told}"));
        let at = Moment::parse_rfc3339(&settled.at).expect("RFC 3339");
        let truly = vessel.settles_at().expect("it is still falling at first");
        assert!(
            at >= truly - Span::hours(12),
            "called too early, truly {}\n{told}",
            truly.to_rfc3339()
        );
        // At three quarters of an hour a second: within 110 seconds of the start.
        assert!(at <= now() + Span::hours(80), "{told}");
    }
}

#[test]
fn the_others_are_what_they_are_said_to_be() {
    for seed in [1, 2] {
        let vessels = cellar(now(), seed);
        let lines: Vec<_> = vessels.iter().map(|v| story(v, Span::hours(48))).collect();
        for line in from_now(&lines[1]) {
            assert_eq!(
                line.phase,
                Phase::Resting,
                "{}",
                tell(vessels[1].name, &lines[1])
            );
            assert!(line.sentence.contains("cold"), "{}", line.sentence);
            assert!(!line.gates.stabilise.open && !line.gates.seal.open);
        }
        for line in from_now(&lines[2]) {
            let falling = matches!(line.phase, Phase::Active | Phase::Slowing);
            assert!(falling, "{}", tell(vessels[2].name, &lines[2]));
            assert!(!line.gates.stabilise.open && !line.gates.seal.open);
        }
        for line in from_now(&lines[3]) {
            assert_eq!(
                line.phase,
                Phase::Settled,
                "{}",
                tell(vessels[3].name, &lines[3])
            );
        }
    }
}

//! Meads for the tests of the rules.

use std::collections::BTreeMap;

use jiff::tz::TimeZone;

use super::{Kind, Record, Task, tasks};
use crate::deed::{Deed, Dose, Substance, What};
use crate::plan::Plan;
use crate::text::Style;
use crate::time::{Moment, Span};
use crate::units::{Gravity, Kilograms, Preferences};
use crate::verdict::outcome::{Gate, Gates, Phase, Range, Verdict};

/// The pitch.
pub const T0: Moment = Moment(1_772_366_400_000);

static UTC: TimeZone = TimeZone::UTC;

pub fn style() -> Style<'static> {
    Style {
        units: Preferences::USUAL,
        zone: &UTC,
    }
}

/// Pitched at 1.100, meant to end at 1.000, nothing else known.
pub fn record() -> Record {
    Record {
        pitched: T0,
        began: T0,
        original: Gravity::new(1.1).ok(),
        expected_final: Gravity::new(1.0).ok(),
        tolerance: None,
        plan: Plan::default(),
        deeds: Vec::new(),
        verdict: None,
        answers: BTreeMap::new(),
    }
}

fn judged(gravity: f64, fall: f64, phase: Phase, at: Moment) -> Verdict {
    let gate = Gate {
        open: false,
        why: "not yet".to_owned(),
        opens: None,
        wants_reading: false,
        since: None,
    };
    Verdict {
        at,
        phase,
        gravity: Gravity::new(gravity).ok(),
        fall_per_day: Some(Range {
            mid: fall,
            low: 0.9 * fall,
            high: 1.1 * fall,
        }),
        left_to_fall: None,
        settles_at: None,
        final_gravity: None,
        expected_end: None,
        looked_at: None,
        last_reading: Some(at),
        temperature: None,
        temperature_change: None,
        gates: Gates {
            rack: gate.clone(),
            stabilise: gate.clone(),
            seal: gate,
        },
        no_curve_because: None,
        curve: Vec::new(),
        end_unsure: false,
        look_again_at: None,
        odds: None,
        float: None,
        test_ferment: None,
        memory: None,
    }
}

/// A day after the pitch, by a float.
pub fn fermenting(gravity: f64, fall: f64) -> Record {
    let verdict = judged(gravity, fall, Phase::Active, T0 + Span::days(1));
    Record {
        verdict: Some(verdict),
        ..record()
    }
}

/// A month after the pitch, all gates shut.
pub fn settled(gravity: f64) -> Record {
    let verdict = judged(gravity, 0.0, Phase::Settled, T0 + Span::days(30));
    Record {
        verdict: Some(verdict),
        ..record()
    }
}

pub fn stabilised(at: Moment) -> Deed {
    let mut deed = Deed::new(at, What::Stabilise);
    deed.doses = vec![Dose {
        of: Substance::PotassiumSorbate,
        mass: Kilograms::computed(0.004),
        name: String::new(),
        extract: None,
    }];
    deed
}

pub fn of(record: &Record, now: Moment) -> Vec<Task> {
    tasks(record, now, &style())
}

pub fn kinds(record: &Record, now: Moment) -> Vec<Kind> {
    of(record, now).iter().map(|t| t.kind).collect()
}

/// The one task of its kind.
pub fn only(record: &Record, now: Moment, kind: Kind) -> Task {
    let mut found = of(record, now);
    found.retain(|t| t.kind == kind);
    assert_eq!(found.len(), 1, "{kind:?}: {found:?}");
    found.remove(0)
}

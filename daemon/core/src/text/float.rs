//! The float in plain words: how far it reads off, and when not to believe it.

use super::Style;
use super::say::Say;
use crate::instrument::Disagreement;
use crate::time::{Moment, Span};
use crate::verdict::outcome::{Doubt, FloatSeen, Trued, Verdict};

/// A float this near reads true: the hydrometer is read no finer, SG.
const TRUE: f64 = 0.0003;
/// Drift is told when a week of it would be seen, SG a day.
const DRIFT: f64 = 0.000_05;
/// ... and when it is surely there: nineteen times out of twenty.
const SURE_SDS: f64 = 1.645;
/// Older ones are summed up.
const JUMPS_TOLD: usize = 2;

/// A line for the cellar, when the float cannot be relied on.
pub fn float_trouble(v: &Verdict, style: &Style) -> Option<String> {
    let say = Say { v, style };
    let float = v.float.as_ref()?;
    if let Some(since) = float.still_since {
        return Some(format!(
            "Its float has sent one value since {}.",
            say.when(since)
        ));
    }
    float
        .disagrees
        .map(|d| format!("Float and hand reading of {} do not agree.", say.day(d.at)))
}

/// The hand reading the float does not agree with, and what to do about it.
pub fn disagreement(doubt: &Doubt, now: Moment, style: &Style) -> String {
    let Doubt { at, hand, float } = *doubt;
    Disagreement {
        at,
        hand,
        float,
        // Not told.
        odds: f64::NAN,
    }
    .sentence(now, style)
}

/// Why the float may not be believed.
pub(super) fn doubts(say: &Say) -> Vec<String> {
    let Some(float) = &say.v.float else {
        return Vec::new();
    };
    let mut lines = Vec::new();
    if let Some(since) = float.still_since {
        lines.push(format!(
            "The float has sent the same value since {} ({}): it may be stuck, and then tells nothing of the mead.",
            say.when(since),
            say.since(since)
        ));
    }
    if let Some(doubt) = &float.disagrees {
        lines.push(disagreement(doubt, say.v.at, say.style));
    }
    lines
}

/// What was put right of it.
pub(super) fn corrected(say: &Say) -> Vec<String> {
    let Some(float) = &say.v.float else {
        return Vec::new();
    };
    let mut lines = Vec::new();
    if let Some(trued) = &float.trued {
        lines.push(offset(trued, say));
        lines.extend(drift(trued, say));
    }
    lines.extend(jumps(float, say));
    lines
}

fn offset(t: &Trued, say: &Say) -> String {
    let by = if t.hand_readings == 1 {
        "By 1 hand reading".to_string()
    } else {
        format!("By {} hand readings", t.hand_readings)
    };
    let give = SURE_SDS * t.reads_high_sd;
    if t.reads_high.abs() < TRUE {
        return format!(
            "{by} the float reads true, give or take {}.",
            say.step(give)
        );
    }
    let side = if t.reads_high > 0.0 { "high" } else { "low" };
    // An error that is itself poorly known must not look measured.
    let or_so = if give > 0.5 * t.reads_high.abs() {
        format!(", give or take {}", say.step(give))
    } else {
        String::new()
    };
    format!(
        "{by} the float reads {} too {side}{or_so}; that is put right here.",
        say.step(t.reads_high.abs())
    )
}

fn drift(t: &Trued, say: &Say) -> Option<String> {
    let clear = t.drift_per_day.abs() > SURE_SDS * t.drift_sd;
    (clear && t.drift_per_day.abs() > DRIFT).then(|| {
        let way = if t.drift_per_day > 0.0 {
            "higher"
        } else {
            "lower"
        };
        format!(
            "The float comes to read {} {way} with each week; that is put right as well.",
            say.step(7.0 * t.drift_per_day.abs())
        )
    })
}

fn jumps(float: &FloatSeen, say: &Say) -> Vec<String> {
    let older = float.jumps.len().saturating_sub(JUMPS_TOLD);
    let mut lines: Vec<String> = float
        .jumps
        .iter()
        .skip(older)
        .map(|(at, by)| {
            let way = if *by > 0.0 { "up" } else { "down" };
            format!(
                "The float jumped {way} by {} about {}; no ferment does that, so it is taken out.",
                say.step(by.abs()),
                say.when(*at)
            )
        })
        .collect();
    match older {
        0 => {}
        1 => lines.push("1 earlier jump of it is taken out too.".into()),
        n => lines.push(format!("{n} earlier jumps of it are taken out too.")),
    }
    lines
}

/// What would settle a doubt about the float.
pub(super) fn would_change(say: &Say) -> Vec<String> {
    let Some(float) = &say.v.float else {
        return Vec::new();
    };
    let mut lines = Vec::new();
    if float.still_since.is_some() {
        lines.push(
            "A hand reading today; then lift the float out, rinse it, and see that it swims free and upright."
                .into(),
        );
    }
    if float
        .disagrees
        .is_some_and(|d| say.v.at.since(d.at) < Span::days(30))
    {
        lines.push(
            "A second hand reading, without bubbles on the hydrometer and with the sample's temperature: it shows whether the float or the first one is wrong."
                .into(),
        );
    }
    lines
}

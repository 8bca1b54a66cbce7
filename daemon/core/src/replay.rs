//! The same verdicts over a file as the daemon would have given live, one after the other.
//!
//! This is the regression tool and the way to look at an old batch: it feeds the recorded
//! readings hour by hour to the same [`Assessor`] and reports every change and at least one
//! verdict for each day of data. The same input gives the same output to the byte.

use jiff::tz::TimeZone;
use serde::Serialize;

use crate::deed::{Deed, What};
use crate::files::Row;
use crate::hours::{Hour, hour_index, roll};
use crate::text::{Style, sentence};
use crate::time::{Moment, Span};
use crate::units::{AbvPercent, Gravity, Preferences};
use crate::verdict::outcome::{Gate, Gates, Phase, Range, Spread, Verdict};
use crate::verdict::{Assessor, Case};

/// What is known of the batch besides its readings.
#[derive(Clone, Copy, Debug, Default)]
pub struct Known {
    pub original: Option<Gravity>,
    pub expected_final: Option<Gravity>,
    pub tolerance: Option<AbvPercent>,
}

/// One line of output. Gravity in SG 20/20, times RFC 3339 UTC.
#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct Line {
    pub at: String,
    pub phase: Phase,
    pub gravity: Option<f64>,
    pub fall_per_day: Option<Range<f64>>,
    pub left_to_fall: Option<Range<f64>>,
    pub settles_at: Option<Spread<String>>,
    pub gates: LineGates,
    pub sentence: String,
}

#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct LineGates {
    pub rack: LineGate,
    pub stabilise: LineGate,
    pub seal: LineGate,
}

#[derive(Clone, Debug, PartialEq, Serialize)]
pub struct LineGate {
    pub open: bool,
    pub why: String,
}

/// Runs over readings (sorted here) and deeds (in time order).
pub fn replay(rows: &[Row], deeds: &[Deed], known: Known) -> Vec<Line> {
    let mut rows = rows.to_vec();
    rows.sort_by_key(|r| r.at);
    let zone = TimeZone::UTC;
    let style = Style {
        units: Preferences::default(),
        zone: &zone,
    };
    let known = Case {
        hours: &[],
        deeds,
        started: deeds.iter().find(|d| d.what == What::Pitch).map(|d| d.at),
        original: known.original,
        expected_final: known.expected_final,
        tolerance: known.tolerance,
        learned: None,
    };
    let mut assessor = Assessor::default();
    let mut hours: Vec<Hour> = Vec::new();
    let mut out = Reporter::default();
    let mut next = 0;
    for now in instants(&rows, deeds) {
        next = roll_up_to(now, &rows, next, &mut hours);
        let verdict = assessor.assess(
            &Case {
                hours: &hours,
                ..known
            },
            now,
            &style,
        );
        out.report(&verdict, &style);
    }
    out.lines
}

/// Days into a gap for which there are verdicts. Long before its end all has been said that can
/// be said without a reading, and a record of several years should not be mostly silence.
const INTO_GAP: usize = 60;

/// When to judge: at the last reading of each hour, at each deed, and daily into gaps.
fn instants(rows: &[Row], deeds: &[Deed]) -> Vec<Moment> {
    let mut at: Vec<Moment> = Vec::new();
    for (i, row) in rows.iter().enumerate() {
        let last_of_hour = rows
            .get(i + 1)
            .is_none_or(|r| hour_index(r.at) != hour_index(row.at));
        if last_of_hour {
            at.push(row.at);
        }
    }
    at.extend(deeds.iter().map(|d| d.at));
    at.sort_unstable();
    at.dedup();
    let mut filled = Vec::with_capacity(at.len());
    for pair in at.windows(2) {
        filled.push(pair[0]);
        let next = |t: &Moment| Some(*t + Span::days(1));
        let days = std::iter::successors(next(&pair[0]), next);
        filled.extend(days.take(INTO_GAP).take_while(|t| *t < pair[1]));
    }
    filled.extend(at.last());
    filled
}

/// Rolls readings up to `now` into hours; the last hour may be rolled again when more come.
fn roll_up_to(now: Moment, rows: &[Row], mut next: usize, hours: &mut Vec<Hour>) -> usize {
    while next < rows.len() && rows[next].at <= now {
        let index = hour_index(rows[next].at);
        let begin = next
            - rows[..next]
                .iter()
                .rev()
                .take_while(|r| hour_index(r.at) == index)
                .count();
        while next < rows.len() && rows[next].at <= now && hour_index(rows[next].at) == index {
            next += 1;
        }
        let readings: Vec<_> = rows[begin..next]
            .iter()
            .map(|r| {
                (
                    r.at,
                    r.gravity.map(Gravity::get),
                    r.temperature.map(|t| t.get()),
                )
            })
            .collect();
        if hours.last().is_some_and(|h| h.index == index) {
            hours.pop();
        }
        hours.extend(roll(index, &readings));
    }
    next
}

#[derive(Default)]
struct Reporter {
    lines: Vec<Line>,
    last: Option<(Phase, [bool; 3], i64)>,
}

impl Reporter {
    fn report(&mut self, v: &Verdict, style: &Style) {
        let gates = [v.gates.rack.open, v.gates.stabilise.open, v.gates.seal.open];
        let key = (v.phase, gates, v.at.0.div_euclid(Span::days(1).0));
        if self.last == Some(key) {
            return;
        }
        self.last = Some(key);
        self.lines.push(line(v, style));
    }
}

fn line(v: &Verdict, style: &Style) -> Line {
    // Six decimals are far below any error, and keep a line readable.
    let round = |x: f64| (x * 1e6).round() / 1e6 + 0.0;
    let range = |r: Range<f64>| Range {
        mid: round(r.mid),
        low: round(r.low),
        high: round(r.high),
    };
    // To the minute: a forecast is not better than that.
    let text = |m: Moment| Moment(m.0.div_euclid(60_000) * 60_000).to_rfc3339();
    Line {
        at: v.at.to_rfc3339(),
        phase: v.phase,
        gravity: v.gravity.map(|g| round(g.get())),
        fall_per_day: v.fall_per_day.map(range),
        left_to_fall: v.left_to_fall.map(range),
        settles_at: v.settles_at.map(|s| s.map(text)),
        gates: line_gates(&v.gates),
        sentence: sentence(v, style),
    }
}

fn line_gates(gates: &Gates) -> LineGates {
    let gate = |g: &Gate| LineGate {
        open: g.open,
        why: g.why.clone(),
    };
    LineGates {
        rack: gate(&gates.rack),
        stabilise: gate(&gates.stabilise),
        seal: gate(&gates.seal),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_gap_is_followed_for_sixty_days() {
        let row = |days| Row {
            at: Moment(0) + Span::days(days),
            gravity: None,
            temperature: None,
        };
        let days = |rows: &[Row]| {
            let at = instants(rows, &[]);
            at.iter()
                .map(|m| m.since(Moment(0)).0 / Span::days(1).0)
                .collect::<Vec<_>>()
        };
        assert_eq!(days(&[row(0), row(3)]), [0, 1, 2, 3]);
        let long = days(&[row(0), row(40_000), row(40_001)]);
        assert_eq!(long.len(), 63);
        assert_eq!(long[60..], [60, 40_000, 40_001]);
    }
}

//! Many samples onto few pixel columns, keeping the extremes: a spike of one minute in a year
//! is still seen, and the drawing stays small.

use ebbmark_core::hours::{HOUR_MS, Hour};
use ebbmark_core::time::{Moment, Span};
use ebbmark_store::model::StoredReading;

/// A line is not drawn across a silence longer than this.
const SILENCE: Span = Span::hours(6);

/// One value in time with the spread it stands for.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Sample {
    pub at: Moment,
    pub low: f64,
    pub mid: f64,
    pub high: f64,
}

impl Sample {
    pub fn single(at: Moment, value: f64) -> Sample {
        Sample {
            at,
            low: value,
            mid: value,
            high: value,
        }
    }

    pub fn map(self, f: impl Fn(f64) -> f64) -> Sample {
        Sample {
            at: self.at,
            low: f(self.low),
            mid: f(self.mid),
            high: f(self.high),
        }
    }
}

pub(crate) fn gravity_of_hours(hours: &[Hour]) -> Vec<Sample> {
    let sample = |h: &Hour| {
        h.gravity.map(|g| Sample {
            at: g.at,
            low: g.min,
            mid: g.median,
            high: g.max,
        })
    };
    hours.iter().filter_map(sample).collect()
}

pub(crate) fn temperature_of_hours(hours: &[Hour]) -> Vec<Sample> {
    let sample = |h: &Hour| {
        h.temperature.map(|t| Sample {
            at: Moment(h.index.saturating_mul(HOUR_MS)) + Span::minutes(30),
            low: t.min,
            mid: t.median,
            high: t.max,
        })
    };
    hours.iter().filter_map(sample).collect()
}

pub(crate) fn of_readings(
    readings: &[StoredReading],
    value: impl Fn(&StoredReading) -> Option<f64>,
) -> Vec<Sample> {
    readings
        .iter()
        .filter_map(|r| value(r).map(|v| Sample::single(r.at, v)))
        .collect()
}

/// Folds samples (in time order) into at most `columns` per run; a new run starts after each
/// silence. Samples outside `[from, to]` and values that are not numbers are left out.
pub(crate) fn fold(samples: &[Sample], from: Moment, to: Moment, columns: u32) -> Vec<Vec<Sample>> {
    let width = to.since(from).0.max(1);
    let columns = i64::from(columns.max(1));
    let column_of = |at: Moment| {
        // In 128 bits: milliseconds of years times columns overflow 64.
        (i128::from(at.since(from).0) * i128::from(columns) / i128::from(width)) as i64
    };
    // Two columns apart is not a silence, however wide a column is.
    let silence = SILENCE.max(Span(width / columns * 2));

    let mut runs: Vec<Vec<Sample>> = Vec::new();
    let mut column: Vec<Sample> = Vec::new();
    let mut before: Option<Moment> = None;
    for sample in samples {
        let sound = sample.low.is_finite() && sample.mid.is_finite() && sample.high.is_finite();
        if !sound || sample.at < from || sample.at > to {
            continue;
        }
        let silent = before.is_none_or(|b| sample.at.since(b) > silence);
        let same_column = column
            .first()
            .is_some_and(|first| column_of(first.at) == column_of(sample.at));
        if !column.is_empty() && (silent || !same_column) {
            push(&mut runs, &mut column);
        }
        if silent {
            runs.push(Vec::new());
        }
        column.push(*sample);
        before = Some(sample.at);
    }
    push(&mut runs, &mut column);
    runs.retain(|run| !run.is_empty());
    runs
}

/// Closes the column that was being filled, onto the run it belongs to.
fn push(runs: &mut [Vec<Sample>], column: &mut Vec<Sample>) {
    let (Some(run), Some(first), Some(last)) = (runs.last_mut(), column.first(), column.last())
    else {
        return;
    };
    let mut mids: Vec<f64> = column.iter().map(|s| s.mid).collect();
    let middle = mids.len() / 2;
    let (_, mid, _) = mids.select_nth_unstable_by(middle, f64::total_cmp);
    run.push(Sample {
        at: first.at + Span(last.at.since(first.at).0 / 2),
        low: column.iter().map(|s| s.low).fold(f64::INFINITY, f64::min),
        mid: *mid,
        high: column
            .iter()
            .map(|s| s.high)
            .fold(f64::NEG_INFINITY, f64::max),
    });
    column.clear();
}

#[cfg(test)]
mod tests {
    use super::*;

    fn minute(i: i64, value: f64) -> Sample {
        Sample::single(Moment(i * 60_000), value)
    }

    #[test]
    fn a_spike_of_one_minute_in_a_year_is_kept() {
        let year = 365 * 24 * 60;
        let samples: Vec<Sample> = (0..year)
            .map(|i| minute(i, if i == 300_000 { 1.2 } else { 1.01 }))
            .collect();
        let runs = fold(&samples, Moment(0), Moment(year * 60_000), 900);
        assert_eq!(runs.len(), 1);
        assert_eq!(runs[0].len(), 900);
        let spiked: Vec<&Sample> = runs[0].iter().filter(|s| s.high > 1.1).collect();
        assert_eq!(spiked.len(), 1);
        assert_eq!(
            (spiked[0].low, spiked[0].mid, spiked[0].high),
            (1.01, 1.01, 1.2)
        );
    }

    #[test]
    fn a_silence_breaks_the_line() {
        let mut samples: Vec<Sample> = (0..60).map(|i| minute(i, 1.05)).collect();
        samples.extend((600..660).map(|i| minute(i, 1.04)));
        let runs = fold(&samples, Moment(0), Moment(700 * 60_000), 700);
        assert_eq!(runs.iter().map(Vec::len).collect::<Vec<_>>(), [60, 60]);
        assert_eq!(runs[1][0].mid, 1.04);
    }

    #[test]
    fn outside_and_unsound_samples_are_left_out() {
        let samples = [
            minute(-5, 1.0),
            minute(1, f64::NAN),
            minute(2, 1.01),
            minute(99, 1.0),
        ];
        let runs = fold(&samples, Moment(0), Moment(10 * 60_000), 10);
        assert_eq!(runs, [vec![minute(2, 1.01)]]);
        assert!(fold(&[], Moment(0), Moment(0), 0).is_empty());
        assert_eq!(fold(&[minute(0, 1.0)], Moment(0), Moment(0), 5).len(), 1);
    }
}

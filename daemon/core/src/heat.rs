//! Pasteurisation units: heat instead of chemistry.
//!
//! One unit is a minute at 60 °C, and its worth rises with the temperature:
//!
//! ```text
//! rate = 1.393^(t - 60)          Del Vecchio, Dayharsh & Baselt, Proc. ASBC 9 (1951) 45
//! rate = 10^((t - 60)/7)         the same with z = 7 °C
//! ```
//!
//! Below 50 °C nothing is counted: that it kills there is doubtful. Between two readings the
//! temperature is taken as a straight line and the rate integrated exactly over it. The temperature
//! must be that of the coldest place inside the bottle, not of the bath.

use crate::time::{Moment, Span};
use crate::units::{Celsius, Minutes, PasteurUnits};

/// Below this nothing is counted, °C.
pub const NOTHING_BELOW: Celsius = Celsius::computed(50.0);

/// Readings further apart than this do not tell what was between them.
pub const LONGEST_GAP: Span = Span::minutes(10);

/// Which published rate.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Rate {
    /// 1.393^(t - 60).
    DelVecchio,
    /// 10^((t - 60)/7).
    ZSeven,
}

impl Rate {
    /// Logarithm of how much faster a degree makes it.
    fn a_degree(self) -> f64 {
        match self {
            Rate::DelVecchio => 1.393f64.ln(),
            Rate::ZSeven => std::f64::consts::LN_10 / 7.0,
        }
    }

    /// Units a minute at a temperature.
    pub fn at(self, t: Celsius) -> f64 {
        if t < NOTHING_BELOW {
            0.0
        } else {
            (self.a_degree() * (t.get() - 60.0)).exp()
        }
    }

    /// Units of a hold at one temperature.
    pub fn hold(self, t: Celsius, time: Minutes) -> PasteurUnits {
        PasteurUnits::computed(self.at(t) * time.get())
    }

    /// How long a temperature must still be held; `None` where it counts for nothing.
    pub fn time_for(self, t: Celsius, missing: PasteurUnits) -> Option<Minutes> {
        let rate = self.at(t);
        (rate > 0.0).then(|| Minutes::computed(missing.get().max(0.0) / rate))
    }

    /// Units while the temperature goes evenly from one to another.
    fn ramp(self, from: Celsius, to: Celsius, minutes: f64) -> f64 {
        let (low, high) = if from < to { (from, to) } else { (to, from) };
        if high < NOTHING_BELOW {
            return 0.0;
        }
        let whole = high.get() - low.get();
        let floor = low.get().max(NOTHING_BELOW.get());
        let counted = if whole > 0.0 {
            minutes * (high.get() - floor) / whole
        } else {
            minutes
        };
        let rise = self.a_degree() * (high.get() - floor);
        // (exp(x) - 1)/x, which is 1 at 0.
        let mean = if rise > 0.0 {
            rise.exp_m1() / rise
        } else {
            1.0
        };
        self.at(Celsius::computed(floor)) * mean * counted
    }

    /// Units of a record in time order through come-up, hold and cool-down.
    pub fn trace(self, readings: &[(Moment, Celsius)], longest: Span) -> Trace {
        let mut trace = Trace::default();
        for pair in readings.windows(2) {
            let [(start, from), (end, to)] = [pair[0], pair[1]];
            let apart = end.since(start);
            if apart > longest {
                if from.get().max(to.get()) >= NOTHING_BELOW.get() {
                    trace.gaps.push((start, end));
                }
                continue;
            }
            trace.units += self.ramp(from, to, apart.as_hours() * 60.0);
        }
        trace.hottest = readings
            .iter()
            .map(|&(_, t)| t)
            .max_by(|a, b| a.get().total_cmp(&b.get()));
        trace
    }
}

/// What a record of temperatures came to.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Trace {
    units: f64,
    pub hottest: Option<Celsius>,
    /// Silent stretches that were not counted though it was hot at one end.
    pub gaps: Vec<(Moment, Moment)>,
}

impl Trace {
    pub fn units(&self) -> PasteurUnits {
        PasteurUnits::computed(self.units)
    }
}

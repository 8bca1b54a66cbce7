//! When a mead had used up each hundredth of the sugar that it took in the end.

use super::Course;

/// Of the fall, in hundredths: the last is where a fall still stands out from its end.
pub const STEPS: usize = 99;
/// The speed at a share is that of so much of the fall to either side, or of what there is.
const AROUND: f64 = 0.025;

/// Days since the pitch at which 1, 2 … 99 hundredths of the fall were behind it.
#[derive(Clone, Debug, PartialEq)]
pub struct Pace(Vec<f64>);

fn share(step: usize) -> f64 {
    (step + 1) as f64 / 100.0
}

impl Pace {
    /// `None` while the fall is not over, or where there was none.
    pub fn of(course: &Course) -> Option<Pace> {
        let days = (0..STEPS).map(|step| course.at_share(share(step)));
        days.collect::<Option<Vec<f64>>>().map(Pace)
    }

    /// As [`Pace::days`] gave them; `None` if these cannot be such days.
    pub fn from_days(days: Vec<f64>) -> Option<Pace> {
        let sound = days.len() == STEPS && days.iter().all(|d| d.is_finite()) && days.is_sorted();
        sound.then_some(Pace(days))
    }

    pub fn days(&self) -> &[f64] {
        &self.0
    }

    /// Days until this share, between 0.01 and 0.99.
    pub fn at_share(&self, of_fall: f64) -> f64 {
        let last = (STEPS - 1) as f64;
        let at = (of_fall * 100.0 - 1.0).clamp(0.0, last);
        let below = at.floor() as usize;
        let above = (below + 1).min(STEPS - 1);
        self.0[below] + (self.0[above] - self.0[below]) * (at - below as f64)
    }

    /// Share of the fall behind it after so many days; 0.99 is as far as it goes.
    pub fn share_after(&self, days: f64) -> f64 {
        let [first, last] = [0, STEPS - 1].map(|i| self.0[i]);
        if days >= last {
            return share(STEPS - 1);
        }
        if days <= first {
            return if first > 0.0 {
                share(0) * (days / first).max(0.0)
            } else {
                0.0
            };
        }
        let after = self.0.partition_point(|d| *d < days);
        let (x0, x1) = (self.0[after - 1], self.0[after]);
        share(after - 1) + 0.01 * (days - x0) / (x1 - x0)
    }

    /// What of a stretch, as shares, was out by itself: from the first hundredth with such a speed
    /// to the last; all of it where none was.
    pub fn trimmed(&self, from: f64, until: f64, out: impl Fn(f64) -> bool) -> (f64, f64) {
        let within =
            (0..STEPS - 1).filter(|i| share(*i) >= from - 1e-9 && share(i + 1) <= until + 1e-9);
        let mut found = within.filter(|i| {
            let took = self.0[i + 1] - self.0[*i];
            took > 0.0 && out(0.01 / took)
        });
        let Some(first) = found.next() else {
            return (from, until);
        };
        let last = found.last().unwrap_or(first);
        (share(first), share(last + 1))
    }

    /// Share of the fall a day, at a share of it between 0.02 and 0.98.
    pub fn speed_at(&self, of_fall: f64) -> f64 {
        let half = AROUND.min(of_fall - 0.01).min(0.99 - of_fall).max(0.005);
        let took = self.at_share(of_fall + half) - self.at_share(of_fall - half);
        // Hand readings once a week do not tell more than that it was at least so quick.
        2.0 * half / took.max(1.0 / 48.0)
    }
}

//! What a verdict may look at, cut into the stretch of curve that counts now.

use super::FLOAT_SILENT;
use super::floor::{self, Floor};
use super::jar::TestFerment;
use super::slope::Sample;
use super::trued::{self, Float};
use crate::deed::{Deed, What};
use crate::fit::Gaussian;
use crate::fit::noise::median;
use crate::hours::{HOUR_MS, Hour};
use crate::learn::Learned;
use crate::time::{Moment, Span};
use crate::units::{AbvPercent, Gravity};

/// One batch as it is known at some moment.
#[derive(Clone, Copy, Debug)]
pub struct Case<'a> {
    /// In time order.
    pub hours: &'a [Hour],
    /// In time order, corrected lines left out; hand readings are among them.
    pub deeds: &'a [Deed],
    /// Pitch. `None`: the first reading.
    pub started: Option<Moment>,
    pub original: Option<Gravity>,
    pub expected_final: Option<Gravity>,
    pub tolerance: Option<AbvPercent>,
    /// What finished batches have taught.
    pub learned: Option<&'a Learned>,
}

/// The stretch of curve since the last deed that moved the gravity itself.
pub(super) struct Stretch {
    pub from: Moment,
    pub pitched: Moment,
    /// What began it.
    pub began: What,
    /// Since the last deed that disturbs (also nutrient, rousing, racking): flatness counts from here.
    pub quiet_from: Moment,
    /// Points of the stretch; `days` counts from `from`.
    pub samples: Vec<Sample>,
    /// When the float came to read higher at once, days: what is lower since then only because that was
    /// taken out of the samples has not been seen to fall.
    pub lifts: Vec<f64>,
    /// No float: the points are the hand readings.
    pub by_hand: bool,
    /// The smallest step the instrument shows, SG.
    pub step: f64,
    /// Drift a day that the instrument may have by itself, SG.
    pub drift_sd: f64,
    /// Error of the level itself, SG.
    pub level_sd: f64,
    /// The last reading of any kind, of this stretch or an earlier one.
    pub last: Moment,
}

/// Stands where no temperature is known: only changes of it count.
const UNKNOWN_CELSIUS: f64 = 20.0;
/// Error of one hand reading, SG.
const HAND_SD: f64 = 0.000_7;
/// What a hydrometer's divisions let one see.
const HAND_STEP: f64 = 0.001;
/// A hand reading within this of the float's last word was taken beside it: it says nothing of the
/// silence after it.
const BESIDE: Span = Span::hours(12);
/// After a deed the liquid needs to mix and the float to shed bubbles before its level counts.
const MIXING: Span = Span::hours(3);

/// What stirs the liquid or the float without moving the gravity itself: flatness counts anew.
const DISTURBS: &[What] = &[
    What::Nutrient,
    What::Rouse,
    What::PushDown,
    What::TakeOut,
    What::Rack,
    What::Split,
    What::Fine,
    What::Carbonate,
];

/// An addition shows in the gravity within this.
const LIFT_WITHIN: Span = Span::hours(24);

pub(super) fn days_since(from: Moment, at: Moment) -> f64 {
    at.since(from).as_days()
}

/// The finest difference these hours show, SG.
pub(super) fn finest_step(hours: &[Hour]) -> f64 {
    let mut seen: Vec<f64> = hours
        .iter()
        .filter_map(|h| h.gravity)
        .flat_map(|g| [g.min, g.max])
        .collect();
    seen.sort_unstable_by(f64::total_cmp);
    let finest = seen
        .windows(2)
        .map(|w| w[1] - w[0])
        .filter(|d| *d > 5e-6)
        .min_by(f64::total_cmp);
    finest.unwrap_or(HAND_STEP).clamp(2e-5, 0.002)
}

impl Case<'_> {
    /// The original gravity as it would have been with everything in it that came later: what an
    /// addition lifts the gravity by is sugar that gives alcohol too.
    fn original_with_additions(&self, now: Moment) -> Option<Gravity> {
        let lifted: f64 = self
            .done(now)
            .filter(|d| matches!(d.what, What::Addition | What::Blend | What::Sweeten))
            .filter_map(|d| {
                let before = *self.gravities(d.at - LIFT_WITHIN, d.at).last()?;
                let measured = d.gravity.map(Gravity::get);
                let after = measured.or_else(|| {
                    let until = (d.at + LIFT_WITHIN).min(now);
                    let after = self.gravities(d.at + MIXING, until);
                    after.into_iter().max_by(f64::total_cmp)
                })?;
                Some((after - before).max(0.0))
            })
            .sum();
        self.original.map(|o| Gravity::computed(o.get() + lifted))
    }

    /// The hours' middles between two instants, and without any the hand readings.
    fn gravities(&self, from: Moment, to: Moment) -> Vec<f64> {
        let begin = self.hours.partition_point(|h| h.index * HOUR_MS < from.0);
        let end = self.hours.partition_point(|h| h.index * HOUR_MS <= to.0);
        let hours = self.hours.get(begin..end).unwrap_or_default();
        let float = hours.iter().filter_map(|h| h.gravity).map(|g| g.median);
        let float: Vec<f64> = float.collect();
        if !float.is_empty() {
            return float;
        }
        let hand = self
            .deeds
            .iter()
            .filter(|d| d.what == What::HandReading && d.at >= from && d.at <= to);
        hand.filter_map(|d| d.gravity).map(Gravity::get).collect()
    }

    /// What a yeast without a label bears and how far honey ferments, from finished batches if there are any.
    pub(super) fn believed(&self) -> (Gaussian, Gaussian) {
        self.learned
            .map_or((floor::STRENGTH, floor::DRY_ATTENUATION), |l| {
                (l.belief.strength, l.belief.attenuation)
            })
    }

    /// What the yeast bears, by its label or from elsewhere.
    pub(super) fn bears(&self) -> Gaussian {
        floor::bears(self.tolerance, self.believed().0)
    }

    pub(super) fn floor(&self, now: Moment, jar: Option<&TestFerment>) -> Option<Floor> {
        if let Some(end) = jar.and_then(TestFerment::end) {
            return Some(Floor::measured(end));
        }
        let (_, attenuation) = self.believed();
        Floor::new(
            self.original_with_additions(now),
            self.expected_final,
            self.bears(),
            attenuation,
        )
    }

    /// Where it would end if the yeast took all it can; `None` without an original gravity.
    pub(super) fn dry(&self, now: Moment) -> Option<Floor> {
        let (_, attenuation) = self.believed();
        self.original_with_additions(now)
            .map(|o| Floor::dry(o, attenuation))
    }

    /// Deeds up to `now`.
    pub(super) fn done(&self, now: Moment) -> impl DoubleEndedIterator<Item = &Deed> {
        self.deeds.iter().filter(move |d| d.at <= now)
    }

    pub(super) fn last_deed(&self, now: Moment, what: &[What]) -> Option<&Deed> {
        self.done(now).rev().find(|d| what.contains(&d.what))
    }

    /// The first deed of a kind after an instant.
    pub(super) fn first_deed_after(
        &self,
        after: Option<Moment>,
        now: Moment,
        what: &[What],
    ) -> Option<&Deed> {
        self.done(now)
            .find(|d| what.contains(&d.what) && after.is_none_or(|a| d.at > a))
    }

    pub(super) fn last_hand(&self, now: Moment) -> Option<(Moment, f64)> {
        let deed = self
            .done(now)
            .rev()
            .find(|d| d.what == What::HandReading && d.gravity.is_some())?;
        Some((deed.at, deed.gravity?.get()))
    }

    pub(super) fn stretch(&self, float: &Float, now: Moment) -> Option<Stretch> {
        let first = self.first_reading(now)?;
        let pitch = self.started.unwrap_or(first);
        let mover = self.last_deed(
            now,
            &[What::Pitch, What::Addition, What::Blend, What::Sweeten],
        );
        let (from, began) = match mover {
            Some(d) if d.what != What::Pitch => (d.at.max(pitch), d.what),
            Some(d) => (d.at, What::Pitch),
            None => (pitch, What::Pitch),
        };
        let disturbed = self
            .last_deed(now, DISTURBS)
            .map_or(from, |d| d.at.max(from));
        let mut stretch = Stretch {
            from,
            pitched: pitch.min(from),
            began,
            quiet_from: disturbed + MIXING,
            samples: Vec::new(),
            lifts: float.lifts().map(|at| days_since(from, at)).collect(),
            by_hand: false,
            step: HAND_STEP,
            drift_sd: float.drift_sd(),
            level_sd: float.level_sd(now),
            last: first,
        };
        self.take_hours(&mut stretch, float, now);
        // A float that has fallen silent gives way to the hydrometer.
        let spoke = stretch
            .samples
            .last()
            .map(|s| from + Span::from_days(s.days))
            .map(|at| float.dead_since(FLOAT_SILENT, now).unwrap_or(at));
        let silent = spoke.is_none_or(|at| now.since(at) > FLOAT_SILENT);
        let read_since = self
            .last_hand(now)
            .is_some_and(|(at, _)| spoke.is_none_or(|s| at > s + BESIDE));
        if silent && read_since {
            stretch.samples.clear();
            self.take_hand_readings(&mut stretch, now);
        }
        stretch.last = self.last_reading(now).unwrap_or(first);
        // A float that sends one value for ever has fallen silent, whatever it sends.
        if let Some(dead) = float.dead_since(FLOAT_SILENT, now)
            && !stretch.by_hand
        {
            stretch.last = stretch.last.min(dead);
        }
        Some(stretch)
    }

    fn first_reading(&self, now: Moment) -> Option<Moment> {
        let float = self.hours.iter().find_map(|h| h.gravity.map(|g| g.at));
        let hand = self
            .done(now)
            .find(|d| d.what == What::HandReading && d.gravity.is_some())
            .map(|d| d.at);
        [float, hand]
            .into_iter()
            .flatten()
            .min()
            .filter(|at| *at <= now)
    }

    fn last_reading(&self, now: Moment) -> Option<Moment> {
        let end = self.hours.partition_point(|h| h.index * HOUR_MS <= now.0);
        let float = self.hours[..end]
            .iter()
            .rev()
            .filter_map(|h| h.gravity)
            .find(|g| g.at <= now)
            .map(|g| g.at);
        float.max(self.last_hand(now).map(|(at, _)| at))
    }

    fn take_hours(&self, stretch: &mut Stretch, float: &Float, now: Moment) {
        // A pitch stirs nothing that is not settled within the hour; additions do. Until an
        // addition has had its time, the readings at hand must do.
        let settle = if stretch.began == What::Pitch || now < stretch.from + MIXING + MIXING {
            Span::ZERO
        } else {
            MIXING
        };
        let from = stretch.from + settle;
        let start = self
            .hours
            .partition_point(|h| h.index * HOUR_MS + HOUR_MS <= from.0);
        let first = self.hours[start..].iter().find_map(|h| h.temperature);
        let mut celsius = first.map_or(UNKNOWN_CELSIUS, |t| t.median);
        for (hour, gravity) in trued::gravities(&self.hours[start..], float) {
            if let Some(t) = hour.temperature {
                celsius = t.median;
            }
            let Some(g) = hour.gravity else {
                continue;
            };
            if g.at > now {
                break;
            }
            if g.at < from {
                continue;
            }
            stretch.samples.push(Sample {
                days: days_since(stretch.from, g.at),
                gravity,
                weight: f64::from(g.n),
                celsius,
            });
        }
        if !stretch.samples.is_empty() {
            stretch.step = self.step(now);
        }
    }

    fn take_hand_readings(&self, stretch: &mut Stretch, now: Moment) {
        stretch.by_hand = true;
        stretch.drift_sd = 0.0;
        stretch.level_sd = HAND_SD;
        stretch.step = HAND_STEP;
        let readings = self
            .done(now)
            .filter(|d| d.what == What::HandReading && d.at >= stretch.from);
        for deed in readings {
            let Some(gravity) = deed.gravity else {
                continue;
            };
            let sample = Sample {
                days: days_since(stretch.from, deed.at),
                gravity: gravity.get(),
                weight: 1.0,
                // Already corrected to 20 °C.
                celsius: UNKNOWN_CELSIUS,
            };
            // Written down twice, it is still one reading.
            if stretch.samples.last() != Some(&sample) {
                stretch.samples.push(sample);
            }
        }
    }

    /// The finest difference the float has shown lately; a float that rounds to 0.001 can hide
    /// more than one that shows 0.0001.
    fn step(&self, now: Moment) -> f64 {
        let end = self.hours.partition_point(|h| h.index * HOUR_MS <= now.0);
        finest_step(&self.hours[end.saturating_sub(14 * 24)..end])
    }

    /// Mean temperature over a window, °C.
    pub(super) fn temperature(&self, from: Moment, to: Moment) -> Option<f64> {
        let (mut sum, mut n) = (0.0, 0u32);
        let start = self
            .hours
            .partition_point(|h| h.index * HOUR_MS < from.0 - HOUR_MS);
        for h in &self.hours[start..] {
            if h.index * HOUR_MS > to.0 {
                break;
            }
            if let Some(t) = h.temperature {
                sum += t.median;
                n += 1;
            }
        }
        (n > 0).then(|| sum / f64::from(n))
    }
}

impl Stretch {
    /// Samples of the last `days` up to the last sample.
    pub fn window(&self, days: f64) -> &[Sample] {
        let Some(last) = self.samples.last() else {
            return &[];
        };
        // A hair more, so that a window of whole days keeps its first hour.
        let from = last.days - days - 1e-9;
        &self.samples[self.samples.partition_point(|s| s.days < from)..]
    }

    /// The end of the curve: back to where it was `up` higher than now, within these days, since the
    /// last disturbance.
    pub fn end(&self, up: f64, shortest: f64, longest: f64) -> &[Sample] {
        let samples = self.quiet_window(longest);
        let (Some(last), Some(level)) = (samples.last(), self.level()) else {
            return samples;
        };
        let sure = samples.partition_point(|s| s.days < last.days - shortest);
        // One high reading is a spike; three hours running are the curve.
        let high = |w: &[Sample]| w.iter().all(|s| s.gravity > level + up);
        let from = samples[..sure]
            .windows(3)
            .rposition(high)
            .map_or(0, |i| i + 1);
        &samples[from..]
    }

    /// As [`Stretch::window`], but only since the last disturbance.
    pub fn quiet_window(&self, days: f64) -> &[Sample] {
        let quiet = days_since(self.from, self.quiet_from);
        let window = self.window(days);
        &window[window.partition_point(|s| s.days < quiet)..]
    }

    /// As [`Stretch::quiet_window`], from the sample before it on: of a feed that speaks rarely, a
    /// window begins with what was known by then.
    pub fn quiet_window_from_before(&self, days: f64) -> &[Sample] {
        let within = self.quiet_window(days);
        let all = self.quiet_window(f64::INFINITY);
        &all[all.len().saturating_sub(within.len() + 1)..]
    }

    /// Level now: the median of the last half day; of a feed that speaks more rarely, its last word.
    pub fn level(&self) -> Option<f64> {
        let recent = self.window(0.5);
        if recent.len() < 3 || self.by_hand {
            return self.samples.last().map(|s| s.gravity);
        }
        let mut values: Vec<f64> = recent.iter().map(|s| s.gravity).collect();
        Some(median(&mut values))
    }

    /// Usual spacing of the latest samples, days.
    pub fn spacing(&self) -> f64 {
        let latest = &self.samples[self.samples.len().saturating_sub(10)..];
        let mut gaps: Vec<f64> = latest.windows(2).map(|w| w[1].days - w[0].days).collect();
        gaps.sort_unstable_by(f64::total_cmp);
        gaps.get(gaps.len() / 2).copied().unwrap_or(0.0)
    }

    /// Level in the half day before an instant, SG.
    pub fn level_at(&self, at: Moment) -> Option<f64> {
        let days = days_since(self.from, at) + 1e-9;
        let end = self.samples.partition_point(|s| s.days <= days);
        let begin = self.samples.partition_point(|s| s.days < days - 0.5);
        if end == 0 {
            return self.first_level();
        }
        if self.by_hand || end <= begin {
            return self.samples[..end].last().map(|s| s.gravity);
        }
        let mut values: Vec<f64> = self.samples[begin..end].iter().map(|s| s.gravity).collect();
        Some(median(&mut values))
    }

    /// Robust level at the start of the stretch: the highest of the medians of its first quarter
    /// days, since a float may need hours to settle but gravity does not rise by itself.
    pub fn first_level(&self) -> Option<f64> {
        let first = self.samples.first()?.days;
        let mut early: Vec<f64> = self
            .samples
            .iter()
            .take_while(|s| s.days <= first + 1.0)
            .map(|s| s.gravity)
            .collect();
        early.sort_unstable_by(f64::total_cmp);
        early.get(early.len() * 3 / 4).copied()
    }

    /// Longest gap between samples in a window, and from its last sample to now, days.
    pub fn longest_gap(&self, window: &[Sample], now: Moment) -> f64 {
        let inner = window
            .windows(2)
            .map(|w| w[1].days - w[0].days)
            .fold(0.0, f64::max);
        let tail = window
            .last()
            .map_or(f64::INFINITY, |s| days_since(self.from, now) - s.days);
        inner.max(tail)
    }
}

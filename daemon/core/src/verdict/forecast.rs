//! The fitted curves as the verdict needs them: kept between assessments, since an hour more of
//! readings hardly moves a curve and a fit costs a thousand times a slope.

use super::calibrated;
use super::case::{Case, Stretch, days_since};
use super::floor::Floor;
use super::gates;
use super::outcome::{BandPoint, Range, Spread};
use super::pace::Pace;
use crate::deed::What;
use crate::fit::curve::Family;
use crate::fit::{Fitted, Gaussian, Outlook, Point, Prior, Refusal, Shapes, fit_with};
use crate::time::{Moment, Span};

/// Most points given to a fit; more are merged, which changes nothing but the time it takes.
const POINTS: usize = 300;
/// SG that may be left when it counts as settled.
pub(super) const SETTLED_WITHIN: f64 = 0.001;
/// A float's scatter within an hour when nothing better is known, SG; the fit corrects it.
const NOISE: f64 = 0.0006;
/// A hand reading's, half a division.
const HAND_NOISE: f64 = 0.0005;
/// No family has quite the true shape: a curve may miss a point by this share of its distance
/// from the present level. So the tail, which the verdict is about, outweighs the fall behind it.
/// Our engineering choice, of the size of the misfits on the open wine series.
const SHAPE: f64 = 0.03;
/// The prior of the end against the floor's spread. Our engineering choice.
const WIDER: f64 = 1.3;
/// How far a must of unknown original gravity may fall, SG. Our engineering choice: 7 to 16 % vol.
const UNKNOWN_FALL: f64 = 0.085;
const UNKNOWN_FALL_SD: f64 = 0.020;
/// Forecast drawn at most this far ahead.
const AHEAD: Span = Span::days(45);
/// Points of the curve handed to the page.
const DRAWN: usize = 72;

#[derive(Debug)]
pub(super) struct Forecast {
    from: Moment,
    /// It began at the pitch.
    pitched: bool,
    /// Days of the last sample and number of samples when it was made.
    made_at: f64,
    samples: usize,
    /// The curves run on yeast's own time.
    pace: Pace,
    fitted: Result<Fitted, Refusal>,
    /// The curves at the moment it is asked about.
    outlook: Option<Outlook>,
    /// Their own end, SG.
    end: Option<f64>,
    time_constant: Option<f64>,
    /// Where a jar of it ended, SG.
    jar: Option<f64>,
    /// Days at which it settles and at which the rack gate's share of the fall is over. Kept,
    /// since they cost a search along every drawn curve.
    settles: Option<f64>,
    racks: Option<f64>,
}

impl Forecast {
    pub fn new(case: &Case, stretch: &Stretch, floor: Option<&Floor>) -> Forecast {
        let pace = Pace::new(case, stretch);
        let points = thin(stretch, &pace);
        let prior = prior(case, stretch, floor);
        let fitted = match prior {
            Some(prior) => {
                let broad = Shapes::broad(prior.ln_rate);
                let shapes = case
                    .learned
                    .map_or(broad, |l| broad.taught(&l.belief.families));
                fit_with(&points, &prior, &shapes)
            }
            None => Err(Refusal::TooFew {
                have: points.len(),
                need: 4,
            }),
        };
        let time_constant = fitted.as_ref().ok().map(|f| {
            let tau = f.range(|curve| {
                let t = curve.time_within(0.03 * curve.left_after(0.0));
                curve.left_after(t) / curve.rate(t).max(1e-9)
            });
            // Leaning to the slow side: a time constant taken too short opens gates too early.
            pace.span(0.5 * (tau.mid + tau.high))
        });
        let end = fitted.as_ref().ok().map(|f| f.final_gravity().mid);
        let made_at = stretch.samples.last().map_or(0.0, |s| s.days);
        let settles = fitted
            .as_ref()
            .ok()
            .and_then(|f| f.settles(SETTLED_WITHIN, pace.clock(made_at)))
            .map(|spread| pace.days(spread.mid));
        let racks = fitted.as_ref().ok().map(|f| {
            let share = 1.0 - gates::RACK_FROM;
            pace.days(f.range(|c| c.time_within(share * c.left_after(0.0))).mid)
        });
        Forecast {
            from: stretch.from,
            pitched: stretch.began == What::Pitch,
            made_at,
            samples: stretch.samples.len(),
            pace,
            fitted,
            outlook: None,
            end,
            time_constant,
            jar: floor.and_then(Floor::jar),
            settles,
            racks,
        }
    }

    /// Whether this still speaks for the stretch as it is now. A mead that has stopped needs no
    /// fresh forecast, only now and then a curve for the page.
    pub fn still_good(&self, stretch: &Stretch, floor: Option<&Floor>, stopped: bool) -> bool {
        let now = stretch.samples.last().map_or(0.0, |s| s.days);
        let grown = stretch.samples.len().saturating_sub(self.samples) as f64;
        let (share, most) = if stopped { (0.1, 7.0) } else { (0.04, 2.0) };
        let patience = (share * self.made_at).clamp(0.125, most);
        self.from == stretch.from
            && self.jar == floor.and_then(Floor::jar)
            && (self.made_at..self.made_at + patience).contains(&now)
            // Readings that arrived late, in the middle, change the curve too.
            && grown <= 24.0 * patience + 2.0
            && stretch.samples.len() >= self.samples
    }

    /// Everything asked from here on is asked of this moment.
    pub fn look(&mut self, now: Moment) {
        let clock = self.clock(now);
        self.outlook = self.fitted.as_ref().ok().map(|f| f.outlook(clock));
    }

    fn days(&self, at: Moment) -> f64 {
        days_since(self.from, at)
    }

    fn clock(&self, at: Moment) -> f64 {
        self.pace.clock(self.days(at))
    }

    fn moment(&self, days: f64) -> Moment {
        self.from + Span::from_days(days)
    }

    pub fn refused(&self) -> Option<String> {
        self.fitted.as_ref().err().map(ToString::to_string)
    }

    pub fn time_constant(&self) -> Option<f64> {
        self.time_constant
    }

    pub fn final_gravity(&self) -> Option<Spread<f64>> {
        match self.jar {
            Some(jar) => Some(calibrated::beside_a_jar(jar)),
            None => Some(calibrated::end(self.end?, self.share()?)),
        }
    }

    /// The curves' own end, SG.
    pub fn end(&self) -> Option<f64> {
        self.end
    }

    /// Share of the fall that is over.
    fn share(&self) -> Option<f64> {
        self.outlook.as_ref().map(|o| o.done)
    }

    pub fn left(&self) -> Option<Range<f64>> {
        let left = self.outlook.as_ref()?.left();
        Some(Range {
            mid: left.mid.max(0.0),
            low: left.low.max(0.0),
            high: left.high.max(0.0),
        })
    }

    /// Odds that more than this is left, SG, by the curves.
    pub fn odds_more_left(&self, left: f64) -> Option<f64> {
        self.outlook.as_ref().map(|o| o.odds_more_left(left))
    }

    /// When it comes within 0.001 of its end, not before `now`. `None` when that is open.
    pub fn settles(&self, now: Moment) -> Option<Spread<Moment>> {
        let today = self.days(now);
        let to_go = self.settles? - today;
        let spread = calibrated::to_go(to_go, self.share()?, self.jar.is_some());
        Some(spread.map(|days| self.moment(today + days)))
    }

    /// When the rack gate's share of the fall is over by the middle curve; not before `now`.
    pub fn racks(&self, now: Moment) -> Option<Moment> {
        let days = self.racks.filter(|d| d.is_finite() && *d < 400.0)?;
        Some(self.moment(days).max(now))
    }

    pub fn families(&self) -> Option<Vec<(Family, Vec<f64>)>> {
        let fitted = self.fitted.as_ref().ok().filter(|_| self.pitched)?;
        Some(
            fitted
                .families
                .iter()
                .map(|f| (f.family, f.params.clone()))
                .collect(),
        )
    }

    /// The curve from the start of the stretch, and unless it has stopped the forecast.
    pub fn curve(&self, now: Moment, stopped: bool) -> Vec<BandPoint> {
        let Ok(fitted) = &self.fitted else {
            return Vec::new();
        };
        let today = self.days(now);
        let until = if stopped {
            today
        } else {
            let far = self.settles.unwrap_or(today + 14.0) + 3.0;
            (far + 1.0).clamp(today + 2.0, today + AHEAD.as_days())
        };
        (0..DRAWN)
            .map(|i| {
                let days = until * i as f64 / (DRAWN - 1) as f64;
                let band = fitted.at(self.pace.clock(days));
                // Five decimals are finer than any float; more would only swell the database.
                let round = |v: f64| (v * 1e5).round() / 1e5;
                BandPoint {
                    at: self.moment(days),
                    mid: round(band.mid),
                    low: round(band.low),
                    high: round(band.high),
                }
            })
            .collect()
    }
}

/// Merges neighbours until few enough are left.
fn thin(stretch: &Stretch, pace: &Pace) -> Vec<Point> {
    let samples = &stretch.samples;
    let sd = if stretch.by_hand { HAND_NOISE } else { NOISE };
    let Some(last) = samples.last() else {
        return Vec::new();
    };
    let width = if samples.len() <= POINTS {
        0.0
    } else {
        (last.days - samples[0].days) / POINTS as f64
    };
    let level = stretch.level().unwrap_or(last.gravity);
    let mut points: Vec<Point> = Vec::with_capacity(samples.len().min(POINTS + 1));
    let mut begin = 0;
    while begin < samples.len() {
        let until = samples[begin].days + width;
        let mut end = begin + 1;
        while end < samples.len() && samples[end].days < until {
            end += 1;
        }
        let group = &samples[begin..end];
        let n = group.len() as f64;
        let gravity = group.iter().map(|s| s.gravity).sum::<f64>() / n;
        points.push(Point {
            days: pace.clock(group.iter().map(|s| s.days).sum::<f64>() / n),
            gravity,
            sd: sd.hypot(SHAPE * (gravity - level)),
        });
        begin = end;
    }
    points
}

fn prior(case: &Case, stretch: &Stretch, floor: Option<&Floor>) -> Option<Prior> {
    let measured = stretch.first_level();
    let (start, sd) = match (stretch.began, case.original) {
        (What::Pitch, Some(original)) => (original.get(), 0.002),
        // Without a measured start, or after an addition whose size is not known to the point,
        // the first readings stand in for it.
        _ => (measured?, 0.004),
    };
    let prior = Prior::from_original(start);
    let prior = Prior {
        original: Gaussian { mean: start, sd },
        ..prior
    };
    Some(match floor {
        // Wider than the floor: what the readings say about the end shall outweigh it.
        Some(floor) if floor.mid < start => prior.expecting(floor.mid, WIDER * floor.sd),
        // Nothing is known of the level, so nothing may hang on it: only on how far it can fall.
        _ => prior.expecting(start - UNKNOWN_FALL, UNKNOWN_FALL_SD),
    })
}

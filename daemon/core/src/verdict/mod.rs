//! The verdict: what is known about one vessel at one moment, and what may be done with it.
//!
//! Three questions are kept apart, and each must be answered on its own:
//!
//! 1. **Is it flat?** Hardly anything can be left, by the end of the curve (`dying`), and the
//!    *upper* end of the fall per day lies below a margin ([`slope`], `tail`). "No significant
//!    fall" would prove nothing.
//! 2. **Is it where it should stop?** The level against the expected floor ([`floor`]). Flat but
//!    high is stuck, however flat.
//! 3. **Does something else explain it?** Cold, a gap in the readings, a float that is stuck.
//!
//! The readings are put right by hand readings first (`trued`); curves give the forecast
//! (`forecast`, `calibrated`); a mead that had stopped is watched for a renewed fall (`again`).
//!
//! [`Assessor::assess`] is a function of its arguments and of what it was told before: the same
//! history gives the same verdicts, live or in `replay`.

mod again;
mod calibrated;
mod case;
pub mod course;
mod dying;
pub mod floor;
mod forecast;
mod gates;
pub mod jar;
mod lingering;
pub mod outcome;
mod pace;
mod phase;
pub mod slope;
mod tail;
mod trued;
mod witness;

pub use case::Case;
pub(crate) use gates::WATCH_SWEETENED;
pub(crate) use trued::put_right;

use crate::deed::What;
use crate::density::strength_percent_vol;
use crate::fit::curve::Family;
use crate::fit::{Prior, Shapes};
use crate::learn::Broad;
use crate::text::Style;
use crate::time::{Moment, Span};
use crate::units::{Celsius, Gravity};
use case::{Stretch, days_since};
use forecast::Forecast;
use outcome::{BandPoint, Gates, Memory, Odds, Phase, Range, Verdict};
use tail::{Tail, Told};
use trued::Float;

/// A float that has not spoken for this long tells nothing about now.
const FLOAT_SILENT: Span = Span::hours(36);
/// A resting mead need not be quite as warm as it was to be judged again, K (chosen here).
const LOOK_AGAIN_BELOW: f64 = 1.5;
/// Odds that a mead that stopped in the cold would have stopped anyway (chosen here).
const IN_THE_COLD: f64 = 0.1;
/// Hand readings are taken every few days.
const HAND_SILENT: Span = Span::days(21);

/// Gives verdicts on one batch, one after the other.
#[derive(Debug, Default)]
pub struct Assessor {
    memory: Option<Memory>,
    forecast: Option<Forecast>,
    float: Float,
}

/// Everything the parts look at, gathered once.
pub(crate) struct Evidence<'a> {
    case: &'a Case<'a>,
    now: Moment,
    stretch: Stretch,
    floor: Option<floor::Floor>,
    tail: Tail,
    /// Fall of the last day, the last two and so on.
    falls: Vec<slope::Slope>,
    /// Of a mead that had stopped: it falls, beyond what drift, noise and warmth make believe.
    falls_again: bool,
    /// Cold now, and warmer while it was falling.
    cold: bool,
    /// Mean of the two warmest days of the stretch, °C.
    warm: Option<f64>,
    /// Change against the warm time, K.
    temperature_change: Option<f64>,
    temperature: Option<f64>,
}

/// What is believed of a mead with no batch to learn from.
pub fn broad() -> Broad {
    Broad {
        families: Shapes::broad(Prior::from_original(1.1).ln_rate).rows(),
        strength: floor::STRENGTH,
        attenuation: floor::DRY_ATTENUATION,
    }
}

impl Assessor {
    /// Goes on from a stored verdict's memory.
    pub fn resume(memory: Option<Memory>) -> Assessor {
        Assessor {
            memory,
            ..Assessor::default()
        }
    }

    pub fn assess(&mut self, case: &Case, now: Moment, style: &Style) -> Verdict {
        self.float.look(case, now);
        let Some(stretch) = case.stretch(&self.float, now) else {
            return self.unknown(Phase::NoData, case, now, None, style);
        };
        let limit = if stretch.by_hand {
            HAND_SILENT
        } else {
            FLOAT_SILENT
        };
        if now.since(stretch.last) > limit {
            return self.unknown(Phase::NoData, case, now, Some(stretch.last), style);
        }
        if stretch.samples.is_empty() {
            // Just pitched or added to: the readings of the new stretch are on their way.
            return self.unknown(Phase::Lag, case, now, Some(stretch.last), style);
        }
        let seen = self.float.seen(now).filter(|_| !stretch.by_hand);
        let jar = case.test_ferment(now, stretch.level());
        let floor = case.floor(now, jar.as_ref());
        let stopped = self
            .memory
            .is_some_and(|m| m.stretch == stretch.from && m.phase.is_still());
        let kept = self
            .forecast
            .take()
            .filter(|f| f.still_good(&stretch, floor.as_ref(), stopped));
        let forecast = kept.unwrap_or_else(|| Forecast::new(case, &stretch, floor.as_ref()));
        let forecast = self.forecast.insert(forecast);
        forecast.look(now);
        let evidence = gather(case, now, stretch, floor, forecast, self.memory);
        let memory = phase::step(self.memory, &evidence, forecast);
        self.memory = Some(memory);
        let mut verdict = conclude(&evidence, forecast, memory, style);
        verdict.float = seen;
        verdict.test_ferment = jar;
        verdict
    }

    /// The fitted curve up to now and the forecast after it, for the page. Not part of
    /// [`Assessor::assess`] because drawing it costs more than the verdict itself.
    pub fn curve(&self, verdict: &Verdict) -> Vec<BandPoint> {
        let stopped = verdict.phase.is_still() || verdict.phase == Phase::NoData;
        self.forecast
            .as_ref()
            .map_or_else(Vec::new, |f| f.curve(verdict.at, stopped))
    }

    /// The best curve of each family, to learn from. `None` unless the curve began at the pitch:
    /// what came after an addition tells little of the next batch.
    pub fn families(&self) -> Option<Vec<(Family, Vec<f64>)>> {
        self.forecast.as_ref()?.families()
    }

    /// Nothing to judge from. What was known stays known: after the silence it goes on from there.
    fn unknown(
        &mut self,
        phase: Phase,
        case: &Case,
        now: Moment,
        last: Option<Moment>,
        style: &Style,
    ) -> Verdict {
        self.forecast = None;
        let jar = case.test_ferment(now, None);
        let gates = gates::silent(case, now, last, style);
        Verdict {
            at: now,
            phase,
            gravity: None,
            fall_per_day: None,
            left_to_fall: None,
            settles_at: None,
            final_gravity: None,
            expected_end: case
                .floor(now, jar.as_ref())
                .map(|f| Gravity::computed(f.mid)),
            looked_at: None,
            last_reading: last,
            temperature: None,
            temperature_change: None,
            gates,
            no_curve_because: None,
            curve: Vec::new(),
            end_unsure: false,
            look_again_at: None,
            odds: None,
            float: self.float.seen(now),
            test_ferment: jar,
            memory: self.memory,
        }
    }
}

/// Above the middle of where it would end dry by more than this many spreads there may be sugar in
/// it. Stricter than what is called settled: this one bursts bottles.
const SWEET: f64 = 0.8;
/// So far above where a jar of it ended there is sugar that yeast can take, SG. Chosen here: what two
/// readings may be off, and a gram of gas per litre.
const ABOVE_ITS_JAR: f64 = 0.001_5;
/// A yeast thought to bear so much more than it has made, % vol, has not stopped at its limit.
const BEARS_MORE: f64 = 0.5;
/// A pitch noted so soon after the mead was started is that very pitch, written down.
const ONE_PITCH: Span = Span::days(1);
/// Above this it is sweet, where the original gravity is not known. Common practice, no source.
const UNKNOWN_DRY: f64 = 0.998;
/// So much colder than its warmest days, K, and below this, °C, it is too cold to judge.
const COLDER: f64 = -3.0;
const COLD: f64 = 14.0;
/// No tail is looked at further back than this.
const LONGEST_LOOK: Span = Span::days(28);
/// Windows in which a fall is looked for, days. Whole days, so that day and night cancel.
const WINDOWS: [f64; 4] = [1.0, 2.0, 4.0, 8.0];

fn gather<'a>(
    case: &'a Case<'a>,
    now: Moment,
    stretch: Stretch,
    floor: Option<floor::Floor>,
    forecast: &Forecast,
    memory: Option<Memory>,
) -> Evidence<'a> {
    let memory = memory.filter(|m| m.stretch == stretch.from);
    let creeping = memory.is_some_and(|m| m.creeping);
    let still = memory.is_some_and(|m| m.phase.is_still());
    let warm = warmest_days(case, &stretch, now);
    let mut stretch = stretch;
    if let Some(until) = cold_until(case, &stretch, warm, now) {
        stretch.quiet_from = stretch.quiet_from.max(until);
    }

    let told = Told {
        settled_for: memory
            .filter(|m| m.phase == Phase::Settled)
            .map(|m| now.since(m.since)),
        wary: memory.is_some_and(wary),
        fell_again: memory.is_some_and(|m| m.restarted_at.is_some()),
    };
    let tail = Tail::new(&stretch, forecast, floor.as_ref(), told, now);
    let windows: &[f64] = if stretch.by_hand {
        &[10.0, 21.0, 42.0]
    } else {
        &WINDOWS
    };
    let falls = windows
        .iter()
        .filter_map(|days| slope::slope(stretch.window(*days), stretch.step, stretch.drift_sd))
        .collect();
    let restarted = memory.is_some_and(|m| m.phase == Phase::Restarted);
    let looked_for = still || tail.flat || creeping || restarted;
    let suspected = memory.is_some_and(|m| m.suspected_since.is_some());
    let falls_again = !stretch.by_hand && looked_for && again::falls_again(&stretch, suspected);
    let last = stretch.last;
    let temperature = case.temperature(last - Span::days(1), last);
    let lately = case.temperature(last - Span::from_days(tail.window.max(2.0)), last);
    let temperature_change = lately.zip(warm).map(|(l, w)| l - w);
    let cold = lately.zip(warm).is_some_and(|(l, w)| is_cold(l, w));
    Evidence {
        case,
        now,
        stretch,
        floor,
        tail,
        falls,
        falls_again,
        cold,
        warm,
        temperature_change,
        temperature,
    }
}

/// What had stopped once already without having ended may do so again: it must be seen still for
/// longer. It crept down after it was settled, it fell again, or it is stuck and only a slow fall
/// (or a dip of the float) brings it within reach of its end.
fn wary(memory: Memory) -> bool {
    memory.creeping
        || memory.restarted_at.is_some()
        || matches!(memory.phase, Phase::Stuck | Phase::Resting)
}

/// Too cold to tell an end from a rest, where its warmest days were so warm, °C. Common practice, no
/// source: most wine yeasts all but stop somewhere below 12 to 14 °C.
fn is_cold(celsius: f64, warm: f64) -> bool {
    celsius - warm <= COLDER && celsius < COLD
}

/// When it was last too cold, if it no longer is: lying still until then proves nothing.
fn cold_until(case: &Case, stretch: &Stretch, warm: Option<f64>, now: Moment) -> Option<Moment> {
    let day = Span::days(1);
    let cold = |to: Moment| {
        let mean = case.temperature(to - day, to);
        mean.zip(warm).is_some_and(|(t, w)| is_cold(t, w))
    };
    let mut to = stretch.last;
    if cold(to) {
        return None;
    }
    let from = stretch.from.max(now - LONGEST_LOOK);
    while to - day >= from {
        if cold(to - day) {
            return Some(to - day);
        }
        to = to - day;
    }
    None
}

/// The warmest mean of two days since the pitch or the last addition.
fn warmest_days(case: &Case, stretch: &Stretch, now: Moment) -> Option<f64> {
    let mut warmest: Option<f64> = None;
    let mut from = stretch.from;
    while from < now {
        let to = from + Span::days(2);
        if let Some(t) = case.temperature(from, to.min(now)) {
            warmest = Some(warmest.map_or(t, |w| w.max(t)));
        }
        from = to;
    }
    warmest
}

fn conclude(e: &Evidence, forecast: &Forecast, memory: Memory, style: &Style) -> Verdict {
    let fall = e.shown_fall();
    let level = e.level();
    let stopped = memory.phase.is_still();
    // Stuck: a curve that has levelled off claims that nothing is left, and that is just what is
    // not known. What the floor says stands instead.
    let stuck = matches!(memory.phase, Phase::Stuck | Phase::Resting);
    let (left, end) = if memory.phase == Phase::Restarted {
        // The curves and the tail are of the fall that was over.
        (None, None)
    } else if stuck {
        (e.left_above_floor(), None)
    } else {
        (e.left(forecast), forecast.final_gravity())
    };
    let gates = Gates {
        rack: gates::rack(e, forecast, &memory, style),
        stabilise: gates::stabilise(e, forecast, &memory, style),
        seal: gates::seal(e, forecast, &memory, style),
    };
    Verdict {
        at: e.now,
        phase: memory.phase,
        gravity: level.map(Gravity::computed),
        fall_per_day: fall.map(|f| f.range()),
        left_to_fall: left,
        settles_at: if stopped || memory.phase == Phase::Restarted {
            None
        } else {
            forecast.settles(e.now)
        },
        final_gravity: end,
        expected_end: e.floor.map(|f| Gravity::computed(f.mid)),
        looked_at: fall.map(|f| Span::from_days(f.span)),
        last_reading: Some(e.stretch.last),
        temperature: e.temperature.map(Celsius::computed),
        temperature_change: e.temperature_change,
        gates,
        no_curve_because: forecast.refused(),
        curve: Vec::new(),
        end_unsure: memory.phase == Phase::Stuck && e.end_unsure(),
        look_again_at: e.look_again_at().filter(|_| memory.phase == Phase::Resting),
        odds: Some(e.odds(forecast)).filter(|_| memory.phase != Phase::Restarted),
        float: None,
        test_ferment: None,
        memory: Some(memory),
    }
}

impl Evidence<'_> {
    /// The fall worth showing: of the shortest window in which it is clear, else of the tail's.
    fn shown_fall(&self) -> Option<&slope::Slope> {
        self.clear_fall()
            .or(self.tail.slope.as_ref())
            .or(self.falls.first())
    }

    /// The fall of the shortest window in which gravity surely falls *now*: a longer window in
    /// which it fell faster than a shorter one allows only tells of the past.
    fn clear_fall(&self) -> Option<&slope::Slope> {
        if self.tail.flat {
            return None;
        }
        let mut allowed = f64::INFINITY;
        for fall in &self.falls {
            let range = fall.range();
            if range.mid > allowed {
                return None;
            }
            if range.low > phase::FALLING {
                return Some(fall);
            }
            allowed = allowed.min(range.high);
        }
        None
    }

    fn level(&self) -> Option<f64> {
        self.stretch.level()
    }

    /// What is left: the curves' answer and the tail's own, the worse upper end of the two.
    fn left(&self, forecast: &Forecast) -> Option<Range<f64>> {
        let by_curve = forecast.left();
        let by_tail = self.tail.ends.left();
        match (by_curve, by_tail) {
            (Some(c), Some(t)) if self.tail.flat => {
                // Once flat, the level itself has used up most of what a curve may still claim.
                let high = t.high.max(c.high.min(2.0 * t.high));
                let mid = c.mid.min(t.mid).max(0.0);
                Some(Range {
                    mid,
                    low: 0.0,
                    high,
                })
            }
            (Some(c), _) => Some(c),
            (None, Some(t)) if self.tail.flat => Some(t),
            (None, _) => None,
        }
    }

    /// Odds that more than this is left: the curves' and the tail's own, the worse of the two;
    /// once flat the tail alone, since the level itself has used up what a curve may still claim.
    fn odds_more_left(&self, forecast: &Forecast, left: f64) -> f64 {
        let by_curve = forecast.odds_more_left(left);
        let by_tail = self.tail.ends.odds_more(left);
        match (by_curve, by_tail) {
            (Some(c), Some(t)) if !self.tail.flat => c.max(t),
            (Some(_), Some(t)) => t,
            (None, Some(t)) => t,
            (_, None) => 1.0,
        }
    }

    fn odds(&self, forecast: &Forecast) -> Odds {
        let level = self.level();
        Odds {
            flat: 1.0 - self.tail.slope.map_or(1.0, |s| s.odds_above(phase::FLAT)),
            at_floor: self.floor.zip(level).map(|(f, l)| f.odds_reached(l)),
            nothing_else: if self.cold { IN_THE_COLD } else { 1.0 },
            more_left: self.odds_more_left(forecast, gates::LEFT_TO_STABILISE),
        }
    }

    /// Where it will end, for reckoning how far it has come: the lower of what the curve says and
    /// what is expected. A curve that is levelling off too high (a stall on its way) must not make
    /// little of what is left.
    fn end(&self, forecast: &Forecast) -> Option<f64> {
        let curve = forecast.end();
        let floor = self.floor.map(|f| f.mid);
        match (curve, floor) {
            (Some(c), Some(f)) => Some(c.min(f)),
            (one, other) => one.or(other),
        }
    }

    /// Resting in the cold, it can be judged again a little below where it last worked.
    fn look_again_at(&self) -> Option<Celsius> {
        self.warm.map(|w| Celsius::computed(w - LOOK_AGAIN_BELOW))
    }

    /// Above the middle of the floor, but within what a poor guess of it would allow.
    fn end_unsure(&self) -> bool {
        self.floor
            .zip(self.level())
            .is_some_and(|(f, l)| !f.clearly_above(l))
    }

    /// From the present level down to where it should end.
    fn left_above_floor(&self) -> Option<Range<f64>> {
        let (level, floor) = (self.level()?, self.floor?);
        let to = |end: f64| (level - end).max(0.0);
        let half = 1.645 * floor.sd;
        Some(Range {
            mid: to(floor.mid),
            low: to(floor.mid + half),
            high: to(floor.mid - half),
        })
    }

    /// Sugar that live yeast could still take: it lies above where it would end dry. Where the yeast
    /// may be what ended it, above the lowest end that honey allows.
    fn is_sweet(&self) -> bool {
        match (self.level(), self.case.dry(self.now)) {
            (Some(level), _) if self.above_its_jar(level) => true,
            (Some(level), Some(dry)) if self.may_have_stuck(level) => !dry.nothing_left(level),
            (Some(level), Some(dry)) => level > dry.mid + SWEET * dry.sd,
            (Some(level), None) => level > UNKNOWN_DRY,
            (None, _) => true,
        }
    }

    /// A jar of it went further than this: living yeast may yet do so.
    fn above_its_jar(&self, level: f64) -> bool {
        let jar = self.floor.and_then(|f| f.jar());
        jar.is_some_and(|end| level > end + ABOVE_ITS_JAR)
    }

    /// It had stuck before, or its yeast may be at its limit: where sugar was added, how much alcohol
    /// there is cannot be told from the gravity.
    fn may_have_stuck(&self, level: f64) -> bool {
        let sugar = [What::Addition, What::Blend, What::Sweeten];
        let new_yeast = self
            .case
            .last_deed(self.now, &[What::Pitch])
            .is_some_and(|d| d.at > self.stretch.pitched + ONE_PITCH);
        let bears = self.case.bears();
        let at_its_limit = self.case.original.is_none_or(|o| {
            let made = strength_percent_vol(o, Gravity::computed(level));
            bears.mean - BEARS_MORE < made
        });
        new_yeast || at_its_limit || self.case.last_deed(self.now, &sugar).is_some()
    }

    fn sweetened(&self) -> Option<Moment> {
        self.case
            .last_deed(self.now, &[What::Sweeten])
            .map(|d| d.at)
    }

    /// When it was stabilised, if that still holds: new yeast or new sugar that was not there
    /// when it was dosed, or a fall in spite of it, make it void. Sweetening does not: that is
    /// what it was stabilised for.
    fn stabilised(&self, memory: Option<&Memory>) -> Option<Moment> {
        let voided = self
            .case
            .last_deed(self.now, &[What::Pitch, What::Addition, What::Blend])
            .map(|d| d.at)
            .max(memory.and_then(|m| m.restarted_at));
        self.case
            .first_deed_after(voided, self.now, &[What::Stabilise, What::Pasteurise])
            .map(|d| d.at)
    }

    /// Stabilised before it was sweetened.
    fn sweetened_by_the_book(&self, memory: Option<&Memory>) -> bool {
        self.sweetened()
            .zip(self.stabilised(memory))
            .is_some_and(|(sweetened, stabilised)| stabilised <= sweetened)
    }
}

//! One run: the truth, the float, the maker, and the real verdict every few hours.

use std::ops::ControlFlow;

use ebbmark_core::deed::Deed;
use ebbmark_core::hours::{Hour, hour_index};
use ebbmark_core::learn::Learned;
use ebbmark_core::text::Style;
use ebbmark_core::time::{Moment, Span};
use ebbmark_core::units::Preferences;
use ebbmark_core::verdict::outcome::{Spread, Verdict};
use ebbmark_core::verdict::{Assessor, Case};
use jiff::tz::TimeZone;

use crate::draw::Draw;
use crate::kinds::{self, Drawn, Kind};
use crate::maker::{Habit, Maker};
use crate::sensor::Sensor;
use crate::world::Generator;

/// 2026-01-01T00:00:00Z.
pub const START: Moment = Moment(1_767_225_600_000);

/// Values at 5, 25, 50, 75 and 95 %.
pub type Quantiles = [f64; 5];

/// What the verdict said at one look.
#[derive(Clone, Debug)]
pub struct Look {
    pub hour: usize,
    pub phase: &'static str,
    /// A fall is shown that is surely one.
    pub falls: bool,
    /// Odds that more than 0.002 is left.
    pub more_left: Option<f64>,
    /// Rack, stabilise, seal.
    pub open: [bool; 3],
    /// Hours since the start.
    pub settles: Option<Quantiles>,
    pub last: Option<Quantiles>,
}

pub struct Run {
    pub kind: Kind,
    pub generator: Generator,
    pub seed: u64,
    pub drawn: Drawn,
    pub sensor: Option<Sensor>,
    pub hours: Vec<Hour>,
    pub deeds: Vec<Deed>,
    pub original: f64,
    pub label_known: bool,
    pub habit: Habit,
    pub looks: Vec<Look>,
}

/// Which run.
#[derive(Clone, Copy, Debug)]
pub struct Wanted {
    pub kind: Kind,
    pub generator: Generator,
    pub seed: u64,
    /// Hours between looks.
    pub every: usize,
    pub maker: Habit,
}

/// What one look shows.
pub struct Seen<'a> {
    pub verdict: &'a Verdict,
    pub drawn: &'a Drawn,
    pub deeds: &'a [Deed],
    pub assessor: &'a Assessor,
}

/// `None` when no truth of the kind could be drawn. `tell` sees every verdict.
pub fn run(wanted: Wanted, mut tell: impl FnMut(Seen)) -> Option<Run> {
    let Wanted {
        kind, generator, ..
    } = wanted;
    let lanes = 1000 * (kind as u64 + 1) + 100 * generator as u64;
    let drawn = kinds::draw(kind, generator, &mut Draw::new(wanted.seed, lanes))?;
    Some(follow(wanted, lanes, drawn, None, |seen| {
        tell(seen);
        ControlFlow::Continue(())
    }))
}

/// The verdict on a course that was drawn, until it ends or `tell` has seen enough. Float and maker
/// draw from the lanes after the first of `lanes`.
pub fn follow(
    wanted: Wanted,
    lanes: u64,
    drawn: Drawn,
    learned: Option<&Learned>,
    mut tell: impl FnMut(Seen) -> ControlFlow<()>,
) -> Run {
    let Wanted {
        kind,
        generator,
        seed,
        every,
        maker: habit,
    } = wanted;
    let lane = |n: u64| Draw::new(seed, lanes + n);
    let sensor = (!kind.by_hand()).then(|| Sensor::draw(&drawn.course, &mut lane(1)));
    let hours = sensor
        .as_ref()
        .map_or_else(Vec::new, |s| s.hours(&drawn.course, START));
    let jars = match habit {
        Habit::Jar => drawn.course.jars(),
        Habit::Hydrometer => Vec::new(),
    };
    let mut maker = Maker::new(&drawn, kind.by_hand(), START, lane(2), jars, lane(3));
    let style = Style {
        units: Preferences::default(),
        zone: &TimeZone::UTC,
    };
    let mut assessor = Assessor::default();
    let mut looks = Vec::with_capacity(drawn.course.hours() / every + 1);
    for hour in (0..=drawn.course.hours()).step_by(every.max(1)) {
        maker.live_up_to(&drawn.course, hour as f64);
        let now = START + Span::hours(hour as i64);
        let known = hours.partition_point(|h| h.index < hour_index(now));
        let case = Case {
            hours: &hours[..known],
            deeds: &maker.deeds,
            started: Some(START),
            original: Some(maker.original),
            expected_final: None,
            tolerance: maker.tolerance,
            learned,
        };
        let verdict = assessor.assess(&case, now, &style);
        maker.look_at(&verdict, hour as f64);
        looks.push(look(&verdict, hour));
        let seen = Seen {
            verdict: &verdict,
            drawn: &drawn,
            deeds: &maker.deeds,
            assessor: &assessor,
        };
        if tell(seen).is_break() {
            break;
        }
    }
    Run {
        kind,
        generator,
        seed,
        sensor,
        hours,
        original: maker.original.get(),
        label_known: maker.tolerance.is_some(),
        habit,
        deeds: maker.deeds,
        drawn,
        looks,
    }
}

fn look(v: &Verdict, hour: usize) -> Look {
    let hours = |m: Moment| m.since(START).as_hours();
    Look {
        hour,
        phase: v.phase.key(),
        falls: v.fall_per_day.is_some_and(|f| f.low > 0.0),
        more_left: v.odds.map(|o| o.more_left),
        open: [v.gates.rack.open, v.gates.stabilise.open, v.gates.seal.open],
        settles: v.settles_at.map(|s| quantiles(&s.map(hours))),
        last: v.final_gravity.map(|s| quantiles(&s)),
    }
}

fn quantiles(s: &Spread<f64>) -> Quantiles {
    [s.low, s.half_low, s.mid, s.half_high, s.high]
}

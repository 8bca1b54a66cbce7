//! Kinds of course: how each is drawn, and what its truth must be to be called so.

use ebbmark_core::deed::What;
use ebbmark_demo_feeds::plant::{Event, Temperatures};

use crate::draw::Draw;
use crate::truth::{Course, DONE, Step, Until, When};
use crate::world::{Generator, Recipe};

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, clap::ValueEnum)]
pub enum Kind {
    /// Light must, warm, well fed: dry within days.
    Quick,
    Dry,
    /// Ends sweet where the strain bears no more.
    Tolerance,
    /// Little nitrogen: slow, dry in the end.
    Starved,
    /// Cool and poor: slower still.
    Sluggish,
    /// Stops high for want of nitrogen, for good.
    NitrogenStall,
    /// The same, and new yeast finishes it.
    Rescued,
    ColdStall,
    ColdWarmed,
    Addition,
    Nutrient,
    /// Stabilised, sweetened, quiet.
    Sweetened,
    /// Stabilised, sweetened, and some days later it starts again.
    Refermenting,
    /// Sweetened without stabilising.
    Unstabilised,
    HandDry,
    HandTolerance,
    /// Stabilised, sweetened and watched for four months.
    LongQuiet,
}

impl Kind {
    pub const ALL: [Kind; 17] = [
        Kind::Quick,
        Kind::Dry,
        Kind::Tolerance,
        Kind::Starved,
        Kind::Sluggish,
        Kind::NitrogenStall,
        Kind::Rescued,
        Kind::ColdStall,
        Kind::ColdWarmed,
        Kind::Addition,
        Kind::Nutrient,
        Kind::Sweetened,
        Kind::Refermenting,
        Kind::Unstabilised,
        Kind::HandDry,
        Kind::HandTolerance,
        Kind::LongQuiet,
    ];

    pub fn name(self) -> &'static str {
        match self {
            Kind::Quick => "quick",
            Kind::Dry => "dry",
            Kind::Tolerance => "tolerance",
            Kind::Starved => "starved",
            Kind::Sluggish => "sluggish",
            Kind::NitrogenStall => "nitrogen-stall",
            Kind::Rescued => "rescued",
            Kind::ColdStall => "cold-stall",
            Kind::ColdWarmed => "cold-warmed",
            Kind::Addition => "addition",
            Kind::Nutrient => "nutrient",
            Kind::Sweetened => "sweetened",
            Kind::Refermenting => "refermenting",
            Kind::Unstabilised => "unstabilised",
            Kind::HandDry => "hand-dry",
            Kind::HandTolerance => "hand-tolerance",
            Kind::LongQuiet => "long-quiet",
        }
    }

    pub fn by_hand(self) -> bool {
        matches!(self, Kind::HandDry | Kind::HandTolerance)
    }

    /// Stabilised by the maker at a time of his own choosing, so no delay can be told.
    pub fn stabilises(self) -> bool {
        matches!(self, Kind::Sweetened | Kind::Refermenting | Kind::LongQuiet)
    }

    pub fn stalls(self) -> bool {
        matches!(self, Kind::NitrogenStall | Kind::ColdStall)
    }
}

/// One drawn run.
#[derive(Clone, Debug)]
pub struct Drawn {
    pub recipe: Recipe,
    pub course: Course,
    /// What the packet says, % vol.
    pub label: f64,
    /// Draws it took until the truth was of the kind.
    pub tries: u32,
}

/// Draws until the truth is what the kind is called. `None` when that does not happen.
pub fn draw(kind: Kind, generator: Generator, draw: &mut Draw) -> Option<Drawn> {
    (1..=400).find_map(|tries| {
        let (recipe, label) = recipe(kind, generator, draw);
        let plan = plan(kind, draw);
        let until = match kind {
            Kind::Sweetened => Until::LastAct(40.0),
            Kind::Refermenting => Until::LastAct(12.0),
            Kind::LongQuiet => Until::LastAct(130.0),
            _ => Until::End {
                after_done: 30.0,
                after_stop: if kind.stalls() { 25.0 } else { 2.0 },
            },
        };
        let longest = if kind == Kind::LongQuiet {
            230.0
        } else {
            150.0
        };
        let course = Course::run(generator, &recipe, &plan, until, longest)?;
        is(kind, &course).then_some(Drawn {
            recipe,
            course,
            label,
            tries,
        })
    })
}

fn recipe(kind: Kind, generator: Generator, d: &mut Draw) -> (Recipe, f64) {
    let (low, high) = match kind {
        Kind::Quick => (1.040, 1.078),
        Kind::Starved | Kind::Sluggish => (1.065, 1.115),
        Kind::NitrogenStall | Kind::Rescued => (1.085, 1.130),
        Kind::ColdStall | Kind::ColdWarmed => (1.075, 1.130),
        Kind::Sweetened | Kind::Refermenting | Kind::Unstabilised | Kind::LongQuiet => {
            (1.055, 1.095)
        }
        _ => (1.055, 1.110),
    };
    let original = d.between(low, high);
    // Honey solids are to 6-14 % nothing a yeast takes (White, Riethof, Subers & Kushnir 1962,
    // USDA Tech. Bull. 1261; rounded means as quoted by Crane 1980).
    let body = (original - 1.0) * d.between(0.05, 0.14);
    let mut sugar = (original - 1.0 - body) / 3.86e-4;
    let strength = sugar * 0.48 / 7.89;
    let to_half = |x: f64| (2.0 * x).round() / 2.0;
    let label = match kind {
        Kind::Tolerance | Kind::HandTolerance => {
            let label = to_half(d.between(9.0, 15.5));
            // So much more than the strain can take.
            let most = ((1.150 - 1.0 - body) / 3.86e-4 - label / 0.48 * 7.89).min(90.0);
            sugar = label / 0.48 * 7.89 + d.between(25.0, most.max(30.0));
            label
        }
        // A strain that bears well more than the must can give.
        _ => to_half((strength + d.between(0.7, 4.0)).clamp(12.0, 18.0)),
    };
    let nitrogen = match kind {
        Kind::Starved => d.between(25.0, 95.0),
        Kind::Sluggish => d.between(30.0, 120.0),
        Kind::NitrogenStall | Kind::Rescued => d.between(8.0, 70.0),
        Kind::Nutrient => d.between(50.0, 120.0),
        Kind::ColdStall | Kind::ColdWarmed => d.between(80.0, 200.0),
        _ => d.between(130.0, 260.0),
    };
    let cold_stop = match (kind, generator) {
        (Kind::ColdStall | Kind::ColdWarmed, _) => d.between(9.0, 11.5),
        (_, Generator::Balances) => d.between(5.0, 8.5),
        (_, Generator::TwoSugars) => d.between(1.0, 5.0),
    };
    let lag_hours = match kind {
        Kind::Sluggish => d.between(24.0, 60.0),
        _ => d.between(6.0, 40.0),
    };
    let recipe = Recipe {
        sugar,
        nitrogen,
        pitch: d.scale(0.08, 0.5),
        body,
        lag_hours,
        tolerance: label + d.normal(0.35),
        cold_stop,
        temperatures: temperatures(kind, cold_stop, d),
        glucose: d.between(0.42, 0.49),
        bend: d.between(0.75, 1.1),
        fading: match kind {
            Kind::NitrogenStall | Kind::Rescued => d.scale(0.6, 2.5),
            _ => d.scale(0.1, 0.8),
        },
    };
    (recipe, label)
}

fn temperatures(kind: Kind, cold_stop: f64, d: &mut Draw) -> Temperatures {
    let base = match kind {
        Kind::Quick => d.between(19.0, 24.0),
        Kind::Sluggish => d.between(12.5, 16.0),
        Kind::ColdStall | Kind::ColdWarmed => d.between(16.0, 21.0),
        _ => d.between(15.0, 24.0),
    };
    let daily_swing = d.between(0.1, 1.2);
    let knots = if matches!(kind, Kind::ColdStall | Kind::ColdWarmed) {
        let from = d.between(48.0, 200.0);
        let fall = d.between(12.0, 60.0);
        let cold = (cold_stop - daily_swing - d.between(0.2, 2.5)).max(1.0);
        let mut knots = vec![(0.0, base), (from, base), (from + fall, cold)];
        if kind == Kind::ColdWarmed {
            let warm = from + fall + d.between(7.0, 25.0) * 24.0;
            knots.push((warm, cold));
            knots.push((warm + d.between(12.0, 72.0), d.between(17.0, 21.0)));
        }
        knots
    } else {
        weather(base, d)
    };
    Temperatures { knots, daily_swing }
}

/// A slow drift of the season and now and then some cold nights.
fn weather(base: f64, d: &mut Draw) -> Vec<(f64, f64)> {
    let season = d.normal(1.0);
    let level = |hour: f64| base + season * (hour / (40.0 * 24.0)).min(1.5);
    let mut knots = vec![(0.0, base)];
    let mut at = d.between(48.0, 20.0 * 24.0);
    while at < 50.0 * 24.0 {
        let (depth, nights) = (d.between(1.5, 4.0), d.between(12.0, 60.0));
        knots.extend([
            (at, level(at)),
            (at + 8.0, level(at) - depth),
            (at + 8.0 + nights, level(at) - depth),
            (at + 20.0 + nights, level(at)),
        ]);
        at += 24.0 + nights + d.between(5.0, 40.0) * 24.0;
    }
    let end = at.max(60.0 * 24.0);
    knots.push((end, level(end)));
    knots
}

fn plan(kind: Kind, d: &mut Draw) -> Vec<Step> {
    let step = |when, what, event| Step {
        when,
        logged: Some(what),
        event,
    };
    let sweeten = |d: &mut Draw, when| {
        step(
            when,
            What::Sweeten,
            Event::Sugar {
                grams: d.between(15.0, 60.0),
                release_hours: 0.0,
            },
        )
    };
    let days = |d: &mut Draw, low: f64, high: f64| 24.0 * d.between(low, high);
    match kind {
        Kind::Rescued => vec![
            step(
                When::Still(days(d, 3.0, 14.0)),
                What::Nutrient,
                Event::Nutrient(d.between(50.0, 120.0)),
            ),
            step(
                When::After(0.0),
                What::Pitch,
                Event::Repitch(d.between(0.4, 1.5)),
            ),
        ],
        Kind::Addition => {
            let one = |d: &mut Draw| {
                let release_hours = if d.chance(0.5) {
                    0.0
                } else {
                    d.between(6.0, 40.0)
                };
                step(
                    When::Share(d.between(0.35, 0.9)),
                    What::Addition,
                    Event::Sugar {
                        grams: d.between(15.0, 55.0),
                        release_hours,
                    },
                )
            };
            let mut plan = vec![one(d)];
            if d.chance(0.35) {
                plan.push(one(d));
            }
            plan
        }
        Kind::Nutrient => [d.between(0.08, 0.2), d.between(0.2, 0.35)]
            .into_iter()
            .map(|share| {
                step(
                    When::Share(share),
                    What::Nutrient,
                    Event::Nutrient(d.between(25.0, 70.0)),
                )
            })
            .collect(),
        Kind::Sweetened | Kind::LongQuiet | Kind::Refermenting => {
            let mut plan = vec![step(
                When::Done(days(d, 4.0, 14.0)),
                What::Stabilise,
                Event::Stabilise,
            )];
            let wait = days(d, 0.5, 3.0);
            plan.push(sweeten(d, When::After(wait)));
            if kind == Kind::Refermenting {
                plan.push(Step {
                    when: When::After(days(d, 2.0, 25.0)),
                    logged: None,
                    event: Event::Wake(d.scale(0.05, 1.5)),
                });
            }
            plan
        }
        Kind::Unstabilised => {
            let wait = days(d, 2.0, 10.0);
            vec![sweeten(d, When::Done(wait))]
        }
        _ => Vec::new(),
    }
}

/// Whether the truth is what the kind is called.
fn is(kind: Kind, c: &Course) -> bool {
    let last = c.point(c.hours());
    let done_days = c
        .done_after(0, DONE)
        .map_or(f64::INFINITY, |h| h as f64 / 24.0);
    let end_days = c
        .done_after(c.last_act + 1, DONE)
        .map_or(f64::INFINITY, |h| h as f64 / 24.0);
    let dry = !last.stalled && last.could < 0.002;
    let sweet = last.truth.sugar > 10.0;
    match kind {
        Kind::Quick => dry && done_days < 10.0,
        Kind::Dry | Kind::HandDry => dry && (5.0..28.0).contains(&done_days),
        Kind::Tolerance | Kind::HandTolerance => {
            !last.stalled && sweet && (6.0..70.0).contains(&done_days)
        }
        Kind::Starved | Kind::Sluggish => dry && (20.0..75.0).contains(&done_days),
        Kind::NitrogenStall => {
            last.stalled && last.could > 0.010 && fell(c) > 0.02 && done_days < 60.0
        }
        Kind::Rescued => {
            let before = c.point(c.acts.first().map_or(0, |a| a.hour));
            !last.stalled
                && before.stalled
                && before.could > 0.010
                && end_days < 100.0
                && c.done_after(c.last_act + 1, DONE) != Some(c.last_act + 1)
        }
        Kind::ColdStall => last.stalled && last.could > 0.010 && fell(c) > 0.015,
        Kind::ColdWarmed => {
            let halted = (0..=c.hours()).filter(|h| c.halted(*h)).count();
            !last.stalled && last.could < 0.003 && halted > 5 * 24
        }
        Kind::Addition | Kind::Nutrient => !last.stalled && dry && end_days < 60.0,
        Kind::Sweetened | Kind::LongQuiet => ended_dry(c),
        Kind::Refermenting => {
            let from = c.last_act;
            let rate = |h: usize| c.point(h).truth.gravity - c.point(h + 24).truth.gravity;
            let rates = [rate(from + 1), rate(from + 25), rate(from + 49)];
            ended_dry(c) && rates.iter().all(|r| (0.0007..0.003).contains(r))
        }
        Kind::Unstabilised => {
            let from = c.last_act + 1;
            let fall = c.point(from).truth.gravity - last.end;
            ended_dry(c)
                && !last.stalled
                && fall > 0.005
                && (from..from + 72).any(|h| c.rate(h) > 0.001)
        }
    }
}

/// It had nothing left to ferment when it was first meddled with.
fn ended_dry(c: &Course) -> bool {
    let hour = c.acts.first().map_or(c.hours(), |a| a.hour);
    let p = c.point(hour);
    !p.stalled && p.could < 0.003
}

fn fell(c: &Course) -> f64 {
    c.point(0).truth.gravity - c.point(c.hours()).truth.gravity
}

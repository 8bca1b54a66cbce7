//! What a run says for and against the verdict and its rivals.

use ebbmark_demo_feeds::plant::Event;

use crate::kinds::Kind;
use crate::rivals::{self, rules, single_curve};
use crate::run::{Look, Quantiles, Run};
use crate::truth::{Course, DONE};
use crate::world::Generator;

/// SG by which one per cent by volume lowers gravity, middling of both generators.
const FALL_PER_ABV: f64 = 0.0075;
/// Share of the fall before which racking takes yeast away that is needed.
const RACK: f64 = 0.6;
/// Stalled with this much to go, SG: far above its end.
const FAR: f64 = 0.015;
/// Hours after a renewed fall began in which no gate is blamed for it.
const GRACE: usize = 24;
/// Hours within which a stall must have been called one.
const TOLD_WITHIN: usize = 12 * 24;
/// Days of readings after the true end that a verdict may ask for.
const EVIDENCE: f64 = 25.0;
const LEVELS: [f64; 5] = [0.05, 0.25, 0.5, 0.75, 0.95];

#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Stage {
    Day3,
    Mid,
    Tail,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Quantity {
    /// In hours.
    Settles,
    /// In SG.
    Final,
}

/// One forecast against what came.
#[derive(Clone, Copy, Debug)]
pub struct Forecast {
    pub stage: Stage,
    pub quantity: Quantity,
    /// `None`: no forecast was given.
    pub within: Option<Within>,
    pub rival_within90: Option<bool>,
}

#[derive(Clone, Copy, Debug)]
pub struct Within {
    pub half: bool,
    pub nine_tenths: bool,
    pub loss: f64,
    /// Of the single curve.
    pub rival: Option<f64>,
    /// Truth less middle.
    pub error: f64,
}

#[derive(Clone, Copy, Debug, Default)]
pub struct Rule {
    pub false_open: bool,
    pub delay: Option<f64>,
}

#[derive(Clone, Debug)]
pub struct Score {
    pub kind: Kind,
    pub generator: Generator,
    pub seed: u64,
    pub tries: u32,
    /// Finishing, with enough to go by; `Some(opened)`.
    pub evidence: Option<bool>,
    /// First false opening of rack, stabilise, seal: hour, and SG left.
    pub false_open: [Option<(usize, f64)>; 3],
    /// Hours from the true end to stabilise open.
    pub delay: Option<f64>,
    /// Stood still short of its end: whether it was told so in time and never called settled.
    pub recall: Option<bool>,
    /// Finished: whether the last word was settled.
    pub settled_last: Option<bool>,
    /// Began to fall again: hours until the alarm.
    pub alarm: Option<Option<f64>>,
    pub false_alarms: u32,
    pub quiet_days: f64,
    pub trade: Rule,
    pub slope: Rule,
    pub forecasts: Vec<Forecast>,
}

pub fn score(run: &Run) -> Score {
    let c = &run.drawn.course;
    let ends = Ends::of(run.kind, c);
    let false_open = [0, 1, 2].map(|gate| first_false(run, gate));
    let counts = ends.finishing && !run.kind.stabilises();
    let opened = ends.end.and_then(|end| {
        let look = run.looks.iter().find(|l| l.hour >= end && l.open[1])?;
        Some((look.hour - end) as f64)
    });
    let dry = c.point(c.hours()).truth.sugar < 5.0;
    let watched = ends
        .end
        .is_some_and(|e| (c.hours() - e) as f64 >= EVIDENCE * 24.0);
    let evidence = counts && watched && (dry || run.label_known);
    let (false_alarms, quiet_days) = alarms_in_quiet(run);
    let told = rules(run);
    let rule = |said: &[usize]| Rule {
        false_open: said.iter().any(|h| stabilise_is_false(c, *h)),
        delay: counts
            .then(|| {
                let end = ends.end?;
                let first = said.iter().find(|h| **h >= end)?;
                Some((*first - end) as f64)
            })
            .flatten(),
    };
    Score {
        kind: run.kind,
        generator: run.generator,
        seed: run.seed,
        tries: run.drawn.tries,
        evidence: evidence.then_some(opened.is_some()),
        false_open,
        delay: opened.filter(|_| counts),
        recall: recall(run),
        settled_last: (ends.finishing && run.kind != Kind::Refermenting)
            .then(|| run.looks.last().is_some_and(|l| l.phase == "settled")),
        alarm: alarm(run),
        false_alarms,
        quiet_days,
        trade: rule(&told.trade),
        slope: rule(&told.slope),
        forecasts: forecasts(run, &ends),
    }
}

struct Ends {
    finishing: bool,
    /// Start of the last stretch with living yeast: the last sugar or pitch before stabilising.
    from: usize,
    /// First hour of that stretch with 0.002 or less to fall.
    end: Option<usize>,
}

impl Ends {
    fn of(kind: Kind, c: &Course) -> Ends {
        let stabilised = c
            .acts
            .iter()
            .find(|a| a.event == Event::Stabilise)
            .map_or(usize::MAX, |a| a.hour);
        let from = c
            .acts
            .iter()
            .filter(|a| a.hour < stabilised)
            .filter(|a| matches!(a.event, Event::Sugar { .. } | Event::Repitch(_)))
            .map(|a| a.hour)
            .max()
            .unwrap_or(0);
        let finishing = !kind.stalls();
        let begin = if from > 0 { from + 1 } else { 0 };
        Ends {
            finishing,
            from,
            end: finishing.then(|| c.done_for_good(begin, DONE)).flatten(),
        }
    }
}

fn stabilise_is_false(c: &Course, hour: usize) -> bool {
    c.left(hour) > DONE || c.point(hour).stalled
}

fn is_false(c: &Course, gate: usize, hour: usize) -> bool {
    let p = c.point(hour);
    if gate > 0 {
        return stabilise_is_false(c, hour) && !woke_lately(c, hour);
    }
    let over = p.truth.abv * FALL_PER_ABV;
    !p.stabilised && (over < RACK * (over + p.could) || (c.halted(hour) && p.could > FAR))
}

/// Nobody can see it yet: the alarm has a day.
fn woke_lately(c: &Course, hour: usize) -> bool {
    c.acts
        .iter()
        .any(|a| matches!(a.event, Event::Wake(_)) && (a.hour..a.hour + GRACE).contains(&hour))
}

/// Openings only: a gate that was rightly open and is overtaken by events is the alarm's business.
/// After a deed a gate that stays open opens anew.
fn first_false(run: &Run, gate: usize) -> Option<(usize, f64)> {
    let c = &run.drawn.course;
    let mut before = false;
    let mut last = 0;
    for look in &run.looks {
        let deed = c
            .acts
            .iter()
            .any(|a| a.logged.is_some() && a.hour > last && a.hour <= look.hour);
        last = look.hour;
        let opens = look.open[gate] && (!before || deed);
        before = look.open[gate];
        if opens && is_false(c, gate, look.hour) {
            let p = c.point(look.hour);
            let left = if p.stalled {
                p.could
            } else {
                c.left(look.hour)
            };
            return Some((look.hour, left));
        }
    }
    None
}

fn recall(run: &Run) -> Option<bool> {
    let c = &run.drawn.course;
    if !(run.kind.stalls() || run.kind == Kind::ColdWarmed) {
        return None;
    }
    let from = (0..=c.hours()).find(|h| c.halted(*h))?;
    let to = (from..=c.hours())
        .find(|h| !c.halted(*h))
        .unwrap_or(c.hours());
    if to - from < TOLD_WITHIN {
        return None;
    }
    let during = |l: &&Look| (from..to).contains(&l.hour);
    let told = run
        .looks
        .iter()
        .filter(during)
        .any(|l| l.hour <= from + TOLD_WITHIN && matches!(l.phase, "stuck" | "resting"));
    let settled = run
        .looks
        .iter()
        .filter(during)
        .any(|l| l.phase == "settled");
    Some(told && !settled)
}

fn alarm(run: &Run) -> Option<Option<f64>> {
    let c = &run.drawn.course;
    let from = match run.kind {
        Kind::Refermenting => c.last_act,
        Kind::Unstabilised => {
            let sweetened = c.last_act + 1;
            (sweetened..c.hours()).find(|h| c.rate(*h) >= 0.0005)?
        }
        _ => return None,
    };
    let heard = run
        .looks
        .iter()
        .find(|l| l.hour >= from && l.phase == "restarted");
    Some(heard.map(|l| (l.hour - from) as f64))
}

fn alarms_in_quiet(run: &Run) -> (u32, f64) {
    let c = &run.drawn.course;
    let quiet = |h: usize| {
        let p = c.point(h);
        !p.stalled && c.left(h) < 0.0005 && c.rate(h) < 1e-4
    };
    let mut alarms = 0;
    let mut before = "";
    for look in &run.looks {
        if look.phase == "restarted" && before != "restarted" && quiet(look.hour) {
            alarms += 1;
        }
        before = look.phase;
    }
    let hours = (0..=c.hours()).filter(|h| quiet(*h)).count();
    (alarms, hours as f64 / 24.0)
}

fn forecasts(run: &Run, ends: &Ends) -> Vec<Forecast> {
    let c = &run.drawn.course;
    let begin = if ends.from > 0 { ends.from + 1 } else { 0 };
    let (start, end) = (c.point(begin).truth.gravity, c.point(begin).end);
    let Some(settled) = c.done_for_good(begin, 0.001) else {
        return Vec::new();
    };
    let fallen = |share: f64| {
        (begin..=c.hours()).find(|h| c.point(*h).truth.gravity <= start - share * (start - end))
    };
    let tail = fallen(0.9).unwrap_or(0);
    let day3 = Some(72).filter(|h| ends.from == 0 && *h < tail);
    let last_knot = if matches!(run.kind, Kind::ColdStall | Kind::ColdWarmed) {
        run.drawn
            .recipe
            .temperatures
            .knots
            .last()
            .map_or(0.0, |k| k.0) as usize
    } else {
        0
    };
    let undisturbed = |h: usize| {
        h >= last_knot && h < settled && !c.acts.iter().any(|a| a.hour > h && a.hour <= settled)
    };
    let stages = [
        (Stage::Day3, day3),
        (Stage::Mid, fallen(0.5)),
        (Stage::Tail, Some(tail)),
    ];
    let mut out = Vec::new();
    for (stage, hour) in stages {
        let Some(hour) = hour.filter(|h| undisturbed(*h)) else {
            continue;
        };
        let Some(look) = run.looks.iter().find(|l| l.hour >= hour) else {
            continue;
        };
        let rival = single_curve(run, ends.from as f64, look.hour as f64);
        for (quantity, ours, truth) in [
            (Quantity::Settles, look.settles, settled as f64),
            (Quantity::Final, look.last, end),
        ] {
            let theirs = rival
                .as_ref()
                .map(|r: &rivals::SingleCurve| match quantity {
                    Quantity::Settles => r.settles,
                    Quantity::Final => r.last,
                });
            out.push(Forecast {
                stage,
                quantity,
                within: ours.map(|q| within(&q, theirs.as_ref(), truth)),
                rival_within90: theirs.map(|q| between(q[0], q[4], truth)),
            });
        }
    }
    out
}

fn between(low: f64, high: f64, truth: f64) -> bool {
    (low..=high).contains(&truth)
}

fn within(ours: &Quantiles, theirs: Option<&Quantiles>, truth: f64) -> Within {
    Within {
        half: between(ours[1], ours[3], truth),
        nine_tenths: between(ours[0], ours[4], truth),
        loss: pinball(ours, truth),
        rival: theirs.map(|t| pinball(t, truth)),
        error: truth - ours[2],
    }
}

/// Mean pinball loss over the five quantiles.
fn pinball(q: &Quantiles, truth: f64) -> f64 {
    let sum: f64 = q
        .iter()
        .zip(LEVELS)
        .map(|(value, level)| {
            let off = truth - value;
            if off >= 0.0 {
                level * off
            } else {
                (level - 1.0) * off
            }
        })
        .sum();
    sum / LEVELS.len() as f64
}

//! What a run says for and against the verdict and its rivals.

use ebbmark_demo_feeds::plant::Event;

use crate::kinds::Kind;
use crate::maker::Habit;
use crate::rivals::{self, rules, single_curve};
use crate::run::{Look, Quantiles, Run, START};
use crate::truth::{Course, DONE, STILL};
use crate::world::Generator;

/// SG by which one per cent by volume lowers gravity, middling of both generators.
const FALL_PER_ABV: f64 = 0.0075;
/// Share of the fall before which racking takes yeast away that is needed.
const RACK: f64 = 0.6;
/// Stalled with this much to go, SG: far above its end.
const FAR: f64 = 0.015;
/// Index of the gate.
const STABILISE: usize = 1;
const SEAL: usize = 2;
/// Hours after a renewed fall began in which no gate is blamed for it.
const GRACE: usize = 24;
/// Hours within which a stall must have been called one.
const TOLD_WITHIN: usize = 12 * 24;
/// Sugar, g/L, that living yeast must not be sealed in with: 0.003 SG.
const SWEET: f64 = 8.0;
/// Less sugar than this, g/L: dry, and nobody need know what the yeast bears.
const DRY: f64 = 5.0;
/// Fall per day, SG, from which on it has begun to ferment again.
const AGAIN: f64 = 0.001;
/// Hours without a fall that make it quiet.
const QUIET: usize = 48;
/// Hours with readings that a forecast needs to be judged with the rest.
const READINGS: usize = 12;
/// Odds of more than 0.002 left below which stabilise might open.
pub const THRESHOLDS: [f64; 5] = [0.001, 0.003, 0.01, 0.03, 0.1];
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

pub const STAGES: [Stage; 3] = [Stage::Day3, Stage::Mid, Stage::Tail];

impl Stage {
    pub fn name(self) -> &'static str {
        match self {
            Stage::Day3 => "day 3",
            Stage::Mid => "mid-fall",
            Stage::Tail => "tail",
        }
    }
}

impl Quantity {
    pub fn name(self) -> &'static str {
        match self {
            Quantity::Settles => "settles",
            Quantity::Final => "final gravity",
        }
    }
}

/// One forecast against what came.
#[derive(Clone, Copy, Debug)]
pub struct Forecast {
    pub stage: Stage,
    pub quantity: Quantity,
    /// `None`: no forecast was given.
    pub within: Option<Within>,
    /// Enough readings, and of a float, to count among the totals.
    pub counts: bool,
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

#[derive(Clone, Copy, Debug)]
pub struct Stall {
    /// Stuck or resting within the time allowed.
    pub told: bool,
    /// Called settled while it stood still.
    pub settled: bool,
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
    /// First hour at which seal is open on living yeast with sugar left, fall or no fall.
    pub sealed_alive: Option<usize>,
    /// Hours from the true end to stabilise open.
    pub delay: Option<f64>,
    /// Stood still short of its end.
    pub stall: Option<Stall>,
    /// Finished with enough to go by: whether the last word was settled.
    pub settled_last: Option<bool>,
    /// Stabilised, and fell again: hours from when its yeast woke until the alarm.
    pub alarm: Option<Option<f64>>,
    /// The same from when it falls by 0.001 a day.
    pub alarm_of_fall: Option<Option<f64>>,
    /// Sweetened without stabilising: hours from the renewed fall until it was shown.
    pub falls_again: Option<Option<f64>>,
    /// Hours at which an alarm was raised while nothing fell.
    pub false_alarms: Vec<usize>,
    /// Days on which one could have been.
    pub quiet_days: f64,
    pub trade: Rule,
    pub slope: Rule,
    /// Stabilise as it would open at each of [`THRESHOLDS`].
    pub at_odds: [Rule; 5],
    pub forecasts: Vec<Forecast>,
}

pub fn score(run: &Run) -> Score {
    let c = &run.drawn.course;
    let ends = Ends::of(run.kind, c);
    let false_open = [0, 1, 2].map(|gate| first_false(run, gate, |l| l.open[gate]));
    let counts = ends.finishing && !run.kind.stabilises();
    let delay = |says: &dyn Fn(&Look) -> bool| {
        let end = ends.end.filter(|_| counts)?;
        let look = run.looks.iter().find(|l| l.hour >= end && says(l))?;
        Some((look.hour - end) as f64)
    };
    let opened = delay(&|l| l.open[1]);
    let watched = ends
        .end
        .is_some_and(|e| (c.hours() - e) as f64 >= EVIDENCE * 24.0);
    let floor_known = ends.dry || run.label_known || run.habit == Habit::Jar;
    let evidence = counts && watched && floor_known;
    let (false_alarms, quiet_days) = alarms_in_quiet(run);
    let told = rules(run);
    let rule = |said: &[usize]| Rule {
        false_open: said
            .iter()
            .any(|h| opens_anew(c, said, *h) && is_false(c, STABILISE, *h)),
        delay: ends.end.filter(|_| counts).and_then(|end| {
            let first = said.iter().find(|h| **h >= end)?;
            Some((*first - end) as f64)
        }),
    };
    Score {
        kind: run.kind,
        generator: run.generator,
        seed: run.seed,
        tries: run.drawn.tries,
        evidence: evidence.then_some(opened.is_some()),
        false_open,
        sealed_alive: run
            .looks
            .iter()
            .find(|l| sealed_alive(c, l))
            .map(|l| l.hour),
        delay: opened,
        stall: stall(run),
        settled_last: (evidence || (run.kind.stabilises() && run.kind != Kind::Refermenting))
            .then(|| run.looks.last().is_some_and(|l| l.phase == "settled")),
        alarm: alarm(run),
        alarm_of_fall: alarm_of_fall(run),
        falls_again: falls_again(run),
        false_alarms,
        quiet_days,
        trade: rule(&told.trade),
        slope: rule(&told.slope),
        at_odds: THRESHOLDS.map(|odds| {
            let says = |l: &Look| l.phase == "settled" && l.more_left.is_some_and(|m| m < odds);
            Rule {
                false_open: first_false(run, STABILISE, says).is_some(),
                delay: delay(&says),
            }
        }),
        forecasts: forecasts_of(run, &ends),
    }
}

/// Forecasts alone, of a run that may have been broken off after them.
pub fn forecasts(run: &Run) -> Vec<Forecast> {
    forecasts_of(run, &Ends::of(run.kind, &run.drawn.course))
}

/// A rule that is asked once a day says so anew, or again after a deed.
fn opens_anew(c: &Course, said: &[usize], hour: usize) -> bool {
    let yesterday = hour.saturating_sub(24);
    said.binary_search(&yesterday).is_err() || deed_between(c, yesterday, hour)
}

fn deed_between(c: &Course, after: usize, up_to: usize) -> bool {
    c.acts
        .iter()
        .any(|a| a.logged.is_some() && a.hour > after && a.hour <= up_to)
}

struct Ends {
    finishing: bool,
    /// Start of the last stretch with living yeast: the last sugar or pitch before stabilising.
    from: usize,
    /// First hour of that stretch with 0.002 or less to fall.
    end: Option<usize>,
    /// The sugar ran out in it.
    dry: bool,
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
        let over = stabilised.min(c.hours());
        Ends {
            finishing,
            from,
            dry: c.point(over).truth.sugar < DRY,
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

fn sealed_alive(c: &Course, look: &Look) -> bool {
    let p = c.point(look.hour);
    look.open[SEAL] && !p.stabilised && p.truth.sugar > SWEET && !woke_lately(c, look.hour)
}

/// Nobody can see it yet: the alarm has a day.
fn woke_lately(c: &Course, hour: usize) -> bool {
    c.acts
        .iter()
        .any(|a| matches!(a.event, Event::Wake(_)) && (a.hour..a.hour + GRACE).contains(&hour))
}

/// Openings only: a gate that was rightly open and is overtaken by events is the alarm's business.
/// After a deed a gate that stays open opens anew.
fn first_false(run: &Run, gate: usize, open: impl Fn(&Look) -> bool) -> Option<(usize, f64)> {
    let c = &run.drawn.course;
    let mut before = false;
    let mut last = 0;
    for look in &run.looks {
        let opens = open(look) && (!before || deed_between(c, last, look.hour));
        last = look.hour;
        before = open(look);
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

fn stall(run: &Run) -> Option<Stall> {
    let c = &run.drawn.course;
    if !(run.kind.stalls() || run.kind == Kind::ColdWarmed) {
        return None;
    }
    let (from, to) = long_halt(c)?;
    let said = |until: usize, phases: &[&str]| {
        let during = run
            .looks
            .iter()
            .filter(|l| (from..to).contains(&l.hour) && l.hour <= until);
        during.into_iter().any(|l| phases.contains(&l.phase))
    };
    Some(Stall {
        told: said(from + TOLD_WITHIN, &["stuck", "resting"]),
        settled: said(to, &["settled"]),
    })
}

/// The first time it stood still for long enough to be told so: a creep that a warm day stirs once
/// more has not stopped yet.
fn long_halt(c: &Course) -> Option<(usize, usize)> {
    let mut from = None;
    for hour in 0..=c.hours() {
        match (c.halted(hour), from) {
            (true, None) => from = Some(hour),
            (false, Some(start)) if hour - start >= TOLD_WITHIN => return Some((start, hour)),
            (false, _) => from = None,
            (true, Some(_)) => {}
        }
    }
    from.filter(|start| c.hours() - start >= TOLD_WITHIN)
        .map(|start| (start, c.hours()))
}

fn alarm(run: &Run) -> Option<Option<f64>> {
    if run.kind != Kind::Refermenting {
        return None;
    }
    Some(first_after(run, run.drawn.course.last_act, |l| {
        l.phase == "restarted"
    }))
}

/// `None` also where it never falls that fast. An alarm before it does was in time.
fn alarm_of_fall(run: &Run) -> Option<Option<f64>> {
    let woke = run.drawn.course.last_act;
    let heard = alarm(run)?;
    let slow = (falls_fast(run, woke)? - woke) as f64;
    Some(heard.map(|hours| (hours - slow).max(0.0)))
}

/// The first hour after one at which it falls by 0.001 a day.
fn falls_fast(run: &Run, after: usize) -> Option<usize> {
    let c = &run.drawn.course;
    (after + 1..c.hours()).find(|h| c.rate(*h) >= AGAIN)
}

/// Without stabilising it is a ferment like any other: what the maker is told is that it falls.
fn falls_again(run: &Run) -> Option<Option<f64>> {
    if run.kind != Kind::Unstabilised {
        return None;
    }
    let from = falls_fast(run, run.drawn.course.last_act)?;
    Some(first_after(run, from, |l| {
        l.phase == "restarted" || (matches!(l.phase, "active" | "slowing") && l.falls)
    }))
}

fn first_after(run: &Run, from: usize, says: impl Fn(&Look) -> bool) -> Option<f64> {
    let look = run.looks.iter().find(|l| l.hour >= from && says(l))?;
    Some((look.hour - from) as f64)
}

/// Alarms while nothing falls, and the days on which one could have been raised: those of a mead
/// that was called settled, or for which it was.
fn alarms_in_quiet(run: &Run) -> (Vec<usize>, f64) {
    let c = &run.drawn.course;
    let quiet = |hour: usize| {
        let Some(from) = hour.checked_sub(QUIET) else {
            return false;
        };
        // Sugar that is added raises it: only what falls counts.
        let fallen: f64 = (from..hour)
            .map(|h| (c.point(h).truth.gravity - c.point(h + 1).truth.gravity).max(0.0))
            .sum();
        fallen * 24.0 / (QUIET as f64) < STILL && c.rate(hour) < STILL
    };
    let mut alarms = Vec::new();
    let mut quiet_hours = 0;
    let mut before: Option<&Look> = None;
    for look in &run.looks {
        if quiet(look.hour) && matches!(look.phase, "settled" | "restarted") {
            quiet_hours += before.map_or(0, |b| look.hour - b.hour);
            if look.phase == "restarted" && before.is_none_or(|b| b.phase != "restarted") {
                alarms.push(look.hour);
            }
        }
        before = Some(look);
    }
    (alarms, quiet_hours as f64 / 24.0)
}

/// The truth is what the generator does from there on, with the temperatures it is going to have.
/// Only stages after which nobody does anything until it has settled.
fn forecasts_of(run: &Run, ends: &Ends) -> Vec<Forecast> {
    let c = &run.drawn.course;
    let begin = if ends.from > 0 { ends.from + 1 } else { 0 };
    let Some(settled) = c.done_for_good(begin, 0.001) else {
        return Vec::new();
    };
    // Not where it would have ended from the beginning: nutrient on the way moves the end.
    let (start, end) = (c.point(begin).truth.gravity, c.point(settled).end);
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
        let read = run.hours.iter().filter(|h| {
            let at = h.gravity.map(|g| g.at.since(START).as_hours());
            at.is_some_and(|at| (begin as f64..=look.hour as f64).contains(&at))
        });
        let counts = read.count() >= READINGS;
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
                counts,
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

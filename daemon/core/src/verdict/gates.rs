//! What may be done now: rack, stabilise, seal. Each by its own risk, each with its reason and
//! with what would open it.

use super::Evidence;
use super::case::Case;
use super::forecast::Forecast;
use super::outcome::{Gate, Gates, Memory, Phase};
use super::phase;
use super::witness::Hand;
use crate::deed::What;
use crate::show;
use crate::text::Style;
use crate::time::{Moment, Span};
use crate::units::Gravity;

/// Share of the expected fall after which racking takes little yeast it still needs.
/// Common practice, no source: after primary, in the last fifth.
pub(super) const RACK_FROM: f64 = 0.8;
/// SG that may be left when it is stabilised.
pub(super) const LEFT_TO_STABILISE: f64 = 0.002;
/// The same where it took weeks: what creeps for long creeps on for longer than it looks.
const LEFT_AFTER_WEEKS: f64 = 0.001_8;
const WEEKS: Span = Span::days(21);
/// The same after more sugar came: the end of a second fall is slower than it looks.
const LEFT_AFTER_MORE: f64 = 0.001;
/// Odds that more is left after all at which a gate still opens.
const ODDS: f64 = 0.01;
/// And at which one stays open.
const STAYS: f64 = 0.03;
/// Looked at every hour, odds wander: one good look among many is luck. They must hold for this
/// share of what it must be seen still for beyond a day: what ends quickly is soon past doubt.
const HOLDS: f64 = 0.25;
const HOLDS_FROM: f64 = 1.0;
/// SG that may be left when it is sealed: by the usual figure of 0.489 g of gas per g of sugar
/// (stoichiometry) 0.001 SG is about 1 g of gas per litre.
const LEFT_TO_SEAL: f64 = 0.001;
/// A hand reading further from the float than this does not agree with it, SG.
const AGREE: f64 = 0.003;
/// A float whose level is no better known than this has not been met by a hand reading for long, SG.
const UNMET: f64 = 0.000_8;
/// What may be left by its pace alone, which knows nothing of the curve's shape, SG.
const BY_PACE_TO_SEAL: f64 = 0.002;
/// A sweetened mead is watched this long before it is sealed: what outlived the dose takes its time.
/// Common practice, no source.
pub(crate) const WATCH_SWEETENED: Span = Span::days(14);

fn shut(why: String, opens: Option<Moment>) -> Gate {
    Gate {
        open: false,
        why,
        opens,
        wants_reading: false,
        since: None,
    }
}

/// Shut, and a hand reading would help to open it.
fn shut_for_a_reading(why: String) -> Gate {
    Gate {
        wants_reading: true,
        ..shut(why, None)
    }
}

fn open(why: String) -> Gate {
    Gate {
        open: true,
        why,
        opens: None,
        wants_reading: false,
        since: None,
    }
}

/// All shut: nothing is known about now.
pub(super) fn silent(case: &Case, now: Moment, last: Option<Moment>, style: &Style) -> Gates {
    let why = match last {
        None if case.hours.is_empty() => {
            "no readings yet; claim its feed or take a hand reading".to_string()
        }
        None => "no readings since the last addition".to_string(),
        Some(last) => format!(
            "no reading since {}; a hand reading would help",
            show::day_and_time(last, now, style)
        ),
    };
    let gate = shut_for_a_reading(why);
    Gates {
        rack: gate.clone(),
        stabilise: gate.clone(),
        seal: gate,
    }
}

pub(super) fn rack(e: &Evidence, forecast: &Forecast, memory: &Memory, style: &Style) -> Gate {
    let done = share_done(e, forecast);
    match memory.phase {
        Phase::Settled => open("the fall is over; rack it off its lees".into()),
        Phase::Resting => shut("it rests in the cold with work still to do".into(), None),
        Phase::Stuck => shut(
            "it is stuck: racking would take away the yeast it needs".into(),
            None,
        ),
        Phase::Restarted => shut("it is falling again; let it finish".into(), None),
        Phase::NoData => shut("nothing is known yet".into(), None),
        Phase::Lag => shut("it has hardly begun to fall".into(), None),
        Phase::Active | Phase::Slowing => match done {
            Some(share) if share >= RACK_FROM => open(format!(
                "{:.0} % of the fall is over; leave the yeast what it needs to finish",
                share * 100.0
            )),
            Some(share) => {
                let at = forecast.racks(e.now);
                let when = at.map_or(String::new(), |at| {
                    format!("; likely {}", show::day(at, e.now, style))
                });
                shut(
                    format!(
                        "{:.0} % of the fall is over, wait for 80 %{when}",
                        share * 100.0
                    ),
                    at,
                )
            }
            None => shut("how far it will fall cannot be told yet".into(), None),
        },
    }
}

/// Share of the fall that is over.
fn share_done(e: &Evidence, forecast: &Forecast) -> Option<f64> {
    let level = e.level()?;
    let measured = e.stretch.first_level();
    let start = e.case.original.map(|g| g.get()).or(measured)?;
    let fall = start - e.end(forecast)?;
    (fall > 0.002).then(|| ((start - level) / fall).clamp(0.0, 1.0))
}

pub(super) fn stabilise(e: &Evidence, forecast: &Forecast, memory: &Memory, style: &Style) -> Gate {
    if let Some(at) = e.stabilised(Some(memory)) {
        return shut(format!("stabilised {}", show::day(at, e.now, style)), None);
    }
    if let Some(gate) = not_settled(e, forecast, memory, style) {
        return gate;
    }
    let wait = Span::from_days(HOLDS * (e.tail.window - HOLDS_FROM).max(0.0));
    match memory.sure_since {
        Some(since) if e.stretch.by_hand || e.stretch.last.since(since) >= wait => open(format!(
            "settled, and less than {} is left to fall",
            step(LEFT_TO_STABILISE, e, style)
        )),
        Some(since) => {
            let until = if wait < Span::hours(1) {
                "the next readings will tell".to_string()
            } else {
                format!("that must hold for {}", show::span(wait))
            };
            shut(
                format!("settled, and hardly anything seems left; {until}"),
                Some(since + wait),
            )
        }
        None => {
            let (what, reading) = would_tell(e, LEFT_TO_STABILISE);
            let left = step(LEFT_TO_STABILISE, e, style);
            let why = format!("settled, but more than {left} may be left; {what}");
            Gate {
                wants_reading: reading,
                ..shut(why, None)
            }
        }
    }
}

impl Evidence<'_> {
    /// Less may be left than what stabilise opens at, by the odds it asks for; once sure of it, by
    /// laxer ones, so that nothing flaps.
    pub(super) fn hardly_any_left(&self, forecast: &Forecast, sure: bool) -> bool {
        let took = self.now.since(self.stretch.pitched);
        let left = match self.stretch.began {
            What::Pitch if took < WEEKS => LEFT_TO_STABILISE,
            What::Pitch => LEFT_AFTER_WEEKS,
            _ => LEFT_AFTER_MORE,
        };
        let odds = if sure { STAYS } else { ODDS };
        self.tail.flat && self.odds_more_left(forecast, left) < odds
    }
}

pub(super) fn seal(e: &Evidence, forecast: &Forecast, memory: &Memory, style: &Style) -> Gate {
    let stabilised = e.stabilised(Some(memory));
    if let Some(sweetened) = e.sweetened() {
        let falls_again = memory.phase == Phase::Restarted;
        if !falls_again && !e.sweetened_by_the_book(Some(memory)) {
            return shut(
                "sweetened without stabilising: live yeast with sugar would burst what it is sealed in".into(),
                None,
            );
        }
        let watched = sweetened + WATCH_SWEETENED;
        if memory.phase == Phase::Settled && e.now < watched {
            let day = show::day(watched, e.now, style);
            return shut(
                format!("sweetened; watch until {day} that it does not start again"),
                Some(watched),
            );
        }
    }
    if let Some(gate) = not_settled(e, forecast, memory, style) {
        return gate;
    }
    if stabilised.is_none() && e.is_sweet() {
        return shut(
            "it has stopped with sugar left and live yeast in it: stabilise or pasteurise it before it is sealed".into(),
            None,
        );
    }
    if e.lies_lower() {
        return shut(
            "the float lies a little lower than in the days before; whether it falls again shows in a day or two"
                .into(),
            None,
        );
    }
    let by_pace = || {
        e.left_by_pace(memory)
            .is_none_or(|left| left > BY_PACE_TO_SEAL)
    };
    if stabilised.is_none()
        && (e.odds_more_left(forecast, LEFT_TO_SEAL) >= ODDS || (!e.stretch.by_hand && by_pace()))
    {
        return shut(
            format!(
                "more than {} may still be left to fall",
                step(LEFT_TO_SEAL, e, style)
            ),
            None,
        );
    }
    let (at, hand) = match e.hand(memory) {
        Hand::Agrees { at, gravity } => (at, gravity),
        Hand::Unread => {
            return shut_for_a_reading(
                "a hand reading today and another in five days would settle it: sealing needs a second witness".into(),
            );
        }
        Hand::Missing => {
            return shut_for_a_reading(
                "a hand reading today would settle it: sealing needs a second witness".into(),
            );
        }
        Hand::Single { second } => {
            let day = show::day(second, e.now, style);
            return shut(
                format!(
                    "two readings with the hydrometer some days apart must agree; take the second one {day}"
                ),
                Some(second),
            );
        }
        Hand::Falls => {
            return shut(
                "the last hand readings fall; take another in a few days".into(),
                None,
            );
        }
    };
    if e.stretch.by_hand {
        return open("the last hand readings agree that it has stopped; seal only in what bears the pressure".into());
    }
    let level = e.level().unwrap_or(hand);
    if (hand - level).abs() > AGREE {
        return shut(
            format!(
                "the hand reading of {} and the float do not agree; check both",
                show::day(at, e.now, style)
            ),
            None,
        );
    }
    open(
        "float and hand reading agree that it has stopped; seal only in what bears the pressure"
            .into(),
    )
}

/// The reason that shuts both stabilise and seal while it has not settled.
fn not_settled(e: &Evidence, forecast: &Forecast, memory: &Memory, style: &Style) -> Option<Gate> {
    let gate = match memory.phase {
        Phase::Settled if come_down(e, memory) => shut_for_a_reading(format!(
            "it has come down by {} since it stopped; a few days of hand readings would tell whether the float drifts",
            step(phase::CAME_DOWN, e, style)
        )),
        // Stabilised and sweetened, much sugar is left; that it lies still is what counts.
        Phase::Settled if e.is_ended(Some(memory)) && e.tail.stopped => return None,
        Phase::Settled if !e.is_ended(Some(memory)) && e.tail.flat => return None,
        Phase::Settled => shut(
            format!(
                "it had stopped, but it must be seen still for the last {} again",
                show::span(Span::from_days(e.tail.window))
            ),
            None,
        ),
        Phase::Resting => shut(
            "it stopped in the cold, which proves nothing; warm it and look again".into(),
            None,
        ),
        Phase::Stuck if e.floor.is_none() => shut(
            "it has stopped, but without an original or expected final gravity finished cannot be told from stuck; enter one of them, or ferment a jar of it out".into(),
            None,
        ),
        Phase::Stuck if e.end_unsure() => shut(
            "whether this is its end cannot be told; enter the yeast's tolerance or the gravity you expect, or ferment a jar of it out".into(),
            None,
        ),
        Phase::Stuck => shut("it is stuck above where it should end".into(), None),
        Phase::Restarted => shut("it is falling again".into(), None),
        Phase::NoData => shut("nothing is known yet".into(), None),
        Phase::Lag => shut("it has not begun to fall".into(), None),
        Phase::Active | Phase::Slowing => {
            let settles = forecast.settles(e.now);
            let opens = settles.map(|s| s.mid + Span::from_days(e.tail.window));
            let clear = e.clear_fall().is_some();
            let why = match (clear, opens) {
                (true, Some(at)) => format!("still falling; likely {}", show::day(at, e.now, style)),
                (true, None) => "still falling".to_string(),
                (false, _) if e.tail.missing > 0.25 => format!(
                    "it must be seen flat for {}; {} more to go",
                    show::span(Span::from_days(e.tail.window)),
                    show::span(Span::from_days(e.tail.missing))
                ),
                (false, _) => {
                    let (what, wants_reading) = would_tell(e, LEFT_TO_STABILISE);
                    let why = format!("whether it still creeps down cannot be told yet; {what}");
                    return Some(Gate {
                        wants_reading,
                        ..shut(why, opens)
                    });
                }
            };
            shut(why, opens)
        }
    };
    Some(gate)
}

/// A jar of it would not ferment as the mead did once this was done.
const NO_JAR_AFTER: &[What] = &[What::Stabilise, What::Pasteurise, What::Sweeten];

/// What would tell how much is left, and whether that is a hand reading: where the float's own drift
/// is the doubt, only a hydrometer does.
fn would_tell(e: &Evidence, left: f64) -> (&'static str, bool) {
    let ends = &e.tail.ends;
    let jar = e.floor.is_some_and(|f| f.jar().is_some());
    if jar && e.stretch.level_sd > UNMET {
        return (
            "a hand reading would tell how far it is from where its test ferment ended",
            true,
        );
    }
    let drift = ends
        .odds_more_without_drift(left)
        .zip(ends.odds_more(left))
        .is_some_and(|(without, with)| without < 0.5 * with);
    if drift && !e.stretch.by_hand {
        let both =
            "a hand reading now and another in a few days would tell the float's drift from a fall";
        (both, true)
    } else if !jar && e.case.last_deed(e.now, NO_JAR_AFTER).is_none() {
        let either = "a few more days of readings, or a jar of it fermented out, would tell";
        (either, false)
    } else {
        ("a few more days of readings would tell", false)
    }
}

fn come_down(e: &Evidence, memory: &Memory) -> bool {
    let level = e.level();
    memory
        .stopped_at
        .zip(level)
        .is_some_and(|(stopped, level)| level < stopped - phase::CAME_DOWN)
}

fn step(sg: f64, e: &Evidence, style: &Style) -> String {
    let near = Gravity::computed(e.level().unwrap_or(1.0));
    show::gravity_step(sg, near, style.units)
}

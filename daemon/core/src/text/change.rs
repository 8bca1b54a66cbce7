//! What would change a verdict, or settle a doubt about it.
//!
//! What to do about a mead that stuck or began again is common practice, no source.

use super::float;
use super::say::Say;
use super::{Style, is_sweetened, only_the_float};
use crate::time::Span;
use crate::verdict::jar::Tells;
use crate::verdict::outcome::{Phase, Verdict};

/// A must that has not moved for this long after the pitch is called stuck.
const LAG: Span = Span::days(4);
/// Colder than its warm days by this much, warming is worth a try, K.
const COLDER: f64 = -1.5;
/// Above these odds a doubt about what is left to fall is worth a word.
const DOUBT: f64 = 0.01;

/// What would change the verdict or settle a doubt, in the order to think of it.
pub fn would_change(v: &Verdict, style: &Style) -> Vec<String> {
    let say = Say { v, style };
    let mut lines = float::would_change(&say);
    if only_the_float(v).is_some() {
        lines.push("Until then do nothing to the mead on this float's word.".into());
        return lines;
    }
    match v.phase {
        Phase::NoData => no_data(&say, &mut lines),
        Phase::Lag => lag(&say, &mut lines),
        Phase::Active => active(v, &mut lines),
        Phase::Slowing => slowing(v, &mut lines),
        Phase::Settled => settled(v, &mut lines),
        Phase::Stuck => stuck(v, &mut lines),
        Phase::Resting => resting(&say, &mut lines),
        Phase::Restarted => restarted(&mut lines),
    }
    lines
}

const KNOW_THE_END: &str = "Enter the gravity it began at, the yeast's tolerance or the gravity you expect: then it can be told where it should end.";
const FERMENT_A_JAR: &str = "A jar of it, fermented out warm with plenty of fresh yeast, shows within days where it can end.";

fn no_data(say: &Say, lines: &mut Vec<String>) {
    match say.v.last_reading {
        None => lines.push("Claim its float's feed, or enter a hand reading.".into()),
        Some(_) => {
            lines.push("A hand reading today says where it stands.".into());
            lines.push(
                "Look at the float: its battery, its place, and whether its network reaches it."
                    .into(),
            );
        }
    }
}

fn lag(say: &Say, lines: &mut Vec<String>) {
    let v = say.v;
    if v.gravity.is_none() {
        lines.push("Its next readings; give what was added an hour or two to mix.".into());
        return;
    }
    lines.push("The first clear fall: then the yeast is at work.".into());
    let called_stuck = v.memory.map(|m| m.stretch + LAG).filter(|at| *at > v.at);
    if let Some(at) = called_stuck {
        lines.push(format!(
            "If it has not moved by {}, it is called stuck. Until then see that it is warm enough for its yeast and had air.",
            say.day(at)
        ));
    }
}

fn active(v: &Verdict, lines: &mut Vec<String>) {
    if v.settles_at.is_none() {
        lines.push("A few more days of readings tell how fast it falls and when it ends.".into());
    } else {
        lines.push("Each day of readings narrows down when and where it ends.".into());
    }
    lines.extend(cold(v));
    if v.expected_end.is_none() {
        lines.push(KNOW_THE_END.into());
        lines.extend(a_jar(v));
    }
}

fn slowing(v: &Verdict, lines: &mut Vec<String>) {
    lines.push(
        "It counts as settled once it has held still for long enough that no slow fall can hide in it."
            .into(),
    );
    if v.float.as_ref().is_none_or(|f| f.disagrees.is_none()) {
        lines.push(
            "A hand reading today and another in a few days tell a slow fall from a float that creeps."
                .into(),
        );
    }
    lines.extend(cold(v));
    if v.expected_end.is_none() {
        lines.push(KNOW_THE_END.into());
    }
    lines.extend(a_jar(v));
}

fn settled(v: &Verdict, lines: &mut Vec<String>) {
    lines.push(if is_sweetened(v) {
        "Any fall now means that the yeast lives and works on the new sugar; you would be told within a day or so.".into()
    } else {
        "A clear fall from here on would; you would be told of it.".into()
    });
    if v.odds.is_some_and(|o| o.more_left >= DOUBT) && !is_sweetened(v) {
        lines.push(
            "A few more days of readings, or two hand readings a few days apart, tell whether a little is still left to fall."
                .into(),
        );
        lines.extend(a_jar(v));
    }
    if !v.gates.seal.open {
        lines.push(
            "A hand reading that agrees is the second witness that kegging or bottling needs."
                .into(),
        );
    }
}

fn stuck(v: &Verdict, lines: &mut Vec<String>) {
    if v.expected_end.is_none() {
        lines.push("Enter the gravity it began at, the yeast's tolerance or the gravity you expect: then finished can be told from stuck.".into());
        lines.extend(a_jar(v));
        lines.push("A hand reading says whether the float shows its true gravity.".into());
        return;
    }
    lines.push(if v.end_unsure {
        "Enter the yeast's tolerance or the gravity you expect: then it can be told whether this is its end.".into()
    } else {
        "If you meant it to end here, enter that as the gravity you expect.".into()
    });
    // A float in doubt has asked for one already.
    let in_doubt = lines.len() > 1;
    lines.extend(a_jar(v));
    if !in_doubt {
        lines.push(
            "A hand reading before anything is done: a float with foam or lees on it shows a wrong gravity."
                .into(),
        );
    }
    if v.temperature_change.is_some_and(|c| c <= COLDER) {
        lines.push(
            "Warm it back to where it last worked, slowly, and watch it for a few days.".into(),
        );
    } else {
        lines.push("See that it is as warm as its yeast likes it.".into());
    }
    lines.push(
        "Rouse the yeast off the bottom, gently at first: gas held in the mead can foam over."
            .into(),
    );
    lines.push(
        "If it stopped early in its fall, yeast nutrient by its label can help; late in the fall yeast hardly takes it up, and what stays feeds spoilage."
            .into(),
    );
    lines.push(
        "If all that fails, new yeast that bears the alcohol already there, started up in some of this mead first."
            .into(),
    );
    lines.push(
        "Until then do not keg or bottle it: what is stuck can start again, and glass can burst."
            .into(),
    );
}

fn resting(say: &Say, lines: &mut Vec<String>) {
    lines.push(match say.v.look_again_at {
        Some(t) => format!(
            "Warm it to {}, give it a few days, and look again.",
            say.temperature(t)
        ),
        None => "Warm it to where it last worked, give it a few days, and look again.".into(),
    });
    lines.push(
        "If it then stays where it is, it is judged by its gravity: finished if low enough, stuck if not."
            .into(),
    );
    if say.v.expected_end.is_none() {
        lines.push(KNOW_THE_END.into());
    }
    lines.push(
        "Until then do not keg or bottle it: it can start again when it warms up, and glass can burst."
            .into(),
    );
}

fn restarted(lines: &mut Vec<String>) {
    lines.push("Keep it out of glass, and out of anything not rated for pressure.".into());
    lines.push(
        "If it is sealed already: keep away from glass, cool it as far as you can, and relieve the pressure with care, a little at a time, with eyes and hands protected."
            .into(),
    );
    lines.push("A hand reading today tells a true fall from a float that creeps.".into());
    lines.push(
        "Once it has held still again it is judged anew; stabilise it, if at all, only then."
            .into(),
    );
}

/// Unless one has told it or is under way. A stabilised mead's jar would not ferment as the mead did.
fn a_jar(v: &Verdict) -> Option<String> {
    let wanted = v.test_ferment.is_none_or(|jar| match jar.tells {
        Tells::TheEnd | Tells::ReadOnce | Tells::StillFalls | Tells::NotBegun => false,
        Tells::MeadChanged | Tells::MeadIsLower => true,
    });
    (wanted && !is_sweetened(v)).then(|| FERMENT_A_JAR.into())
}

fn cold(v: &Verdict) -> Option<String> {
    v.temperature_change
        .filter(|c| *c <= 2.0 * COLDER)
        .map(|_| "Warm it back to where it worked best: the cold slows it down.".into())
}

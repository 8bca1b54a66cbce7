//! What a verdict rests on.

use super::float;
use super::say::{Say, how_sure};
use super::{Style, is_sweetened, only_the_float};
use crate::verdict::jar::Tells;
use crate::verdict::outcome::{Phase, Verdict};

/// Less than this is day and night, K.
const SOME_COLDER: f64 = -0.5;
/// This much colder may well be why it slows down, K.
const MUCH_COLDER: f64 = -3.0;
/// SG left to fall that the odds speak of.
const MORE_LEFT: f64 = 0.002;

/// The plain sentences a verdict rests on, the weightiest first.
pub fn evidence(v: &Verdict, style: &Style) -> Vec<String> {
    let say = Say { v, style };
    let mut lines = float::doubts(&say);
    lines.extend(movement(&say));
    lines.extend(left(&say));
    lines.extend(end(&say));
    lines.extend(jar(&say));
    lines.extend(temperature(&say));
    lines.extend(float::corrected(&say));
    lines
}

/// How long it has been still, or how fast it falls.
fn movement(say: &Say) -> Vec<String> {
    let v = say.v;
    match v.phase {
        Phase::NoData => silence(say),
        Phase::Lag if v.gravity.is_none() => {
            vec!["There is no reading yet since it was last pitched, added to or sweetened.".into()]
        }
        Phase::Lag => {
            let since = v
                .memory
                .map_or_else(String::new, |m| format!(" since {}", say.when(m.stretch)));
            vec![format!(
                "It has hardly come down{since}. Yeast may take three days to show itself."
            )]
        }
        Phase::Active | Phase::Slowing | Phase::Restarted => vec![falling(say)],
        Phase::Settled | Phase::Stuck | Phase::Resting => still(say),
    }
}

fn silence(say: &Say) -> Vec<String> {
    let v = say.v;
    let Some(last) = v.last_reading else {
        return vec!["Neither a float nor the hydrometer has been read yet.".into()];
    };
    let mut lines = vec![format!(
        "Nothing has been read since {}; what it has done since is not known.",
        say.when(last)
    )];
    let before = v.memory.and_then(|m| match m.phase {
        Phase::NoData => None,
        Phase::Lag => Some("had not begun to fall"),
        Phase::Active | Phase::Slowing => Some("was still falling"),
        Phase::Settled => Some("had stopped falling"),
        Phase::Stuck => Some("was stuck"),
        Phase::Resting => Some("rested in the cold"),
        Phase::Restarted => Some("was falling again"),
    });
    lines.extend(before.map(|did| format!("When it was last read it {did}.")));
    lines
}

fn falling(say: &Say) -> String {
    let v = say.v;
    let over = v.looked_at.map_or_else(String::new, |s| {
        format!("Over the last {} ", crate::show::span(s))
    });
    let told = match v.fall_per_day {
        None if v.phase == Phase::Restarted => {
            format!("it came down to {} after it had stopped", say.level())
        }
        None => "there are too few readings to tell how fast it falls".to_string(),
        Some(f) if f.low > 0.0 => format!("it fell {}", say.fall(f)),
        Some(f) => format!(
            "it fell {} a day at most, and perhaps not at all",
            say.step(f.high.max(0.0))
        ),
    };
    let mut line = over + &told + ".";
    capitalise(&mut line);
    if let (Phase::Restarted, Some(stopped)) = (v.phase, v.memory.and_then(|m| m.stopped_at)) {
        line += &format!(" It had stopped at {}.", say.gravity(stopped));
    }
    line
}

fn still(say: &Say) -> Vec<String> {
    let v = say.v;
    if only_the_float(v).is_some() {
        return vec!["Whether the mead itself is still cannot be told from that.".into()];
    }
    let mut lines = Vec::new();
    if let Some(at) = v.memory.and_then(|m| m.flat_from) {
        lines.push(if is_sweetened(v) {
            format!(
                "It was stabilised and then sweetened, {}; from then on it should not fall at all.",
                say.day(at)
            )
        } else {
            format!(
                "It has kept to {} since {}, that is {}.",
                say.level(),
                say.when(at),
                say.since(at)
            )
        });
    }
    if let (Some(f), Some(span)) = (v.fall_per_day, v.looked_at) {
        lines.push(format!(
            "Over the last {} it fell {} a day at most, if at all.",
            crate::show::span(span),
            say.step(f.high.max(0.0))
        ));
    }
    if let Some(odds) = v.odds {
        lines.push(how_sure(odds.flat, "it holds still"));
    }
    if lines.is_empty() {
        lines.push(format!("It holds still at {}.", say.level()));
    }
    lines
}

/// How much is still to come.
fn left(say: &Say) -> Option<String> {
    let v = say.v;
    let more = v
        .odds
        .map(|o| o.more_left)
        .filter(|_| only_the_float(v).is_none());
    match v.phase {
        Phase::Slowing | Phase::Settled => more.map(|more| {
            if more > 0.5 {
                return how_sure(
                    more,
                    &format!("more than {} is left to fall", say.step(MORE_LEFT)),
                );
            }
            let little = format!("less than {} is left to fall", say.step(MORE_LEFT));
            how_sure(1.0 - more, &little)
        }),
        Phase::Active => v.left_to_fall.map(|left| {
            format!(
                "About {} is left to fall, nine times out of ten between {} and {}.",
                say.step(left.mid.max(0.0)),
                say.step(left.low.max(0.0)),
                say.step(left.high)
            )
        }),
        _ => None,
    }
}

/// Where it should end, and whether it is there.
fn end(say: &Say) -> Vec<String> {
    let v = say.v;
    if matches!(v.phase, Phase::NoData | Phase::Lag | Phase::Restarted) || is_sweetened(v) {
        return Vec::new();
    }
    let Some(end) = v.expected_end else {
        return vec![
            "Where it should end is not known: neither the gravity it began at nor the one you expect is in the book."
                .into(),
        ];
    };
    let above = v.gravity.map_or(0.0, |g| g.get() - end.get());
    let by_its_jar = v.test_ferment.is_some_and(|jar| jar.counts());
    let by = if by_its_jar {
        "By its test ferment it should end near"
    } else {
        "It should end near"
    };
    let near = format!("{by} {}", say.gravity(end.get()));
    let mut lines = vec![match v.phase {
        _ if only_the_float(v).is_some() => format!("{near}."),
        Phase::Stuck if v.end_unsure => format!(
            "{near}; {} is {} above that, which may still be its end.",
            say.level(),
            say.step(above.max(0.0))
        ),
        Phase::Stuck => format!(
            "{near}; {} is {} above that, too far to be its end.",
            say.level(),
            say.step(above.max(0.0))
        ),
        Phase::Settled if above > 0.0005 => format!(
            "{near}; {} is {} above that, near enough to count as reached.",
            say.level(),
            say.step(above)
        ),
        Phase::Settled => format!("{near}; at {} that is reached.", say.level()),
        _ if above > 0.0 => format!("{near}, {} lower than now.", say.step(above)),
        _ => format!("{near}, and it is that low already."),
    }];
    // Where a jar tells the end, the forecast takes it from there.
    let by_curve = v.final_gravity.filter(|_| !by_its_jar);
    if let (Phase::Active | Phase::Slowing, Some(by_curve)) = (v.phase, by_curve) {
        lines.push(format!(
            "As it falls now it would end at {}, as likely as not between {} and {}.",
            say.gravity(by_curve.mid),
            say.gravity(by_curve.half_low),
            say.gravity(by_curve.half_high)
        ));
    }
    lines
}

/// Why a jar of it that was fermented out says nothing of its end.
fn jar(say: &Say) -> Option<String> {
    let v = say.v;
    let jar = v.test_ferment.filter(|_| !is_sweetened(v))?;
    let stands = say.gravity(jar.gravity.get());
    Some(match jar.tells {
        Tells::TheEnd => return None,
        Tells::ReadOnce => format!(
            "Its test ferment stands at {stands} by one reading; it counts once a second one a day later agrees."
        ),
        Tells::StillFalls => format!(
            "Its test ferment stands at {stands}, but its last readings differ: it is not counted while the jar still falls."
        ),
        Tells::NotBegun => format!(
            "Its test ferment stands at {stands}, hardly lower than the mead began: it is not counted before the jar has fermented out."
        ),
        Tells::MeadChanged => format!(
            "Its test ferment of {stands} does not count: something was added to the mead since, or less than a week before the jar was read."
        ),
        Tells::MeadIsLower => format!(
            "Its test ferment ended at {stands}, but the mead already reads lower: the jar had not ended, or the float reads low, so it does not count."
        ),
    })
}

/// Whether cold explains it.
fn temperature(say: &Say) -> Option<String> {
    let v = say.v;
    let still = v.phase.is_still() && only_the_float(v).is_none();
    let Some(t) = v.temperature else {
        return (still && v.phase != Phase::Resting)
            .then(|| "No temperature is read, so cold cannot be ruled out as a reason.".into());
    };
    let t = say.temperature(t);
    let change = v.temperature_change;
    let colder = |by: f64| say.warmth(-by);
    Some(match (v.phase, change) {
        (Phase::Resting, Some(c)) if c <= SOME_COLDER => format!(
            "It is at {t}, {} colder than in its warm days: that alone can hold the yeast back.",
            colder(c)
        ),
        (Phase::Resting, _) => format!("It is at {t}: cold can hold the yeast back."),
        (_, Some(c)) if c <= SOME_COLDER => format!(
            "It is at {t}, {} colder than in its warm days{}.",
            colder(c),
            match (still, c <= MUCH_COLDER) {
                (true, false) => ", too little to make it look still",
                (true, true) if say.v.odds.is_some_and(|o| o.nothing_else > 0.9) =>
                    ", but warm enough to go on",
                (_, true) => ", which slows the yeast",
                (false, false) => "",
            }
        ),
        (_, Some(_)) if still => {
            format!("It is at {t}, as warm as in its warm days: cold does not explain it.")
        }
        _ => format!("It is at {t}."),
    })
}

fn capitalise(line: &mut str) {
    if let Some(first) = line.get_mut(..1) {
        first.make_ascii_uppercase();
    }
}

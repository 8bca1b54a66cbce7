//! Verdicts in plain sentences, as a maker would say them. No statistics.

use jiff::tz::TimeZone;

use crate::show;
use crate::time::Span;
use crate::units::{Gravity, Preferences};
use crate::verdict::outcome::{Phase, Verdict};

/// How the maker reads numbers and times.
#[derive(Clone, Copy, Debug)]
pub struct Style<'a> {
    pub units: Preferences,
    pub zone: &'a TimeZone,
}

/// The sentence for a verdict.
pub fn sentence(v: &Verdict, style: &Style) -> String {
    let now = v.at;
    let gravity = v
        .gravity
        .map_or_else(|| "?".to_string(), |g| show::gravity(g, style.units));
    match v.phase {
        Phase::NoData => match v.last_reading {
            None => "No readings yet.".into(),
            Some(last) => format!(
                "No reading for {}; the last came {}.",
                show::span(now.since(last)),
                show::day_and_time(last, now, style.zone)
            ),
        },
        Phase::Lag if v.gravity.is_none() => "Just changed; waiting for its next readings.".into(),
        Phase::Lag => format!("Not falling yet, at {gravity}{}.", forecast(v, style)),
        Phase::Active => format!("Falling {} a day{}.", fall(v, style), forecast(v, style)),
        Phase::Slowing if v.fall_per_day.is_none_or(|f| f.low <= 0.0) => {
            format!("Hardly falling any more, at {gravity}; watching whether it holds.")
        }
        Phase::Slowing => format!(
            "Still falling {} a day{}.",
            fall(v, style),
            forecast(v, style)
        ),
        Phase::Settled => {
            let still = v
                .memory
                .and_then(|m| m.flat_from)
                .map_or(Span::ZERO, |s| now.since(s));
            format!(
                "Gravity has stopped falling: {gravity}, unchanged for {}.",
                show::span(still)
            )
        }
        Phase::Stuck if v.cold => format!(
            "Stopped at {gravity} in the cold{}; too cold to call it finished. Warm it and look again.",
            v.temperature.map_or(String::new(), |t| format!(
                " ({})",
                show::temperature(t, style.units)
            ))
        ),
        Phase::Stuck => match v.expected_end {
            None => format!(
                "Stopped at {gravity}, but without an original or expected final gravity finished cannot be told from stuck."
            ),
            Some(end) => format!(
                "Stuck: stopped at {gravity}, and it should end near {}.",
                show::gravity(end, style.units)
            ),
        },
        Phase::Restarted => format!(
            "Falling again, {} a day, after it had stopped; it is at {gravity}.",
            fall(v, style)
        ),
    }
}

fn fall(v: &Verdict, style: &Style) -> String {
    let near = v.gravity.unwrap_or(Gravity::computed(1.0));
    v.fall_per_day.map_or_else(
        || "?".into(),
        |f| show::gravity_step(f.mid.max(0.0), near, style.units),
    )
}

/// "; likely to settle Thu 3 Dec, between Wed and Sat", as far as it can be told.
fn forecast(v: &Verdict, style: &Style) -> String {
    let Some(when) = v.settles_at else {
        return "; too early to say when it will settle".into();
    };
    if when.mid.since(v.at) < Span::hours(12) {
        return "; close to its end".into();
    }
    let day = |at| show::day(at, v.at, style.zone);
    let (low, mid, high) = (day(when.low), day(when.mid), day(when.high));
    if low == high {
        return format!("; likely to settle {mid}");
    }
    let spread = when.high.since(when.low);
    if spread > Span::days(60) {
        return format!("; likely to settle about {mid}, but it may be weeks off");
    }
    // A weekday alone names a day only within a week.
    let near = |at| {
        if spread < Span::days(6) {
            show::weekday(at, when.mid, v.at, style.zone)
        } else {
            day(at)
        }
    };
    format!(
        "; likely to settle {mid}, between {} and {}",
        near(when.low),
        near(when.high)
    )
}

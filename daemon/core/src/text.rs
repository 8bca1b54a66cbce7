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
    let surely_falling = v.fall_per_day.is_some_and(|f| f.low > 0.0);
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
        Phase::Active if !surely_falling => {
            format!("At {gravity}; too few readings to say how fast it falls.")
        }
        Phase::Active => format!("Falling {} a day{}.", fall(v, style), forecast(v, style)),
        Phase::Slowing if !surely_falling => {
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
        Phase::Resting => format!(
            "Resting at {gravity} in the cold{}; too cold to call it finished. {}.",
            v.temperature.map_or(String::new(), |t| format!(
                " ({})",
                show::temperature(t, style.units)
            )),
            v.look_again_at.map_or_else(
                || "Warm it and look again".to_string(),
                |t| format!(
                    "Warm it to {} and look again",
                    show::temperature(t, style.units)
                )
            )
        ),
        Phase::Stuck => match v.expected_end {
            None => format!(
                "Stopped at {gravity}, but without an original or expected final gravity finished cannot be told from stuck."
            ),
            Some(_) if v.end_unsure => format!(
                "Stopped at {gravity}, but whether that is its end cannot be told; enter the yeast's tolerance or the gravity you expect."
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::time::Moment;
    use crate::verdict::outcome::{Gate, Gates, Memory, Range, Spread};

    fn verdict(phase: Phase) -> Verdict {
        let gate = Gate {
            open: false,
            why: String::new(),
            opens: None,
        };
        let at = Moment::parse_rfc3339("2026-11-30T12:00:00Z").unwrap();
        let flat_from = phase.is_still().then(|| at - Span::days(4));
        Verdict {
            at,
            phase,
            gravity: Some(Gravity::new(1.0123).unwrap()),
            fall_per_day: Some(Range {
                mid: 0.0021,
                low: 0.0016,
                high: 0.0026,
            }),
            left_to_fall: None,
            settles_at: Some(Spread {
                low: at + Span::days(2),
                half_low: at + Span::days(2),
                mid: at + Span::days(3),
                half_high: at + Span::days(4),
                high: at + Span::days(5),
            }),
            final_gravity: None,
            expected_end: Some(Gravity::new(0.998).unwrap()),
            looked_at: None,
            last_reading: Some(at - Span::days(2)),
            temperature: Some(crate::units::Celsius::new(9.5).unwrap()),
            temperature_change: None,
            gates: Gates {
                rack: gate.clone(),
                stabilise: gate.clone(),
                seal: gate,
            },
            no_curve_because: None,
            curve: Vec::new(),
            end_unsure: false,
            look_again_at: Some(crate::units::Celsius::new(18.0).unwrap()),
            odds: None,
            float: None,
            memory: Some(Memory {
                phase,
                since: at,
                stretch: at,
                stopped_at: None,
                flat_from,
                creeping: false,
                restarted_at: None,
            }),
        }
    }

    fn says(v: &Verdict) -> String {
        let zone = TimeZone::UTC;
        sentence(
            v,
            &Style {
                units: Preferences::default(),
                zone: &zone,
            },
        )
    }

    #[test]
    fn a_sentence_for_each_state() {
        let plain = |phase| says(&verdict(phase));
        assert_eq!(
            plain(Phase::Slowing),
            "Still falling 0.0021 a day; likely to settle Thu 3 Dec, between Wed and Sat."
        );
        assert_eq!(
            plain(Phase::Active),
            "Falling 0.0021 a day; likely to settle Thu 3 Dec, between Wed and Sat."
        );
        assert_eq!(
            plain(Phase::Settled),
            "Gravity has stopped falling: 1.0123, unchanged for 4 days."
        );
        assert_eq!(
            plain(Phase::Stuck),
            "Stuck: stopped at 1.0123, and it should end near 0.9980."
        );
        assert_eq!(
            plain(Phase::Resting),
            "Resting at 1.0123 in the cold (9.5 °C); too cold to call it finished. Warm it to 18.0 °C and look again."
        );
        let unknown = Verdict {
            expected_end: None,
            ..verdict(Phase::Stuck)
        };
        assert!(says(&unknown).contains("cannot be told from stuck"));
        assert_eq!(
            plain(Phase::Restarted),
            "Falling again, 0.0021 a day, after it had stopped; it is at 1.0123."
        );
        assert_eq!(
            plain(Phase::NoData),
            "No reading for 2 days; the last came Sat 28 Nov 12:00."
        );
        assert!(plain(Phase::Lag).starts_with("Not falling yet, at 1.0123"));
    }

    #[test]
    fn what_is_not_known_is_not_said() {
        for phase in Phase::ALL {
            let bare = Verdict {
                fall_per_day: None,
                settles_at: None,
                temperature: None,
                last_reading: None,
                ..verdict(phase)
            };
            if phase != Phase::Restarted {
                assert!(!says(&bare).contains('?'), "{}", says(&bare));
            }
        }
    }
}

//! Verdicts in plain sentences, as a maker would say them. No statistics.

mod change;
mod evidence;
mod float;
mod say;

pub use change::would_change;
pub use evidence::evidence;
pub use float::{disagreement, float_trouble};

use jiff::tz::TimeZone;

use crate::show;
use crate::time::{Moment, Span};
use crate::units::{Gravity, Preferences};
use crate::verdict::outcome::{Phase, Verdict};

/// How the maker reads numbers and times.
#[derive(Clone, Copy, Debug)]
pub struct Style<'a> {
    pub units: Preferences,
    pub zone: &'a TimeZone,
}

impl<'a> Style<'a> {
    /// Of a maker who has not said how.
    pub fn usual(zone: &'a TimeZone) -> Style<'a> {
        Style {
            units: Preferences::USUAL,
            zone,
        }
    }
}

/// The sentence for a verdict.
pub fn sentence(v: &Verdict, style: &Style) -> String {
    let now = v.at;
    let gravity = v.gravity.map_or_else(
        || "an unknown gravity".to_string(),
        |g| show::gravity(g, style.units),
    );
    if let Some(since) = only_the_float(v) {
        return format!(
            "Its float has sent {gravity} since {}; whether the mead has stopped cannot be told.",
            show::day_and_time(since, now, style)
        );
    }
    let surely_falling = v.fall_per_day.is_some_and(|f| f.low > 0.0);
    match v.phase {
        Phase::NoData => match v.last_reading {
            None => "No readings yet.".into(),
            Some(last) => format!(
                "No reading for {}; the last came {}.",
                show::span(now.since(last)),
                show::day_and_time(last, now, style)
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
                "Stopped at {gravity}, but whether that is its end cannot be told; enter the yeast's tolerance or the gravity you expect, or ferment a jar of it out."
            ),
            Some(end) => format!(
                "Stuck: stopped at {gravity}, and it should end near {}.",
                show::gravity(end, style.units)
            ),
        },
        Phase::Restarted if v.fall_per_day.is_none() => {
            format!("Falling again after it had stopped; it is at {gravity}.")
        }
        Phase::Restarted => format!(
            "Falling again, {} a day, after it had stopped; it is at {gravity}.",
            fall(v, style)
        ),
    }
}

/// Since when the float has sent one value, where that is why the mead came to look still.
pub(crate) fn only_the_float(v: &Verdict) -> Option<Moment> {
    let stuck = v.float.as_ref()?.still_since?;
    let judged_still = v.memory.filter(|_| v.phase.is_still())?.since;
    (judged_still >= stuck).then_some(stuck)
}

/// Of a verdict with a fall in it.
fn fall(v: &Verdict, style: &Style) -> String {
    let near = v.gravity.unwrap_or(Gravity::computed(1.0));
    let mid = v.fall_per_day.map_or(0.0, |f| f.mid.max(0.0));
    show::gravity_step(mid, near, style.units)
}

/// Stabilised and then sweetened: settled since the sweetening itself.
pub(crate) fn is_sweetened(v: &Verdict) -> bool {
    v.phase == Phase::Settled && v.memory.is_some_and(|m| m.flat_from == Some(m.stretch))
}

/// "; likely to settle Thu 3 Dec, between Wed and Sat", as far as it can be told.
fn forecast(v: &Verdict, style: &Style) -> String {
    let Some(when) = v.settles_at else {
        return "; too early to say when it will settle".into();
    };
    if when.mid.since(v.at) < Span::hours(12) {
        return "; close to its end".into();
    }
    let day = |at| show::day(at, v.at, style);
    let (low, mid, high) = (day(when.low), day(when.mid), day(when.high));
    if low == high {
        return format!("; likely to settle {mid}");
    }
    let spread = when.high.since(when.low);
    let half = when.half_high.since(when.half_low);
    if spread > Span::days(60) && half < Span::days(30) {
        return format!(
            "; likely to settle about {mid}, as likely as not between {} and {}",
            day(when.half_low),
            day(when.half_high)
        );
    }
    if spread > Span::days(60) {
        return format!("; likely to settle about {mid}, but it may be weeks off");
    }
    // A weekday alone names a day only within a week.
    let near = |at| {
        if spread < Span::days(6) {
            show::weekday(at, when.mid, v.at, style)
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
    use crate::verdict::jar::{Tells, TestFerment};
    use crate::verdict::outcome::{Gate, Gates, Memory, Range, Spread};

    fn verdict(phase: Phase) -> Verdict {
        let gate = Gate {
            open: false,
            why: String::new(),
            opens: None,
            wants_reading: false,
            since: None,
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
            test_ferment: None,
            memory: Some(Memory {
                phase,
                since: at,
                stretch: at,
                stopped_at: None,
                flat_from,
                creeping: false,
                restarted_at: None,
                suspected_since: None,
                sure_since: None,
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
            assert!(!says(&bare).contains('?'), "{}", says(&bare));
        }
    }

    use crate::units::Celsius;
    use crate::verdict::outcome::{Doubt, FloatSeen, Odds, Trued};

    const UTC: Style<'static> = Style {
        units: Preferences::USUAL,
        zone: &TimeZone::UTC,
    };

    fn full(phase: Phase) -> Verdict {
        let v = verdict(phase);
        Verdict {
            looked_at: Some(Span::days(3)),
            left_to_fall: Some(Range {
                mid: 0.004,
                low: 0.001,
                high: 0.009,
            }),
            final_gravity: Some(Spread {
                low: 0.99,
                half_low: 0.996,
                mid: 0.999,
                half_high: 1.002,
                high: 1.01,
            }),
            temperature_change: Some(-6.0),
            odds: Some(Odds {
                flat: 0.95,
                at_floor: Some(0.7),
                nothing_else: 1.0,
                more_left: 0.02,
            }),
            float: Some(FloatSeen {
                trued: Some(Trued {
                    reads_high: 0.0012,
                    reads_high_sd: 0.0002,
                    drift_per_day: 0.0001,
                    drift_sd: 0.00002,
                    hand_readings: 3,
                }),
                disagrees: Some(Doubt {
                    at: v.at - Span::days(1),
                    hand: 1.008,
                    float: 1.012,
                }),
                still_since: Some(v.at - Span::hours(20)),
                jumps: (1..5).map(|d| (v.at - Span::days(d), 0.003)).collect(),
            }),
            ..v
        }
    }

    fn bare(phase: Phase) -> Verdict {
        Verdict {
            gravity: None,
            fall_per_day: None,
            settles_at: None,
            expected_end: None,
            temperature: None,
            last_reading: None,
            look_again_at: None,
            memory: None,
            ..verdict(phase)
        }
    }

    /// Every phase, with all that can be known and with next to nothing.
    fn all() -> Vec<Verdict> {
        let mut all = Vec::new();
        for phase in Phase::ALL {
            let mut warm = alive(phase);
            warm.temperature_change = Some(0.0);
            warm.end_unsure = true;
            warm.odds = Some(Odds {
                flat: 0.999,
                at_floor: None,
                nothing_else: 0.1,
                more_left: 0.5,
            });
            let mut sweetened = alive(phase);
            if let Some(m) = &mut sweetened.memory {
                m.flat_from = Some(m.stretch);
                m.stopped_at = Some(1.014);
            }
            let mut slow = alive(phase);
            slow.fall_per_day = Some(Range {
                mid: -0.0001,
                low: -0.0005,
                high: 0.0003,
            });
            slow.settles_at = slow.settles_at.map(|s| Spread {
                high: s.mid + Span::days(90),
                ..s
            });
            for tells in Tells::ALL {
                let gravity = Gravity::computed(0.9971);
                all.push(Verdict {
                    test_ferment: Some(TestFerment { gravity, tells }),
                    ..alive(phase)
                });
            }
            all.extend([
                verdict(phase),
                full(phase),
                alive(phase),
                warm,
                sweetened,
                slow,
                bare(phase),
            ]);
        }
        all
    }

    /// What is no maker's word. "%" stands in no sentence of a verdict either.
    const JARGON: [&str; 22] = [
        "?",
        "%",
        "odds",
        "posterior",
        "interval",
        "sigma",
        "confidence",
        "probab",
        "likelihood",
        "standard",
        "deviation",
        "median",
        "quantile",
        "percentile",
        "estimate",
        "variance",
        "significan",
        "slope",
        "prior",
        "nan",
        "inf ",
        "-0.",
    ];

    #[test]
    fn every_state_explains_itself_in_plain_words() {
        for v in all() {
            let (why, change) = (evidence(&v, &UTC), would_change(&v, &UTC));
            assert!(!why.is_empty() && !change.is_empty(), "{v:?}");
            let trouble = float_trouble(&v, &UTC);
            for line in why.iter().chain(&change).chain(&trouble).chain([&says(&v)]) {
                assert!(line.ends_with('.'), "{line}");
                let first = line.chars().next().unwrap();
                assert!(first.is_uppercase() || first.is_numeric(), "{line}");
                let low = line.to_lowercase();
                for word in JARGON {
                    assert!(!low.contains(word), "{word:?} in {line:?}");
                }
            }
        }
    }

    fn has(lines: &[String], part: &str) {
        assert!(
            lines.iter().any(|l| l.contains(part)),
            "{part:?} is not in {lines:#?}"
        );
    }

    #[test]
    fn the_float_is_spoken_of_as_an_instrument() {
        let why = evidence(&full(Phase::Slowing), &UTC);
        has(
            &why,
            "By 3 hand readings the float reads 0.0012 too high; that is put right here.",
        );
        has(&why, "comes to read 0.0007 higher with each week");
        has(&why, "same value since Sun 29 Nov 16:00 (20 hours)");
        has(&why, "1.0080 by hand, 1.0120 by the float, 0.0040 higher");
        has(&why, "jumped up by 0.0030 about Thu 26 Nov 12:00");
        has(&why, "2 earlier jumps of it are taken out too.");
        has(
            &would_change(&full(Phase::Slowing), &UTC),
            "second hand reading",
        );
        let mut vague = full(Phase::Slowing);
        vague.float = Some(FloatSeen {
            trued: Some(Trued {
                reads_high: -0.002,
                reads_high_sd: 0.001,
                drift_per_day: 0.0001,
                drift_sd: 0.0001,
                hand_readings: 1,
            }),
            ..FloatSeen::default()
        });
        let why = evidence(&vague, &UTC);
        has(
            &why,
            "By 1 hand reading the float reads 0.0020 too low, give or take 0.0016;",
        );
        assert!(!why.iter().any(|l| l.contains("week")), "{why:#?}");
        assert_eq!(float_trouble(&vague, &UTC), None);
    }

    /// Known in full, and with a float that lives.
    fn alive(phase: Phase) -> Verdict {
        let mut v = full(phase);
        if let Some(float) = &mut v.float {
            float.still_since = None;
        }
        v
    }

    #[test]
    fn a_float_that_sends_one_value_proves_nothing() {
        let v = full(Phase::Stuck);
        assert_eq!(
            says(&v),
            "Its float has sent 1.0123 since Sun 29 Nov 16:00; whether the mead has stopped cannot be told."
        );
        let why = evidence(&v, &UTC);
        assert!(!why.iter().any(|l| l.contains("holds still")), "{why:#?}");
        let change = would_change(&v, &UTC);
        has(&change, "A hand reading today");
        assert!(!change.iter().any(|l| l.contains("yeast")), "{change:#?}");
        // It had stopped before the float did.
        let mut before = full(Phase::Settled);
        if let Some(m) = &mut before.memory {
            m.since = before.at - Span::days(2);
        }
        assert!(says(&before).starts_with("Gravity has stopped falling"));
    }

    #[test]
    fn each_state_tells_its_own_story() {
        let why = |phase| evidence(&alive(phase), &UTC);
        let change = |phase| would_change(&alive(phase), &UTC);
        has(
            &why(Phase::Active),
            "Over the last 3 days it fell 0.0021 a day, nine times out of ten between 0.0016 and 0.0026.",
        );
        has(
            &why(Phase::Settled),
            "It has kept to 1.0123 since Thu 26 Nov 12:00, that is 4 days.",
        );
        has(
            &why(Phase::Settled),
            "Nine times out of ten, it holds still.",
        );
        has(
            &why(Phase::Resting),
            "It is at 9.5 °C, 6.0 °C colder than in its warm days",
        );
        has(&change(Phase::Resting), "Warm it to 18.0 °C");
        has(
            &why(Phase::Stuck),
            "It should end near 0.9980; 1.0123 is 0.0143 above that, too far to be its end.",
        );
        has(&change(Phase::Stuck), "new yeast");
        has(&change(Phase::Restarted), "out of glass");
        has(&change(Phase::Settled), "second witness");
        let mut unsure = alive(Phase::Stuck);
        unsure.end_unsure = true;
        has(&would_change(&unsure, &UTC), "yeast's tolerance");
        let silent = evidence(&full(Phase::NoData), &UTC);
        has(&silent, "Nothing has been read since Sat 28 Nov 12:00");
    }

    #[test]
    fn a_jar_says_where_it_ends_or_why_it_does_not_count() {
        let with = |phase, tells| Verdict {
            test_ferment: Some(TestFerment {
                gravity: Gravity::computed(0.9971),
                tells,
            }),
            expected_end: Some(Gravity::computed(0.9971)),
            ..alive(phase)
        };
        let told = with(Phase::Stuck, Tells::TheEnd);
        has(
            &evidence(&told, &UTC),
            "By its test ferment it should end near 0.9971; 1.0123 is 0.0152 above that, too far to be its end.",
        );
        let asks = |v: &Verdict| {
            would_change(v, &UTC)
                .iter()
                .any(|l| l.contains("A jar of it"))
        };
        assert!(!asks(&told) && asks(&alive(Phase::Stuck)) && asks(&alive(Phase::Slowing)));
        for (tells, says) in [
            (
                Tells::ReadOnce,
                "stands at 0.9971 by one reading; it counts once a second one",
            ),
            (Tells::StillFalls, "last readings differ"),
            (Tells::NotBegun, "hardly lower than the mead began"),
            (Tells::MeadChanged, "something was added"),
            (Tells::MeadIsLower, "the mead already reads lower"),
        ] {
            let v = with(Phase::Slowing, tells);
            let lines = evidence(&v, &UTC);
            has(&lines, says);
            assert!(
                !lines.iter().any(|l| l.contains("By its test ferment")),
                "{lines:#?}"
            );
            let under_way = !matches!(tells, Tells::MeadChanged | Tells::MeadIsLower);
            assert_eq!(asks(&v), !under_way, "{tells:?}");
        }
        let mut sweetened = with(Phase::Settled, Tells::MeadChanged);
        if let Some(m) = &mut sweetened.memory {
            m.flat_from = Some(m.stretch);
        }
        assert!(
            !evidence(&sweetened, &UTC)
                .iter()
                .any(|l| l.contains("test ferment"))
        );
        assert!(!asks(&sweetened));
    }

    #[test]
    fn the_makers_scales_are_used() {
        let style = Style {
            units: Preferences {
                gravity: crate::units::GravityScale::Plato,
                temperature: crate::units::TemperatureScale::Fahrenheit,
                ..Preferences::default()
            },
            ..UTC
        };
        let mut v = alive(Phase::Resting);
        v.look_again_at = Celsius::new(18.0).ok();
        has(&would_change(&v, &style), "64.4 °F");
        has(&evidence(&v, &style), "°P");
        has(&evidence(&v, &style), "10.8 °F colder");
    }

    #[test]
    fn a_wide_forecast_falls_back_to_its_inner_range() {
        let mut v = verdict(Phase::Slowing);
        v.settles_at = v.settles_at.map(|s| Spread {
            high: s.mid + Span::days(90),
            ..s
        });
        assert_eq!(
            says(&v),
            "Still falling 0.0021 a day; likely to settle about Thu 3 Dec, as likely as not between Wed 2 Dec and Fri 4 Dec."
        );
    }
}

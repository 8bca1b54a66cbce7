//! Heat instead of chemistry.

use super::answer::{Amount, Answer, Formula, Outcome, Step, result, table};
use super::fizz::{
    BURST, CARBONATION, CLOSED, CLOSED_AT, GRAVITY, HEADSPACE, HEIGHT, HENRY, MARGIN, RATING,
    STRENGTH, TOO_MUCH, WARMEST, WINE, against, bar, closed, content, most_said, pressure_result,
    rated, solvent, spread,
};
use super::scale::{capital, shown};
use super::{Choice, Complaint, Complaints, Field, Given, Reckoning, Table};
use crate::deed::What;
use crate::gas::Beyond;
use crate::gas::closed::{Above, Closed};
use crate::heat::{LONGEST_GAP, NOTHING_BELOW, Rate, Trace};
use crate::time::{Moment, Span};
use crate::units::{Celsius, Minutes, PasteurUnits};

pub static PASTEURISE: Reckoning = Reckoning {
    key: "pasteurise",
    title: "Heat instead of chemistry",
    says: "What a hold or a record of temperatures is worth in pasteurisation units, how long is missing, and what a closed bottle comes to while it is hot.",
    gate: None,
    fields: &[
        Field::number::<Celsius>("temperature", "Temperature of the hold")
            .may_be_left()
            .hint("At the coldest place inside the bottle, not of the bath."),
        Field::number::<Minutes>("time", "Time held").may_be_left(),
        Field::rows(
            "readings",
            "Or readings through come-up, hold and cool-down",
            &[
                Field::number::<Minutes>("minute", "Minutes from the start"),
                Field::number::<Celsius>("temperature", "Temperature"),
            ],
            0,
            100,
        ),
        Field::when("since", "Or of the vessel's feed since")
            .may_be_left()
            .hint("Left empty, of the last two days; only what is above 50 °C counts."),
        Field::number::<PasteurUnits>("target", "Units wanted")
            .usual("50 PU")
            .hint("About 50 for cider and the like; for sweet mead none is published."),
        Field::choice(
            "rate",
            "Rate",
            &[
                Choice {
                    key: "del-vecchio",
                    label: "1.393 for each degree",
                },
                Choice {
                    key: "z-seven",
                    label: "z = 7 °C",
                },
            ],
        ),
        Field::choice(
            "heated-in",
            "Heated in",
            &[
                Choice {
                    key: "closed",
                    label: "closed bottles",
                },
                Choice {
                    key: "open",
                    label: "an open vessel",
                },
            ],
        ),
        STRENGTH.usual("12 % vol"),
        GRAVITY,
        WARMEST.usual("20 °C"),
        CARBONATION,
        HEADSPACE.usual("5 %"),
        CLOSED_AT.label("Temperature when it was closed"),
        RATING,
        MARGIN,
        HEIGHT,
    ],
    run,
};

const HOT: &str = "Sealed bottles rise in pressure when they are heated, and near-full ones without limit. Do not \
     heat bottles with fizz unless their supplier rates them for the pressure shown. Shield them, keep \
     the lid on, wear eye protection; warm and cool in steps, for glass breaks when its sides are far \
     apart in temperature. Hot liquid and steam scald.";
const VALIDATED: &str = "The units say nothing about a place that stayed colder than the probe. What is sold wants a \
     process that was validated under the rules where you make and sell; watch gravity afterwards.";

/// What a thermometer may be off, °C.
const THERMOMETER: f64 = 0.5;

/// What was heated, and how.
struct Heated {
    units: PasteurUnits,
    /// The last temperature known.
    now: Celsius,
    hottest: Celsius,
    gaps: usize,
    /// For the sentence: "10 min at 65.0 °C".
    words: String,
}

fn rate(given: &Given) -> Rate {
    match given.choice("rate") {
        "z-seven" => Rate::ZSeven,
        _ => Rate::DelVecchio,
    }
}

fn heated(given: &Given, rate: Rate) -> Result<Heated, Complaint> {
    let rows = given.rows("readings");
    if !rows.is_empty() {
        let mut readings = Vec::new();
        for row in rows {
            let (minute, t): (Minutes, Celsius) = (row.need("minute")?, row.need("temperature")?);
            let at = Moment(0) + Span((minute.get() * 60_000.0).round() as i64);
            if readings.last().is_some_and(|&(last, _)| last >= at) {
                return Err(row.complain("minute", "the readings must follow one another in time"));
            }
            readings.push((at, t));
        }
        return traced(
            given,
            &rate.trace(&readings, LONGEST_GAP),
            &readings,
            "readings",
        );
    }
    if let Some(t) = given.maybe::<Celsius>("temperature") {
        let time = given.maybe("time").unwrap_or(Minutes::computed(0.0));
        return Ok(Heated {
            units: rate.hold(t, time),
            now: t,
            hottest: t,
            gaps: 0,
            words: format!("{} at {}", shown(given, time), shown(given, t)),
        });
    }
    let since = given.when("since").unwrap_or(Moment(i64::MIN));
    let readings: Vec<(Moment, Celsius)> = given
        .known
        .trace
        .iter()
        .filter(|(at, _)| *at >= since)
        .copied()
        .collect();
    traced(
        given,
        &rate.trace(&readings, LONGEST_GAP),
        &readings,
        "temperature",
    )
}

fn traced(
    given: &Given,
    trace: &Trace,
    readings: &[(Moment, Celsius)],
    field: &str,
) -> Result<Heated, Complaint> {
    let (Some(hottest), [_, .., (_, now)]) = (trace.hottest, readings) else {
        let why = "give a hold, two readings or more, or a vessel whose feed sends temperature";
        return Err(given.complain(field, why));
    };
    Ok(Heated {
        units: trace.units(),
        now: *now,
        hottest,
        gaps: trace.gaps.len(),
        words: format!(
            "{} readings, up to {}",
            readings.len(),
            shown(given, hottest)
        ),
    })
}

fn run(given: &Given) -> Result<Answer, Complaints> {
    let rate = rate(given);
    let heated = heated(given, rate)?;
    let target: PasteurUnits = given.need("target")?;
    let missing = PasteurUnits::computed((target.get() - heated.units.get()).max(0.0));
    let still = (missing.get() > 0.0)
        .then(|| rate.time_for(heated.now, missing))
        .flatten();
    // How much more the units are, by as much as the thermometer may be off.
    let off = rate.at(Celsius::computed(60.0 + THERMOMETER));

    let mut answer = Answer::default()
        .result(result("units", "Pasteurisation", heated.units).between(
            PasteurUnits::computed(heated.units.get() / off),
            PasteurUnits::computed(heated.units.get() * off),
        ))
        .result(result("missing", "Still missing", missing));
    if let Some(time) = still {
        let label = format!("Time still needed at {}", shown(given, heated.now));
        answer = answer.result(result("time", label, time).between(
            Minutes::computed(time.get() / off),
            Minutes::computed(time.get() * off),
        ));
    }
    answer = answer
        .result(result("hottest", "Hottest", heated.hottest))
        .formula(formula(rate));
    let mut words = vec![counted(given, &heated, target, missing, still)];
    let mut bears = true;
    if given.choice("heated-in") == "closed" {
        let mead = solvent(given)?;
        let bottle = closed(given, mead, content(given, mead)?, Above::Air)?;
        let (said, ok);
        (answer, said, ok) = heated_closed(given, answer, &bottle, heated.hottest)?;
        bears = ok;
        words.push(said);
    }
    if !bears {
        words.insert(0, "Do not heat these bottles closed.".to_owned());
    }
    if bears && missing.get() <= 0.0 {
        answer = answer.step(Step::new(
            What::Pasteurise,
            format!("{}, {}", heated.words, shown(given, heated.units)),
        ));
    }
    answer.sentence = words.join(" ");
    Ok(answer.caution(VALIDATED).how_sure(
        "A thermometer half a degree off makes the units 18 % more or less. The two published rates \
         differ by 5 % at 80 °C. Between readings the temperature is taken as a straight line, \
         nothing below 50 °C is counted, and silences of more than 10 minutes are left out. \
         Pressure while hot leaves out the vapour of alcohol, under 0.2 bar.",
    ))
}

/// What it is worth, what is missing and what was left out.
fn counted(
    given: &Given,
    heated: &Heated,
    target: PasteurUnits,
    missing: PasteurUnits,
    still: Option<Minutes>,
) -> String {
    let mut words = format!("{}: {}.", heated.words, shown(given, heated.units));
    if missing.get() > 0.0 {
        let now = shown(given, heated.now);
        let more = match still {
            Some(time) => format!("{} more at {now}", shown(given, time)),
            None => format!(
                "at {now} nothing is counted, it wants {} or more",
                shown(given, NOTHING_BELOW)
            ),
        };
        let (missing, target) = (shown(given, missing), shown(given, target));
        words += &format!(" Missing to {target}: {missing}; {more}.");
    }
    match heated.gaps {
        0 => {}
        1 => {
            words += " A stretch silent for more than 10 minutes while it was hot is not counted.";
        }
        n => {
            words += &format!(
                " {n} stretches silent for more than 10 minutes while it was hot are not counted."
            );
        }
    }
    words
}

/// What becomes of a closed bottle, in results and words, and whether it may be heated at all.
fn heated_closed(
    given: &Given,
    answer: Answer,
    bottle: &Closed,
    hottest: Celsius,
) -> Result<(Answer, String, bool), Complaint> {
    const LABEL: &str = "Pressure in a closed bottle then";
    let answer = answer
        .table(pressures(given, bottle, hottest)?)
        .formula(HENRY)
        .formula(WINE)
        .formula(CLOSED)
        .caution(HOT)
        .caution(BURST);
    let inside = match bottle.at(hottest) {
        Ok(inside) => inside,
        Err(e) => {
            let answer = answer.result(Outcome::words("bottle", LABEL, "not to be told"));
            return Ok((answer, format!("{}.", capital(&e.to_string())), false));
        }
    };
    let answer = answer
        .result(pressure_result("bottle", LABEL, &inside))
        .result(result(
            "room",
            "Room left above the liquid",
            inside.headspace,
        ));
    let (bottles, borne) = rated(given, Some(&inside), hottest)?;
    let said = format!(
        "A closed bottle comes to {} on a gauge at {}. {borne}",
        most_said(given, Some(&inside)),
        shown(given, hottest)
    );
    Ok((answer, said, !bottles.forbids()))
}

fn formula(rate: Rate) -> Formula {
    match rate {
        Rate::DelVecchio => Formula {
            name: "pasteurisation units, 1.393^(t - 60) a minute",
            source: "Del Vecchio, Dayharsh & Baselt, Proc. ASBC 9 (1951) 45",
        },
        Rate::ZSeven => Formula {
            name: "pasteurisation units, 10^((t - 60)/7) a minute",
            source: "the same with z = 7 °C, as food engineering uses it",
        },
    }
}

/// The bottle on its way up.
fn pressures(given: &Given, bottle: &Closed, hottest: Celsius) -> Result<Table, Complaint> {
    let mut temperatures = vec![20.0, 50.0, 60.0, 65.0, 70.0, hottest.get()];
    temperatures.sort_by(f64::total_cmp);
    temperatures.dedup();
    let mut table = table(
        "bottle",
        "A closed bottle while it is hot",
        &[
            ("temperature", "At"),
            ("pressure", "Pressure above the air's"),
            ("most", "At the most"),
            ("room", "Room left"),
            ("rating", "Against the rating"),
        ],
    );
    for t in temperatures.into_iter().map(Celsius::computed) {
        table = table.row(match bottle.at(t) {
            Ok(inside) => vec![
                Amount::of(t),
                bar(Some(inside.gauge)),
                Amount::of(spread(&inside).1),
                Amount::of(inside.headspace),
                against(given, Some(spread(&inside).1))?.cell(),
            ],
            Err(e) => {
                let words = match e {
                    Beyond::Full { .. } => "without limit",
                    Beyond::Pressure => TOO_MUCH,
                    _ => "not known",
                };
                let room = match e {
                    Beyond::Full { .. } => "next to none",
                    _ => "",
                };
                vec![
                    Amount::of(t),
                    Amount::Words(words.to_owned()),
                    Amount::Words(words.to_owned()),
                    Amount::Words(room.to_owned()),
                    against(given, None)?.cell(),
                ]
            }
        });
    }
    Ok(table)
}

#[cfg(test)]
mod tests {
    use crate::reckon::tests::{ask, ask_knowing, value};
    use crate::reckon::{Known, Refusal, Told};
    use crate::time::{Moment, Span};
    use crate::units::Celsius;

    fn told(fields: &[(&str, &str)]) -> Told {
        ask("pasteurise", fields).unwrap()
    }

    fn said(fields: &[(&str, &str)]) -> String {
        match ask("pasteurise", fields) {
            Err(Refusal::Fields(all)) => all.iter().map(|c| c.say.clone()).collect(),
            other => panic!("{other:?}"),
        }
    }

    /// 10 minutes at 65 °C: about 50 units (A. Lea's rule for cider).
    #[test]
    fn the_rule_for_cider() {
        let hold = told(&[("temperature", "65"), ("time", "10 min")]);
        assert!((value(&hold, "units") - 52.5).abs() < 0.1);
        assert_eq!(value(&hold, "missing"), 0.0);
        assert_eq!(hold.step.unwrap().deed.what.key(), "pasteurise");
        let seven = told(&[
            ("temperature", "149 F"),
            ("time", "600 s"),
            ("rate", "z-seven"),
        ]);
        assert!((value(&seven, "units") - 51.8).abs() < 0.1);
    }

    #[test]
    fn what_is_missing_at_this_temperature() {
        let told = told(&[("temperature", "62"), ("time", "10")]);
        // 1.393² = 1.94 a minute: 19.4 so far, 15.8 min more for the rest of 50.
        assert!((value(&told, "units") - 19.404).abs() < 0.01);
        assert!((value(&told, "time") - 15.77).abs() < 0.02);
        assert!(told.step.is_none());
        let cold = self::told(&[("temperature", "48"), ("time", "100")]);
        assert_eq!(value(&cold, "units"), 0.0);
        assert!(
            cold.sentence.contains("at 48.0 °C nothing is counted"),
            "{}",
            cold.sentence
        );
    }

    #[test]
    fn readings_through_come_up_and_cool_down() {
        let ramp = [
            ("readings.1.minute", "0"),
            ("readings.1.temperature", "20"),
            ("readings.2.minute", "10"),
            ("readings.2.temperature", "65"),
            ("readings.3.minute", "20"),
            ("readings.3.temperature", "65"),
            ("readings.4.minute", "28"),
            ("readings.4.temperature", "30 °C"),
        ];
        let told = told(&ramp);
        assert!(value(&told, "units") > 52.5 && value(&told, "units") < 85.0);
        // The same with a silence of half an hour in the hold.
        let mut silent = ramp.to_vec();
        silent[4] = ("readings.3.minute", "50");
        silent[6] = ("readings.4.minute", "58");
        let gap = self::told(&silent);
        assert!(
            gap.sentence
                .contains("A stretch silent for more than 10 minutes"),
            "{}",
            gap.sentence
        );
        assert!(value(&gap, "units") < value(&told, "units") - 50.0);
        let mut back = ramp.to_vec();
        back[4] = ("readings.3.minute", "9");
        assert!(said(&back).contains("must follow one another"));
    }

    #[test]
    fn the_feed_counts_as_it_goes() {
        let mut known = Known::default();
        let at = |m: i64| Moment(1_772_000_000_000) + Span::minutes(m);
        for (minute, t) in [(0, 18.0), (6, 52.0), (12, 62.0), (18, 62.0), (24, 58.0)] {
            known.trace.push((at(minute), Celsius::new(t).unwrap()));
        }
        let live = ask_knowing("pasteurise", &[("target", "30")], &known).unwrap();
        // Six minutes at 62 °C are 11.6; up to it from 50 °C and down from it come on top.
        assert!(value(&live, "units") > 11.6 + 3.0 && value(&live, "units") < 11.6 + 15.0);
        // 1.393^-2 a minute where it is now.
        let rate = value(&live, "missing") / value(&live, "time");
        assert!((rate - 0.5153).abs() < 1e-4, "{rate}");
        assert_eq!(value(&live, "hottest"), 62.0);
        assert!(said(&[]).contains("a vessel whose feed sends temperature"));
    }

    /// Still mead at 65 °C, 12 % vol, 5 % room, 1.0 g/L: about 1.6 bar of gas, and the air squeezed on
    /// top (reckoned apart with water's swelling: 1.8 bar absolute of it).
    #[test]
    fn a_closed_bottle_while_hot() {
        let told = told(&[
            ("temperature", "65"),
            ("time", "10"),
            ("carbonation", "0.506"),
        ]);
        let bar = value(&told, "bottle");
        assert!((2.4..3.4).contains(&bar), "{bar}");
        let fizzy = self::told(&[
            ("temperature", "65"),
            ("time", "10"),
            ("carbonation", "2.5"),
        ]);
        assert!(value(&fizzy, "bottle") > 7.5);
        let open = self::told(&[("temperature", "65"), ("time", "10"), ("heated-in", "open")]);
        assert!(open.results.iter().all(|r| r.key != "bottle"));
    }

    #[test]
    fn near_full_bottles_are_not_to_be_heated() {
        let full = told(&[("temperature", "65"), ("time", "10"), ("headspace", "2 %")]);
        assert!(
            full.sentence
                .starts_with("Do not heat these bottles closed."),
            "{}",
            full.sentence
        );
        assert!(full.step.is_none());
        assert!(
            full.tables[0]
                .rows
                .iter()
                .any(|r| r[1].text == "without limit")
        );
        let weak = told(&[("temperature", "65"), ("time", "10"), ("rating", "2 bar")]);
        assert!(
            weak.sentence
                .starts_with("Do not heat these bottles closed.")
        );
        assert!(weak.step.is_none());
    }

    #[test]
    fn impossible_input_is_named() {
        assert!(
            said(&[("temperature", "160"), ("time", "3")])
                .contains("temperature 160 is outside -20 to 100 °C")
        );
        assert!(
            said(&[("temperature", "65"), ("time", "-3")])
                .contains("Time held: time -3 is outside")
        );
        assert!(
            said(&[("temperature", "65"), ("strength", "140 %")])
                .contains("Strength: strength 140 is outside")
        );
    }

    #[test]
    fn the_margin_is_kept_below_the_rating() {
        let hold = [("temperature", "65"), ("time", "30")];
        let rated = |rating: &str| told(&[&hold[..], &[("rating", rating)]].concat());
        let bottle = rated("9").tables.remove(0);
        assert_eq!(bottle.columns.last().unwrap().key, "rating");
        let most = bottle
            .rows
            .iter()
            .find(|r| r[0].value == Some(65.0))
            .unwrap()[2]
            .value
            .unwrap();
        let near = rated(&format!("{}", most * 1.1));
        assert!(
            near.sentence
                .starts_with("Do not heat these bottles closed.")
                && near.sentence.contains("within the margin below the rating"),
            "{}",
            near.sentence
        );
        assert!(near.step.is_none());
        let strong = rated(&format!("{}", most * 1.4));
        assert!(
            strong.sentence.contains("below rating and margin"),
            "{}",
            strong.sentence
        );
        assert!(strong.step.is_some());
        let full = told(&[&hold[..], &[("rating", "9"), ("headspace", "2 %")]].concat());
        let last = full.tables[0].rows.last().unwrap();
        assert_eq!(last.last().unwrap().text, "over the rating");
    }
}

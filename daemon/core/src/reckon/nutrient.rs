//! Nutrient for the yeast: how much, of what, and in which steps down the curve.

use super::answer::{Amount, Answer, Formula, Outcome, Step, result, table};
use super::scale::{shown, weighed_within};
use super::sulphur::{self, CAUTION_LAW};
use super::{Choice, Complaints, Fact, Field, Given, Reckoning, rules};
use crate::deed::{Dose, Substance, What};
use crate::density::plato_from_gravity;
use crate::nutrient::{
    self, Due, HOURS_APART, LAST_STEP, LINE, Need, PHOSPHATE_SHARE, Ration, Sources, Wanted,
};
use crate::show;
use crate::time::Span;
use crate::units::{
    Count, FallPerDay, GramsPerLitre, Gravity, Hours, Kilograms, Litres, MassPercent, MgPerLitre,
    Percent,
};

pub static NUTRIENT: Reckoning = Reckoning {
    key: "nutrient",
    title: "Nutrient",
    says: "How much nutrient the yeast wants, in which steps, and when the next is due.",
    gate: None,
    fields: &[
        sulphur::VOLUME,
        Field::number::<Gravity>("original", "Original gravity").fill(Fact::OriginalGravity),
        Field::number::<Gravity>("end", "Gravity it should end at")
            .usual("1.000 SG")
            .fill(Fact::ExpectedEnd),
        Field::number::<Gravity>("gravity", "Gravity now")
            .may_be_left()
            .fill(Fact::Gravity)
            .hint("Left out: a plan from the start."),
        Field::number::<FallPerDay>("fall", "Fall")
            .may_be_left()
            .fill(Fact::FallPerDay)
            .hint("With it, each step gets a time."),
        Field::choice(
            "need",
            "The yeast's need",
            &[
                Choice {
                    key: "usual",
                    label: "usual",
                },
                Choice {
                    key: "low",
                    label: "low",
                },
                Choice {
                    key: "high",
                    label: "high",
                },
            ],
        )
        .hint("As its maker says."),
        Field::number::<MgPerLitre>("wanted", "Nitrogen wanted")
            .may_be_left()
            .hint("Your own figure; else by gravity and need."),
        Field::number::<MgPerLitre>("must", "Nitrogen in the must")
            .usual("10 mg/L")
            .hint("As a laboratory measured it. Honey brings hardly any, fruit and juice more."),
        Field::number::<MassPercent>("other", "Nitrogen in your other nutrient")
            .may_be_left()
            .hint("Of its mass, what yeast can take up; by its maker. Left out: phosphate only."),
        Field::number::<GramsPerLitre>("other-most", "Most of the other nutrient")
            .may_be_left()
            .hint("By its maker."),
        Field::number::<Percent>(
            "phosphate",
            "Share of the nitrogen from diammonium phosphate",
        )
        .may_be_left()
        .hint("All without another nutrient, half with one."),
        Field::number::<Kilograms>("phosphate-so-far", "Diammonium phosphate so far")
            .usual("0 g")
            .fill(Fact::PhosphateSoFar),
        Field::number::<Kilograms>("other-so-far", "Other nutrient so far")
            .usual("0 g")
            .fill(Fact::NutrientSoFar),
        Field::number::<Count>("steps", "Steps")
            .usual("4")
            .fill(Fact::NutrientSteps),
        Field::number::<Count>("given", "Steps given so far")
            .usual("0")
            .fill(Fact::StepsGiven),
        Field::choice(
            "by",
            "Steps go by",
            &[
                Choice {
                    key: BY_SUGAR,
                    label: "the sugar used",
                },
                Choice {
                    key: BY_HOURS,
                    label: "hours after the pitch",
                },
            ],
        )
        .fill(Fact::NutrientBy),
        Field::number::<Hours>("since-pitch", "Since the pitch")
            .may_be_left()
            .fill(Fact::SincePitch)
            .hint("Where steps go by hours."),
        rules::field(),
    ],
    run,
};

pub(super) const BY_SUGAR: &str = "sugar";
pub(super) const BY_HOURS: &str = "hours";

const MOST_STEPS: f64 = 6.0;
/// How far past the last step's share of the sugar it is not yet too late: what readings leave open.
const LATE: f64 = LAST_STEP + 0.05;
/// Below this share of the sugar used up it has hardly begun.
const BEGUN: f64 = 0.02;
/// How far above the original a reading may lie before it is called impossible: a float in fresh must.
const READING_DOUBT: f64 = 0.003;
/// How much faster or slower than now the fall may be by then, for the range of a time.
const FALL_DOUBT: f64 = 1.0 / 3.0;

const ORDINALS: [&str; 6] = ["first", "second", "third", "fourth", "fifth", "sixth"];

/// One line of the plan.
struct Line {
    /// From 0.
    nth: usize,
    /// What it waits for.
    at: At,
    due: Due,
    phosphate: Kilograms,
    other: Kilograms,
}

#[derive(Clone, Copy)]
enum At {
    Gravity(Gravity),
    /// After the pitch.
    Hours(Hours),
}

fn run(given: &Given) -> Result<Answer, Complaints> {
    let asked = Wish::read(given)?;
    let law = rules::chosen(given).diammonium_phosphate;
    let per_litre = |mass: Kilograms| mass.get() * 1e6 / asked.volume.get();
    let room =
        |most: f64, so_far: Kilograms| MgPerLitre::computed((most - per_litre(so_far)).max(0.0));
    let from = Sources {
        phosphate: asked.phosphate,
        other: asked.other,
        phosphate_most: Some(room(law.most.get(), asked.phosphate_so_far)),
        other_most: asked
            .other_most
            .map(|m| room(m.get() * 1000.0, asked.other_so_far)),
    };
    let given_so_far = per_litre(asked.phosphate_so_far) * PHOSPHATE_SHARE
        + per_litre(asked.other_so_far) * asked.other.map_or(0.0, |m| m.get() / 100.0);
    let plan = asked.wanted.plan();
    let missing = MgPerLitre::computed((plan.get() - asked.must.get() - given_so_far).max(0.0));
    let ration = nutrient::ration(missing, asked.volume, from);
    let used = asked
        .gravity
        .and_then(|now| nutrient::used_at(asked.original, asked.end, now));
    let late = used.is_some_and(|used| used > LATE);
    let lines = if late || missing.get() <= 0.0 {
        Vec::new()
    } else {
        lines(&asked, &ration, from)
    };
    let mut answer = Answer::new(sentence(given, &asked, &ration, missing, used, &lines));
    answer = tell_wanted(answer, &asked);
    answer = if late {
        answer.formula(STEPS)
    } else {
        tell(answer, &asked, &ration, missing, &law.told()).formula(STEPS)
    };
    answer = tell_lines(given, answer, &lines);
    answer = answer
        .how_sure(how_sure(&asked))
        .caution(CAUTION_UREA)
        .caution(CAUTION_LATE)
        .caution(CAUTION_FOAM)
        .caution(CAUTION_LAW);
    Ok(match lines.first() {
        Some(now) if now.due == Due::Passed => {
            let step = step(given, now, lines.get(1));
            answer.step(step)
        }
        _ => answer,
    })
}

/// What was asked, checked.
struct Wish {
    volume: Litres,
    original: Gravity,
    end: Gravity,
    gravity: Option<Gravity>,
    fall: Option<FallPerDay>,
    wanted: Wanted,
    own: bool,
    must: MgPerLitre,
    phosphate: Percent,
    other: Option<MassPercent>,
    other_most: Option<GramsPerLitre>,
    phosphate_so_far: Kilograms,
    other_so_far: Kilograms,
    steps: usize,
    /// Steps that were given.
    given: usize,
    /// Since the pitch, where steps go by hours.
    hours: Option<Hours>,
}

impl Wish {
    fn read(given: &Given) -> Result<Wish, Complaints> {
        let original: Gravity = given.need("original")?;
        let end: Gravity = given.need("end")?;
        if end >= original {
            return Err(given
                .complain("end", "it must lie below the original gravity")
                .into());
        }
        let now: Option<Gravity> = given.maybe("gravity");
        if now.is_some_and(|now| now.get() > original.get() + READING_DOUBT) {
            return Err(given
                .complain("gravity", "it lies above the original gravity")
                .into());
        }
        let steps: Count = given.need("steps")?;
        if steps.get().fract() != 0.0 || !(1.0..=MOST_STEPS).contains(&steps.get()) {
            return Err(given
                .complain("steps", &format!("a whole number from 1 to {MOST_STEPS}"))
                .into());
        }
        let hours: Option<Hours> = match given.choice("by") {
            BY_HOURS => Some(given.need("since-pitch")?),
            _ => None,
        };
        let so_far: Count = given.need("given")?;
        let other: Option<MassPercent> = given.maybe("other");
        if other.is_some_and(|share| share.get() <= 0.0) {
            return Err(given
                .complain("other", "leave it out when there is none in it")
                .into());
        }
        let phosphate = match (given.maybe::<Percent>("phosphate"), other) {
            (Some(share), None) if share.get() < 100.0 => {
                return Err(given
                    .complain(
                        "phosphate",
                        "less than all of it needs another nutrient with its nitrogen",
                    )
                    .into());
            }
            (Some(share), _) => share,
            (None, None) => Percent::computed(100.0),
            (None, Some(_)) => Percent::computed(50.0),
        };
        let need = match given.choice("need") {
            "low" => Need::Low,
            "high" => Need::High,
            _ => Need::Usual,
        };
        let own: Option<MgPerLitre> = given.maybe("wanted");
        Ok(Wish {
            volume: sulphur::volume(given)?,
            original,
            end,
            gravity: now.map(|now| if now > original { original } else { now }),
            fall: given.maybe("fall"),
            wanted: own.map_or_else(
                || nutrient::wanted(plato_from_gravity(original), need),
                Wanted::Line,
            ),
            own: own.is_some(),
            must: given.need("must")?,
            phosphate,
            other,
            other_most: given.maybe("other-most"),
            phosphate_so_far: given.need("phosphate-so-far")?,
            other_so_far: given.need("other-so-far")?,
            steps: steps.get() as usize,
            given: so_far.get() as usize,
            hours,
        })
    }
}

/// What goes in when. Steps that were passed without any nutrient go in together, now; where some was
/// given already, the rest is spread over the steps to come.
fn lines(asked: &Wish, ration: &Ration, from: Sources) -> Vec<Line> {
    let shares = match asked.hours {
        Some(hours) => by_hours(asked, hours),
        None => by_sugar(asked),
    };
    let lawful = |most: Option<MgPerLitre>| {
        most.map_or(f64::INFINITY, |m| m.get() * 1e-6 * asked.volume.get())
    };
    let mut phosphate_left = lawful(from.phosphate_most);
    let mut other_left = lawful(from.other_most);
    shares
        .into_iter()
        .map(|Share { nth, at, due, part }| {
            let weigh = |mass: Kilograms, left: &mut f64| {
                let part = Kilograms::computed(mass.get() * part);
                let weighed = weighed_within(part, Kilograms::computed(left.max(0.0)));
                *left -= weighed.get();
                weighed
            };
            Line {
                nth,
                at,
                due,
                phosphate: weigh(ration.phosphate, &mut phosphate_left),
                other: weigh(ration.other, &mut other_left),
            }
        })
        .collect()
}

/// Its part of what is still to be given.
struct Share {
    nth: usize,
    at: At,
    due: Due,
    part: f64,
}

/// What fell due meanwhile goes in as one, now.
fn by_hours(asked: &Wish, since: Hours) -> Vec<Share> {
    let left = asked.given..asked.steps.max(asked.given + 1);
    let part = 1.0 / left.len() as f64;
    let hours = |nth: usize| HOURS_APART * (nth + 1) as f64;
    let passed = left.clone().filter(|nth| hours(*nth) <= since.get());
    let mut shares = Vec::new();
    if let Some(last) = passed.clone().next_back() {
        shares.push(Share {
            nth: last,
            at: At::Hours(Hours::computed(hours(last))),
            due: Due::Passed,
            part: part * passed.count() as f64,
        });
    }
    let ahead = left.filter(|nth| hours(*nth) > since.get());
    shares.extend(ahead.map(|nth| Share {
        nth,
        at: At::Hours(Hours::computed(hours(nth))),
        due: Due::In(Hours::computed(hours(nth) - since.get())),
        part,
    }));
    shares
}

fn by_sugar(asked: &Wish) -> Vec<Share> {
    let begun = asked.phosphate_so_far.get() + asked.other_so_far.get() > 0.0;
    let all = nutrient::steps(asked.original, asked.end, asked.steps);
    let passed = |at: Gravity| asked.gravity.is_some_and(|now| now <= at);
    let behind = all.iter().filter(|at| passed(**at)).count();
    let ahead = all.len() - behind;
    let whole = all.len() as f64;
    let mut shares = Vec::new();
    let share = |nth: usize, at: Gravity, part: f64| Share {
        nth,
        at: At::Gravity(at),
        due: due(asked, nth, at),
        part,
    };
    let each = if begun && ahead > 0 {
        1.0 / ahead as f64
    } else if begun {
        1.0
    } else {
        1.0 / whole
    };
    if let Some(now) = asked.gravity
        && (!begun || ahead == 0)
        && behind > 0
    {
        let part = if begun { 1.0 } else { behind as f64 * each };
        shares.push(share(behind - 1, now, part));
    }
    for (nth, at) in all.into_iter().enumerate().skip(behind) {
        shares.push(share(nth, at, each));
    }
    shares
}

/// The first step of a plan from the start is the one to begin with.
fn due(asked: &Wish, nth: usize, at: Gravity) -> Due {
    match (asked.gravity, asked.fall) {
        (None, _) if nth == 0 => Due::Passed,
        (None, _) => Due::Unknown,
        (Some(now), _) if now <= at => Due::Passed,
        (Some(_), None) => Due::Unknown,
        (Some(now), Some(fall)) => nutrient::due(now, at, fall),
    }
}

fn sentence(
    given: &Given,
    asked: &Wish,
    ration: &Ration,
    missing: MgPerLitre,
    used: Option<f64>,
    lines: &[Line],
) -> String {
    let wanted = asked.wanted.plan();
    if missing.get() <= 0.0 {
        return format!(
            "Nothing is to be given: the yeast wants {} of nitrogen, and it has that.",
            shown(given, wanted)
        );
    }
    if lines.is_empty() {
        return format!(
            "Too late for nutrient: {:.0} % of the sugar is used up, and the last goes in by a \
             third. What is given now is left for what spoils mead.",
            used.unwrap_or(1.0) * 100.0,
        );
    }
    let mut words = format!(
        "The yeast wants {} of nitrogen; {} is to be given to {}: {}, in {}.",
        shown(given, wanted),
        shown(given, missing),
        shown(given, asked.volume),
        doses_told(given, sum(lines, |l| l.phosphate), sum(lines, |l| l.other)),
        match lines.len() {
            1 => "one step".to_owned(),
            n => format!("{n} steps"),
        },
    );
    if let Some(first) = lines.first().filter(|l| l.due == Due::Passed) {
        let now = match used {
            Some(used) if used > BEGUN => "Now",
            _ => "Once it ferments",
        };
        words.push_str(&format!(
            " {now}: {}.",
            doses_told(given, first.phosphate, first.other)
        ));
    }
    if let Some(next) = lines.iter().find(|l| l.due != Due::Passed) {
        words.push_str(&format!(
            " The {} nutrient step is due {}{}.",
            ORDINALS.get(next.nth).unwrap_or(&"next"),
            match next.at {
                At::Gravity(at) => format!("when gravity reaches {}", coarse(given, at)),
                At::Hours(hours) => format!("{:.0} hours after the pitch", hours.get()),
            },
            when(given, next.due).map_or_else(String::new, |about| format!(", about {about}")),
        ));
    }
    if ration.missing.get() >= 1.0 {
        words.push_str(&format!(
            " That is {} short of what is wanted.",
            shown(given, ration.missing)
        ));
    }
    words
}

fn sum(lines: &[Line], of: impl Fn(&Line) -> Kilograms) -> Kilograms {
    Kilograms::computed(lines.iter().map(|l| of(l).get()).sum())
}

/// To a thousandth: no finer than a hydrometer.
fn coarse(given: &Given, at: Gravity) -> String {
    let rounded = Gravity::computed((at.get() * 1000.0).round() / 1000.0);
    let text = shown(given, rounded);
    // "1.0710" says more than is known.
    match text.strip_suffix('0') {
        Some(shorter) if shorter.starts_with("1.") || shorter.starts_with("0.") => {
            shorter.to_owned()
        }
        _ => text,
    }
}

fn doses_told(given: &Given, phosphate: Kilograms, other: Kilograms) -> String {
    let all = [
        (phosphate, Substance::DiammoniumPhosphate.label()),
        (other, "of your other nutrient"),
    ];
    let told: Vec<String> = all
        .into_iter()
        .filter(|(mass, _)| mass.get() > 0.0)
        .map(|(mass, name)| format!("{} {name}", shown(given, mass)))
        .collect();
    if told.is_empty() {
        "less than a kitchen scale weighs".to_owned()
    } else {
        told.join(" and ")
    }
}

fn when(given: &Given, due: Due) -> Option<String> {
    let Due::In(hours) = due else {
        return None;
    };
    let at = given.asker.now + span(hours);
    Some(show::about(at, given.asker.now, &given.asker.style))
}

fn tell_wanted(answer: Answer, asked: &Wish) -> Answer {
    let mut wanted = result("nitrogen-wanted", "Nitrogen wanted", asked.wanted.plan());
    if let Wanted::Range { low, high, .. } = asked.wanted {
        wanted = wanted.between(low, high);
    }
    let answer = answer.result(wanted);
    if asked.own {
        return answer;
    }
    answer.formula(Formula {
        name: "the nitrogen line, 200 mg/L at 21 °Bx and 25 more for each °Bx up to 27",
        source: "credited to Bisson and Butzke (2000), read only as quoted; the yeast's need as a quarter less or more: common practice, no source",
    })
}

/// What is to be given.
fn tell(answer: Answer, asked: &Wish, ration: &Ration, missing: MgPerLitre, law: &str) -> Answer {
    let mut answer = answer
        .result(result("nitrogen-missing", "Nitrogen to give", missing))
        .result(result(
            "nitrogen-given",
            "Nitrogen this brings",
            ration.brings,
        ))
        .result(
            result("phosphate", "Diammonium phosphate", ration.phosphate).note(if ration.limited {
                format!("Held back by the limit: {law}, as the salt.")
            } else {
                format!("Limit: {law}, as the salt.")
            }),
        );
    if asked.other.is_some() {
        answer = answer.result(result("other", "Other nutrient", ration.other));
    }
    if ration.missing.get() >= 1.0 {
        answer = answer.result(
            result("nitrogen-short", "Nitrogen still missing", ration.missing).note(
                "A limit holds it back. Another nutrient with its nitrogen, fruit, or a yeast that \
                 needs less would help.",
            ),
        );
    }
    answer.formula(Formula {
        name: "nitrogen in diammonium phosphate, 21.2 %",
        source: "stoichiometry, IUPAC atomic weights",
    })
}

const STEPS: Formula = Formula {
    name: "steps evenly down to a third of the sugar",
    source: "common practice, no source",
};

fn tell_lines(given: &Given, answer: Answer, lines: &[Line]) -> Answer {
    if lines.is_empty() {
        return answer;
    }
    let mut steps = table(
        "steps",
        "Steps",
        &[
            ("step", "Step"),
            ("gravity", "At"),
            ("when", "About"),
            ("phosphate", "Diammonium phosphate"),
            ("other", "Other nutrient"),
        ],
    );
    for line in lines {
        steps = steps.row(vec![
            Amount::of(Count::computed(line.nth as f64 + 1.0)),
            match line.at {
                At::Gravity(at) => Amount::of(at),
                At::Hours(hours) => Amount::Words(format!("{:.0} h after the pitch", hours.get())),
            },
            Amount::Words(match line.due {
                Due::Passed if line.nth == 0 => "once it ferments".to_owned(),
                Due::Passed => "now".to_owned(),
                due => when(given, due).unwrap_or_else(|| "when it gets there".to_owned()),
            }),
            Amount::of(line.phosphate),
            Amount::of(line.other),
        ]);
    }
    let mut answer = answer.table(steps);
    if let Some(next) = lines.iter().find(|l| l.due != Due::Passed) {
        if let At::Gravity(at) = next.at {
            answer = answer.result(result("next-gravity", "Next step at gravity", at));
        }
        if let Due::In(hours) = next.due {
            let at = |by: f64| given.asker.now + Span::from_days(hours.get() / 24.0 * by);
            let text = |by: f64| show::day_and_time(at(by), given.asker.now, &given.asker.style);
            let next_at = Outcome::when("next-at", "Next step about", at(1.0));
            answer = answer.result(match next.at {
                At::Hours(_) => next_at,
                At::Gravity(_) => next_at.note(format!(
                    "Between {} and {} if the fall is by a third faster or slower.",
                    text(1.0 / (1.0 + FALL_DOUBT)),
                    text(1.0 / (1.0 - FALL_DOUBT)),
                )),
            });
        }
    }
    answer
}

fn how_sure(asked: &Wish) -> String {
    let wanted = match asked.wanted {
        _ if asked.own => "The nitrogen wanted is your own figure.".to_owned(),
        Wanted::Line(_) => {
            "The line for nitrogen was drawn for grape must; yeasts differ by a quarter \
                            either way (common practice)."
                .to_owned()
        }
        Wanted::Range { .. } => format!(
            "The line for nitrogen only holds from {} to {} °Bx, and this must has {:.1} °Bx: it is \
             not carried on, the plan goes by its end and the range is what has been called enough.",
            LINE.0,
            LINE.1,
            plato_from_gravity(asked.original).get(),
        ),
    };
    format!(
        "{wanted} Nitrogen is needed and not enough by itself: musts with it have stuck too. Times \
         hold if it goes on falling as now; at the start the fall quickens, so look earlier."
    )
}

fn step(given: &Given, now: &Line, next: Option<&Line>) -> Step {
    Step {
        doses: vec![
            Dose::of(Substance::DiammoniumPhosphate, now.phosphate),
            Dose::of(Substance::Nutrient, now.other),
        ],
        wait: next.and_then(|next| match next.due {
            Due::In(hours) => Some((span(hours), "the next nutrient")),
            _ => None,
        }),
        ..Step::new(What::Nutrient, doses_told(given, now.phosphate, now.other))
    }
}

fn span(hours: Hours) -> Span {
    Span::from_days(hours.get() / 24.0)
}

const CAUTION_UREA: &str = "Never urea, nor garden fertiliser: urea turns into a carcinogen in the mead. \
    Only what is sold for food.";
const CAUTION_LATE: &str = "No ammonium after a third of the sugar: what the yeast leaves feeds what \
    spoils mead.";
const CAUTION_FOAM: &str = "Powder in a must full of gas makes it rise out of the vessel: drive the gas \
    out first, dissolve it in a little must, pour slowly.";

#[cfg(test)]
mod tests {
    use crate::deed::{Substance, What};
    use crate::reckon::tests::{ask, value};
    use crate::reckon::{Refusal, Told};

    fn nutrient(more: &[(&str, &str)]) -> Result<Told, Refusal> {
        let mut fields = vec![("volume", "20 L"), ("original", "1.100")];
        fields.retain(|(k, _)| more.iter().all(|(m, _)| m != k));
        fields.extend_from_slice(more);
        ask("nutrient", &fields)
    }

    fn said(refusal: Result<Told, Refusal>) -> String {
        refusal.expect_err("it cannot be").to_string()
    }

    /// Grams of a column, all steps.
    fn grams(told: &Told, column: &str) -> Vec<f64> {
        let steps = told
            .tables
            .iter()
            .find(|t| t.key == "steps")
            .expect("steps");
        let i = steps.columns.iter().position(|c| c.key == column).unwrap();
        let of = |row: &Vec<crate::reckon::told::ToldCell>| row[i].value.unwrap() * 1000.0;
        steps.rows.iter().map(of).collect()
    }

    /// 1.100 is 23.79 °Bx (ICUMSA): 200 + 25·2.79 = 269.6 mg/L; less the must's 10 is 259.6, of which
    /// 0.2121 in phosphate: 24.5 g in 20 L. The European limit holds it at 20 g, 212 mg/L.
    #[test]
    fn held_back_by_the_limit() {
        let told = nutrient(&[]).unwrap();
        assert!((value(&told, "nitrogen-wanted") - 269.6).abs() < 0.2);
        assert!((value(&told, "phosphate") - 0.020).abs() < 1e-9);
        assert!((value(&told, "nitrogen-given") - 212.1).abs() < 0.1);
        assert!((value(&told, "nitrogen-short") - 47.5).abs() < 0.3);
        assert!(grams(&told, "phosphate").iter().sum::<f64>() <= 20.0 + 1e-9);
        assert!(
            told.sentence.contains("short of what is wanted"),
            "{}",
            told.sentence
        );
    }

    #[test]
    fn another_nutrient_takes_over() {
        let told = nutrient(&[("other", "4 %")]).unwrap();
        // Half of 259.6 each: 12.2 g of phosphate, 129.8·20/1000/0.04 = 65 g of the other.
        assert!((value(&told, "phosphate") - 0.01224).abs() < 1e-4);
        assert!((value(&told, "other") - 0.0649).abs() < 2e-4);
        assert!(told.results.iter().all(|r| r.key != "nitrogen-short"));
        let oiv = nutrient(&[("other", "4 %"), ("rules", "oiv-white-dry")]).unwrap();
        assert!((value(&oiv, "phosphate") - 0.006).abs() < 1e-9);
        assert!((value(&oiv, "nitrogen-given") - 259.6).abs() < 0.2);
        let capped = nutrient(&[("other", "4 %"), ("other-most", "1 g/L")]).unwrap();
        assert!((value(&capped, "other") - 0.020).abs() < 1e-9);
        assert!(value(&capped, "nitrogen-short") > 80.0);
    }

    /// Two steps of 24.5 g held at 20 g by the limit: half each, whatever the gravity.
    #[test]
    fn steps_by_the_hour() {
        let at = |hours: &str, given: &str| {
            let told = nutrient(&[
                ("by", "hours"),
                ("steps", "2"),
                ("since-pitch", hours),
                ("given", given),
                ("gravity", "1.099"),
            ]);
            told.unwrap()
        };
        let early = at("10", "0");
        assert!(early.step.is_none(), "{}", early.sentence);
        assert!(
            early
                .sentence
                .contains("The first nutrient step is due 24 hours after the pitch"),
            "{}",
            early.sentence
        );
        let first = at("25", "0").step.expect("the first is due");
        assert!((first.deed.doses[0].mass.get() - 0.010).abs() < 1e-9);
        assert!(at("30", "1").step.is_none());
        // Both fell due meanwhile.
        let both = at("49", "0").step.expect("both are due");
        assert!((both.deed.doses[0].mass.get() - 0.020).abs() < 1e-9);
        assert!(at("49", "1").step.is_some());
        assert!(said(nutrient(&[("by", "hours")])).contains("Since the pitch"));
    }

    #[test]
    fn steps_down_the_measured_curve() {
        let told = nutrient(&[("gravity", "1.094"), ("fall", "0.010")]).unwrap();
        // Steps at 1.100, 1.0889, 1.0778, 1.0667; the first is behind, the second 0.51 days off from
        // Sunday noon.
        assert!(
            told.sentence.contains("Now: 5.0 g diammonium phosphate"),
            "{}",
            told.sentence
        );
        assert!(
            told.sentence.contains(
                "The second nutrient step is due when gravity reaches 1.089, about tonight."
            ),
            "{}",
            told.sentence
        );
        assert!((value(&told, "next-gravity") - 1.088_889).abs() < 1e-5);
        let steps = told.tables.iter().find(|t| t.key == "steps").unwrap();
        let about: Vec<&str> = steps.rows.iter().map(|r| r[2].text.as_str()).collect();
        assert_eq!(
            about,
            [
                "once it ferments",
                "tonight",
                "tomorrow night",
                "Wednesday morning"
            ]
        );
        let step = told.step.unwrap();
        assert_eq!(step.deed.what, What::Nutrient);
        assert_eq!(step.deed.doses.len(), 1);
        assert_eq!(step.deed.doses[0].of, Substance::DiammoniumPhosphate);
        assert_eq!(step.wait.unwrap().before, "the next nutrient");
    }

    /// A float in fresh must reads a little high.
    #[test]
    fn a_reading_a_little_above_the_original_is_the_original() {
        let told = nutrient(&[("gravity", "1.102")]).unwrap();
        assert!(
            told.sentence.contains("Once it ferments: 5.0 g"),
            "{}",
            told.sentence
        );
    }

    #[test]
    fn steps_missed_go_in_together_and_steps_given_do_not_again() {
        let missed = nutrient(&[("gravity", "1.080"), ("fall", "0.010")]).unwrap();
        assert_eq!(grams(&missed, "phosphate"), [10.0, 5.0, 5.0]);
        let given = nutrient(&[
            ("gravity", "1.094"),
            ("fall", "0.010"),
            ("phosphate-so-far", "5 g"),
        ])
        .unwrap();
        // 15 g are left to the limit, in three steps; none now.
        assert_eq!(grams(&given, "phosphate"), [5.0, 5.0, 5.0]);
        assert!(given.step.is_none());
        assert!(
            given.sentence.contains("The second nutrient step"),
            "{}",
            given.sentence
        );
    }

    #[test]
    fn after_a_third_of_the_sugar_it_is_too_late() {
        let told = nutrient(&[("gravity", "1.050"), ("fall", "0.004")]).unwrap();
        assert!(
            told.sentence
                .starts_with("Too late for nutrient: 50 % of the sugar"),
            "{}",
            told.sentence
        );
        assert!(told.step.is_none() && told.tables.is_empty());
        // No dose stands beside that.
        let keys: Vec<&str> = told.results.iter().map(|r| r.key.as_str()).collect();
        assert_eq!(keys, ["nitrogen-wanted"]);
    }

    #[test]
    fn outside_the_line_it_says_so() {
        for (original, low, high) in [("1.050", 140.0, 200.0), ("1.150", 350.0, 500.0)] {
            let told = nutrient(&[("original", original)]).unwrap();
            let wanted = told
                .results
                .iter()
                .find(|r| r.key == "nitrogen-wanted")
                .unwrap();
            assert_eq!((wanted.low, wanted.high), (Some(low), Some(high)));
            assert!(
                told.how_sure.contains("only holds from 21 to 27 °Bx"),
                "{}",
                told.how_sure
            );
        }
        let own = nutrient(&[("original", "1.150"), ("wanted", "300 mg/L")]).unwrap();
        assert!(
            own.how_sure
                .starts_with("The nitrogen wanted is your own figure.")
        );
    }

    #[test]
    fn a_fruit_must_that_has_enough() {
        let told = nutrient(&[("must", "320 mg/L")]).unwrap();
        assert!(
            told.sentence.starts_with("Nothing is to be given"),
            "{}",
            told.sentence
        );
        assert!(told.step.is_none());
    }

    #[test]
    fn the_impossible_is_named() {
        assert_eq!(
            said(nutrient(&[("end", "1.110")])),
            "Gravity it should end at: it must lie below the original gravity"
        );
        assert_eq!(
            said(nutrient(&[("gravity", "1.120")])),
            "Gravity now: it lies above the original gravity"
        );
        assert_eq!(
            said(nutrient(&[("steps", "2.5")])),
            "Steps: a whole number from 1 to 6"
        );
        assert_eq!(
            said(nutrient(&[("other", "-4 %")])),
            "Nitrogen in your other nutrient: share by mass -4 is outside 0 to 100 % by mass"
        );
        assert_eq!(
            said(nutrient(&[("phosphate", "50 %")])),
            "Share of the nitrogen from diammonium phosphate: less than all of it needs another \
             nutrient with its nitrogen"
        );
    }
}

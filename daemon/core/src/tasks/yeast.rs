//! For the yeast, in the first days: nutrient in its steps, and the gas stirred out.

use super::look::Look;
use super::{Due, Kind, Task};
use crate::deed::What;
use crate::nutrient::{self, HOURS_APART};
use crate::plan::By;
use crate::time::{Moment, Span};
use crate::units::Gravity;

/// Past this share of the sugar no nutrient is asked for any more: what the yeast leaves feeds what
/// spoils mead. Half, so that a step due at a third may be late. Common practice, no source.
const TOO_LATE: f64 = 0.5;
/// The same where no gravity is known. Common practice, no source.
const TOO_LATE_DAYS: i64 = 10;
/// The gas is stirred out daily up to here, or to the last nutrient's share of the sugar. Common
/// practice, no source.
const ROUSE_FOR: Span = Span::days(4);

/// Share of the sugar that is used up.
fn used(look: &Look) -> Option<f64> {
    nutrient::used_at(look.record.original?, look.end()?, look.gravity()?)
}

fn is_early(look: &Look) -> bool {
    !look.phase().is_some_and(|p| p.is_still())
        && look.turn() == look.record.began
        && used(look).is_none_or(|used| used < TOO_LATE)
        && look.now < look.record.pitched + Span::days(TOO_LATE_DAYS)
}

pub(super) fn nutrient(look: &Look) -> Vec<Task> {
    let Some(plan) = look.record.plan.nutrient else {
        return Vec::new();
    };
    let key = |step: usize| format!("{}:{step}", Kind::Nutrient.key());
    let steps = usize::from(plan.steps);
    let since_pitch = look.done().filter(|d| d.at >= look.record.pitched);
    let fed = since_pitch.filter(|d| d.what == What::Nutrient).count();
    let passed_over = (1..=steps).filter(|n| look.skipped(&key(*n))).count();
    let step = fed + passed_over + 1;
    if step > steps || !is_early(look) {
        return Vec::new();
    }
    let (due, mut reason) = match plan.by {
        By::Hours => by_hours(look, step),
        By::Sugar => by_sugar(look, step, steps).unwrap_or_else(|| {
            let (due, reason) = by_hours(look, step);
            let why = "It goes by hours: how much sugar is used cannot be told without the gravity it \
                       began at and where it ends.";
            (due, format!("{reason} {why}"))
        }),
    };
    reason += " Stir the gas out first, or it foams over.";
    let title = if steps == 1 {
        "feed the nutrient".to_owned()
    } else {
        format!("feed nutrient, step {step} of {steps}")
    };
    let note = if steps == 1 {
        String::new()
    } else {
        format!("step {step} of {steps}")
    };
    vec![
        Task::new(Kind::Nutrient, step, title, due)
            .because(reason)
            .noted(note),
    ]
}

fn by_hours(look: &Look, step: usize) -> (Due, String) {
    let hours = HOURS_APART * step as f64;
    let at = look.record.pitched + Span::from_days(hours / 24.0);
    (Due::At(at), format!("{hours} hours after the yeast."))
}

fn by_sugar(look: &Look, step: usize, steps: usize) -> Option<(Due, String)> {
    let (original, end) = (look.record.original?, look.end()?);
    let share = |g| nutrient::used_at(original, end, g);
    let at = *nutrient::steps(original, end, steps).get(step - 1)?;
    let percent = share(at)? * 100.0;
    let words = look.in_words(at);
    if step == 1 {
        let reason = "The first goes in with the yeast, or a day later.".to_owned();
        return Some((Due::At(look.record.pitched), reason));
    }
    let mut reason = format!("Planned for when {percent:.0} % of the sugar is used, at {words}.");
    let Some(now) = look.gravity() else {
        let condition = format!("at {words}");
        return Some((
            Due::When {
                condition,
                likely: None,
            },
            reason,
        ));
    };
    reason += &format!(" It was at {} when last read.", look.in_words(now));
    if now <= at {
        return Some((Due::Now, reason));
    }
    let condition = format!("at {words}");
    let likely = falls_to(look, at);
    Some((Due::When { condition, likely }, reason))
}

/// When the forecast reaches a gravity, or else the fall if it goes on as fast as now.
fn falls_to(look: &Look, at: Gravity) -> Option<Moment> {
    let verdict = look.verdict()?;
    let ahead = || verdict.curve.iter().filter(|p| p.at >= verdict.at);
    let crossed = ahead().zip(ahead().skip(1)).find_map(|(a, b)| {
        let share = (a.mid - at.get()) / (a.mid - b.mid);
        let between = b.at.since(a.at).as_days();
        (0.0..=1.0)
            .contains(&share)
            .then(|| a.at + Span::from_days(share * between))
    });
    crossed.or_else(|| {
        let fall = verdict.fall_per_day?;
        let to_go = verdict.gravity?.get() - at.get();
        // A fall that may be none tells no time.
        (fall.low > 0.0).then(|| verdict.at + Span::from_days(to_go / fall.mid))
    })
}

pub(super) fn rouse(look: &Look) -> Vec<Task> {
    let until = look.record.pitched + ROUSE_FOR;
    if !look.record.plan.rouse
        || !is_early(look)
        || look.now > until
        || used(look).is_some_and(|used| used > nutrient::LAST_STEP)
    {
        return Vec::new();
    }
    let stirred = look.last(&[What::Rouse, What::PushDown, What::Nutrient]);
    let from = stirred.map_or(look.record.pitched, |at| at.max(look.record.pitched));
    let key = |n| format!("{}:{}:{n}", Kind::Rouse.key(), from.0);
    let n = look.turn_of(key);
    let due = from + Span::days(n);
    if due > until {
        return Vec::new();
    }
    let reason = "Carbon dioxide holds the yeast back in the first days; stirred out once a day it \
                  does better. Begin gently: it foams.";
    vec![
        Task::new(
            Kind::Rouse,
            format!("{}:{n}", from.0),
            "stir the gas out",
            Due::At(due),
        )
        .because(reason),
    ]
}

#[cfg(test)]
mod tests {
    use super::super::testing::*;
    use super::super::{Answer, Record};
    use super::*;
    use crate::deed::Deed;
    use crate::plan::Nutrient;
    use crate::verdict::outcome::{BandPoint, Phase};

    fn fed(mut record: Record, steps: u8, by: By, times: usize) -> Record {
        record.plan.nutrient = Some(Nutrient { steps, by });
        for n in 0..times {
            let at = T0 + Span::hours(2 * n as i64);
            record.deeds.push(Deed::new(at, What::Nutrient));
        }
        record
    }

    #[test]
    fn by_hours_a_day_apart() {
        let record = fed(record(), 3, By::Hours, 0);
        let task = only(&record, T0, Kind::Nutrient);
        assert_eq!(task.due, Due::At(T0 + Span::hours(24)));
        let record = fed(record, 3, By::Hours, 2);
        let task = only(&record, T0 + Span::days(1), Kind::Nutrient);
        assert_eq!(task.due, Due::At(T0 + Span::hours(72)));
        assert_eq!(task.title, "feed nutrient, step 3 of 3");
        let all = fed(record, 3, By::Hours, 1);
        assert!(!kinds(&all, T0 + Span::days(3)).contains(&Kind::Nutrient));
    }

    #[test]
    fn by_sugar_at_a_third_of_the_fall_and_when_that_will_be() {
        // 1.100 to 1.000: a third is used at 1.0667. From 1.090 at 0.010 a day 2.33 days on.
        let record = fed(fermenting(1.090, 0.010), 2, By::Sugar, 1);
        let now = T0 + Span::days(1);
        let task = only(&record, now, Kind::Nutrient);
        let Due::When { condition, likely } = task.due else {
            panic!("{task:?}");
        };
        assert_eq!(condition, "at 1.0667");
        let hours = likely.unwrap().since(now).as_hours();
        assert!((hours - 56.0).abs() < 0.1, "{hours}");
        assert!(task.reason.contains("33 %"), "{}", task.reason);
        let there = fed(fermenting(1.066, 0.010), 2, By::Sugar, 1);
        assert_eq!(only(&there, now, Kind::Nutrient).due, Due::Now);
    }

    #[test]
    fn the_forecast_is_believed_before_the_straight_line() {
        let mut record = fed(fermenting(1.090, 0.010), 2, By::Sugar, 1);
        let now = T0 + Span::days(1);
        let point = |days, mid| BandPoint {
            at: now + Span::days(days),
            mid,
            low: mid,
            high: mid,
        };
        record.verdict.as_mut().unwrap().curve = vec![
            point(-1, 1.1),
            point(0, 1.090),
            point(4, 1.0667),
            point(8, 1.05),
        ];
        let task = only(&record, now, Kind::Nutrient);
        let days = task.moment().unwrap().since(now).as_days();
        assert!((days - 4.0).abs() < 0.01, "{days}");
    }

    #[test]
    fn nothing_is_fed_late() {
        let now = T0 + Span::days(2);
        // Past half of the sugar, or still.
        assert_eq!(
            kinds(&fed(fermenting(1.045, 0.01), 2, By::Sugar, 1), now),
            []
        );
        let mut still = fed(fermenting(1.080, 0.0), 2, By::Sugar, 1);
        let verdict = still.verdict.as_mut().unwrap();
        verdict.phase = Phase::Stuck;
        assert!(!kinds(&still, now).contains(&Kind::Nutrient));
        let blind = fed(super::super::testing::record(), 2, By::Hours, 1);
        assert!(!kinds(&blind, T0 + Span::days(11)).contains(&Kind::Nutrient));
    }

    #[test]
    fn a_step_passed_over_leads_to_the_next() {
        let mut record = fed(record(), 3, By::Hours, 1);
        record
            .answers
            .insert("nutrient:2".to_owned(), Answer::NotThisTime);
        let task = only(&record, T0 + Span::days(1), Kind::Nutrient);
        assert_eq!(task.key, "nutrient:3");
    }

    #[test]
    fn without_gravities_sugar_goes_by_hours_and_says_so() {
        let mut record = fed(record(), 2, By::Sugar, 0);
        record.original = None;
        let task = only(&record, T0, Kind::Nutrient);
        assert_eq!(task.due, Due::At(T0 + Span::hours(24)));
        assert!(task.reason.contains("cannot be told"), "{}", task.reason);
    }

    #[test]
    fn gas_is_stirred_out_daily_at_first() {
        let mut record = fermenting(1.095, 0.010);
        record.plan.rouse = true;
        let due = |record: &Record, now| only(record, now, Kind::Rouse).due;
        assert_eq!(due(&record, T0), Due::At(T0 + Span::days(1)));
        record
            .deeds
            .push(Deed::new(T0 + Span::hours(30), What::Rouse));
        let task = only(&record, T0 + Span::hours(31), Kind::Rouse);
        assert_eq!(task.due, Due::At(T0 + Span::hours(54)));
        record.answers.insert(task.key, Answer::NotThisTime);
        let now = T0 + Span::hours(55);
        assert_eq!(due(&record, now), Due::At(T0 + Span::hours(78)));
        assert!(!kinds(&record, T0 + Span::days(5)).contains(&Kind::Rouse));
        let mut third = fermenting(1.060, 0.010);
        third.plan.rouse = true;
        assert_eq!(kinds(&third, T0 + Span::days(1)), []);
    }
}

//! Fruit and spice: pushed down while they float, tasted, and taken out after their time.
//!
//! What is in is told by the log: a line that weighs in fruit, or one that names what was planned. It
//! is out when it was taken out, or the mead was racked or split off from it.

use super::look::Look;
use super::{Due, Kind, Task};
use crate::deed::{Deed, Substance, What};
use crate::plan::{PUSH_EVERY, Steep};
use crate::time::{Moment, Span};

/// Days it stays at least, for it to be tasted half way. Chosen here.
const WORTH_TASTING: u16 = 4;
/// Shortest word by which a line is taken to name what was planned. Chosen here.
const SHORTEST: usize = 3;

/// Something that is in the mead now.
struct In {
    /// "figs"; "fruit" where nobody named it.
    name: String,
    since: Moment,
    days: Option<u16>,
    push_every: u8,
}

impl In {
    fn out_at(&self) -> Option<Moment> {
        self.days.map(|days| self.since + Span::days(days.into()))
    }
}

fn inside(look: &Look) -> Vec<In> {
    let own = look.done().filter(|d| d.at >= look.record.began);
    let mut inside: Vec<In> = Vec::new();
    for deed in own {
        match deed.what {
            What::Pitch | What::Addition => inside.extend(brought(look, deed)),
            What::TakeOut => {
                let named = inside.iter().any(|i| names(&deed.note, &i.name));
                inside.retain(|i| named && !names(&deed.note, &i.name));
            }
            What::Rack | What::Seal => inside.clear(),
            _ => {}
        }
    }
    inside
}

/// What a line puts in: each thing of the plan it names, or else the fruit it weighs in.
fn brought(look: &Look, deed: &Deed) -> Vec<In> {
    let weighed: Vec<&str> = deed
        .doses
        .iter()
        .filter(|d| d.of == Substance::Fruit)
        .map(|d| d.name.as_str())
        .collect();
    let said: Vec<&str> = deed.doses.iter().map(|d| d.name.as_str()).collect();
    let planned = &look.record.plan.steeps;
    let is_it = |steep: &&Steep| {
        let named = names(&deed.note, &steep.name);
        named || said.iter().any(|name| names(name, &steep.name))
    };
    let mut found: Vec<&Steep> = planned.iter().filter(is_it).collect();
    if found.is_empty() && !weighed.is_empty() {
        // Fruit under another name than the only one planned is that one.
        found = planned.iter().filter(|_| planned.len() == 1).collect();
    }
    if found.is_empty() && !weighed.is_empty() {
        let name = weighed.iter().find(|name| !name.is_empty());
        return vec![In {
            name: name.map_or("fruit", |name| name).to_owned(),
            since: deed.at,
            days: None,
            push_every: PUSH_EVERY,
        }];
    }
    let put_in = |steep: &Steep| In {
        name: steep.name.clone(),
        since: deed.at,
        days: steep.days,
        push_every: steep.push_every,
    };
    found.into_iter().map(put_in).collect()
}

/// Whether a text has a word of the name: "1.2 kg dried fig" names "figs".
fn names(text: &str, name: &str) -> bool {
    let words = |t: &str| -> Vec<String> {
        t.split(|c: char| !c.is_alphanumeric())
            .filter(|w| w.chars().count() >= SHORTEST)
            .map(str::to_lowercase)
            .collect()
    };
    let (text, name) = (words(text), words(name));
    name.iter().any(|n| {
        text.iter()
            .any(|t| t.starts_with(n.as_str()) || n.starts_with(t.as_str()))
    })
}

pub(super) fn push_down(look: &Look) -> Vec<Task> {
    let floating = inside(look);
    let floating: Vec<&In> = floating.iter().filter(|i| i.push_every > 0).collect();
    let (Some(every), Some(latest)) = (
        floating.iter().map(|i| i.push_every).min(),
        floating.iter().map(|i| i.since).max(),
    ) else {
        return Vec::new();
    };
    let pushed = look.last(&[What::PushDown, What::Rouse]);
    let from = pushed.map_or(latest, |at| at.max(latest));
    let key = |n| format!("{}:{}:{n}", Kind::PushDown.key(), from.0);
    let n = look.turn_of(key);
    let due = from + Span::days(i64::from(every) * n);
    if floating
        .iter()
        .all(|i| i.out_at().is_some_and(|out| out <= due))
    {
        return Vec::new();
    }
    let named: Vec<&str> = floating.iter().map(|i| i.name.as_str()).collect();
    let named = named.join(" and ");
    let done = match pushed {
        Some(at) if at >= latest => format!("Last pushed down {}.", look.at(at)),
        _ => format!("In since {}.", look.at(latest)),
    };
    let reason = format!("{done} What floats dries out and moulds on top.");
    vec![
        Task::new(
            Kind::PushDown,
            format!("{}:{n}", from.0),
            format!("push down the {named}"),
            Due::At(due),
        )
        .because(reason)
        .noted(named),
    ]
}

pub(super) fn take_out(look: &Look) -> Vec<Task> {
    let one = |i: &In| {
        let days = i.days?;
        let reason = format!(
            "In since {}, and planned for {}.",
            look.day(i.since),
            in_days(days)
        );
        let title = format!("take out the {}", i.name);
        let due = Due::At(i.out_at()?);
        let task = Task::new(Kind::TakeOut, key(i), title, due);
        Some(task.because(reason).noted(i.name.clone()))
    };
    inside(look).iter().filter_map(one).collect()
}

/// Half way, so that it is not in for too long.
pub(super) fn taste(look: &Look) -> Vec<Task> {
    let one = |i: &In| {
        let days = i.days.filter(|days| *days >= WORTH_TASTING)?;
        let half = i.since + Span::hours(i64::from(days) * 12);
        let past = look.did(&[What::Taste], i.since) || i.out_at().is_some_and(|o| look.now >= o);
        if past {
            return None;
        }
        let title = format!("taste it: enough of the {}?", i.name);
        let reason = format!(
            "Half of its {} are over; what has given enough comes out early.",
            in_days(days)
        );
        let task = Task::new(Kind::Taste, key(i), title, Due::At(half));
        Some(task.because(reason).noted(i.name.clone()))
    };
    inside(look).iter().filter_map(one).collect()
}

/// Two things that went in by one line are told apart by their names.
fn key(i: &In) -> String {
    let name: String = i.name.chars().filter(|c| c.is_alphanumeric()).collect();
    format!("{}:{}", i.since.0, name.to_lowercase())
}

fn in_days(days: u16) -> String {
    if days == 1 {
        "1 day".to_owned()
    } else {
        format!("{days} days")
    }
}

#[cfg(test)]
mod tests {
    use super::super::Answer;
    use super::super::Record;
    use super::super::testing::*;
    use super::*;
    use crate::deed::Dose;
    use crate::units::Kilograms;

    fn day(n: i64) -> Moment {
        T0 + Span::days(n)
    }

    fn on_figs(days: Option<u16>) -> Record {
        let mut record = record();
        record.plan.steeps = vec![Steep {
            name: "figs".to_owned(),
            days,
            push_every: 2,
        }];
        record.deeds.push(Deed {
            note: "1.2 kg dried fig, scalded".to_owned(),
            ..Deed::new(day(1), What::Addition)
        });
        record
    }

    fn due(record: &Record, now: Moment, kind: Kind) -> Due {
        only(record, now, kind).due
    }

    #[test]
    fn it_is_pushed_down_every_two_days() {
        let mut record = on_figs(None);
        let task = only(&record, day(1), Kind::PushDown);
        assert_eq!(task.due, Due::At(day(3)));
        assert_eq!(task.title, "push down the figs");
        record.deeds.push(Deed::new(day(4), What::PushDown));
        let task = only(&record, day(4), Kind::PushDown);
        assert_eq!(task.due, Due::At(day(6)));
        record.answers.insert(task.key, Answer::NotThisTime);
        assert_eq!(due(&record, day(6), Kind::PushDown), Due::At(day(8)));
    }

    #[test]
    fn it_is_taken_out_after_its_time_and_tasted_half_way() {
        let mut record = on_figs(Some(10));
        assert_eq!(due(&record, day(2), Kind::TakeOut), Due::At(day(11)));
        assert_eq!(due(&record, day(2), Kind::Taste), Due::At(day(6)));
        record.deeds.push(Deed::new(day(7), What::Taste));
        assert!(!kinds(&record, day(7)).contains(&Kind::Taste));
        // The last push down would fall on the day it comes out.
        record.deeds.push(Deed::new(day(9), What::PushDown));
        assert!(!kinds(&record, day(9)).contains(&Kind::PushDown));
        for out in [What::TakeOut, What::Rack] {
            let mut record = record.clone();
            record.deeds.push(Deed::new(day(11), out));
            assert!(!kinds(&record, day(12)).contains(&Kind::TakeOut), "{out:?}");
        }
    }

    #[test]
    fn weighed_fruit_counts_without_a_plan_and_honey_does_not() {
        let mut record = record();
        let dose = |of, name: &str| Dose {
            of,
            mass: Kilograms::computed(1.0),
            name: name.to_owned(),
            extract: None,
        };
        record.deeds.push(Deed {
            doses: vec![dose(Substance::Honey, "linden")],
            ..Deed::new(day(1), What::Addition)
        });
        assert!(!kinds(&record, day(1)).contains(&Kind::PushDown));
        record.deeds.push(Deed {
            doses: vec![dose(Substance::Fruit, "sour cherries")],
            ..Deed::new(day(2), What::Addition)
        });
        let task = only(&record, day(2), Kind::PushDown);
        assert_eq!(task.title, "push down the sour cherries");
        assert!(!kinds(&record, day(2)).contains(&Kind::TakeOut));
    }

    #[test]
    fn of_two_things_one_may_be_taken_out() {
        let mut record = on_figs(Some(10));
        record.plan.steeps.push(Steep {
            name: "oak chips".to_owned(),
            days: Some(20),
            push_every: 0,
        });
        record.deeds.push(Deed {
            note: "oak".to_owned(),
            ..Deed::new(day(1), What::Addition)
        });
        let out = |record: &Record| {
            kinds(record, day(2))
                .iter()
                .filter(|k| **k == Kind::TakeOut)
                .count()
        };
        assert_eq!(out(&record), 2);
        record.deeds.push(Deed {
            note: "figs".to_owned(),
            ..Deed::new(day(2), What::TakeOut)
        });
        assert_eq!(out(&record), 1);
        assert!(!kinds(&record, day(2)).contains(&Kind::PushDown));
    }

    #[test]
    fn what_was_in_before_it_was_split_off_stayed_behind() {
        let mut record = on_figs(Some(10));
        record.began = day(5);
        record.deeds.push(Deed::new(day(5), What::Split));
        assert!(!kinds(&record, day(6)).contains(&Kind::PushDown));
    }
}

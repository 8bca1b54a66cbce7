//! A reading by hand: because a gate asks for one, or because nobody has looked for too long.

use super::look::{Look, sentence};
use super::{Due, Kind, Task};
use crate::deed::What;
use crate::time::Span;
use crate::verdict::outcome::{Gate, Phase};

/// Without any reading for so long while it ferments, nobody knows how it does. Common practice, no
/// source.
const WHILE_IT_FALLS: Span = Span::days(7);
/// The same once it lies still. Common practice, no source.
const WHILE_IT_LIES: Span = Span::days(30);
/// A float speaks several times a day: silent for less than this it is not yet missed.
const FLOAT_PAUSE: Span = Span::days(2);

pub(super) fn hand_reading(look: &Look) -> Vec<Task> {
    if look.sealed() {
        return Vec::new();
    }
    let hand = look.last(&[What::HandReading]);
    if let Some(gate) = gate_ahead(look).filter(|g| g.wants_reading) {
        let from = hand.unwrap_or(look.record.began);
        let key = format!("gate:{}", from.0);
        return vec![task(key, Due::Now, sentence(&gate.why))];
    }
    let still = look.phase().is_some_and(Phase::is_still);
    let every = if still { WHILE_IT_LIES } else { WHILE_IT_FALLS };
    let judged = look.verdict().and_then(|v| v.last_reading);
    let read = hand.max(judged).filter(|at| *at >= look.record.began);
    let from = read.unwrap_or(look.record.began);
    let key = |n| format!("{}:{}:{n}", Kind::HandReading.key(), from.0);
    let n = look.turn_of(key);
    let due = from + Span(every.0.saturating_mul(n));
    // A float that speaks moves it on and on: not worth a line.
    if look.now.since(from) < FLOAT_PAUSE && hand.is_none_or(|at| at < from) {
        return Vec::new();
    }
    let reason = match read {
        Some(at) => format!(
            "The last reading is of {}; without one it cannot be told how it does.",
            look.day(at)
        ),
        None => "No reading yet; without one it cannot be told how it does.".to_owned(),
    };
    vec![task(format!("{}:{n}", from.0), Due::At(due), reason)]
}

fn task(key: String, due: Due, reason: String) -> Task {
    Task::new(Kind::HandReading, key, "take a hand reading", due).because(reason)
}

/// The gate that stands before the step that comes next.
fn gate_ahead<'a>(look: &Look<'a>) -> Option<&'a Gate> {
    let gates = &look.verdict()?.gates;
    let sweet = look.record.plan.finish == Some(crate::plan::Finish::Sweetened);
    let stabilised = look.did(&[What::Stabilise, What::Pasteurise], look.turn());
    // After sweetening the watch has a task of its own.
    let watched = look.did(&[What::Sweeten], look.turn());
    let silent = look.verdict()?.phase == Phase::NoData;
    let gate = if sweet && !stabilised {
        &gates.stabilise
    } else {
        &gates.seal
    };
    (!watched && !silent).then_some(gate)
}

#[cfg(test)]
mod tests {
    use super::super::Answer;
    use super::super::testing::*;
    use super::*;
    use crate::deed::Deed;

    #[test]
    fn a_week_without_a_reading_while_it_ferments() {
        let mut record = record();
        let now = T0 + Span::days(3);
        assert_eq!(
            only(&record, now, Kind::HandReading).due,
            Due::At(T0 + Span::days(7))
        );
        let unread = only(&record, now, Kind::HandReading).reason;
        assert!(unread.starts_with("No reading yet"), "{unread}");
        record
            .deeds
            .push(Deed::new(T0 + Span::days(4), What::HandReading));
        let task = only(&record, T0 + Span::days(4), Kind::HandReading);
        assert_eq!(task.due, Due::At(T0 + Span::days(11)));
        record.answers.insert(task.key, Answer::NotThisTime);
        let next = only(&record, T0 + Span::days(12), Kind::HandReading);
        assert_eq!(next.due, Due::At(T0 + Span::days(18)));
    }

    #[test]
    fn a_float_that_speaks_needs_no_hand() {
        let record = fermenting(1.080, 0.01);
        assert!(!kinds(&record, T0 + Span::days(1)).contains(&Kind::HandReading));
        // It fell silent eight days ago.
        let task = only(&record, T0 + Span::days(9), Kind::HandReading);
        assert!(task.is_due(T0 + Span::days(9)));
    }

    #[test]
    fn a_gate_may_ask_for_one_until_it_is_taken() {
        let mut record = settled(1.000);
        let gate = |record: &mut super::super::Record, wants| {
            let seal = &mut record.verdict.as_mut().unwrap().gates.seal;
            seal.wants_reading = wants;
            seal.why = "a hand reading today would settle it".to_owned();
        };
        let now = T0 + Span::days(30);
        gate(&mut record, true);
        let task = only(&record, now, Kind::HandReading);
        assert_eq!(task.due, Due::Now);
        assert!(
            task.reason.starts_with("A hand reading today"),
            "{}",
            task.reason
        );
        record.plan.finish = Some(crate::plan::Finish::Sweetened);
        assert!(
            !kinds(&record, now).contains(&Kind::HandReading),
            "sealing is not next"
        );
        record.plan.finish = None;
        gate(&mut record, false);
        assert!(!kinds(&record, now).contains(&Kind::HandReading));
        gate(&mut record, true);
        record.deeds.push(Deed::new(now, What::Seal));
        assert!(!kinds(&record, now).contains(&Kind::HandReading));
    }
}

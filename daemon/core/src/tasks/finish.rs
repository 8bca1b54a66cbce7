//! After the fall: racked, cleared, stabilised, sweetened, and watched for a restart.

use super::look::{Look, sentence};
use super::{Due, Kind, Task, fruit};
use crate::deed::{Deed, Substance, What};
use crate::plan::Finish;
use crate::time::Span;
use crate::verdict::WATCH_SWEETENED;
use crate::verdict::outcome::{Gate, Gates, Phase};

/// From sulphite and sorbate to sweetening. Common practice, no source.
pub const BEFORE_SWEETENING: Span = Span::hours(24);

/// What a gate says of the step behind it.
pub(super) fn by_gate(gate: &Gate) -> Due {
    if gate.open {
        return Due::Now;
    }
    Due::When {
        condition: gate.why.clone(),
        likely: gate.opens,
    }
}

pub(super) fn gates<'a>(look: &Look<'a>) -> Option<&'a Gates> {
    Some(&look.verdict()?.gates)
}

/// The key of a step that comes once in each turn.
fn once(look: &Look) -> i64 {
    look.turn().0
}

/// Racked in this turn, or past it, or the maker said not this time.
pub(super) fn is_racked(look: &Look) -> bool {
    let past = [
        What::Rack,
        What::Split,
        What::Fine,
        What::Stabilise,
        What::Pasteurise,
        What::Sweeten,
        What::Seal,
    ];
    look.did(&past, look.turn()) || look.skipped(&format!("{}:{}", Kind::Rack.key(), once(look)))
}

pub(super) fn is_fined(look: &Look) -> bool {
    !look.record.plan.fine
        || look.did(&[What::Fine], look.turn())
        || look.skipped(&format!("{}:{}", Kind::Fine.key(), once(look)))
}

pub(super) fn is_stabilised(look: &Look) -> bool {
    look.did(&[What::Stabilise, What::Pasteurise], look.turn())
}

pub(super) fn is_sweetened(look: &Look) -> bool {
    look.did(&[What::Sweeten], look.turn())
}

/// Open at four fifths of the fall: common practice, no source.
pub(super) fn rack(look: &Look) -> Vec<Task> {
    let Some(gates) = gates(look) else {
        return Vec::new();
    };
    // What is planned to stay on its fruit is not racked off it early; taking it out is a task.
    let staying = fruit::take_out(look)
        .iter()
        .any(|t| !t.may_be_done(look.now));
    if is_racked(look) || staying || (!gates.rack.open && gates.rack.opens.is_none()) {
        return Vec::new();
    }
    let reason = if gates.rack.open {
        sentence(&gates.rack.why)
    } else {
        "Off the lees once most of the fall is over.".to_owned()
    };
    vec![
        Task::new(
            Kind::Rack,
            once(look),
            "rack it off its lees",
            by_gate(&gates.rack),
        )
        .because(reason),
    ]
}

/// Once it lies still and is off its lees, where the plan says so.
pub(super) fn fine(look: &Look) -> Vec<Task> {
    let wanted = look.phase() == Some(Phase::Settled) && is_racked(look) && !is_fined(look);
    if !wanted || look.sealed() {
        return Vec::new();
    }
    let reason = "It lies still and off its lees. By the sheet of what you use; some is made of egg, \
                  milk, fish or shellfish, which a label has to name in many places.";
    vec![Task::new(Kind::Fine, once(look), "fine it", Due::Now).because(reason)]
}

pub(super) fn stabilise(look: &Look) -> Vec<Task> {
    let Some(gates) = gates(look) else {
        return Vec::new();
    };
    let planned = look.record.plan.finish == Some(Finish::Sweetened);
    let past = is_stabilised(look) || is_sweetened(look) || look.sealed();
    if !planned || past || !is_racked(look) {
        return Vec::new();
    }
    let gate = &gates.stabilise;
    let mut reason = if gate.open {
        sentence(&gate.why)
    } else {
        "It is to be sweetened, and sugar on live yeast would ferment on.".to_owned()
    };
    reason += " Weigh sulphite and sorbate, open a window, follow the label and your local rules.";
    vec![Task::new(Kind::Stabilise, once(look), "stabilise it", by_gate(gate)).because(reason)]
}

/// The wait after sulphite and sorbate, and what comes after it.
pub(super) fn sweeten(look: &Look) -> Vec<Task> {
    let dosed = look.done().filter(|d| is_dosed(d)).map(|d| d.at).max();
    let Some(since) = dosed else {
        return Vec::new();
    };
    let done = look.last(&[What::Sweeten, What::Seal]);
    if done.is_some_and(|at| at > since) || look.record.plan.finish == Some(Finish::Dry) {
        return Vec::new();
    }
    let due = since + BEFORE_SWEETENING;
    let reason = if look.now >= due {
        "The wait after stabilising is over: see that it is still, then sweeten it, or keg or bottle \
         it as it is."
            .to_owned()
    } else {
        format!("Stabilised: wait until {} before sweetening.", look.at(due))
    };
    vec![Task::new(Kind::Sweeten, since.0, "sweeten it", Due::At(due)).because(reason)]
}

/// Heat needs no wait, and of a line without doses nobody knows what it stands for.
fn is_dosed(deed: &Deed) -> bool {
    let stops = |of| {
        matches!(
            of,
            Substance::PotassiumMetabisulphite
                | Substance::SodiumMetabisulphite
                | Substance::PotassiumSorbate
        )
    };
    deed.what == What::Stabilise && deed.doses.iter().any(|d| stops(d.of))
}

/// Common practice, no source: as long as the seal gate waits.
pub(super) fn recheck(look: &Look) -> Vec<Task> {
    let Some(since) = look.last(&[What::Sweeten]) else {
        return Vec::new();
    };
    let due = since + WATCH_SWEETENED;
    let over = look.did(&[What::HandReading], due)
        || look.did(&[What::Seal, What::Addition, What::Blend], since);
    if over {
        return Vec::new();
    }
    let reason = format!(
        "Sweetened {}. If it ferments again it may not be closed up: gas in a closed vessel bursts it.",
        look.day(since)
    );
    let title = "read by hand whether it has started again";
    vec![Task::new(Kind::Recheck, since.0, title, Due::At(due)).because(reason)]
}

#[cfg(test)]
mod tests {
    use super::super::testing::*;
    use super::super::{Answer, Record};
    use super::*;
    use crate::time::Moment;

    fn day(n: i64) -> Moment {
        T0 + Span::days(n)
    }

    /// Settled, with the gates open for racking and stabilising.
    fn ready() -> Record {
        let mut record = settled(1.000);
        let gates = &mut record.verdict.as_mut().unwrap().gates;
        gates.rack.open = true;
        gates.rack.why = "the fall is over".to_owned();
        gates.stabilise.open = true;
        record
    }

    #[test]
    fn sweetening_waits_a_day_after_sulphite_and_sorbate() {
        let mut record = record();
        record.deeds = vec![Deed::new(T0, What::Rack), stabilised(T0)];
        let task = only(&record, T0, Kind::Sweeten);
        let due = T0 + Span::hours(24);
        assert_eq!(task.due, Due::At(due));
        assert!(!task.is_due(due - Span(1)));
        assert!(task.is_due(due));
        assert!(task.reason.contains("wait until"), "{}", task.reason);
        assert!(only(&record, due, Kind::Sweeten).reason.contains("is over"));
    }

    #[test]
    fn it_is_done_once_it_was_sweetened_or_sealed() {
        let now = day(3);
        for what in [What::Sweeten, What::Seal] {
            let mut record = record();
            record.deeds = vec![stabilised(T0), Deed::new(day(1), what)];
            assert!(!kinds(&record, now).contains(&Kind::Sweeten));
            // Another dose starts another wait.
            record.deeds.push(stabilised(day(2)));
            assert_eq!(only(&record, now, Kind::Sweeten).due, Due::At(day(3)));
        }
        let mut racked = record();
        racked.deeds = vec![stabilised(T0), Deed::new(day(1), What::Rack)];
        assert!(kinds(&racked, now).contains(&Kind::Sweeten));
        racked.plan.finish = Some(Finish::Dry);
        assert!(!kinds(&racked, now).contains(&Kind::Sweeten));
    }

    #[test]
    fn nothing_waits_for_heat_or_for_a_line_without_doses() {
        let mut record = record();
        record.deeds = vec![
            Deed::new(T0, What::Pasteurise),
            Deed::new(T0, What::Stabilise),
        ];
        assert!(!kinds(&record, day(1)).contains(&Kind::Sweeten));
        let mut acid = stabilised(T0);
        acid.doses[0].of = Substance::TartaricAcid;
        record.deeds = vec![acid];
        assert!(!kinds(&record, day(1)).contains(&Kind::Sweeten));
    }

    #[test]
    fn it_is_racked_once_in_a_turn() {
        let mut record = ready();
        let task = only(&record, day(30), Kind::Rack);
        assert_eq!(task.due, Due::Now);
        assert_eq!(task.reason, "The fall is over.");
        record.deeds.push(Deed::new(day(30), What::Rack));
        assert!(!kinds(&record, day(31)).contains(&Kind::Rack));
        // Fruit goes in: it falls, settles, and is racked off that.
        record.deeds.push(Deed::new(day(31), What::Addition));
        assert!(kinds(&record, day(60)).contains(&Kind::Rack));
    }

    #[test]
    fn a_shut_rack_gate_is_a_day_ahead_or_nothing() {
        let mut record = ready();
        let rack = &mut record.verdict.as_mut().unwrap().gates.rack;
        rack.open = false;
        assert!(!kinds(&record, day(30)).contains(&Kind::Rack));
        record.verdict.as_mut().unwrap().gates.rack.opens = Some(day(33));
        let task = only(&record, day(30), Kind::Rack);
        assert_eq!(task.moment(), Some(day(33)));
        assert!(
            !task.takes_a_bare_done(),
            "a gate opens by the verdict only"
        );
    }

    #[test]
    fn stabilising_is_asked_only_of_what_is_to_be_sweet_and_racked() {
        let mut record = ready();
        record.deeds.push(Deed::new(day(29), What::Rack));
        assert!(!kinds(&record, day(30)).contains(&Kind::Stabilise));
        record.plan.finish = Some(Finish::Sweetened);
        assert_eq!(only(&record, day(30), Kind::Stabilise).due, Due::Now);
        record.deeds.push(stabilised(day(30)));
        assert!(!kinds(&record, day(30)).contains(&Kind::Stabilise));
        let mut unracked = ready();
        unracked.plan.finish = Some(Finish::Sweetened);
        let rack = only(&unracked, day(30), Kind::Rack);
        assert!(!kinds(&unracked, day(30)).contains(&Kind::Stabilise));
        unracked.answers.insert(rack.key, Answer::NotThisTime);
        assert!(kinds(&unracked, day(30)).contains(&Kind::Stabilise));
    }

    #[test]
    fn fining_only_where_it_is_planned() {
        let mut record = ready();
        record.deeds.push(Deed::new(day(29), What::Rack));
        assert!(!kinds(&record, day(30)).contains(&Kind::Fine));
        record.plan.fine = true;
        assert!(kinds(&record, day(30)).contains(&Kind::Fine));
        record.deeds.push(Deed::new(day(30), What::Fine));
        assert!(!kinds(&record, day(30)).contains(&Kind::Fine));
    }

    #[test]
    fn after_sweetening_it_is_watched_for_two_weeks() {
        let mut record = ready();
        record.deeds.push(stabilised(day(30)));
        record.deeds.push(Deed::new(day(31), What::Sweeten));
        let task = only(&record, day(32), Kind::Recheck);
        assert_eq!(task.due, Due::At(day(45)));
        record.deeds.push(Deed::new(day(34), What::HandReading));
        assert!(
            kinds(&record, day(35)).contains(&Kind::Recheck),
            "too early to tell"
        );
        record.deeds.push(Deed::new(day(45), What::HandReading));
        assert!(!kinds(&record, day(45)).contains(&Kind::Recheck));
    }
}

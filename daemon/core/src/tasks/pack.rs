//! Into keg or bottle, and what comes after.

use super::finish::{by_gate, gates, is_fined, is_racked, is_sweetened};
use super::look::{Look, sentence};
use super::{Due, Kind, Task};
use crate::deed::What;
use crate::plan::{Finish, Pack};
use crate::time::Span;

/// From keg or bottle to the first taste. Common practice, no source.
const BEFORE_TASTING: Span = Span::days(28);

pub(super) fn seal_and_carbonate(look: &Look) -> Vec<Task> {
    if look.sealed() {
        return carbonate(look);
    }
    let Some(gates) = gates(look) else {
        return Vec::new();
    };
    let plan = &look.record.plan;
    let sweet = plan.finish != Some(Finish::Sweetened) || is_sweetened(look);
    let gate = &gates.seal;
    if !is_racked(look) || !is_fined(look) || !sweet || (!gate.open && gate.opens.is_none()) {
        return Vec::new();
    }
    let title = match plan.pack {
        Some(Pack::Keg) => "keg it",
        Some(Pack::Bottle) => "bottle it",
        None => "keg or bottle it",
    };
    let mut reason = if gate.open {
        sentence(&gate.why)
    } else {
        "As soon as the gate opens.".to_owned()
    };
    if plan.sparkling && plan.pack == Some(Pack::Bottle) {
        reason += " It is to sparkle: reckon the sugar and what the bottles bear before, glass can burst.";
    }
    vec![Task::new(Kind::Seal, look.turn().0, title, by_gate(gate)).because(reason)]
}

/// In a keg only: a bottle takes its gas from sugar weighed in before it is closed.
fn carbonate(look: &Look) -> Vec<Task> {
    let plan = &look.record.plan;
    let Some(sealed) = look.last(&[What::Seal]) else {
        return Vec::new();
    };
    let in_a_keg = plan.pack == Some(Pack::Keg) && plan.sparkling;
    if !in_a_keg || look.did(&[What::Carbonate], sealed) {
        return Vec::new();
    }
    let reason = "It is to sparkle. Keep below the rating of the weakest part, with a relief valve, \
                  and air the room: the gas is heavier than air.";
    vec![Task::new(Kind::Carbonate, sealed.0, "carbonate it", Due::Now).because(reason)]
}

pub(super) fn taste(look: &Look) -> Vec<Task> {
    let Some(sealed) = look.last(&[What::Seal]).filter(|_| look.sealed()) else {
        return Vec::new();
    };
    if look.did(&[What::Taste], sealed) {
        return Vec::new();
    }
    let reason = format!(
        "Closed up {}; note what has become of it.",
        look.day(sealed)
    );
    let due = Due::At(sealed + BEFORE_TASTING);
    vec![Task::new(Kind::Taste, sealed.0, "taste it", due).because(reason)]
}

#[cfg(test)]
mod tests {
    use super::super::Record;
    use super::super::testing::*;
    use super::*;
    use crate::deed::Deed;
    use crate::time::Moment;

    fn day(n: i64) -> Moment {
        T0 + Span::days(n)
    }

    fn ready() -> Record {
        let mut record = settled(1.000);
        let gates = &mut record.verdict.as_mut().unwrap().gates;
        gates.rack.open = true;
        gates.seal.open = true;
        record.deeds.push(Deed::new(day(29), What::Rack));
        record
    }

    #[test]
    fn it_is_closed_up_when_all_before_is_done() {
        let mut record = ready();
        let now = day(30);
        assert_eq!(only(&record, now, Kind::Seal).title, "keg or bottle it");
        record.plan.pack = Some(Pack::Bottle);
        record.plan.sparkling = true;
        let task = only(&record, now, Kind::Seal);
        assert_eq!(task.title, "bottle it");
        assert!(task.reason.contains("glass can burst"), "{}", task.reason);
        record.plan.fine = true;
        assert!(!kinds(&record, now).contains(&Kind::Seal));
        record.deeds.push(Deed::new(now, What::Fine));
        assert!(kinds(&record, now).contains(&Kind::Seal));
        record.plan.finish = Some(Finish::Sweetened);
        assert!(!kinds(&record, now).contains(&Kind::Seal));
        record.deeds.push(Deed::new(now, What::Sweeten));
        assert!(kinds(&record, now).contains(&Kind::Seal));
    }

    #[test]
    fn a_shut_gate_lets_nothing_be_closed_up() {
        let mut record = ready();
        let seal = &mut record.verdict.as_mut().unwrap().gates.seal;
        seal.open = false;
        assert!(!kinds(&record, day(30)).contains(&Kind::Seal));
        record.verdict.as_mut().unwrap().gates.seal.opens = Some(day(35));
        assert!(!only(&record, day(36), Kind::Seal).takes_a_bare_done());
    }

    #[test]
    fn a_keg_may_be_carbonated_and_is_tasted_after_four_weeks() {
        let mut record = ready();
        record.plan.pack = Some(Pack::Keg);
        record.deeds.push(Deed::new(day(30), What::Seal));
        assert_eq!(kinds(&record, day(30)), [Kind::Taste]);
        assert_eq!(only(&record, day(30), Kind::Taste).due, Due::At(day(58)));
        record.plan.sparkling = true;
        assert!(only(&record, day(30), Kind::Carbonate).is_due(day(30)));
        record.deeds.push(Deed::new(day(31), What::Carbonate));
        record.deeds.push(Deed::new(day(60), What::Taste));
        assert_eq!(kinds(&record, day(61)), []);
    }
}

//! A jar of it to be fermented out, where nobody has said where it ends.

use super::look::Look;
use super::{Due, Kind, Task};
use crate::deed::What;
use crate::plan::Finish;
use crate::time::Span;
use crate::verdict::outcome::Phase;

/// Drawn later than this the jar hardly ends before the mead does. Common practice, no source.
const WHILE_YOUNG: Span = Span::days(7);

pub(super) fn test_ferment(look: &Look) -> Vec<Task> {
    let record = look.record;
    let pitched = record.pitched;
    let sweet = record.plan.finish == Some(Finish::Sweetened);
    let told = record.expected_final.is_some() || (record.tolerance.is_some() && !sweet);
    // A part, or what was poured together, was pitched elsewhere.
    let young = record.began == pitched && look.now < pitched + WHILE_YOUNG;
    let over = look.phase() == Some(Phase::Settled) || look.did(&[What::TestFerment], pitched);
    if told || !young || over {
        return Vec::new();
    }
    let why = if sweet {
        "It is to be stabilised at its end, and where that lies nobody has said."
    } else {
        "Where its yeast stops nobody has said."
    };
    let reason = format!(
        "{why} A jar of it tells, within days: how stands on its vessel's page. Note what the jar stands at when it is drawn, and once it has ended."
    );
    let title = "ferment a jar of it out";
    vec![Task::new(Kind::TestFerment, pitched.0, title, Due::At(pitched)).because(reason)]
}

#[cfg(test)]
mod tests {
    use super::super::testing::*;
    use super::super::{Answer, Record};
    use super::*;
    use crate::deed::Deed;
    use crate::units::{AbvPercent, Gravity};

    /// Nothing is said of its end.
    fn untold() -> Record {
        Record {
            expected_final: None,
            ..record()
        }
    }

    fn asks(record: &Record, days: i64) -> bool {
        kinds(record, T0 + Span::days(days)).contains(&Kind::TestFerment)
    }

    #[test]
    fn a_jar_is_asked_for_while_nobody_has_said_where_it_ends() {
        let task = only(&untold(), T0, Kind::TestFerment);
        assert!(task.is_due(T0) && !task.takes_a_bare_done());
        assert_eq!(task.kind.deed(), What::TestFerment);
        assert!(asks(&untold(), 6) && !asks(&untold(), 7));
        let labelled = |finish| Record {
            tolerance: AbvPercent::new(14.0).ok(),
            plan: crate::plan::Plan {
                finish,
                ..Default::default()
            },
            ..untold()
        };
        assert!(!asks(&labelled(None), 1) && !asks(&labelled(Some(Finish::Dry)), 1));
        assert!(asks(&labelled(Some(Finish::Sweetened)), 1));
        let expected = Record {
            expected_final: Gravity::new(1.01).ok(),
            ..labelled(Some(Finish::Sweetened))
        };
        assert!(!asks(&expected, 1));
        let part = Record {
            began: T0 + Span::days(3),
            ..untold()
        };
        assert!(!asks(&part, 4));
    }

    #[test]
    fn it_is_over_once_a_jar_is_read_or_the_mead_has_settled() {
        let mut read = untold();
        read.deeds.push(Deed::new(T0, What::TestFerment));
        assert!(!asks(&read, 1));
        let mut waved_off = untold();
        let key = only(&waved_off, T0, Kind::TestFerment).key;
        waved_off.answers.insert(key, Answer::NotThisTime);
        assert!(!asks(&waved_off, 1));
        let verdict = settled(1.0).verdict;
        assert!(!asks(
            &Record {
                verdict,
                ..untold()
            },
            6
        ));
        let verdict = fermenting(1.09, 0.01).verdict;
        assert!(asks(
            &Record {
                verdict,
                ..untold()
            },
            6
        ));
    }
}

//! What the log asks to be done next, and when. Derived from its lines each time it is looked at
//! and kept nowhere else, so that a corrected line changes it and nothing is left behind.

use crate::deed::{Deed, Substance, What};
use crate::show;
use crate::text::Style;
use crate::time::{Moment, Span};

/// From sulphite and sorbate to sweetening. Common practice, no source.
pub const BEFORE_SWEETENING: Span = Span::hours(24);

/// A step that waits for its time, or whose time has come.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Task {
    /// When the deed was done that it follows from.
    pub since: Moment,
    /// Not to be done before.
    pub due: Moment,
}

impl Task {
    pub fn is_due(&self, now: Moment) -> bool {
        now >= self.due
    }

    /// As it stands on a page.
    pub fn sentence(&self, now: Moment, style: &Style) -> String {
        if self.is_due(now) {
            "The wait after stabilising is over: see that it is still, then sweeten it, or keg or \
             bottle it as it is."
                .to_owned()
        } else {
            let until = show::day_and_time(self.due, now, style.zone);
            format!("Stabilised: wait until {until} before sweetening.")
        }
    }
}

/// What is still to be done by a mead's standing lines, in any order.
pub fn tasks(deeds: &[Deed]) -> Vec<Task> {
    let last = |is: &dyn Fn(&Deed) -> bool| deeds.iter().filter(|d| is(d)).map(|d| d.at).max();
    let Some(since) = last(&dosed) else {
        return Vec::new();
    };
    let done = last(&|d| matches!(d.what, What::Sweeten | What::Seal));
    if done.is_some_and(|at| at > since) {
        return Vec::new();
    }
    vec![Task {
        since,
        due: since + BEFORE_SWEETENING,
    }]
}

/// Heat needs no wait, and of a line without doses nobody knows what it stands for.
fn dosed(deed: &Deed) -> bool {
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

#[cfg(test)]
mod tests {
    use jiff::tz::TimeZone;

    use super::*;
    use crate::deed::Dose;
    use crate::units::{Kilograms, Preferences};

    const T0: Moment = Moment(1_772_366_400_000);

    fn stabilised(at: Moment) -> Deed {
        let mut deed = Deed::new(at, What::Stabilise);
        deed.doses = vec![Dose {
            of: Substance::PotassiumSorbate,
            mass: Kilograms::computed(0.004),
            name: String::new(),
            extract: None,
        }];
        deed
    }

    #[test]
    fn sweetening_waits_a_day_after_sulphite_and_sorbate() {
        let waits = tasks(&[Deed::new(T0, What::Rack), stabilised(T0)]);
        assert_eq!(waits.len(), 1);
        let task = waits[0];
        assert_eq!(task.due, T0 + Span::hours(24));
        assert!(!task.is_due(task.due - Span(1)));
        assert!(task.is_due(task.due));
        let style = Style {
            units: Preferences::USUAL,
            zone: &TimeZone::UTC,
        };
        let waiting = task.sentence(T0, &style);
        assert!(waiting.contains("wait until"), "{waiting}");
        assert!(task.sentence(task.due, &style).contains("is over"));
    }

    #[test]
    fn it_is_done_once_it_was_sweetened_or_sealed() {
        let day = |n| T0 + Span::days(n);
        for what in [What::Sweeten, What::Seal] {
            let done = Deed::new(day(1), what);
            assert_eq!(tasks(&[done.clone(), stabilised(T0)]), []);
            // Another dose starts another wait.
            let again = tasks(&[stabilised(T0), done.clone(), stabilised(day(2))]);
            assert_eq!(again[0].since, day(2));
        }
        let racked = Deed::new(day(1), What::Rack);
        assert_eq!(tasks(&[stabilised(T0), racked]).len(), 1);
    }

    #[test]
    fn nothing_waits_for_heat_or_for_a_line_without_doses() {
        let heat = Deed::new(T0, What::Pasteurise);
        assert_eq!(tasks(&[heat, Deed::new(T0, What::Stabilise)]), []);
        let mut acid = stabilised(T0);
        acid.doses[0].of = Substance::TartaricAcid;
        assert_eq!(tasks(&[acid]), []);
    }
}

//! From a log to the steps of the ledger.

use super::goods::{Goods, dissolved};
use super::{Book, Step};
use crate::deed::{Deed, Dose, What};
use crate::hours::{HOUR_MS, Hour};
use crate::liquid::Liquid;
use crate::time::Moment;
use crate::units::Gravity;

/// A mead's past, as its own steps are read from it.
#[derive(Clone, Copy, Debug)]
pub struct Past<'a> {
    /// Standing lines in order of time, inherited ones first.
    pub deeds: &'a [Deed],
    /// In order of time, inherited ones first.
    pub hours: &'a [Hour],
    /// What lies before was another mead's doing.
    pub since: Option<Moment>,
}

impl Past<'_> {
    /// What was put in and what was left, each with how far it had fermented by then; and the
    /// gravity at each of the `moments` at which some was poured from it. `price` is what a dose
    /// cost that was put in then.
    pub fn steps(
        &self,
        moments: &[Moment],
        price: impl Fn(&Dose, Moment) -> f64,
    ) -> Vec<(Moment, Step)> {
        let mut steps = Vec::new();
        for (at, deed) in self.deeds.iter().enumerate() {
            if self.since.is_some_and(|since| deed.at < since) {
                continue;
            }
            let (liquid, dry): (Vec<&Dose>, Vec<&Dose>) =
                deed.doses.iter().partition(|d| dissolved(d).is_some());
            // The gravity a must began at was measured with what had been put in.
            let measured_with = deed.what == What::Pitch;
            // Fermenting changes the volume too.
            if (!liquid.is_empty() && !measured_with) || deed.volume.is_some() {
                let before = self.last_read(self.deeds[..at].iter(), deed.at);
                // Read in the same line and not moved by what was put in, it is of that moment.
                let own = deed.read().filter(|_| liquid.is_empty());
                // A float lay in something else before there was a must.
                let before = own.or(before.filter(|_| !measured_with));
                steps.extend(before.map(|g| (deed.at, Step::Reads(g))));
            }
            let put_in = |dose: &&Dose| {
                let counted = dissolved(dose).filter(|_| !measured_with);
                let goods = Goods {
                    liquid: counted.unwrap_or(Liquid::NOTHING),
                    doses: vec![(*dose).clone()],
                    cost: price(dose, deed.at),
                };
                (deed.at, Step::In(goods))
            };
            steps.extend(liquid.iter().map(put_in));
            steps.extend(deed.volume.map(|v| (deed.at, Step::Holds(v))));
            // Salts go into what is there afterwards.
            steps.extend(dry.iter().map(put_in));
        }
        let read = |at: &Moment| Some((*at, Step::Reads(self.gravity_at(*at)?)));
        steps.extend(moments.iter().filter_map(read));
        steps
    }

    /// As last read before an instant, or in a line of that very instant; `None` when something
    /// was put in since.
    pub fn gravity_at(&self, at: Moment) -> Option<Gravity> {
        let before = |d: &&Deed| d.at < at || (d.at == at && !is_fed(d));
        self.last_read(self.deeds.iter().filter(before), at)
    }

    fn last_read<'b>(
        &self,
        before: impl DoubleEndedIterator<Item = &'b Deed> + Clone,
        at: Moment,
    ) -> Option<Gravity> {
        let fed = before.clone().rev().find(|d| is_fed(d)).map(|d| d.at);
        let since = self.since.max(fed);
        let holds = |at: Moment| since.is_none_or(|since| at >= since);
        let noted = before
            .rev()
            .take_while(|d| holds(d.at))
            .find_map(|d| Some((d.at, d.read()?)));
        let hour = hour_before(self.hours, at).filter(|h| holds(Moment(h.index * HOUR_MS)));
        let float = hour.and_then(|h| h.gravity);
        let float = float.map(|g| (g.at, Gravity::computed(g.median)));
        let latest = noted.into_iter().chain(float).max_by_key(|(at, _)| *at);
        latest.map(|(_, gravity)| gravity)
    }
}

fn is_fed(deed: &Deed) -> bool {
    deed.doses.iter().any(|d| dissolved(d).is_some())
}

/// The last hour before an instant with a gravity, however old: a float that was taken out has
/// told more than a hydrometer before it.
fn hour_before(hours: &[Hour], at: Moment) -> Option<&Hour> {
    let end = hours.partition_point(|h| (h.index + 1) * HOUR_MS <= at.0);
    hours[..end].iter().rev().find(|h| h.gravity.is_some())
}

impl Book {
    /// Carried through steps in order of time.
    #[must_use]
    pub fn through(mut self, steps: Vec<Step>) -> Book {
        for step in steps {
            self.step(step);
        }
        self
    }
}

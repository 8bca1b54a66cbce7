//! Families of meads: one base split into several, several blended into one, with what is lost on
//! the way, by the ledger of [`crate::liquid`].
//!
//! What goes from one mead into another takes its share of everything along: water, extract and
//! ethanol by mass, what was given (so the sulphite too), and what it all cost. A loss is a share
//! that goes nowhere; what it cost stays with the rest, which has to bear it. So over a whole family nothing appears and nothing is gone: the sums close.
//!
//! A mead can be split without anyone knowing the volumes; its strength is then known all the
//! same, but not how much of what was given came along ([`Sure`]). Nothing is refused here: what
//! the record does not tell, or tells wrongly, is not known, and the rest still is.

mod book;
mod goods;
mod steps;

pub use book::{Book, Sure, together};
pub(crate) use goods::dissolved;
pub use goods::{Goods, sulphur_dioxide};
pub use steps::Past;

use crate::time::Moment;
use crate::units::{Gravity, Litres};

/// One thing that happened to a mead.
#[derive(Clone, Debug, PartialEq)]
pub enum Step {
    /// It has fermented to here.
    Reads(Gravity),
    /// Put in.
    In(Goods),
    /// So much is in it: what is missing was lost.
    Holds(Litres),
    /// So much was poured off; `None` if nobody measured it.
    Out(Option<Litres>),
}

#[derive(Clone, Debug, PartialEq)]
pub struct Mead {
    /// `None` when it began as parts of others.
    pub must: Option<Must>,
    /// In any order; of one instant in the order they stand in.
    pub steps: Vec<(Moment, Step)>,
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Must {
    pub volume: Option<Litres>,
    pub gravity: Option<Gravity>,
    pub cost: f64,
}

/// So much of one mead went into another; which ones, by their place in the family.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Share {
    pub parent: usize,
    pub child: usize,
    pub at: Moment,
    pub volume: Option<Litres>,
}

enum Event<'a> {
    Step(usize, &'a Step),
    Share(&'a Share),
}

/// The ledger of each mead as it stood at `to`, what happened in that very instant included.
///
/// In one instant what was read comes first, then what was poured, then the rest. A share with a
/// mead that is not in the family is passed over.
pub fn carry(meads: &[Mead], shares: &[Share], to: Moment) -> Vec<Book> {
    let mut books: Vec<Book> = meads
        .iter()
        .map(|mead| match mead.must {
            Some(must) => Book::must(must.volume, must.gravity, must.cost),
            None => Book::empty(),
        })
        .collect();
    let mut events: Vec<(Moment, u8, Event)> = Vec::new();
    for (n, mead) in meads.iter().enumerate() {
        events.extend(mead.steps.iter().map(|(at, step)| {
            let rank = if matches!(step, Step::Reads(_)) { 0 } else { 2 };
            (*at, rank, Event::Step(n, step))
        }));
    }
    let inside = |s: &&Share| s.parent < meads.len() && s.child < meads.len();
    let shares = shares.iter().filter(inside);
    events.extend(shares.map(|s| (s.at, 1, Event::Share(s))));
    events.retain(|(at, ..)| *at <= to);
    events.sort_by_key(|(at, rank, _)| (*at, *rank));
    for (_, _, event) in events {
        match event {
            Event::Step(n, step) => books[n].step(step.clone()),
            Event::Share(share) => {
                let poured = books[share.parent].pour(share.volume);
                books[share.child].receive(poured);
            }
        }
    }
    books
}

#[cfg(test)]
mod tests;

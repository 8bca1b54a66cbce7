//! What a card is made from.

use crate::deed::Deed;
use crate::hours::Hour;
use crate::ids::BatchId;
use crate::lineage::Book;
use crate::plan::Plan;
use crate::price::Prices;
use crate::time::Moment;
use crate::units::{Gravity, Litres};

/// All that is on record of a mead.
#[derive(Clone, Debug)]
pub struct Record {
    pub now: Moment,
    pub number: BatchId,
    pub name: String,
    pub yeast: String,
    pub honey: String,
    pub note: String,
    pub plan: Plan,
    /// Of the mead it was split off from, if it was.
    pub pitched: Moment,
    /// When it became a mead of its own.
    pub began: Moment,
    pub ended: Option<Moment>,
    pub original: Option<Gravity>,
    /// As the maker noted it for this mead.
    pub volume: Option<Litres>,
    /// In order of time.
    pub places: Vec<Place>,
    pub parents: Vec<Kin>,
    /// In order of time.
    pub children: Vec<Kin>,
    /// Standing lines in order of time, inherited ones first.
    pub deeds: Vec<Deed>,
    /// In order of time, inherited ones first.
    pub hours: Vec<Hour>,
    /// Since when the verdict said it had settled, each time it began to say so.
    pub settled: Vec<Moment>,
    /// Its ledger, prices counted.
    pub book: Book,
    pub prices: Prices,
}

/// Where it was, and as which mead.
#[derive(Clone, Debug)]
pub struct Place {
    pub vessel: String,
    pub mead: String,
    pub from: Moment,
    pub until: Option<Moment>,
}

/// A mead that something was poured from, or into.
#[derive(Clone, Debug)]
pub struct Kin {
    pub number: BatchId,
    pub name: String,
    pub at: Moment,
    pub volume: Option<Litres>,
}

impl Record {
    /// How much of what was in it at an instant was not poured into other meads since.
    pub(crate) fn kept(&self, at: Moment) -> f64 {
        let pours = self.children.iter().zip(&self.book.pours);
        let since = pours.filter(|(child, _)| child.at >= at);
        since.map(|(_, share)| 1.0 - share).product()
    }

    /// The end of what is on record: its own, or now.
    pub(super) fn until(&self) -> Moment {
        self.ended.unwrap_or(self.now)
    }
}

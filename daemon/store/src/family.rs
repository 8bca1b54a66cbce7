//! Meads that share a past: who came from whom, and the ledger of them all.

use std::collections::BTreeSet;

use ebbmark_core::deed::Dose;
use ebbmark_core::ids::BatchId;
use ebbmark_core::lineage::{self, Book, Mead, Must, Past, Step};
use ebbmark_core::reckon::Inherited;
use ebbmark_core::time::Moment;
use rusqlite::Connection;

use crate::at_hand::Snapshot;
use crate::model::{Batch, Family, LogLine, Relative, Share};
use crate::{meads, prices, rows, vessels};

/// No cellar has so large a family; a damaged file may.
const LARGEST: usize = 64;

/// See [`crate::Reader::family`].
pub fn of(conn: &Snapshot<'_>, batch: BatchId, to: Moment) -> rusqlite::Result<Family> {
    let (batches, shares) = gathered(conn, batch, to)?;
    let books = books(conn, &batches, &shares, to, Own::Like)?;
    let mut meads = Vec::new();
    for (batch, book) in batches.into_iter().zip(books) {
        let vessel = vessels::name_of(conn, batch.vessel)?;
        meads.push(Relative {
            batch,
            vessel,
            book,
        });
    }
    Ok(Family { meads, shares })
}

/// Whoever shares a past with it up to `to`, in the order they began, and what went where.
fn gathered(
    conn: &Connection,
    batch: BatchId,
    to: Moment,
) -> rusqlite::Result<(Vec<Batch>, Vec<Share>)> {
    let mut shares: Vec<Share> = Vec::new();
    let mut known = BTreeSet::from([batch]);
    let mut ask = vec![batch];
    while let Some(id) = ask.pop() {
        for share in touching(conn, id)?.into_iter().filter(|s| s.at <= to) {
            if shares.contains(&share) {
                continue;
            }
            shares.push(share);
            for id in [share.parent, share.child] {
                if known.len() < LARGEST && known.insert(id) {
                    ask.push(id);
                }
            }
        }
    }
    shares.sort_by_key(|s| (s.at, s.child, s.parent));
    let mut batches = Vec::new();
    for id in known {
        batches.extend(meads::batch(conn, id)?);
    }
    batches.sort_by_key(|b| (b.facts.started, b.id));
    Ok((batches, shares))
}

/// What a mead was when it was split off or poured together; `None` of a must.
pub fn inherited(conn: &Snapshot<'_>, batch: &Batch) -> rusqlite::Result<Option<Inherited>> {
    let began = batch.facts.started;
    let first = touching(conn, batch.id)?
        .into_iter()
        .filter(|s| s.child == batch.id && s.at == began);
    let parts = first.count();
    if parts == 0 {
        return Ok(None);
    }
    let (batches, shares) = gathered(conn, batch.id, began)?;
    let mut books = books(conn, &batches, &shares, began, Own::Bare(batch.id))?;
    let own = batches.iter().position(|b| b.id == batch.id);
    Ok(own.map(|own| Inherited {
        at: began,
        parts,
        book: books.swap_remove(own),
    }))
}

/// A mead's ledger as it stood at `to`, with the gravity as it was last read by `read_to`: a float
/// that was taken out is silent long before the mead ends.
pub fn book(
    conn: &Snapshot<'_>,
    batch: BatchId,
    read_to: Moment,
    to: Moment,
) -> rusqlite::Result<Option<Book>> {
    let (batches, shares) = gathered(conn, batch, to)?;
    let own = batches.iter().position(|b| b.id == batch);
    let mut books = books(conn, &batches, &shares, to, Own::Read(batch, read_to))?;
    Ok(own.map(|own| books.swap_remove(own)))
}

/// What was poured from a mead into others, in order of time.
pub fn poured(conn: &Connection, batch: BatchId) -> rusqlite::Result<Vec<Share>> {
    let mut shares = touching(conn, batch)?;
    shares.retain(|s| s.parent == batch);
    shares.sort_by_key(|s| s.at);
    Ok(shares)
}

fn touching(conn: &Connection, batch: BatchId) -> rusqlite::Result<Vec<Share>> {
    conn.prepare_cached(&format!(
        "SELECT {} FROM share WHERE child = ?1 OR parent = ?1",
        rows::SHARE
    ))?
    .query_map([batch.0], rows::share)?
    .collect()
}

/// Which mead is asked about, if it is to be treated apart from the others.
#[derive(Clone, Copy, PartialEq)]
enum Own {
    Like,
    /// Only what was poured into it is counted, not what was done to it in that instant.
    Bare(BatchId),
    /// Its last gravity is that of an earlier time.
    Read(BatchId, Moment),
}

fn books(
    conn: &Snapshot<'_>,
    batches: &[Batch],
    shares: &[Share],
    to: Moment,
    own: Own,
) -> rusqlite::Result<Vec<lineage::Book>> {
    let prices = prices::all(conn)?;
    let mut meads = Vec::new();
    for batch in batches {
        let facts = &batch.facts;
        let began = |s: &Share| s.child == batch.id && s.at == facts.started;
        let must = (!shares.iter().any(began)).then_some(Must {
            volume: facts.volume,
            gravity: facts.original_gravity,
            cost: 0.0,
        });
        if own == Own::Bare(batch.id) {
            let steps = Vec::new();
            meads.push(Mead { must, steps });
            continue;
        }
        let history = meads::history(conn, batch, to)?;
        let mut deeds = LogLine::standing(history.lines);
        deeds.retain(|d| d.at <= to);
        let past = Past {
            deeds: &deeds,
            hours: &history.hours,
            since: must.is_none().then_some(facts.started),
        };
        let poured = shares.iter().filter(|s| s.parent == batch.id);
        let moments: Vec<Moment> = poured.map(|s| s.at).collect();
        let cost = |dose: &Dose, at| prices.of(dose, at).unwrap_or(0.0);
        let mut steps = past.steps(&moments, cost);
        // What was read in its vessel since it ended is of another mead, or long ago.
        let last = match own {
            Own::Read(id, at) if id == batch.id => at.min(to),
            _ => batch.ended.map_or(to, |ended| ended.min(to)),
        };
        let read = past.gravity_at(last);
        steps.extend(read.map(|gravity| (last, Step::Reads(gravity))));
        meads.push(Mead { must, steps });
    }
    let place = |id: BatchId| batches.iter().position(|b| b.id == id);
    let shares: Vec<lineage::Share> = shares
        .iter()
        .filter_map(|s| {
            Some(lineage::Share {
                parent: place(s.parent)?,
                child: place(s.child)?,
                at: s.at,
                volume: s.volume,
            })
        })
        .collect();
    Ok(lineage::carry(&meads, &shares, to))
}

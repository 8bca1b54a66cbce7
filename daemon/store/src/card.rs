//! What the card of a mead is made from.

use ebbmark_core::card::{Kin, Place, Record};
use ebbmark_core::ids::BatchId;
use ebbmark_core::lineage::Book;
use ebbmark_core::time::Moment;
use ebbmark_core::verdict::outcome::Phase;
use rusqlite::{Connection, params};

use crate::at_hand::Snapshot;
use crate::error::StoreError;
use crate::model::{Batch, Family, LogLine};
use crate::{Reader, family, meads, prices, vessels};

impl Reader {
    /// All that is on record of a mead, finished or not; `None` where there is none of that number.
    pub fn card_record(&self, id: BatchId, now: Moment) -> Result<Option<Record>, StoreError> {
        self.with(|conn| match meads::batch(conn, id)? {
            Some(batch) => record(conn, batch, now).map(Some),
            None => Ok(None),
        })
    }
}

fn record(conn: &Snapshot<'_>, batch: Batch, now: Moment) -> rusqlite::Result<Record> {
    let until = batch.ended.unwrap_or(now);
    let history = meads::history(conn, &batch, until)?;
    let mut deeds = LogLine::standing(history.lines);
    deeds.retain(|d| d.at <= now);
    let family = family::of(conn, batch.id, now)?;
    let kin = |of: &dyn Fn(&crate::model::Share) -> Option<BatchId>| kin(&family, of);
    let parents = kin(&|s| (s.child == batch.id).then_some(s.parent));
    let mut children = kin(&|s| (s.parent == batch.id).then_some(s.child));
    children.sort_by_key(|child| child.at);
    let book = family
        .of(batch.id)
        .map_or_else(Book::empty, |own| own.book.clone());
    Ok(Record {
        now,
        number: batch.id,
        pitched: history.started,
        began: batch.facts.started,
        ended: batch.ended,
        original: batch.facts.original_gravity,
        volume: batch.facts.volume,
        places: places(conn, &batch, now)?,
        parents,
        children,
        deeds,
        hours: history.hours,
        settled: settled(conn, &batch)?,
        book,
        prices: prices::all(conn)?,
        name: batch.facts.name,
        yeast: batch.facts.yeast,
        honey: batch.facts.honey,
        note: batch.facts.note,
        plan: batch.plan,
    })
}

fn kin(family: &Family, of: &dyn Fn(&crate::model::Share) -> Option<BatchId>) -> Vec<Kin> {
    let shares = family.shares.iter();
    shares
        .filter_map(|share| {
            let other = family.of(of(share)?)?;
            Some(Kin {
                number: other.batch.id,
                name: other.batch.facts.name.clone(),
                at: share.at,
                volume: share.volume,
            })
        })
        .collect()
}

fn places(conn: &Connection, batch: &Batch, now: Moment) -> rusqlite::Result<Vec<Place>> {
    let stays = meads::stays(conn, batch, batch.ended.unwrap_or(now))?;
    let last = stays.len().saturating_sub(1);
    let mut places = Vec::new();
    for (n, stay) in stays.into_iter().enumerate() {
        let mead = if stay.batch == batch.id {
            batch.facts.name.clone()
        } else {
            meads::batch(conn, stay.batch)?.map_or_else(String::new, |b| b.facts.name)
        };
        let still = n == last && batch.ended.is_none();
        places.push(Place {
            vessel: vessels::name_of(conn, stay.vessel)?,
            mead,
            from: stay.from,
            until: (!still).then_some(stay.to),
        });
    }
    Ok(places)
}

/// Each time the verdict began to say that it had settled: on the meads it was split off from up to
/// the split, then on itself.
fn settled(conn: &Connection, batch: &Batch) -> rusqlite::Result<Vec<Moment>> {
    let mut all = Vec::new();
    let mut until = Moment(i64::MAX);
    for id in meads::line(conn, batch.id)? {
        let since: Vec<Moment> = conn
            .prepare_cached(
                "SELECT since FROM phase_change WHERE batch = ?1 AND phase = ?2 AND since <= ?3",
            )?
            .query_map(params![id.0, Phase::Settled.key(), until.0], |r| {
                r.get(0).map(Moment)
            })?
            .collect::<rusqlite::Result<_>>()?;
        all.extend(since);
        let origin = meads::batch(conn, id)?.and_then(|b| b.facts.origin);
        until = origin.map_or(until, |o| o.at);
    }
    all.sort_unstable();
    Ok(all)
}

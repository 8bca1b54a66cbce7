//! A mead goes from one vessel into another.

use ebbmark_core::deed::{Deed, What};
use ebbmark_core::ids::{BatchId, VesselId};
use ebbmark_core::time::Moment;
use rusqlite::{OptionalExtension, params};

use super::{Tx, feeds, log, refuse, vessels};
use crate::error::StoreError;
use crate::meads;
use crate::model::{Change, Done, Move};
use crate::vessels::name_of;

pub fn to_vessel(tx: &mut Tx<'_>, asked: &Move) -> Result<Done, StoreError> {
    let Move {
        batch,
        from,
        to,
        at,
        ..
    } = *asked;
    if let Some(once) = &asked.once
        && log::written(tx, once)?.is_some()
    {
        return Ok(Done::Batch(batch));
    }
    let (vessel, _, ended) = vessels::batch(tx, batch)?;
    if ended.is_some() {
        return refuse("this mead has ended; only one that is in a vessel can be moved");
    }
    if vessel != from {
        return refuse(format!(
            "it is no longer there: it is in {} now",
            name_of(tx.conn, vessel)?
        ));
    }
    if from == to {
        return refuse("it is in that vessel already");
    }
    tx.vessel_in_use(to)?;
    let put_in = meads::own_stays(tx.conn, batch)?.last().map(|s| s.1);
    if let Some(since) = put_in.filter(|since| at <= *since) {
        return refuse(format!(
            "it was put into its vessel at {}; it can only have left it later",
            since.to_rfc3339()
        ));
    }
    free(tx, to, at)?;
    tx.conn
        .prepare_cached("UPDATE stay SET until = ?2 WHERE batch = ?1 AND until IS NULL")?
        .execute([batch.0, at.0])?;
    tx.conn
        .prepare_cached("INSERT INTO stay (batch, vessel, since) VALUES (?1, ?2, ?3)")?
        .execute([batch.0, to.0, at.0])?;
    tx.conn
        .prepare_cached("UPDATE batch SET vessel = ?2 WHERE id = ?1")?
        .execute([batch.0, to.0])?;
    // The verdict, and what it remembers, is on the mead.
    tx.conn
        .prepare_cached("DELETE FROM verdict WHERE vessel = ?1")?
        .execute([to.0])?;
    tx.conn
        .prepare_cached("UPDATE verdict SET vessel = ?3 WHERE vessel = ?1 AND batch = ?2")?
        .execute([from.0, batch.0, to.0])?;
    let (left, came) = (name_of(tx.conn, to)?, name_of(tx.conn, from)?);
    let out = Deed {
        note: format!("into {left}"),
        ..Deed::new(at, What::Rack)
    };
    log::write(tx, from, &out, None, None, asked.made_at)?;
    let into = Deed {
        note: beside(&format!("from {came}"), &asked.note),
        volume: asked.volume,
        ..Deed::new(at, What::Rack)
    };
    log::write(tx, to, &into, None, asked.once.as_deref(), asked.made_at)?;
    for feed in &asked.feeds {
        feeds::put(tx, *feed, Some(to), at)?;
    }
    tx.changed(Change::Vessel(from));
    Ok(Done::Batch(batch))
}

/// The maker's own words after ours.
pub(super) fn beside(ours: &str, note: &str) -> String {
    match note.trim() {
        "" => ours.to_owned(),
        note => format!("{ours}; {note}"),
    }
}

/// Refuses a vessel in which a mead was at this time, or was put later.
pub(super) fn free(tx: &Tx<'_>, vessel: VesselId, at: Moment) -> Result<(), StoreError> {
    free_for(tx, vessel, at, None)
}

/// As [`free`], for the stay of a mead that is on record: up to its end, and not in its own way.
pub(super) fn free_for(
    tx: &Tx<'_>,
    vessel: VesselId,
    at: Moment,
    own: Option<(BatchId, Option<Moment>)>,
) -> Result<(), StoreError> {
    let (own, until) = own.unzip();
    let held: Option<(i64, String)> = tx
        .conn
        .prepare_cached(
            "SELECT b.id, b.name FROM stay s JOIN batch b ON b.id = s.batch \
             WHERE s.vessel = ?1 AND (s.until IS NULL OR s.until > ?2) \
             AND s.batch IS NOT ?3 AND (?4 IS NULL OR s.since < ?4) LIMIT 1",
        )?
        .query_row(
            params![
                vessel.0,
                at.0,
                own.map(|b| b.0),
                until.flatten().map(|u| u.0)
            ],
            |r| Ok((r.get(0)?, r.get(1)?)),
        )
        .optional()?;
    let Some((batch, mead)) = held else {
        return Ok(());
    };
    let there = name_of(tx.conn, vessel)?;
    let (now_in, _, ended) = vessels::batch(tx, BatchId(batch))?;
    if now_in == vessel && ended.is_none() {
        return refuse(format!("\"{mead}\" is in {there}; it has to be empty"));
    }
    refuse(format!(
        "at {} {there} was not empty: \"{mead}\" was in it",
        at.to_rfc3339()
    ))
}

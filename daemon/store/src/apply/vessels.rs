//! Vessels, and the meads in them.

use ebbmark_core::ids::{BatchId, VesselId};
use ebbmark_core::time::Moment;
use ebbmark_core::units::{AbvPercent, Celsius, Gravity, Kilograms, Litres};
use rusqlite::{OptionalExtension, params};

use super::{Tx, moves, named, refuse};
use crate::error::StoreError;
use crate::meads;
use crate::model::{BatchFacts, Change, Done, Origin, VesselFacts};

pub fn add(tx: &mut Tx<'_>, facts: &VesselFacts) -> Result<Done, StoreError> {
    let name = checked(tx, facts, None)?;
    tx.conn
        .prepare_cached(
            "INSERT INTO vessel (name, capacity, temperature_low, temperature_high, tare, place) \
             VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
        )?
        .execute(params![
            name,
            facts.capacity.map(Litres::get),
            facts.temperature_low.map(Celsius::get),
            facts.temperature_high.map(Celsius::get),
            facts.tare.map(Kilograms::get),
            facts.place.trim(),
        ])?;
    let id = VesselId(tx.conn.last_insert_rowid());
    tx.changed(Change::Vessel(id));
    Ok(Done::Vessel(id))
}

pub fn edit(tx: &mut Tx<'_>, id: VesselId, facts: &VesselFacts) -> Result<Done, StoreError> {
    tx.vessel_in_use(id)?;
    let name = checked(tx, facts, Some(id))?;
    tx.conn
        .prepare_cached(
            "UPDATE vessel SET name = ?2, capacity = ?3, temperature_low = ?4, \
             temperature_high = ?5, tare = ?6, place = ?7 WHERE id = ?1",
        )?
        .execute(params![
            id.0,
            name,
            facts.capacity.map(Litres::get),
            facts.temperature_low.map(Celsius::get),
            facts.temperature_high.map(Celsius::get),
            facts.tare.map(Kilograms::get),
            facts.place.trim(),
        ])?;
    tx.changed(Change::Vessel(id));
    Ok(Done::Vessel(id))
}

/// The name as it is kept, if the facts can be taken.
fn checked(tx: &Tx<'_>, facts: &VesselFacts, own: Option<VesselId>) -> Result<String, StoreError> {
    let name = named("vessel", &facts.name)?;
    if let (Some(low), Some(high)) = (facts.temperature_low, facts.temperature_high)
        && low.get() >= high.get()
    {
        return refuse(format!(
            "the lowest temperature, {} °C, must be below the highest, {} °C",
            low.get(),
            high.get()
        ));
    }
    let holder: Option<i64> = tx
        .conn
        .prepare_cached("SELECT id FROM vessel WHERE name = ?1 AND retired = 0")?
        .query_row([&name], |r| r.get(0))
        .optional()?;
    if holder.is_some() && holder != own.map(|v| v.0) {
        return refuse(format!("there is already a vessel called \"{name}\""));
    }
    Ok(name)
}

pub fn retire(tx: &mut Tx<'_>, id: VesselId) -> Result<Done, StoreError> {
    tx.vessel_in_use(id)?;
    // Otherwise a mead would go on fermenting, and giving notices, in a vessel nobody sees.
    if let Some(batch) = running(tx, id)? {
        return refuse(format!("\"{batch}\" is still in this vessel; end it first"));
    }
    tx.conn
        .prepare_cached("UPDATE vessel SET retired = 1 WHERE id = ?1")?
        .execute([id.0])?;
    tx.changed(Change::Vessel(id));
    Ok(Done::Vessel(id))
}

fn running(tx: &Tx<'_>, vessel: VesselId) -> Result<Option<String>, StoreError> {
    Ok(tx
        .conn
        .prepare_cached("SELECT name FROM batch WHERE vessel = ?1 AND ended IS NULL")?
        .query_row([vessel.0], |r| r.get(0))
        .optional()?)
}

pub fn start_batch(
    tx: &mut Tx<'_>,
    vessel: VesselId,
    facts: &BatchFacts,
) -> Result<Done, StoreError> {
    tx.vessel_in_use(vessel)?;
    let name = named("batch", &facts.name)?;
    if let Some(batch) = running(tx, vessel)? {
        return refuse(format!(
            "\"{batch}\" is still in this vessel; end it before another is started"
        ));
    }
    if facts.origin.is_some() {
        return refuse("a part of another mead is poured, not started");
    }
    moves::free(tx, vessel, facts.started)?;
    insert(tx, vessel, &name, facts)
        .map(Done::Batch)
        .map_err(Into::into)
}

/// A mead that is in the vessel from its start on.
pub(super) fn insert(
    tx: &mut Tx<'_>,
    vessel: VesselId,
    name: &str,
    facts: &BatchFacts,
) -> rusqlite::Result<BatchId> {
    tx.conn
        .prepare_cached(
            "INSERT INTO batch (vessel, name, started, original_gravity, expected_final, \
             tolerance, volume, yeast, honey, note, parent, split_at) \
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12)",
        )?
        .execute(params![
            vessel.0,
            name,
            facts.started.0,
            facts.original_gravity.map(Gravity::get),
            facts.expected_final.map(Gravity::get),
            facts.tolerance.map(AbvPercent::get),
            facts.volume.map(Litres::get),
            facts.yeast,
            facts.honey,
            facts.note,
            facts.origin.map(|o| o.parent.0),
            facts.origin.map(|o| o.at.0),
        ])?;
    let id = BatchId(tx.conn.last_insert_rowid());
    tx.conn
        .prepare_cached("INSERT INTO stay (batch, vessel, since) VALUES (?1, ?2, ?3)")?
        .execute([id.0, vessel.0, facts.started.0])?;
    tx.changed(Change::Vessel(vessel));
    Ok(id)
}

pub(super) fn share(
    tx: &Tx<'_>,
    child: BatchId,
    parent: BatchId,
    at: Moment,
    volume: Option<Litres>,
) -> rusqlite::Result<()> {
    tx.conn
        .prepare_cached("INSERT INTO share (child, parent, at, volume) VALUES (?1, ?2, ?3, ?4)")?
        .execute(params![child.0, parent.0, at.0, volume.map(Litres::get)])?;
    Ok(())
}

/// Whether this mead can be split off from that one. One that is known to be may have come into
/// its vessel since.
fn checked_origin(
    tx: &Tx<'_>,
    own: BatchId,
    vessel: VesselId,
    started: Moment,
    origin: Origin,
) -> Result<(), StoreError> {
    let (from, pitched, ended) = batch(tx, origin.parent)?;
    if from == vessel && parent(tx, own)? != Some(origin.parent) {
        return refuse("a mead is split off into another vessel, not into its own");
    }
    if origin.at != started {
        return refuse("a mead that is split off begins when it is split off");
    }
    if origin.at < pitched || ended.is_some_and(|e| e < origin.at) {
        return refuse(format!(
            "at {} there was nothing to split off: the other mead was not in its vessel",
            origin.at.to_rfc3339()
        ));
    }
    if meads::line(tx.conn, origin.parent)?.contains(&own) {
        return refuse("a mead cannot be split off from one that was split off from it");
    }
    Ok(())
}

/// Vessel, start and end of a batch.
pub(super) fn batch(
    tx: &Tx<'_>,
    id: BatchId,
) -> Result<(VesselId, Moment, Option<Moment>), StoreError> {
    let found = tx
        .conn
        .prepare_cached("SELECT vessel, started, ended FROM batch WHERE id = ?1")?
        .query_row([id.0], |r| {
            Ok((
                VesselId(r.get(0)?),
                Moment(r.get(1)?),
                r.get::<_, Option<i64>>(2)?.map(Moment),
            ))
        })
        .optional()?;
    found.map_or_else(|| refuse(format!("there is no batch {id}")), Ok)
}

pub fn edit_batch(tx: &mut Tx<'_>, id: BatchId, facts: &BatchFacts) -> Result<Done, StoreError> {
    let (vessel, started, ended) = batch(tx, id)?;
    let name = named("batch", &facts.name)?;
    if let Some(ended) = ended
        && ended < facts.started
    {
        return refuse(ends_before(facts.started, ended));
    }
    if let Some(origin) = facts.origin {
        checked_origin(tx, id, vessel, facts.started, origin)?;
    }
    if facts.started != started {
        begin_at(tx, id, started, facts.started)?;
    }
    keep_origin(tx, id, facts)?;
    tx.conn
        .prepare_cached(
            "UPDATE batch SET name = ?2, started = ?3, original_gravity = ?4, \
             expected_final = ?5, tolerance = ?6, volume = ?7, yeast = ?8, honey = ?9, \
             note = ?10, parent = ?11, split_at = ?12 WHERE id = ?1",
        )?
        .execute(params![
            id.0,
            name,
            facts.started.0,
            facts.original_gravity.map(Gravity::get),
            facts.expected_final.map(Gravity::get),
            facts.tolerance.map(AbvPercent::get),
            facts.volume.map(Litres::get),
            facts.yeast,
            facts.honey,
            facts.note,
            facts.origin.map(|o| o.parent.0),
            facts.origin.map(|o| o.at.0),
        ])?;
    tx.changed(Change::Vessel(vessel));
    Ok(Done::Batch(id))
}

/// Its first stay, and what was poured into it then, begin at another time.
fn begin_at(tx: &Tx<'_>, id: BatchId, from: Moment, to: Moment) -> Result<(), StoreError> {
    let stays = meads::own_stays(tx.conn, id)?;
    let first = stays.first();
    if let Some((_, _, Some(until))) = first
        && *until <= to
    {
        return refuse(format!(
            "it left its first vessel at {}; it has to begin before",
            until.to_rfc3339()
        ));
    }
    let parts: i64 = tx
        .conn
        .prepare_cached("SELECT count(*) FROM share WHERE child = ?1 AND at = ?2")?
        .query_row([id.0, from.0], |r| r.get(0))?;
    if parts > 1 {
        return refuse("a mead poured together from several begins when that was done");
    }
    if let Some((vessel, _, until)) = first {
        moves::free_for(tx, *vessel, to, Some((id, *until)))?;
    }
    tx.conn
        .prepare_cached("UPDATE stay SET since = ?3 WHERE batch = ?1 AND since = ?2")?
        .execute([id.0, from.0, to.0])?;
    tx.conn
        .prepare_cached("UPDATE share SET at = ?3 WHERE child = ?1 AND at = ?2")?
        .execute([id.0, from.0, to.0])?;
    Ok(())
}

fn parent(tx: &Tx<'_>, id: BatchId) -> rusqlite::Result<Option<BatchId>> {
    let parent: Option<i64> = tx
        .conn
        .prepare_cached("SELECT parent FROM batch WHERE id = ?1")?
        .query_row([id.0], |r| r.get(0))
        .optional()?
        .flatten();
    Ok(parent.map(BatchId))
}

/// The share that stands for the origin follows it when that is changed.
fn keep_origin(tx: &Tx<'_>, id: BatchId, facts: &BatchFacts) -> rusqlite::Result<()> {
    let was = parent(tx, id)?;
    let is = facts.origin.map(|o| o.parent);
    if was == is {
        return Ok(());
    }
    tx.conn
        .prepare_cached("DELETE FROM share WHERE child = ?1 AND parent = ?2 AND at = ?3")?
        .execute(params![id.0, was.map(|w| w.0), facts.started.0])?;
    if let Some(parent) = is {
        share(tx, id, parent, facts.started, facts.volume)?;
    }
    Ok(())
}

pub fn end_batch(tx: &mut Tx<'_>, id: BatchId, at: Moment) -> Result<Done, StoreError> {
    let (vessel, started, ended) = batch(tx, id)?;
    if let Some(ended) = ended {
        return refuse(format!(
            "this batch has already ended, at {}",
            ended.to_rfc3339()
        ));
    }
    if at < started {
        return refuse(ends_before(started, at));
    }
    let put_in = meads::own_stays(tx.conn, id)?
        .last()
        .map(|(_, since, _)| *since);
    if let Some(since) = put_in.filter(|since| at < *since) {
        return refuse(format!(
            "it was put into this vessel at {}; it cannot have ended before",
            since.to_rfc3339()
        ));
    }
    end(tx, id, at)?;
    tx.changed(Change::Vessel(vessel));
    Ok(Done::Batch(id))
}

pub(super) fn end(tx: &Tx<'_>, id: BatchId, at: Moment) -> rusqlite::Result<()> {
    tx.conn
        .prepare_cached("UPDATE batch SET ended = ?2 WHERE id = ?1")?
        .execute(params![id.0, at.0])?;
    tx.conn
        .prepare_cached("UPDATE stay SET until = ?2 WHERE batch = ?1 AND until IS NULL")?
        .execute(params![id.0, at.0])?;
    Ok(())
}

fn ends_before(started: Moment, ended: Moment) -> String {
    format!(
        "a batch cannot end ({}) before it starts ({})",
        ended.to_rfc3339(),
        started.to_rfc3339()
    )
}

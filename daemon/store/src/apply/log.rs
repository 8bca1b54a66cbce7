//! The log: lines are added, never changed.

use ebbmark_core::deed::Deed;
use ebbmark_core::ids::{EntryId, VesselId};
use ebbmark_core::time::Moment;
use ebbmark_core::units::{Celsius, Gravity, Litres, MassPercent, Ph};
use rusqlite::{OptionalExtension, params};

use super::{Tx, refuse};
use crate::error::StoreError;
use crate::model::{Change, Done, HandFacts};
use crate::rows;

pub fn add(
    tx: &mut Tx<'_>,
    vessel: VesselId,
    deed: &Deed,
    hand: Option<HandFacts>,
    once: Option<&str>,
    made_at: Moment,
) -> Result<Done, StoreError> {
    if let Some(once) = once {
        let known: Option<i64> = tx
            .conn
            .prepare_cached("SELECT id FROM entry WHERE once = ?1")?
            .query_row([once], |r| r.get(0))
            .optional()?;
        if let Some(id) = known {
            return Ok(Done::Entry(EntryId(id)));
        }
    }
    tx.vessel_in_use(vessel)?;
    weighed(deed)?;
    let id = write(tx, vessel, deed, hand, once, made_at)?;
    Ok(Done::Entry(id))
}

pub fn correct(
    tx: &mut Tx<'_>,
    entry: EntryId,
    deed: &Deed,
    hand: Option<HandFacts>,
    made_at: Moment,
) -> Result<Done, StoreError> {
    let found: Option<(i64, Option<i64>)> = tx
        .conn
        .prepare_cached("SELECT vessel, replaced_by FROM entry WHERE id = ?1")?
        .query_row([entry.0], |r| Ok((r.get(0)?, r.get(1)?)))
        .optional()?;
    let vessel = match found {
        None => return refuse(format!("there is no line {entry} in the log")),
        Some((_, Some(later))) => {
            return refuse(format!(
                "line {entry} has already been corrected, by line {later}; correct that one"
            ));
        }
        Some((vessel, None)) => VesselId(vessel),
    };
    weighed(deed)?;
    let id = write(tx, vessel, deed, hand, None, made_at)?;
    tx.conn
        .prepare_cached("UPDATE entry SET replaced_by = ?2 WHERE id = ?1")?
        .execute([entry.0, id.0])?;
    Ok(Done::Entry(id))
}

/// Vessel and time of the line that was written with this token.
pub(super) fn written(tx: &Tx<'_>, once: &str) -> rusqlite::Result<Option<(VesselId, Moment)>> {
    tx.conn
        .prepare_cached("SELECT vessel, at FROM entry WHERE once = ?1")?
        .query_row([once], |r| Ok((VesselId(r.get(0)?), Moment(r.get(1)?))))
        .optional()
}

/// JSON has no word for what is no number: written down it could never be read again.
fn weighed(deed: &Deed) -> Result<(), StoreError> {
    let extracts = deed.doses.iter().filter_map(|d| d.extract);
    let mut numbers = deed
        .doses
        .iter()
        .map(|d| d.mass.get())
        .chain(extracts.map(MassPercent::get));
    if numbers.all(f64::is_finite) {
        return Ok(());
    }
    refuse("a dose has a mass or an extract that is no number".to_owned())
}

pub(super) fn write(
    tx: &mut Tx<'_>,
    vessel: VesselId,
    deed: &Deed,
    hand: Option<HandFacts>,
    once: Option<&str>,
    made_at: Moment,
) -> rusqlite::Result<EntryId> {
    tx.conn
        .prepare_cached(
            "INSERT INTO entry (vessel, at, what, gravity, temperature, note, hand_read, \
             hand_sample, hand_reference, once, made_at, ph, volume, doses, despite) \
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15)",
        )?
        .execute(params![
            vessel.0,
            deed.at.0,
            deed.what.key(),
            deed.gravity.map(Gravity::get),
            deed.temperature.map(Celsius::get),
            deed.note,
            hand.map(|h| h.read.get()),
            hand.map(|h| h.sample.get()),
            hand.map(|h| h.reference.get()),
            once,
            made_at.0,
            deed.ph.map(Ph::get),
            deed.volume.map(Litres::get),
            rows::doses_json(&deed.doses)?,
            deed.despite,
        ])?;
    let id = EntryId(tx.conn.last_insert_rowid());
    tx.changed(Change::Vessel(vessel));
    Ok(id)
}

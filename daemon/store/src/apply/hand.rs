//! Hand readings that come as messages: kept like any payload, and written into the vessel's log.

use ebbmark_core::decode::hand::{self, HandReading};
use ebbmark_core::deed::{Deed, What};
use ebbmark_core::density::correct_hand_reading;
use ebbmark_core::ids::{RawId, VesselId};
use ebbmark_core::reading::{Problem, ProblemKind, TimeFrom};
use ebbmark_core::time::Moment;
use ebbmark_core::units::Gravity;
use rusqlite::{Connection, params};

use super::arrival::fnv1a;
use super::{Tx, door, log};
use crate::error::StoreError;
use crate::meads;
use crate::model::HandFacts;

/// A stored message that is a hand reading.
pub struct Message<'a> {
    pub source: &'a str,
    pub topic: &'a str,
    pub payload: &'a [u8],
    pub retained: bool,
    pub raw: RawId,
    pub vessel: VesselId,
}

#[derive(Clone, Copy, PartialEq, Eq)]
pub enum Outcome {
    Logged,
    Refused,
    /// It is read once the time of its arrival is known.
    Waits,
}

/// The vessel in use whose hand readings come on this topic, by its name, whatever the case.
pub fn vessel_of(conn: &Connection, topic: &str) -> rusqlite::Result<Option<VesselId>> {
    let Some(name) = hand::vessel_of(topic) else {
        return Ok(None);
    };
    let wanted = name.to_lowercase();
    let mut query = conn.prepare_cached("SELECT id, name FROM vessel WHERE retired = 0")?;
    let mut rows = query.query([])?;
    while let Some(row) = rows.next()? {
        if row.get::<_, String>(1)?.to_lowercase() == wanted {
            return Ok(Some(VesselId(row.get(0)?)));
        }
    }
    Ok(None)
}

pub fn take(
    tx: &mut Tx<'_>,
    message: &Message<'_>,
    wall: Option<Moment>,
) -> Result<Outcome, StoreError> {
    let reading = match hand::read(message.payload, wall, message.retained) {
        Err(problem) => return refused(tx, message, wall, &problem),
        Ok(None) => {
            wait(tx, message.raw, true)?;
            return Ok(Outcome::Waits);
        }
        Ok(Some(reading)) => reading,
    };
    let original = meads::original_gravity(tx.conn, message.vessel, reading.at)?;
    match deed(&reading, original) {
        Err(problem) => refused(tx, message, wall, &problem),
        Ok((deed, facts)) => {
            let made_at = tx.wall_or_latest(wall);
            // One that says when it was taken is one line however often it comes: a broker that
            // keeps it hands it over each time we connect.
            let once = (reading.time_from == TimeFrom::Payload).then(|| {
                let payload = fnv1a(message.payload);
                format!("hand:{}:{}:{payload:016x}", message.vessel, reading.at.0)
            });
            log::add(
                tx,
                message.vessel,
                &deed,
                Some(facts),
                once.as_deref(),
                made_at,
            )?;
            Ok(Outcome::Logged)
        }
    }
}

/// Reads what waited on topics of this kind, now that this run's messages are dated.
pub fn dated(tx: &mut Tx<'_>, waiting: &[RawId]) -> Result<(), StoreError> {
    for raw in waiting {
        let (source, topic, wall, payload, retained): (String, String, i64, Vec<u8>, bool) = tx
            .conn
            .prepare_cached(
                "SELECT t.source, t.topic, r.wall, r.payload, r.retained FROM raw r \
                 JOIN topic t ON t.id = r.topic WHERE r.id = ?1",
            )?
            .query_row([raw.0], |r| {
                Ok((r.get(0)?, r.get(1)?, r.get(2)?, r.get(3)?, r.get(4)?))
            })?;
        wait(tx, *raw, false)?;
        // The vessel may have been renamed or retired meanwhile: then it is kept, unclaimed.
        let Some(vessel) = vessel_of(tx.conn, &topic)? else {
            continue;
        };
        let message = Message {
            source: &source,
            topic: &topic,
            payload: &payload,
            retained,
            raw: *raw,
            vessel,
        };
        take(tx, &message, Some(Moment(wall)))?;
    }
    Ok(())
}

fn wait(tx: &Tx<'_>, raw: RawId, waits: bool) -> rusqlite::Result<()> {
    tx.conn
        .prepare_cached("UPDATE raw SET waits = ?2 WHERE id = ?1")?
        .execute(params![raw.0, waits])?;
    Ok(())
}

fn deed(hand: &HandReading, original: Option<Gravity>) -> Result<(Deed, HandFacts), Problem> {
    let corrected = correct_hand_reading(hand.read, hand.sample, hand.reference, original)
        .map_err(|e| Problem::new(ProblemKind::OutOfRange, e.to_string()))?;
    let facts = HandFacts {
        read: hand.read,
        sample: hand.sample,
        reference: hand.reference,
    };
    let deed = Deed {
        gravity: Some(corrected),
        temperature: Some(hand.sample),
        ph: hand.ph,
        ..Deed::new(hand.at, What::HandReading)
    };
    Ok((deed, facts))
}

fn refused(
    tx: &mut Tx<'_>,
    message: &Message<'_>,
    wall: Option<Moment>,
    problem: &Problem,
) -> Result<Outcome, StoreError> {
    door::count(
        tx,
        message.source,
        message.topic,
        // Read into the log, not into a feed: no re-reading counts it again.
        door::Where::Door,
        problem.kind,
        &problem.detail,
        wall,
    )?;
    Ok(Outcome::Refused)
}

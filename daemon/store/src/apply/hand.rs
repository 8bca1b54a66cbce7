//! Hand readings that come as messages: straight into the vessel's log.

use ebbmark_core::decode::hand::{self, HandReading};
use ebbmark_core::deed::{Deed, What};
use ebbmark_core::density::correct_hand_reading;
use ebbmark_core::ids::VesselId;
use ebbmark_core::reading::{Problem, ProblemKind};
use ebbmark_core::time::Moment;
use ebbmark_core::units::Gravity;
use rusqlite::{OptionalExtension, params};

use super::{Tx, arrival, door, log};
use crate::error::StoreError;
use crate::model::{Arrival, HandFacts, Receipt};

/// How far back in the log a repeated delivery is looked for; see `arrival` for why not further.
const REPEAT_WINDOW: u32 = 64;

/// Takes a hand reading if the topic is one and its vessel exists; `None` for any other message.
pub fn arrive(
    tx: &mut Tx<'_>,
    message: &Arrival,
    wall: Option<Moment>,
    delivery: Option<i64>,
) -> Result<Option<Receipt>, StoreError> {
    let Some(name) = hand::vessel_of(&message.topic) else {
        return Ok(None);
    };
    let Some((vessel, original)) = vessel(tx, name)? else {
        return Ok(None);
    };
    let repeat = message.delivery.as_ref().is_some_and(|d| d.repeat);
    let mark = delivery.map(|d| mark(d, &message.payload));
    if let Some(mark) = mark.as_deref().filter(|_| repeat)
        && is_known(tx, mark)?
    {
        let again = "the same delivery came again and was not taken twice";
        return refuse(
            tx,
            message,
            wall,
            &Problem::new(ProblemKind::Duplicate, again),
        )
        .map(Some);
    }
    match hand::read(&message.payload, wall) {
        Err(problem) => refuse(tx, message, wall, &problem).map(Some),
        Ok(reading) => match deed(&reading, original) {
            Err(problem) => refuse(tx, message, wall, &problem).map(Some),
            Ok((deed, facts)) => {
                let made_at = tx.wall_or_latest(wall);
                // The reading's own place in the log keeps two equal deliveries apart.
                let once = mark.map(|m| format!("{m}{}", made_at.0));
                log::add(tx, vessel, &deed, Some(facts), once.as_deref(), made_at)?;
                Ok(Some(Receipt {
                    raw: None,
                    feed: None,
                    vessel: Some(vessel),
                    readings: 1,
                    problems: 0,
                    waits_for_time: false,
                }))
            }
        },
    }
}

/// By name, whatever the case; with the original gravity of the mead in it.
fn vessel(tx: &Tx<'_>, name: &str) -> rusqlite::Result<Option<(VesselId, Option<Gravity>)>> {
    let wanted = name.to_lowercase();
    let mut query = tx.conn.prepare_cached(
        "SELECT v.id, v.name, b.original_gravity FROM vessel v \
         LEFT JOIN batch b ON b.vessel = v.id AND b.ended IS NULL WHERE v.retired = 0",
    )?;
    let mut rows = query.query([])?;
    while let Some(row) = rows.next()? {
        if row.get::<_, String>(1)?.to_lowercase() == wanted {
            let original: Option<f64> = row.get(2)?;
            return Ok(Some((
                VesselId(row.get(0)?),
                original.map(Gravity::computed),
            )));
        }
    }
    Ok(None)
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
        at: hand.at,
        what: What::HandReading,
        gravity: Some(corrected),
        temperature: Some(hand.sample),
        note: String::new(),
    };
    Ok((deed, facts))
}

/// What a line made by this delivery begins its token with.
fn mark(delivery: i64, payload: &[u8]) -> String {
    format!("delivery:{delivery}:{:016x}:", arrival::fnv1a(payload))
}

fn is_known(tx: &Tx<'_>, mark: &str) -> rusqlite::Result<bool> {
    tx.conn
        .prepare_cached(
            "SELECT 1 FROM (SELECT once FROM entry ORDER BY id DESC LIMIT ?1) \
             WHERE substr(once, 1, length(?2)) = ?2 LIMIT 1",
        )?
        .query_row(params![REPEAT_WINDOW, mark], |_| Ok(()))
        .optional()
        .map(|found| found.is_some())
}

fn refuse(
    tx: &mut Tx<'_>,
    message: &Arrival,
    wall: Option<Moment>,
    problem: &Problem,
) -> Result<Receipt, StoreError> {
    let (source, topic) = (&message.source, &message.topic);
    door::count(
        tx,
        source,
        topic,
        door::Where::Door,
        problem.kind,
        &problem.detail,
        wall,
    )?;
    Ok(Receipt {
        raw: None,
        feed: None,
        vessel: None,
        readings: 0,
        problems: 1,
        waits_for_time: false,
    })
}

//! Hand readings and other lines that come as messages: kept like any payload, and written into
//! the vessel's log.

use ebbmark_core::decode::line::Line;
use ebbmark_core::decode::{hand, line};
use ebbmark_core::deed::Deed;
use ebbmark_core::ids::{RawId, VesselId};
use ebbmark_core::reading::{Problem, ProblemKind, TimeFrom};
use ebbmark_core::time::Moment;
use rusqlite::{Connection, params};

use super::arrival::fnv1a;
use super::{Tx, door, log};
use crate::error::StoreError;
use crate::meads;

/// A stored message that is a line of the log.
pub struct Message<'a> {
    pub source: &'a str,
    pub topic: &'a str,
    pub payload: &'a [u8],
    pub retained: bool,
    pub raw: RawId,
    pub to: Address,
}

/// Whose log a message is for, and in which of the two forms it comes.
#[derive(Clone, Copy, PartialEq, Eq)]
pub struct Address {
    pub vessel: VesselId,
    form: Form,
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Form {
    Hand,
    Line,
}

#[derive(Clone, Copy, PartialEq, Eq)]
pub enum Outcome {
    Logged,
    Refused,
    /// It is read once the time of its arrival is known.
    Waits,
}

/// The vessel in use whose log this topic leads to, by its name, whatever the case.
pub fn address_of(conn: &Connection, topic: &str) -> rusqlite::Result<Option<Address>> {
    let (name, form) = match (hand::vessel_of(topic), line::vessel_of(topic)) {
        (Some(name), _) => (name, Form::Hand),
        (None, Some(name)) => (name, Form::Line),
        (None, None) => return Ok(None),
    };
    let wanted = name.to_lowercase();
    let mut query = conn.prepare_cached("SELECT id, name FROM vessel WHERE retired = 0")?;
    let mut rows = query.query([])?;
    while let Some(row) = rows.next()? {
        if row.get::<_, String>(1)?.to_lowercase() == wanted {
            let vessel = VesselId(row.get(0)?);
            return Ok(Some(Address { vessel, form }));
        }
    }
    Ok(None)
}

pub fn take(
    tx: &mut Tx<'_>,
    message: &Message<'_>,
    wall: Option<Moment>,
) -> Result<Outcome, StoreError> {
    let read = match message.to.form {
        Form::Hand => {
            hand::read(message.payload, wall, message.retained).map(|r| r.map(Line::Hand))
        }
        Form::Line => line::read(message.payload, wall, message.retained),
    };
    let read = match read {
        Err(problem) => return refused(tx, message, wall, &problem),
        Ok(None) => {
            wait(tx, message.raw, true)?;
            return Ok(Outcome::Waits);
        }
        Ok(Some(read)) => read,
    };
    let vessel = message.to.vessel;
    let (kind, deed, facts, time_from) = match read {
        Line::Deed(deed, time_from) => ("line", *deed, None, time_from),
        Line::Hand(hand) => {
            let original = meads::original_gravity(tx.conn, vessel, hand.at)?;
            match hand.deed(original) {
                Ok(deed) => ("hand", deed, Some(hand.facts()), hand.time_from),
                Err(e) => {
                    let problem = Problem::new(ProblemKind::OutOfRange, e.to_string());
                    return refused(tx, message, wall, &problem);
                }
            }
        }
    };
    let made_at = tx.wall_or_latest(wall);
    let once = (time_from == TimeFrom::Payload).then(|| once(kind, message, &deed));
    log::add(tx, vessel, &deed, facts, once.as_deref(), made_at)?;
    Ok(Outcome::Logged)
}

/// One that says when it was is one line however often it comes: a broker that keeps it hands it
/// over each time we connect.
fn once(kind: &str, message: &Message<'_>, deed: &Deed) -> String {
    let payload = fnv1a(message.payload);
    let Address { vessel, .. } = message.to;
    format!("{kind}:{vessel}:{}:{payload:016x}", deed.at.0)
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
        let Some(to) = address_of(tx.conn, &topic)? else {
            continue;
        };
        let message = Message {
            source: &source,
            topic: &topic,
            payload: &payload,
            retained,
            raw: *raw,
            to,
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

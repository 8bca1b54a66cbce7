//! A message on its way in: kept as it came, then read.

use ebbmark_core::decode::decode_copy;
use ebbmark_core::ids::RawId;
use ebbmark_core::reading::ProblemKind;
use ebbmark_core::time::Moment;
use rusqlite::{OptionalExtension, params};

use super::lines::{self, Address, Outcome};
use super::payload::{self, Intake};
use super::shelf::Destination;
use super::{Tx, door};
use crate::error::StoreError;
use crate::model::{Arrival, Change, Delivery, Receipt};
use crate::payloads;

/// Topics nobody has claimed that are remembered.
pub const UNCLAIMED_TOPICS: usize = 200;
/// Payloads kept of each.
pub const UNCLAIMED_PAYLOADS: u32 = 20;
/// Largest payload kept of one.
pub const UNCLAIMED_BYTES: usize = 64 * 1024;
/// Name of the count of unclaimed topics that had to make room.
pub const DROPPED: &str = "unclaimed-dropped";

/// How far back a repeat is looked for: the latest payloads of the same topic, bundled ones among them.
///
/// A peer repeats, after it has connected again, what it holds unacknowledged. Floats hold one
/// message or a few, but mosquitto working off a backlog was seen to send twenty more for each
/// acknowledgement, so hundreds can be under way when we are cut off. A repeat goes to the topic
/// it first went to, so looking there misses none of the peer's; only repeats pay for the search.
const REPEAT_WINDOW: u32 = 1024;

pub fn arrive(tx: &mut Tx<'_>, arrival: &Arrival) -> Result<Receipt, StoreError> {
    let wall = arrival
        .stamp
        .wall
        .or_else(|| tx.wall_of(arrival.stamp.monotonic_ms));
    let delivery = arrival.delivery.as_ref().map(delivery_key);
    let known = tx
        .table()
        .find(&arrival.source, &arrival.topic)
        .map(|t| (t.id, t.feed.as_ref().map(|f| f.retired)));
    let claimed = known.is_some_and(|(_, feed)| feed.is_some());
    // A topic the maker has made a feed is read as one, whatever its name.
    let to_log = match known {
        Some((_, Some(false))) => None,
        _ => lines::address_of(tx.conn, &arrival.topic)?,
    };

    // Only a packet that says it is a repeat is checked. A float may well send the same bytes
    // twice and mean two measurements, and packet ids come round again; the DUP flag is what
    // tells a repeat from those, and a sender that gets no acknowledgement must set it
    // (MQTT 3.1.1, section 3.3.1.1).
    if let (Some((topic, _)), Some(delivery)) = (known, delivery)
        && arrival.delivery.as_ref().is_some_and(|d| d.repeat)
        && is_known(tx, topic, delivery, &arrival.payload)?
    {
        door::count(
            tx,
            &arrival.source,
            &arrival.topic,
            door::Where::Door,
            ProblemKind::Duplicate,
            "the same delivery came again and was not taken twice",
            wall,
        )?;
        return Ok(not_kept(tx, arrival));
    }
    if !claimed && arrival.payload.len() > UNCLAIMED_BYTES {
        let detail = format!(
            "{} bytes are more than the {UNCLAIMED_BYTES} kept of a topic nobody has claimed",
            arrival.payload.len()
        );
        door::count(
            tx,
            &arrival.source,
            &arrival.topic,
            door::Where::Door,
            ProblemKind::Unreadable,
            &detail,
            wall,
        )?;
        return Ok(not_kept(tx, arrival));
    }

    let topic = match known {
        Some((id, _)) => id,
        None => make_topic(tx, &arrival.source, &arrival.topic)?,
    };
    let raw = RawId(tx.table().next_raw());
    tx.conn
        .prepare_cached(
            "INSERT INTO raw (id, topic, wall, run, monotonic, delivery, payload, retained) \
             VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)",
        )?
        .execute(params![
            raw.0,
            topic,
            wall.map(|w| w.0),
            tx.run(),
            arrival.stamp.monotonic_ms,
            delivery,
            arrival.payload,
            arrival.retained
        ])?;
    tx.conn
        .prepare_cached("INSERT INTO temp.fresh_raw (topic, id) VALUES (?1, ?2)")?
        .execute([topic, raw.0])?;

    let receipt = match to_log {
        Some(to) => into_log(tx, arrival, raw, to, wall)?,
        None if claimed => read(tx, arrival, raw, wall)?,
        None => {
            tx.changed(Change::Feeds);
            kept(raw)
        }
    };
    if !claimed {
        trim(tx, topic)?;
    }
    // In memory last: nothing after this can fail.
    if known.is_none() {
        make_room(tx)?;
        tx.table()
            .add_unclaimed(&arrival.source, &arrival.topic, topic);
    }
    tx.table().came(topic, raw.0, |t| {
        t.waits |= to_log.is_some() && receipt.waits_for_time;
        t.heard += 1;
        t.last_wall = t.last_wall.max(wall.map(|w| w.0));
    });
    Ok(receipt)
}

/// Kept, and nothing more.
fn kept(raw: RawId) -> Receipt {
    Receipt {
        raw: Some(raw),
        feed: None,
        vessel: None,
        readings: 0,
        problems: 0,
        waits_for_time: false,
    }
}

fn into_log(
    tx: &mut Tx<'_>,
    arrival: &Arrival,
    raw: RawId,
    to: Address,
    wall: Option<Moment>,
) -> Result<Receipt, StoreError> {
    let message = lines::Message {
        source: &arrival.source,
        topic: &arrival.topic,
        payload: &arrival.payload,
        retained: arrival.retained,
        raw,
        to,
    };
    let outcome = lines::take(tx, &message, wall)?;
    Ok(Receipt {
        vessel: Some(to.vessel),
        readings: u32::from(outcome == Outcome::Logged),
        problems: u32::from(outcome == Outcome::Refused),
        waits_for_time: outcome == Outcome::Waits,
        ..kept(raw)
    })
}

/// Reads a stored payload by the map of its feed.
fn read(
    tx: &mut Tx<'_>,
    arrival: &Arrival,
    raw: RawId,
    wall: Option<Moment>,
) -> Result<Receipt, StoreError> {
    let nothing = kept(raw);
    let Some((topic, feed)) = tx
        .table()
        .find(&arrival.source, &arrival.topic)
        .and_then(|t| t.feed.as_ref().map(|f| (t.id, f)))
    else {
        return Ok(nothing);
    };
    let (id, vessel) = (feed.id, feed.vessel());
    let nothing = Receipt {
        feed: Some(id),
        vessel,
        ..nothing
    };
    if feed.retired {
        // Kept, not read: claiming the topic again reads everything that came meanwhile.
        return Ok(nothing);
    }
    let map = feed.map.clone();
    let packed_to = feed.packed_to;
    let into = Destination::Fresh { packed_to };
    let mut intake =
        Intake::new(id, &arrival.source, &arrival.topic, into).after(feed.stats, feed.taken);
    let decoded = decode_copy(&map, &arrival.payload, wall, arrival.retained);
    intake.readings(tx, raw, &decoded.readings, wall)?;
    intake.problems(tx, &decoded.problems, wall)?;
    if decoded.needs_time {
        tx.conn
            .prepare_cached("UPDATE raw SET waits = 1 WHERE id = ?1")?
            .execute([raw.0])?;
    }

    let (stats, taken) = (intake.stats, intake.taken);
    let (readings, problems) = (intake.added, intake.problems);
    let touched = intake.close(tx)?;
    let mut told = Vec::new();
    tx.table().change(topic, |t| {
        if let Some(feed) = &mut t.feed {
            if let Some(touched) = touched {
                told = payload::changes(id, &feed.spans, touched);
            }
            feed.stats = stats;
            feed.taken = taken;
            // A copy the broker had kept is no sign of life.
            if !arrival.retained {
                feed.went_away = None;
            }
        }
    });
    for change in told {
        tx.changed(change);
    }
    Ok(Receipt {
        readings,
        problems,
        waits_for_time: decoded.needs_time,
        ..nothing
    })
}

fn not_kept(tx: &mut Tx<'_>, arrival: &Arrival) -> Receipt {
    let feed = tx
        .table()
        .find(&arrival.source, &arrival.topic)
        .and_then(|t| t.feed.as_ref());
    Receipt {
        raw: None,
        feed: feed.map(|f| f.id),
        vessel: feed.and_then(|f| f.vessel()),
        readings: 0,
        problems: 1,
        waits_for_time: false,
    }
}

// ---- repeats ----

/// The peer (48 bits of its FNV-1a hash) and the packet id (the lowest 16 bits).
///
/// Not a hash of the whole message: the topic and the payload are on file and are compared
/// themselves, which is exact, and costs nothing for the messages that are no repeats.
fn delivery_key(delivery: &Delivery) -> i64 {
    let peer = fnv1a(delivery.peer.as_bytes());
    ((peer << 16) | u64::from(delivery.packet_id)).cast_signed()
}

pub(super) fn fnv1a(bytes: &[u8]) -> u64 {
    bytes.iter().fold(0xcbf2_9ce4_8422_2325, |hash, byte| {
        (hash ^ u64::from(*byte)).wrapping_mul(0x0000_0100_0000_01b3)
    })
}

/// Only the latest payload with this packet id can be what is repeated: an id is used again only
/// after its earlier message was acknowledged (MQTT 3.1.1, section 2.3.1), so what lies further
/// back with the same id is done with, however equal it looks. A float that sends a bare number
/// and always the same packet id may well come back to a value it had days ago.
fn is_known(tx: &Tx<'_>, topic: i64, delivery: i64, payload: &[u8]) -> rusqlite::Result<bool> {
    let latest_is_equal: Option<bool> = tx
        .conn
        .prepare_cached(
            "SELECT r.payload = ?4 FROM (SELECT id FROM temp.fresh_raw WHERE topic = ?1 \
             ORDER BY id DESC LIMIT ?2) f JOIN raw r ON r.id = f.id \
             WHERE r.delivery = ?3 ORDER BY f.id DESC LIMIT 1",
        )?
        .query_row(params![topic, REPEAT_WINDOW, delivery, payload], |r| {
            r.get(0)
        })
        .optional()?;
    if let Some(is_equal) = latest_is_equal {
        return Ok(is_equal);
    }
    let fresh: u32 = tx
        .conn
        .prepare_cached(
            "SELECT count(*) FROM (SELECT 1 FROM temp.fresh_raw WHERE topic = ?1 LIMIT ?2)",
        )?
        .query_row(params![topic, REPEAT_WINDOW], |r| r.get(0))?;
    let left = REPEAT_WINDOW.saturating_sub(fresh) as usize;
    let latest_is_equal = payloads::bundled_equal(tx.conn, topic, delivery, payload, left)?;
    Ok(latest_is_equal == Some(true))
}

// ---- topics nobody has claimed ----

fn make_topic(tx: &Tx<'_>, source: &str, topic: &str) -> rusqlite::Result<i64> {
    tx.conn
        .prepare_cached("INSERT INTO topic (source, topic) VALUES (?1, ?2)")?
        .execute([source, topic])?;
    Ok(tx.conn.last_insert_rowid())
}

/// Before one more topic is remembered, the one heard longest ago goes.
fn make_room(tx: &mut Tx<'_>) -> rusqlite::Result<()> {
    if tx.table().unclaimed() < UNCLAIMED_TOPICS {
        return Ok(());
    }
    let Some(quietest) = tx.table().quietest_unclaimed() else {
        return Ok(());
    };
    tx.conn
        .prepare_cached(
            "DELETE FROM raw WHERE id IN (SELECT id FROM temp.fresh_raw WHERE topic = ?1)",
        )?
        .execute([quietest])?;
    tx.conn
        .prepare_cached("DELETE FROM temp.fresh_raw WHERE topic = ?1")?
        .execute([quietest])?;
    tx.conn
        .prepare_cached("DELETE FROM topic WHERE id = ?1")?
        .execute([quietest])?;
    tx.conn
        .prepare_cached(
            "INSERT INTO tally (name, n) VALUES (?1, 1) ON CONFLICT DO UPDATE SET n = n + 1",
        )?
        .execute([DROPPED])?;
    tx.table().remove(quietest);
    Ok(())
}

/// A line of the log that waits for its time is not among those that may go: it is acknowledged and
/// is in no log yet.
fn trim(tx: &Tx<'_>, topic: i64) -> rusqlite::Result<()> {
    let gone: Vec<i64> = tx
        .conn
        .prepare_cached(
            "DELETE FROM raw WHERE waits = 0 AND id IN (SELECT id FROM temp.fresh_raw \
             WHERE topic = ?1 ORDER BY id DESC LIMIT -1 OFFSET ?2) RETURNING id",
        )?
        .query_map(params![topic, UNCLAIMED_PAYLOADS], |r| r.get(0))?
        .collect::<rusqlite::Result<_>>()?;
    for id in gone {
        tx.conn
            .prepare_cached("DELETE FROM temp.fresh_raw WHERE topic = ?1 AND id = ?2")?
            .execute([topic, id])?;
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn fnv1a_examples() {
        // As a second implementation gives them: tests/oracles/hashes.py.
        assert_eq!(fnv1a(b""), 0xcbf2_9ce4_8422_2325);
        assert_eq!(fnv1a(b"a"), 0xaf63_dc4c_8601_ec8c);
        assert_eq!(fnv1a(b"foobar"), 0x8594_4171_f739_67e8);
    }

    #[test]
    fn peer_and_packet_are_both_in_the_key() {
        let key = |peer: &str, packet_id| {
            delivery_key(&Delivery {
                peer: peer.into(),
                packet_id,
                repeat: false,
            })
        };
        assert_ne!(key("a", 1), key("b", 1));
        assert_ne!(key("a", 1), key("a", 2));
        assert_eq!(key("a", 65_535) & 0xffff, 65_535);
    }
}

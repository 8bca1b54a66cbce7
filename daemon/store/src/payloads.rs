//! Payloads as they came: those that are bundled, and those that came since, as one.

use std::collections::BTreeMap;

use rusqlite::{Connection, OptionalExtension, params};

use crate::pack::bundle;

/// A payload to be read again.
pub struct Payload {
    pub id: i64,
    /// `None` while its time is not known.
    pub wall: Option<i64>,
    pub retained: bool,
    pub payload: Vec<u8>,
}

/// All payloads of a topic in the order they came. No more of them are held than lie in bundles that
/// overlap.
pub struct All<'a> {
    conn: &'a Connection,
    /// Numbers of the first payload of each bundle and of the last, in order; what is left of them.
    bundles: std::iter::Peekable<std::vec::IntoIter<(i64, i64)>>,
    fresh: std::iter::Peekable<std::vec::IntoIter<i64>>,
    held: BTreeMap<i64, Payload>,
}

impl<'a> All<'a> {
    pub fn of(conn: &'a Connection, topic: i64) -> rusqlite::Result<All<'a>> {
        let bundles: Vec<(i64, i64)> = conn
            .prepare_cached("SELECT first, id FROM bundle WHERE topic = ?1 ORDER BY first")?
            .query_map([topic], |r| Ok((r.get(0)?, r.get(1)?)))?
            .collect::<rusqlite::Result<_>>()?;
        let fresh: Vec<i64> = conn
            .prepare_cached("SELECT id FROM raw WHERE topic = ?1 ORDER BY id")?
            .query_map([topic], |r| r.get(0))?
            .collect::<rusqlite::Result<_>>()?;
        Ok(All {
            conn,
            bundles: bundles.into_iter().peekable(),
            fresh: fresh.into_iter().peekable(),
            held: BTreeMap::new(),
        })
    }

    pub fn next(&mut self) -> rusqlite::Result<Option<Payload>> {
        loop {
            let fresh = self.fresh.peek().copied();
            let held = self.held.first_key_value().map(|(id, _)| *id);
            let next = match (fresh, held) {
                (Some(a), Some(b)) => Some(a.min(b)),
                (a, b) => a.or(b),
            };
            if let Some((first, id)) = self.bundles.peek().copied()
                && next.is_none_or(|next| first <= next)
            {
                self.bundles.next();
                self.hold(id)?;
                continue;
            }
            if held.is_some() && held == next {
                return Ok(self.held.pop_first().map(|(_, payload)| payload));
            }
            let Some(id) = self.fresh.next() else {
                return Ok(None);
            };
            return one(self.conn, id).map(Some);
        }
    }

    fn hold(&mut self, id: i64) -> rusqlite::Result<()> {
        for kept in unpacked(self.conn, id)? {
            self.held.insert(
                kept.id,
                Payload {
                    id: kept.id,
                    wall: Some(kept.wall),
                    retained: kept.retained,
                    payload: kept.payload,
                },
            );
        }
        Ok(())
    }
}

/// One that is not bundled.
pub fn one(conn: &Connection, id: i64) -> rusqlite::Result<Payload> {
    conn.prepare_cached("SELECT wall, payload, retained FROM raw WHERE id = ?1")?
        .query_row([id], |r| {
            Ok(Payload {
                id,
                wall: r.get(0)?,
                payload: r.get(1)?,
                retained: r.get(2)?,
            })
        })
}

fn unpacked(conn: &Connection, id: i64) -> rusqlite::Result<Vec<bundle::Kept>> {
    let bytes: Vec<u8> = conn
        .prepare_cached("SELECT payloads FROM bundle WHERE id = ?1")?
        .query_row([id], |r| r.get(0))?;
    Ok(bundle::unpack(&bytes)?)
}

/// Of the latest `most` bundled payloads of a topic, the last with this delivery: whether it is equal.
pub fn bundled_equal(
    conn: &Connection,
    topic: i64,
    delivery: i64,
    payload: &[u8],
    mut most: usize,
) -> rusqlite::Result<Option<bool>> {
    let mut below = i64::MAX;
    while most > 0 {
        let id: Option<i64> = conn
            .prepare_cached("SELECT max(id) FROM bundle WHERE topic = ?1 AND id < ?2")?
            .query_row(params![topic, below], |r| r.get(0))
            .optional()?
            .flatten();
        let Some(id) = id else { break };
        below = id;
        let kept = unpacked(conn, id)?;
        let mut latest = kept.iter().rev().take(most);
        if let Some(same) = latest.find(|k| k.delivery == Some(delivery)) {
            return Ok(Some(same.payload == payload));
        }
        most = most.saturating_sub(kept.len());
    }
    Ok(None)
}

//! Notices and their way out. A notice is queued in the same transaction as what caused it, and
//! leaves the queue only when its delivery is known to have happened or is given up.

use ebbmark_core::ids::{NoticeId, VesselId};
use ebbmark_core::notice::again;
use ebbmark_core::time::{Moment, Span};
use rusqlite::{Connection, OptionalExtension, params};

use crate::apply::Tx;
use crate::error::StoreError;
use crate::model::{Change, DeliveryOutcome, DeliveryState, Done, DueDelivery, NewNotice, Notice};
use crate::rows;

/// Queues those whose condition is not already told of. Gives the new ones.
pub fn queue(tx: &mut Tx<'_>, notices: &[NewNotice]) -> Result<Vec<NoticeId>, StoreError> {
    let mut queued = Vec::new();
    for new in notices {
        let added = tx
            .conn
            .prepare_cached(
                "INSERT INTO notice (kind, key, vessel, at, title, body, pressing, again) \
                 VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8) ON CONFLICT DO NOTHING",
            )?
            .execute(params![
                new.kind.key(),
                new.key,
                new.vessel.map(|v: VesselId| v.0),
                new.at.0,
                new.title,
                new.body,
                new.pressing,
                again::repeats(new.kind, 0, new.at).map(|at| at.0)
            ])?;
        if added == 0 {
            continue;
        }
        let id = NoticeId(tx.conn.last_insert_rowid());
        for channel in &new.channels {
            queue_by(tx, id, channel, new.at)?;
        }
        tx.changed(Change::Notice(id));
        queued.push(id);
    }
    Ok(queued)
}

/// A way named twice is one delivery.
fn queue_by(tx: &Tx<'_>, id: NoticeId, channel: &str, at: Moment) -> Result<(), StoreError> {
    let (state, at) = rows::delivery_parts(DeliveryState::Queued { next: at });
    tx.conn
        .prepare_cached(
            "INSERT INTO delivery (notice, channel, state, at) VALUES (?1, ?2, ?3, ?4) \
             ON CONFLICT DO UPDATE SET state = ?3, at = ?4, attempts = 0, last_error = NULL",
        )?
        .execute(params![id.0, channel, state, at])?;
    Ok(())
}

pub fn answer(
    tx: &mut Tx<'_>,
    id: NoticeId,
    again: Option<Moment>,
    at: Moment,
) -> Result<Done, StoreError> {
    let seen = again.is_none().then_some(at.0);
    let stood = tx
        .conn
        .prepare_cached(
            "UPDATE notice SET seen = ?2, again = ?3 WHERE id = ?1 AND cleared IS NULL",
        )?
        .execute(params![id.0, seen, again.map(|at| at.0)])?;
    // What has ended meanwhile needs no answer.
    if stood > 0 {
        let (state, at) = rows::delivery_parts(DeliveryState::Withdrawn { at });
        tx.conn
            .prepare_cached(
                "UPDATE delivery SET state = ?2, at = ?3 WHERE notice = ?1 AND state = 'queued'",
            )?
            .execute(params![id.0, state, at])?;
        tx.changed(Change::Notice(id));
    }
    Ok(Done::Nothing)
}

pub fn tell_again(
    tx: &mut Tx<'_>,
    id: NoticeId,
    channels: &[String],
    at: Moment,
) -> Result<Done, StoreError> {
    // Answered or ended between the look and now: then not.
    let due = tx
        .conn
        .prepare_cached(&format!(
            "SELECT {} FROM notice n WHERE n.id = ?1 AND {TELL_AGAIN} ?2",
            rows::NOTICE
        ))?
        .query_row(params![id.0, at.0], rows::notice)
        .optional()?;
    let Some(notice) = due else {
        return Ok(Done::Nothing);
    };
    let times = notice.times.saturating_add(1);
    let again = again::repeats(notice.kind, times, at).map(|at| at.0);
    tx.conn
        .prepare_cached("UPDATE notice SET times = ?2, again = ?3 WHERE id = ?1")?
        .execute(params![id.0, times, again])?;
    for channel in channels {
        queue_by(tx, id, channel, at)?;
    }
    tx.changed(Change::Notice(id));
    Ok(Done::Nothing)
}

/// Which notices are told again, at a moment.
///
/// Not while it waits to be told at all, for the quiet hours to end for instance.
const TELL_AGAIN: &str = "n.cleared IS NULL AND n.seen IS NULL AND NOT EXISTS \
    (SELECT 1 FROM delivery d WHERE d.notice = n.id AND d.state = 'queued' AND d.attempts = 0) \
    AND n.again <=";

/// The condition has ended; the next time it comes it is told again.
pub fn clear(tx: &mut Tx<'_>, key: &str, at: Moment) -> Result<Done, StoreError> {
    let id: Option<i64> = tx
        .conn
        .prepare_cached(
            "UPDATE notice SET cleared = ?2, again = NULL WHERE key = ?1 AND cleared IS NULL RETURNING id",
        )?
        .query_row(params![key, at.0], |r| r.get(0))
        .optional()?;
    if let Some(id) = id {
        tx.changed(Change::Notice(NoticeId(id)));
    }
    Ok(Done::Nothing)
}

pub fn delivered(
    tx: &mut Tx<'_>,
    notice: NoticeId,
    channel: &str,
    attempt: &DeliveryOutcome,
) -> Result<Done, StoreError> {
    let (state, error) = match attempt {
        DeliveryOutcome::Sent { at } => (DeliveryState::Sent { at: *at }, None),
        DeliveryOutcome::Retry { next, error } => {
            (DeliveryState::Queued { next: *next }, Some(error))
        }
        DeliveryOutcome::GivenUp { at, error } => (DeliveryState::GivenUp { at: *at }, Some(error)),
    };
    let (state, at) = rows::delivery_parts(state);
    let changed = tx
        .conn
        .prepare_cached(
            // Once sent it stays sent, whatever a late attempt says; and what was answered meanwhile is
            // not tried again.
            "UPDATE delivery SET attempts = attempts + 1, state = ?3, at = ?4, \
             last_error = coalesce(?5, last_error) \
             WHERE notice = ?1 AND channel = ?2 AND state <> 'sent' \
             AND (state <> 'withdrawn' OR ?3 = 'sent')",
        )?
        .execute(params![notice.0, channel, state, at, error])?;
    if changed == 0 {
        let known: bool = tx
            .conn
            .prepare_cached(
                "SELECT EXISTS (SELECT 1 FROM delivery WHERE notice = ?1 AND channel = ?2)",
            )?
            .query_row(params![notice.0, channel], |r| r.get(0))?;
        if !known {
            return Err(StoreError::Refused(format!(
                "notice {notice} has no delivery by \"{channel}\""
            )));
        }
    }
    if let DeliveryOutcome::Sent { at } = attempt {
        told(tx, notice, *at)?;
    }
    tx.changed(Change::Notice(notice));
    Ok(Done::Nothing)
}

/// What repeats does so counted from when it got through, not from when it came.
fn told(tx: &Tx<'_>, id: NoticeId, at: Moment) -> Result<(), StoreError> {
    let Some(notice) = one(tx.conn, id)? else {
        return Ok(());
    };
    if let Some(again) = again::repeats(notice.kind, notice.times, at) {
        tx.conn
            .prepare_cached("UPDATE notice SET again = max(again, ?2) WHERE id = ?1 AND again > 0")?
            .execute(params![id.0, again.0])?;
    }
    Ok(())
}

// ---- reading ----

pub fn latest(conn: &Connection, limit: u32) -> rusqlite::Result<Vec<Notice>> {
    let mut notices = conn
        .prepare_cached(&format!(
            "SELECT {} FROM notice n ORDER BY n.at DESC, n.id DESC LIMIT ?1",
            rows::NOTICE
        ))?
        .query_map([limit], rows::notice)?
        .collect::<rusqlite::Result<Vec<_>>>()?;
    for notice in &mut notices {
        add_deliveries(conn, notice)?;
    }
    Ok(notices)
}

fn some(conn: &Connection, of: &str, value: &dyn rusqlite::ToSql) -> rusqlite::Result<Vec<Notice>> {
    let mut notices = conn
        .prepare_cached(&format!(
            "SELECT {} FROM notice n WHERE {of} ?1 ORDER BY n.at, n.id",
            rows::NOTICE
        ))?
        .query_map([value], rows::notice)?
        .collect::<rusqlite::Result<Vec<_>>>()?;
    for notice in &mut notices {
        add_deliveries(conn, notice)?;
    }
    Ok(notices)
}

pub fn one(conn: &Connection, id: NoticeId) -> rusqlite::Result<Option<Notice>> {
    Ok(some(conn, "n.id =", &id.0)?.pop())
}

pub fn was_told(conn: &Connection, key: &str) -> rusqlite::Result<bool> {
    conn.prepare_cached("SELECT EXISTS (SELECT 1 FROM notice WHERE key = ?1)")?
        .query_row([key], |r| r.get(0))
}

pub fn to_tell_again(conn: &Connection, now: Moment) -> rusqlite::Result<Vec<Notice>> {
    some(conn, TELL_AGAIN, &now.0)
}

pub fn standing(conn: &Connection) -> rusqlite::Result<Vec<Notice>> {
    some(conn, "n.cleared IS NULL AND n.at >=", &0)
}

fn add_deliveries(conn: &Connection, notice: &mut Notice) -> rusqlite::Result<()> {
    notice.deliveries = conn
        .prepare_cached(&format!(
            "SELECT {} FROM delivery WHERE notice = ?1 ORDER BY channel",
            rows::DELIVERY
        ))?
        .query_map([notice.id.0], rows::delivery)?
        .collect::<rusqlite::Result<_>>()?;
    Ok(())
}

pub fn open_keys(conn: &Connection) -> rusqlite::Result<Vec<String>> {
    conn.prepare_cached("SELECT key FROM notice WHERE cleared IS NULL ORDER BY key")?
        .query_map([], |r| r.get(0))?
        .collect()
}

/// Nothing is put off as long as this: what is due later was queued while the clock ran ahead, and would
/// wait for years once that was put right.
const LONGEST_WAIT: Span = Span::days(40);

pub fn due(conn: &Connection, now: Moment, limit: u32) -> rusqlite::Result<Vec<DueDelivery>> {
    let mut due = conn
        .prepare_cached(&format!(
            "SELECT {}, d.channel, d.attempts, min(d.at, ?1) AS due \
             FROM delivery d JOIN notice n ON n.id = d.notice \
             WHERE d.state = 'queued' AND (d.at <= ?1 OR d.at > ?3) \
             ORDER BY due, n.id, d.channel LIMIT ?2",
            rows::NOTICE
        ))?
        .query_map(params![now.0, limit, (now + LONGEST_WAIT).0], |r| {
            Ok(DueDelivery {
                notice: rows::notice(r)?,
                channel: r.get(12)?,
                attempts: r.get(13)?,
                due: Moment(r.get(14)?),
            })
        })?
        .collect::<rusqlite::Result<Vec<_>>>()?;
    for delivery in &mut due {
        add_deliveries(conn, &mut delivery.notice)?;
    }
    Ok(due)
}

pub fn next_due(conn: &Connection, after: Moment) -> rusqlite::Result<Option<Moment>> {
    Ok(conn
        .prepare_cached(
            "SELECT min(at) FROM (SELECT min(at) AS at FROM delivery WHERE state = 'queued' AND at > ?1 \
             UNION ALL SELECT min(again) FROM notice WHERE again > ?1)",
        )?
        .query_row([after.0], |r| r.get::<_, Option<i64>>(0))?
        .map(Moment))
}

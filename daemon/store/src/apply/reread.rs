//! Reading stored payloads again: after a claim, with another map, or once their time is known.

use std::collections::{HashMap, HashSet};

use ebbmark_core::decode::decode_copy;
use ebbmark_core::feed::FeedMap;
use ebbmark_core::ids::{FeedId, RawId, VesselId};
use ebbmark_core::reading::{Problem, ProblemKind};
use ebbmark_core::time::Moment;
use rusqlite::{Connection, params};

use super::payload::{self, Intake};
use super::shelf::{self, Destination, Shelf};
use super::{Tx, lines, refuse};
use crate::at_hand;
use crate::error::StoreError;
use crate::model::{Change, Done};
use crate::pack::block::Single;
use crate::payloads::{self, Payload};
use crate::table::{Span, Stats};
use crate::{rows, singles};

/// What re-reading needs to know of a feed, from the file: a command may just have changed it.
struct Facts {
    id: FeedId,
    topic_id: i64,
    source: String,
    topic: String,
    map: FeedMap,
    spans: Vec<Span>,
}

fn facts(tx: &Tx<'_>, id: FeedId) -> rusqlite::Result<Facts> {
    let spans = tx
        .conn
        .prepare_cached(
            "SELECT since, until, vessel FROM assignment WHERE feed = ?1 ORDER BY since",
        )?
        .query_map([id.0], |r| {
            Ok(Span {
                since: r.get(0)?,
                until: r.get(1)?,
                vessel: VesselId(r.get(2)?),
            })
        })?
        .collect::<rusqlite::Result<_>>()?;
    tx.conn
        .prepare_cached(
            "SELECT t.id, t.source, t.topic, f.map FROM feed f JOIN topic t ON t.id = f.topic \
             WHERE f.id = ?1",
        )?
        .query_row([id.0], |r| {
            Ok(Facts {
                id,
                topic_id: r.get(0)?,
                source: r.get(1)?,
                topic: r.get(2)?,
                map: rows::map(r, 3)?,
                spans,
            })
        })
}

/// Takes away every reading that came from a payload of this feed and reads all its payloads
/// again, in the order they came. The caller reloads the table.
pub fn feed(tx: &mut Tx<'_>, id: FeedId) -> Result<(), StoreError> {
    let facts = facts(tx, id)?;
    let gone = take_away(tx, &facts)?;

    let mut intake = Intake::new(
        id,
        &facts.source,
        &facts.topic,
        Destination::Shelf(Shelf::default()),
    );
    let mut waiting = Vec::new();
    let mut all = payloads::All::of(tx.conn, facts.topic_id)?;
    while let Some(kept) = all.next()? {
        let raw = RawId(kept.id);
        let received = kept.wall.map(Moment);
        let decoded = decode_copy(&facts.map, &kept.payload, received, kept.retained);
        intake.readings(tx, raw, &decoded.readings, received)?;
        intake.problems(tx, &decoded.problems, received)?;
        if decoded.needs_time {
            waiting.push(raw);
        }
    }
    let added = intake.close(tx)?;
    for raw in waiting {
        tx.conn
            .prepare_cached("UPDATE raw SET waits = 1 WHERE id = ?1")?
            .execute([raw.0])?;
    }
    Stats::recount(tx.conn, id)?.save(tx.conn, id)?;
    let touched = match (gone, added) {
        (Some(a), Some(b)) => Some((a.0.min(b.0), a.1.max(b.1))),
        (a, b) => a.or(b),
    };
    if let Some(touched) = touched {
        for change in payload::changes(id, &facts.spans, touched) {
            tx.changed(change);
        }
    }
    Ok(())
}

/// Takes away what came from payloads that are still kept, and gives the instants of the first and the
/// last reading. What came from others could not be read again: it stays.
fn take_away(tx: &mut Tx<'_>, facts: &Facts) -> rusqlite::Result<Option<(i64, i64)>> {
    let conn = tx.conn;
    let kept = KeptPayloads::of(conn, facts.topic_id)?;
    let mut gone: Option<(i64, i64)> = None;
    let mut goes = |reading: &Single| {
        let goes = reading.raw.is_some_and(|raw| kept.has(raw));
        if goes {
            let at = reading.at;
            gone = Some(gone.map_or((at, at), |(a, b)| (a.min(at), b.max(at))));
        }
        goes
    };
    for hour in singles::packed_hours(conn, facts.id)? {
        let mut all = singles::packed(conn, facts.id, hour)?.unwrap_or_default();
        let before = all.len();
        all.retain(|reading| !goes(reading));
        if all.len() < before {
            shelf::keep(conn, facts.id, hour, &all)?;
        }
    }
    for reading in singles::fresh(conn, facts.id, i64::MIN, i64::MAX)? {
        if goes(&reading) {
            shelf::take_fresh(conn, facts.id, reading.at)?;
        }
    }
    at_hand::turned(conn)?;
    tx.conn
        .prepare_cached("DELETE FROM problem WHERE source = ?1 AND topic = ?2 AND door = 0")?
        .execute([&facts.source, &facts.topic])?;
    tx.conn
        .prepare_cached("UPDATE raw SET waits = 0 WHERE topic = ?1 AND waits = 1")?
        .execute([facts.topic_id])?;
    Ok(gone)
}

/// Which payloads of a topic are still there.
struct KeptPayloads {
    /// All later ones are.
    gone_to: i64,
    /// Of those up to it, the ones that were not let go.
    earlier: HashSet<i64>,
}

impl KeptPayloads {
    fn of(conn: &Connection, topic: i64) -> rusqlite::Result<KeptPayloads> {
        let gone_to: i64 = conn
            .prepare_cached("SELECT gone_to FROM topic WHERE id = ?1")?
            .query_row([topic], |r| r.get(0))?;
        let mut earlier = HashSet::new();
        if gone_to > 0 {
            let mut all = payloads::All::of(conn, topic)?;
            while let Some(kept) = all.next()?.filter(|kept| kept.id <= gone_to) {
                earlier.insert(kept.id);
            }
        }
        Ok(KeptPayloads { gone_to, earlier })
    }

    fn has(&self, raw: i64) -> bool {
        raw > self.gone_to || self.earlier.contains(&raw)
    }
}

/// Dates what this run received before its clock was believable, and reads what waited for it.
pub fn redate(tx: &mut Tx<'_>, offset_ms: i64) -> Result<Done, StoreError> {
    if offset_ms < Moment::EARLIEST_BELIEVABLE.0 {
        return refuse(format!(
            "a clock that says this run began at {} cannot be believed",
            Moment(offset_ms).to_rfc3339()
        ));
    }
    let run = tx.run();
    // A topic that leads to a log is one without a feed; only those wait without one.
    let to_log = tx
        .conn
        .prepare_cached(
            "SELECT r.id FROM raw r LEFT JOIN feed f ON f.topic = r.topic \
             WHERE r.run = ?1 AND r.wall IS NULL AND r.waits = 1 \
             AND coalesce(f.retired, 1) = 1 ORDER BY r.id",
        )?
        .query_map([run], |r| r.get(0).map(RawId))?
        .collect::<rusqlite::Result<Vec<_>>>()?;
    let waiting = tx
        .conn
        .prepare_cached(
            "SELECT r.id, f.id FROM raw r JOIN feed f ON f.topic = r.topic \
             WHERE r.run = ?1 AND r.wall IS NULL AND r.waits = 1 AND f.retired = 0 ORDER BY r.id",
        )?
        .query_map([run], |r| Ok((RawId(r.get(0)?), FeedId(r.get(1)?))))?
        .collect::<rusqlite::Result<Vec<_>>>()?;
    tx.conn
        .prepare_cached(
            "UPDATE topic SET last_wall = max(coalesce(last_wall, 0), \
             (SELECT max(r.monotonic) + ?2 FROM raw r WHERE r.topic = topic.id \
              AND r.run = ?1 AND r.wall IS NULL)) \
             WHERE id IN (SELECT topic FROM raw WHERE run = ?1 AND wall IS NULL)",
        )?
        .execute([run, offset_ms])?;
    tx.conn
        .prepare_cached("UPDATE raw SET wall = monotonic + ?2 WHERE run = ?1 AND wall IS NULL")?
        .execute([run, offset_ms])?;
    tx.conn
        .prepare_cached("UPDATE run SET offset_ms = ?2 WHERE id = ?1")?
        .execute([run, offset_ms])?;

    let mut raws_of: HashMap<FeedId, Vec<RawId>> = HashMap::new();
    for (raw, feed) in waiting {
        raws_of.entry(feed).or_default().push(raw);
    }
    for (feed, raws) in raws_of {
        date_feed(tx, feed, &raws)?;
    }
    lines::dated(tx, &to_log)?;
    tx.changed(Change::Feeds);
    tx.set_offset(offset_ms);
    tx.reload();
    Ok(Done::Nothing)
}

fn date_feed(tx: &mut Tx<'_>, id: FeedId, raws: &[RawId]) -> Result<(), StoreError> {
    let facts = facts(tx, id)?;
    let mut intake = Intake::new(
        id,
        &facts.source,
        &facts.topic,
        // What waited may have been measured at any time.
        Destination::Fresh {
            packed_to: Some(i64::MAX),
        },
    );
    for raw in raws {
        let Payload {
            wall,
            payload,
            retained,
            ..
        } = payloads::one(tx.conn, raw.0)?;
        let received = wall.map(Moment);
        let dated = decode_copy(&facts.map, &payload, received, retained);
        intake.readings(tx, *raw, &dated.readings, received)?;
        // What was wrong with it without a date has been counted when it came.
        let counted = decode_copy(&facts.map, &payload, None, retained).problems;
        intake.problems(tx, &without(&dated.problems, &counted), received)?;
        tx.conn
            .prepare_cached("UPDATE raw SET waits = ?2 WHERE id = ?1")?
            .execute(params![raw.0, dated.needs_time])?;
    }
    let touched = intake.close(tx)?;
    Stats::recount(tx.conn, id)?.save(tx.conn, id)?;
    if let Some(touched) = touched {
        for change in payload::changes(id, &facts.spans, touched) {
            tx.changed(change);
        }
    }
    Ok(())
}

/// `all` less what is already counted, one for one by kind.
fn without(all: &[Problem], counted: &[Problem]) -> Vec<Problem> {
    let mut left: HashMap<ProblemKind, usize> = HashMap::new();
    for problem in counted {
        *left.entry(problem.kind).or_default() += 1;
    }
    all.iter()
        .filter(|p| match left.get_mut(&p.kind) {
            Some(n) if *n > 0 => {
                *n -= 1;
                false
            }
            _ => true,
        })
        .cloned()
        .collect()
}

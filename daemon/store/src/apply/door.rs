//! Counting what could not be taken.

use ebbmark_core::reading::ProblemKind;
use ebbmark_core::time::Moment;
use rusqlite::params;

use super::Tx;
use crate::model::Change;
use crate::rows;

/// Counts kept for topics nobody has claimed. Whoever can reach the door can invent topics
/// without end; the longest untouched counts make room.
const STRANGERS: u32 = 400;

/// Longest piece of a problem's words that is kept.
const DETAIL: usize = 400;

/// Where a problem was met.
#[derive(Clone, Copy, PartialEq, Eq)]
pub enum Where {
    /// In a stored payload: reading it again counts it again, from zero.
    Payload,
    /// Before anything was stored.
    Door,
}

pub fn count(
    tx: &mut Tx<'_>,
    source: &str,
    topic: &str,
    met: Where,
    kind: ProblemKind,
    detail: &str,
    at: Option<Moment>,
) -> rusqlite::Result<()> {
    let last = tx.wall_or_latest(at);
    let count: i64 = tx
        .conn
        .prepare_cached(
            "INSERT INTO problem (source, topic, kind, door, count, last, detail) \
             VALUES (?1, ?2, ?3, ?4, 1, ?5, ?6) ON CONFLICT DO UPDATE SET \
             count = count + 1, last = max(last, excluded.last), detail = excluded.detail \
             RETURNING count",
        )?
        .query_row(
            params![
                source,
                topic,
                rows::problem_key(kind),
                met == Where::Door,
                last.0,
                shortened(detail)
            ],
            |r| r.get(0),
        )?;
    let claimed = tx
        .table()
        .find(source, topic)
        .is_some_and(|t| t.feed.is_some());
    if count == 1 && !claimed {
        tx.conn
            .prepare_cached(
                "DELETE FROM problem WHERE (source, topic, kind, door) IN (\
                 SELECT p.source, p.topic, p.kind, p.door FROM problem p WHERE NOT EXISTS (\
                 SELECT 1 FROM topic t JOIN feed f ON f.topic = t.id \
                 WHERE t.source = p.source AND t.topic = p.topic) \
                 ORDER BY p.last DESC LIMIT -1 OFFSET ?1)",
            )?
            .execute([STRANGERS])?;
    }
    tx.changed(Change::Feeds);
    Ok(())
}

fn shortened(detail: &str) -> &str {
    let mut end = detail.len().min(DETAIL);
    while !detail.is_char_boundary(end) {
        end -= 1;
    }
    &detail[..end]
}

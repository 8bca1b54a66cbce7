//! Readings from a file.

use ebbmark_core::feed::{FeedMap, Format};
use ebbmark_core::ids::{FeedId, VesselId};
use ebbmark_core::reading::{ProblemKind, Reading, TimeFrom};
use rusqlite::OptionalExtension;

use super::payload::{self, Put};
use super::shelf::{Destination, Shelf};
use super::{Tx, door, feeds};
use crate::error::StoreError;
use crate::model::{Change, Done, IMPORT, ImportRow};
use crate::rows::Values;
use crate::table::{FOREVER, Span, Stats};

pub fn import(tx: &mut Tx<'_>, vessel: VesselId, given: &[ImportRow]) -> Result<Done, StoreError> {
    tx.vessel_in_use(vessel)?;
    let topic = vessel.to_string();
    let feed = feed_for(tx, vessel, &topic)?;
    let (mut added, mut known, mut conflicting) = (0, 0, 0);
    let mut touched: Option<(i64, i64)> = None;
    let mut into = Destination::Shelf(Shelf::default());
    let mut stats = Stats::saved(tx.conn, feed)?;
    for row in given {
        if row.gravity.is_none() && row.temperature.is_none() {
            let detail = format!(
                "the row of {} has neither gravity nor temperature",
                row.at.to_rfc3339()
            );
            problem(tx, &topic, ProblemKind::Empty, &detail)?;
            continue;
        }
        let values = Values::of(&Reading {
            at: row.at,
            time_from: TimeFrom::Payload,
            gravity: row.gravity,
            temperature: row.temperature,
            tilt: None,
            battery: None,
            signal: None,
        });
        match payload::put(tx, &mut into, feed, None, row.at.0, &values)? {
            Put::Added => {
                added += 1;
                stats.take(row.at.0, &values);
                let (first, last) = touched.unwrap_or((row.at.0, row.at.0));
                touched = Some((first.min(row.at.0), last.max(row.at.0)));
            }
            Put::Known { .. } => known += 1,
            Put::Conflict => {
                conflicting += 1;
                let detail = format!(
                    "the file has other values for {}, which is already known; the first stand",
                    row.at.to_rfc3339()
                );
                problem(tx, &topic, ProblemKind::Conflict, &detail)?;
            }
            Put::Late => {
                let detail = format!(
                    "the row of {} is of a time of which only hours are kept",
                    row.at.to_rfc3339()
                );
                problem(tx, &topic, ProblemKind::BadTime, &detail)?;
            }
        }
    }
    into.close(tx.conn, feed)?;
    if let Some(touched) = touched {
        stats.save(tx.conn, feed)?;
        let span = Span {
            since: i64::MIN,
            until: FOREVER,
            vessel,
        };
        for change in payload::changes(feed, &[span], touched) {
            tx.changed(change);
        }
    }
    tx.changed(Change::Feeds);
    tx.reload();
    Ok(Done::Imported {
        added,
        known,
        conflicting,
    })
}

fn problem(tx: &mut Tx<'_>, topic: &str, kind: ProblemKind, detail: &str) -> rusqlite::Result<()> {
    door::count(tx, IMPORT, topic, door::Where::Door, kind, detail, None)
}

/// The feed of this vessel's imports, made when it is first needed. Its topic is the vessel's
/// number.
fn feed_for(tx: &mut Tx<'_>, vessel: VesselId, topic: &str) -> Result<FeedId, StoreError> {
    let known: Option<i64> = tx
        .conn
        .prepare_cached(
            "SELECT f.id FROM feed f JOIN topic t ON t.id = f.topic \
             WHERE t.source = ?1 AND t.topic = ?2",
        )?
        .query_row([IMPORT, topic], |r| r.get(0))
        .optional()?;
    if let Some(id) = known {
        tx.conn
            .prepare_cached("UPDATE feed SET retired = 0 WHERE id = ?1")?
            .execute([id])?;
        return Ok(FeedId(id));
    }
    tx.conn
        .prepare_cached("INSERT INTO topic (source, topic) VALUES (?1, ?2)")?
        .execute([IMPORT, topic])?;
    let topic_id = tx.conn.last_insert_rowid();
    // No payload ever comes to this feed, so its map reads nothing.
    let map = FeedMap {
        format: Format::Json { picks: Vec::new() },
        tilt_polynomial: Vec::new(),
    };
    Ok(feeds::make(tx, topic_id, "imported", &map, Some(vessel))?)
}

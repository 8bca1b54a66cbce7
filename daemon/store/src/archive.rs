//! Meads of years: what each one's record comes to, found by words and dates.
//!
//! A summary is kept of a mead that ended (see `migrations/0007.sql`: whatever changes its record
//! makes it stale). Who asks for one that is stale gets it made anew on the spot; a background task
//! ([`make_stale`]) makes it for good.

use std::collections::{BTreeMap, HashMap};

use ebbmark_core::deed::Deed;
use ebbmark_core::ids::BatchId;
use ebbmark_core::review::{self, Course, FORM, Ledger, Pace, Told};
use ebbmark_core::time::{Moment, Span};
use rusqlite::types::Value;
use rusqlite::{Connection, OptionalExtension, params_from_iter};

use crate::at_hand::Snapshot;
use crate::error::StoreError;
use crate::model::{Batch, Command, Found, FoundMead, LogLine, Summary, Wanted};
use crate::reader::Reader;
use crate::words::{self, Sought};
use crate::{family, meads, rows, vessels};

type Sql<T> = rusqlite::Result<T>;

/// Meads on one page of what was found.
pub const PAGE: u32 = 25;

/// Makes the summaries anew that are stale, so many at most, and gives the commands that keep them.
/// Blocks. A mead whose record cannot be read is passed over.
///
/// # Errors
/// The database cannot be read.
pub fn make_stale(reader: &Reader, most: u32) -> Result<Vec<Command>, StoreError> {
    reader.with(|conn| {
        let stale: Vec<(BatchId, i64)> = conn
            .prepare_cached(
                "SELECT s.batch, s.version FROM summary s JOIN batch b ON b.id = s.batch \
                 WHERE b.ended IS NOT NULL AND (s.made < s.version OR s.form <> ?1) LIMIT ?2",
            )?
            .query_map([FORM, i64::from(most)], |r| {
                Ok((BatchId(r.get(0)?), r.get(1)?))
            })?
            .collect::<Sql<_>>()?;
        let mut commands = Vec::new();
        for (id, seen) in stale {
            let batch = meads::batch(conn, id);
            // It ended: now plays no part.
            let summary =
                batch.and_then(|b| b.map(|b| made(conn, &b, Moment(i64::MAX))).transpose());
            match summary {
                Ok(Some(summary)) => commands.push(Command::KeepSummary {
                    batch: id,
                    seen,
                    summary: Box::new(summary),
                }),
                Ok(None) => {}
                Err(cause) => tracing::error!(batch = %id, %cause, "a mead was not summed up"),
            }
        }
        Ok(commands)
    })
}

/// See [`crate::Reader::summary`].
pub fn summary(conn: &Snapshot<'_>, batch: &Batch, now: Moment) -> Sql<Summary> {
    let kept = conn
        .prepare_cached(
            "SELECT review, pace, points FROM summary \
             WHERE batch = ?1 AND made = version AND form = ?2",
        )?
        .query_row([batch.id.0, FORM], rows::summary)
        .optional()?;
    match kept.filter(|_| batch.ended.is_some()) {
        Some(kept) => Ok(kept),
        None => made(conn, batch, now),
    }
}

/// From the record as it stands.
fn made(conn: &Snapshot<'_>, batch: &Batch, now: Moment) -> Sql<Summary> {
    let to = batch.ended.unwrap_or(now);
    let history = meads::history(conn, batch, to)?;
    let deeds = done_by(history.lines, to);
    let root = meads::root(conn, batch.id)?;
    let root = meads::batch(conn, root)?;
    let original = root.and_then(|r| r.facts.original_gravity);
    let told = Told {
        hours: &history.hours,
        deeds: &deeds,
        started: history.started,
        original: original.or(batch.facts.original_gravity),
        ended: batch.ended,
        now: to,
    };
    let course = Course::of(&told);
    let last = course.as_ref().and_then(Course::end);
    // The hour of that reading must have ended for the ledger to see it.
    let read_to = last.map_or(to, |(at, _)| at + Span::hours(1));
    let fermented = family::book(conn, batch.id, read_to, read_to)?;
    let finished = family::book(conn, batch.id, read_to, to)?;
    let ledger = Ledger {
        fermented: fermented.as_ref(),
        finished: finished.as_ref(),
        expected_final: batch.facts.expected_final,
        tolerance: batch.facts.tolerance,
    };
    Ok(Summary {
        review: review::review(&told, course.as_ref(), &ledger),
        pace: course.as_ref().and_then(Pace::of),
        points: course.map_or_else(Vec::new, |c| review::points(&told, &c)),
    })
}

fn done_by(lines: Vec<LogLine>, to: Moment) -> Vec<Deed> {
    let mut deeds = LogLine::standing(lines);
    deeds.retain(|d| d.at <= to);
    deeds
}

/// See [`crate::Reader::deeds`].
pub fn deeds(conn: &Connection, batch: &Batch, now: Moment) -> Sql<Vec<Deed>> {
    let to = batch.ended.unwrap_or(now);
    Ok(done_by(meads::past(conn, batch, to)?.lines, to))
}

/// See [`crate::Reader::meads`].
pub fn found(conn: &Snapshot<'_>, wanted: &Wanted, page: u32, now: Moment) -> Sql<Found> {
    let Asked { condition, values } = asked(wanted);
    let total: i64 = conn
        .prepare_cached(&format!("SELECT count(*) FROM batch WHERE {condition}"))?
        .query_row(params_from_iter(&values), |r| r.get(0))?;
    let skipped = u64::from(page) * u64::from(PAGE);
    let batches = conn
        .prepare_cached(&format!(
            "SELECT {} FROM batch WHERE {condition} ORDER BY started DESC, id DESC \
             LIMIT {PAGE} OFFSET {skipped}",
            rows::BATCH
        ))?
        .query_map(params_from_iter(&values), rows::batch)?
        .collect::<Sql<Vec<_>>>()?;
    let mut meads = Vec::new();
    for batch in batches {
        let vessel = vessels::name_of(conn, batch.vessel)?;
        let (review, now) = if batch.ended.is_some() {
            // One whose record cannot be read must not hide the others.
            let summed_up = summary(conn, &batch, now).inspect_err(|cause| {
                tracing::error!(batch = %batch.id, %cause, "a mead was not summed up");
            });
            (summed_up.ok().map(|s| s.review), None)
        } else {
            let judged = vessels::verdict(conn, batch.vessel)?.filter(|v| v.batch == batch.id);
            (None, judged.and_then(|v| v.verdict.gravity))
        };
        meads.push(FoundMead {
            batch,
            vessel,
            review,
            now,
        });
    }
    Ok(Found {
        meads,
        total: total.unsigned_abs(),
    })
}

struct Asked {
    condition: String,
    values: Vec<Value>,
}

/// Nothing that was typed gets into the text of the query.
fn asked(wanted: &Wanted) -> Asked {
    let mut terms = vec!["1".to_owned()];
    let mut values: Vec<Value> = Vec::new();
    let mut term = |text: &str, value: Option<Value>| {
        terms.push(text.to_owned());
        values.extend(value);
    };
    let Sought { matching, like } = words::sought(&wanted.words, &wanted.yeast);
    if let Some(matching) = matching {
        term(
            "id IN (SELECT rowid FROM mead_words WHERE mead_words MATCH ?)",
            Some(matching.into()),
        );
    }
    for (column, pattern) in like {
        let text =
            format!("id IN (SELECT rowid FROM mead_words WHERE {column} LIKE ? ESCAPE '\\')");
        term(&text, Some(pattern.into()));
    }
    if let Some(from) = wanted.from {
        term("started >= ?", Some(from.0.into()));
    }
    if let Some(until) = wanted.until {
        term("started < ?", Some(until.0.into()));
    }
    match wanted.ended {
        Some(true) => term("ended IS NOT NULL", None),
        Some(false) => term("ended IS NULL", None),
        None => {}
    }
    Asked {
        condition: terms.join(" AND "),
        values,
    }
}

/// See [`crate::Reader::paces`].
pub fn paces(conn: &Connection, except: &[BatchId]) -> Sql<Vec<Pace>> {
    let parents: HashMap<i64, i64> = conn
        .prepare_cached("SELECT id, parent FROM batch WHERE parent IS NOT NULL")?
        .query_map([], |r| Ok((r.get(0)?, r.get(1)?)))?
        .collect::<Sql<_>>()?;
    let root = |id: i64| {
        let mut at = id;
        // No line is longer than all meads together, even if a damaged file goes in circles.
        for _ in 0..=parents.len() {
            match parents.get(&at) {
                Some(parent) => at = *parent,
                None => break,
            }
        }
        at
    };
    let left_out: Vec<i64> = except.iter().map(|b| root(b.0)).collect();
    let mut by_root = BTreeMap::new();
    let mut kept = conn
        .prepare_cached("SELECT batch, pace FROM summary WHERE pace IS NOT NULL ORDER BY batch")?;
    let mut rows = kept.query([])?;
    while let Some(row) = rows.next()? {
        let root = root(row.get(0)?);
        if left_out.contains(&root) {
            continue;
        }
        if let Some(pace) = rows::pace(row, 1)? {
            by_root.insert(root, pace);
        }
    }
    Ok(by_root.into_values().collect())
}

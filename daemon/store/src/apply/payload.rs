//! Putting what a payload yielded beside the readings already there.

use ebbmark_core::ids::{FeedId, RawId, VesselId};
use ebbmark_core::reading::{Problem, ProblemKind, Reading, TimeFrom};
use ebbmark_core::time::Moment;
use rusqlite::params;

use super::{Tx, door};
use crate::model::Change;
use crate::rows::{self, Values};
use crate::table::{FOREVER, Span, Stats, Taken};

/// What became of one reading.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Put {
    Added,
    /// The same values are known for this instant.
    Known {
        /// From this very payload, read a second time.
        same_payload: bool,
    },
    /// Other values are known for this instant; they stand.
    Conflict,
}

pub fn put(
    tx: &mut Tx<'_>,
    feed: FeedId,
    raw: Option<RawId>,
    at: i64,
    values: &Values,
) -> rusqlite::Result<Put> {
    if insert(tx, feed, raw, at, values)? {
        tx.mark_stale(feed, Moment(at))?;
        return Ok(Put::Added);
    }
    let (known, known_raw) = tx
        .conn
        .prepare_cached(KNOWN)?
        .query_row(params![feed.0, at], |r| {
            Ok((Values::read(r)?, r.get::<_, Option<i64>>(6)?))
        })?;
    Ok(if known.same_measurements(values) {
        Put::Known {
            same_payload: known_raw.is_some() && known_raw == raw.map(|r| r.0),
        }
    } else {
        Put::Conflict
    })
}

/// `false` when the instant is taken.
fn insert(
    tx: &Tx<'_>,
    feed: FeedId,
    raw: Option<RawId>,
    at: i64,
    values: &Values,
) -> rusqlite::Result<bool> {
    let rows = tx.conn.prepare_cached(INSERT)?.execute(params![
        feed.0,
        at,
        raw.map(|r| r.0),
        values.gravity,
        values.temperature,
        values.tilt,
        values.battery,
        values.signal,
        values.kinds
    ])?;
    Ok(rows > 0)
}

const INSERT: &str = "INSERT INTO reading \
        (feed, at, raw, gravity, temperature, tilt, battery, signal, kinds) \
        VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9) ON CONFLICT DO NOTHING";
const KNOWN: &str = "SELECT gravity, temperature, tilt, battery, signal, kinds, raw \
        FROM reading WHERE feed = ?1 AND at = ?2";

/// Takes in the payloads of one feed, one after the other, and adds up what came of them.
pub struct Intake<'a> {
    feed: FeedId,
    source: &'a str,
    topic: &'a str,
    pub stats: Stats,
    pub taken: Taken,
    pub added: u32,
    pub problems: u32,
    /// Instants of the earliest and the latest reading added.
    pub touched: Option<(i64, i64)>,
}

impl<'a> Intake<'a> {
    pub fn new(feed: FeedId, source: &'a str, topic: &'a str, stats: Stats, taken: Taken) -> Self {
        Intake {
            feed,
            source,
            topic,
            stats,
            taken,
            added: 0,
            problems: 0,
            touched: None,
        }
    }

    pub fn readings(
        &mut self,
        tx: &mut Tx<'_>,
        raw: RawId,
        readings: &[Reading],
        received: Option<Moment>,
    ) -> rusqlite::Result<()> {
        for reading in readings {
            let values = Values::of(reading);
            match reading.time_from {
                TimeFrom::Arrival => self.by_arrival(tx, raw, reading.at, &values)?,
                TimeFrom::Payload => self.by_payload(tx, raw, reading.at, &values, received)?,
            }
        }
        Ok(())
    }

    /// Two messages that came within one millisecond are two measurements: the later one gets
    /// the next free instant.
    fn by_arrival(
        &mut self,
        tx: &mut Tx<'_>,
        raw: RawId,
        at: Moment,
        values: &Values,
    ) -> rusqlite::Result<()> {
        let mut at = self.taken.first_free(at.0);
        while !insert(tx, self.feed, Some(raw), at, values)? {
            at = at.saturating_add(1);
        }
        tx.mark_stale(self.feed, Moment(at))?;
        self.taken.take(at);
        self.add(at, values);
        Ok(())
    }

    /// A sender that says when it measured is held to it.
    fn by_payload(
        &mut self,
        tx: &mut Tx<'_>,
        raw: RawId,
        at: Moment,
        values: &Values,
        received: Option<Moment>,
    ) -> rusqlite::Result<()> {
        match put(tx, self.feed, Some(raw), at.0, values)? {
            Put::Added => {
                self.add(at.0, values);
                Ok(())
            }
            Put::Known { same_payload: true } => Ok(()),
            Put::Known {
                same_payload: false,
            } => {
                let detail = format!("the reading of {} came again", at.to_rfc3339());
                self.problem(tx, ProblemKind::Duplicate, &detail, received)
            }
            Put::Conflict => {
                let detail = format!(
                    "other values for {}, which is already known; the first stand",
                    at.to_rfc3339()
                );
                self.problem(tx, ProblemKind::Conflict, &detail, received)
            }
        }
    }

    fn add(&mut self, at: i64, values: &Values) {
        self.stats.take(at, values);
        self.added += 1;
        self.touched = Some(match self.touched {
            None => (at, at),
            Some((first, last)) => (first.min(at), last.max(at)),
        });
    }

    pub fn problems<'p>(
        &mut self,
        tx: &mut Tx<'_>,
        problems: impl IntoIterator<Item = &'p Problem>,
        received: Option<Moment>,
    ) -> rusqlite::Result<()> {
        for problem in problems {
            self.problem(tx, problem.kind, &problem.detail, received)?;
        }
        Ok(())
    }

    fn problem(
        &mut self,
        tx: &mut Tx<'_>,
        kind: ProblemKind,
        detail: &str,
        received: Option<Moment>,
    ) -> rusqlite::Result<()> {
        self.problems += 1;
        door::count(
            tx,
            self.source,
            self.topic,
            door::Where::Payload,
            kind,
            detail,
            received,
        )
    }
}

/// The vessels whose record changed when readings between two instants (both included) did.
/// At least one change is told: readings that belong to no vessel are still news for the feed.
pub fn changes(feed: FeedId, spans: &[Span], (first, last): (i64, i64)) -> Vec<Change> {
    let of = |vessel: Option<VesselId>, from: i64| Change::Readings {
        feed,
        vessel,
        from: Moment(from),
    };
    let mut found: Vec<Change> = spans
        .iter()
        .filter(|s| s.since <= last && (first < s.until || s.until == FOREVER))
        .map(|s| of(Some(s.vessel), first.max(s.since)))
        .collect();
    if found.is_empty() {
        found.push(of(None, first));
    }
    found
}

impl Values {
    /// Whether both say the same was measured, however each came by its instant.
    fn same_measurements(&self, other: &Values) -> bool {
        Values {
            kinds: rows::units_only(self.kinds),
            ..*self
        } == Values {
            kinds: rows::units_only(other.kinds),
            ..*other
        }
    }
}

//! Putting what a payload yielded beside the readings already there.

use ebbmark_core::ids::{FeedId, RawId, VesselId};
use ebbmark_core::reading::{Problem, ProblemKind, Reading, TimeFrom};
use ebbmark_core::time::Moment;

use super::shelf::{self, Destination, Place};
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
    /// Of that time only hours are kept.
    Late,
}

pub fn put(
    tx: &Tx<'_>,
    into: &mut Destination,
    feed: FeedId,
    raw: Option<RawId>,
    at: i64,
    values: &Values,
) -> rusqlite::Result<Put> {
    match into.put(tx.conn, feed, shelf::of(raw, at, values))? {
        Place::Free => Ok(Put::Added),
        Place::Taken(known) if known.values.same_measurements(values) => Ok(Put::Known {
            same_payload: known.raw.is_some() && known.raw == raw.map(|r| r.0),
        }),
        Place::Taken(_) => Ok(Put::Conflict),
        Place::Gone => Ok(Put::Late),
    }
}

/// Takes in the payloads of one feed, one after the other, and adds up what came of them.
pub struct Intake<'a> {
    feed: FeedId,
    source: &'a str,
    topic: &'a str,
    into: Destination,
    pub stats: Stats,
    pub taken: Taken,
    pub added: u32,
    pub problems: u32,
    /// Instants of the earliest and the latest reading added.
    pub touched: Option<(i64, i64)>,
}

impl<'a> Intake<'a> {
    pub fn new(feed: FeedId, source: &'a str, topic: &'a str, into: Destination) -> Self {
        Intake {
            feed,
            source,
            topic,
            into,
            stats: Stats::default(),
            taken: Taken::default(),
            added: 0,
            problems: 0,
            touched: None,
        }
    }

    /// Goes on from what is known of the feed.
    pub fn after(self, stats: Stats, taken: Taken) -> Self {
        Intake {
            stats,
            taken,
            ..self
        }
    }

    /// All is written; gives the instants of the earliest and the latest reading added.
    pub fn close(self, tx: &Tx<'_>) -> rusqlite::Result<Option<(i64, i64)>> {
        self.into.close(tx.conn, self.feed)?;
        Ok(self.touched)
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
        loop {
            let reading = shelf::of(Some(raw), at, values);
            match self.into.put(tx.conn, self.feed, reading)? {
                Place::Free => break,
                Place::Taken(_) => at = at.saturating_add(1),
                Place::Gone => return self.late(tx, Moment(at), Some(Moment(at))),
            }
        }
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
        match put(tx, &mut self.into, self.feed, Some(raw), at.0, values)? {
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
            Put::Late => self.late(tx, at, received),
        }
    }

    fn late(
        &mut self,
        tx: &mut Tx<'_>,
        at: Moment,
        received: Option<Moment>,
    ) -> rusqlite::Result<()> {
        let detail = format!(
            "a reading of {} came too late: of that time only hours are kept",
            at.to_rfc3339()
        );
        self.problem(tx, ProblemKind::BadTime, &detail, received)
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

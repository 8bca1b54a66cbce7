//! Reading. Every query the pages, the assessor and the ways out need; none of them writes.

use std::collections::{HashMap, HashSet};
use std::path::Path;
use std::sync::{Arc, mpsc};
use std::time::Duration;

use ebbmark_core::deed::Deed;
use ebbmark_core::hours::{Hour, hour_index};
use ebbmark_core::ids::{BatchId, FeedId, NoticeId, VesselId};
use ebbmark_core::learn::CurveRecord;
use ebbmark_core::notice::wishes::Wishes;
use ebbmark_core::reckon::{self, Asker, Known, Record};
use ebbmark_core::review::Pace;
use ebbmark_core::time::Moment;
use ebbmark_core::units::{Degrees, Gravity, Preferences};
use jiff::tz::TimeZone;
use rusqlite::{Connection, ErrorCode, OptionalExtension, Row};
use tokio::sync::watch;

use crate::apply::arrival::DROPPED;
use crate::apply::{access, lines};
use crate::at_hand::{Grain, Snapshot};
use crate::error::StoreError;
use crate::model::{
    Batch, DueDelivery, Family, Feed, Found, History, IMPORT, LogLine, Notice, ProblemCount,
    Session, Stay, StoredReading, StoredVerdict, Summary, Token, Unclaimed, Vessel, Wanted,
};
use crate::pool::Pool;
use crate::writer::Trouble;
use crate::{
    archive, family, hours, meads, migrate, outbox, payloads, record, rows, shelf_life, singles,
    vessels,
};

/// Key of the setting that holds the units, as JSON of [`Preferences`].
pub const UNITS_SETTING: &str = "units";
/// Key of the setting that says what is told how, as JSON of [`Wishes`].
pub const WISHES_SETTING: &str = "notice-wishes";
/// Key of the setting that names the time zone.
pub const ZONE_SETTING: &str = "zone";

/// A small pool of read-only connections. Calls block: use it from a blocking thread.
/// Each call sees one snapshot of what was committed.
#[derive(Clone)]
pub struct Reader {
    pool: Arc<Pool>,
}

type Res<T> = Result<T, StoreError>;
type Sql<T> = rusqlite::Result<T>;

impl Reader {
    pub(crate) fn open(path: &Path, trouble: watch::Sender<Option<Trouble>>) -> Sql<Reader> {
        Ok(Reader {
            pool: Arc::new(Pool::open(path, trouble)?),
        })
    }

    pub(crate) fn with<T>(&self, read: impl FnOnce(&Snapshot<'_>) -> Sql<T>) -> Res<T> {
        self.pool.with(read)
    }

    /// Vessels in order of name, retired ones last.
    pub fn vessels(&self) -> Res<Vec<Vessel>> {
        self.with(|conn| vessels::all(conn))
    }

    pub fn vessel(&self, id: VesselId) -> Res<Option<Vessel>> {
        self.with(|conn| vessels::one(conn, id))
    }

    /// Batches that are or were in a vessel, the one put into it last first.
    pub fn batches(&self, vessel: VesselId) -> Res<Vec<Batch>> {
        self.with(|conn| {
            conn.prepare_cached(&format!(
                "SELECT {} FROM batch WHERE id IN (SELECT batch FROM stay WHERE vessel = ?1) \
                 ORDER BY (SELECT max(s.since) FROM stay s \
                           WHERE s.batch = batch.id AND s.vessel = ?1) DESC, id DESC",
                rows::BATCH
            ))?
            .query_map([vessel.0], rows::batch)?
            .collect()
        })
    }

    pub fn batch(&self, id: BatchId) -> Res<Option<Batch>> {
        self.with(|conn| meads::batch(conn, id))
    }

    /// Where a mead was when, the vessel it is in last: where the mead it was split off from was
    /// up to the split (and that one's own origin before), then where it was itself, up to `to`.
    /// The first stay begins at the pitch.
    pub fn stays(&self, batch: &Batch, to: Moment) -> Res<Vec<Stay>> {
        self.with(|conn| meads::stays(conn, batch, to))
    }

    /// All that is on record of a mead, with what it inherited from the mead it was split off
    /// from. Hours go up to `to`; a line of the log may lie later. An hour before the pitch is
    /// taken along: the first gravity is often read then.
    pub fn history(&self, batch: &Batch, to: Moment) -> Res<History> {
        self.with(|conn| meads::history(conn, batch, to))
    }

    /// All meads it came from and that came from it, itself among them, as they stood at `to`.
    pub fn family(&self, batch: BatchId, to: Moment) -> Res<Family> {
        self.with(|conn| family::of(conn, batch, to))
    }

    /// What a reckoning about a vessel is filled from; `None` when nothing is in it.
    pub fn mead_record(&self, vessel: VesselId, now: Moment) -> Res<Option<Record>> {
        self.with(|conn| record::of(conn, vessel, now))
    }

    /// What is on record of a vessel to fill the fields of a reckoning.
    pub fn known(&self, vessel: VesselId, asker: &Asker) -> Res<Known> {
        let record = self.mead_record(vessel, asker.now)?;
        Ok(record.map_or_else(Known::default, |r| reckon::known(&r, asker)))
    }

    /// How other meads went that settled: what a verdict on `batch` may learn from. Meads that
    /// share a past with it are left out, for that is in its own readings; of others that were
    /// split from one another and have one yeast the first speaks for all.
    pub fn curve_records(&self, batch: BatchId) -> Res<Vec<CurveRecord>> {
        self.with(|conn| {
            let own = meads::root(conn, batch)?;
            let kept = conn
                .prepare_cached(&format!(
                    "SELECT {} FROM curve_record ORDER BY batch",
                    rows::CURVE
                ))?
                .query_map([], rows::curve)?
                .collect::<Sql<Vec<_>>>()?;
            let mut told = HashSet::new();
            let mut records = Vec::new();
            for (id, record) in kept {
                let root = meads::root(conn, id)?;
                if root != own && told.insert((root, record.yeast.clone())) {
                    records.push(record);
                }
            }
            Ok(records)
        })
    }

    /// What a mead's record comes to. Kept for one that ended; of one that has not it is made anew.
    pub fn summary(&self, batch: &Batch, now: Moment) -> Res<Summary> {
        self.with(|conn| archive::summary(conn, batch, now))
    }

    /// What was done to a mead and to those it came from, as it stands after corrections.
    pub fn deeds(&self, batch: &Batch, now: Moment) -> Res<Vec<Deed>> {
        self.with(|conn| archive::deeds(conn, batch, now))
    }

    /// One page ([`archive::PAGE`]) of the meads that are asked for.
    pub fn meads(&self, wanted: &Wanted, page: u32, now: Moment) -> Res<Found> {
        self.with(|conn| archive::found(conn, wanted, page, now))
    }

    /// How the meads went that ended. Those that share a past with one of `except` are left out;
    /// of others that were split from one another the last one speaks for all.
    pub fn paces(&self, except: &[BatchId]) -> Res<Vec<Pace>> {
        self.with(|conn| archive::paces(conn, except))
    }

    /// Feeds in order of name, retired ones last.
    pub fn feeds(&self) -> Res<Vec<Feed>> {
        self.with(|conn| {
            conn.prepare_cached(&format!(
                "SELECT {}, {}, t.last_raw FROM feed f JOIN topic t ON t.id = f.topic \
                 ORDER BY f.retired, f.name, f.id",
                rows::FEED,
                rows::FEED_STATS
            ))?
            .query_map([], |r| feed(conn, r))?
            .collect()
        })
    }

    pub fn feed(&self, id: FeedId) -> Res<Option<Feed>> {
        self.with(|conn| {
            conn.prepare_cached(&format!(
                "SELECT {}, {}, t.last_raw FROM feed f JOIN topic t ON t.id = f.topic WHERE f.id = ?1",
                rows::FEED,
                rows::FEED_STATS
            ))?
            .query_row([id.0], |r| feed(conn, r))
            .optional()
        })
    }

    /// The feeds in a vessel that come from a device, not from a file.
    pub fn floats_in(&self, vessel: VesselId) -> Res<Vec<FeedId>> {
        let feeds = self.feeds()?.into_iter();
        let floats = feeds.filter(|f| f.vessel == Some(vessel) && !f.retired && f.source != IMPORT);
        Ok(floats.map(|f| f.id).collect())
    }

    /// Feeds whose readings belonged to the vessel at some time in `[from, to)`, with those
    /// spans, cut to `[from, to)`.
    pub fn feeds_of(
        &self,
        vessel: VesselId,
        from: Moment,
        to: Moment,
    ) -> Res<Vec<(FeedId, Moment, Moment)>> {
        self.with(|conn| meads::spans(conn, vessel, from, to))
    }

    /// Topics nobody has claimed, the one heard last first.
    /// Topics that lead to a vessel's log are not among them.
    pub fn unclaimed(&self) -> Res<Vec<Unclaimed>> {
        self.with(|conn| {
            // In one go: they lie among all that came, of whatever topic.
            let mut payloads: HashMap<i64, Vec<Vec<u8>>> = HashMap::new();
            let mut kept = conn.prepare_cached(
                "SELECT topic, payload FROM raw WHERE topic NOT IN (SELECT topic FROM feed) \
                 ORDER BY id DESC",
            )?;
            let mut found = kept.query([])?;
            while let Some(row) = found.next()? {
                payloads.entry(row.get(0)?).or_default().push(row.get(1)?);
            }
            let mut topics = unclaimed(conn)?;
            for (id, topic) in &mut topics {
                topic.payloads = payloads.remove(id).unwrap_or_default();
            }
            Ok(topics.into_iter().map(|(_, topic)| topic).collect())
        })
    }

    /// How many there are of those.
    pub fn unclaimed_count(&self) -> Res<usize> {
        self.with(|conn| Ok(unclaimed(conn)?.len()))
    }

    /// Payloads that are kept of a topic, as they came, oldest first.
    pub fn payloads(&self, source: &str, topic: &str) -> Res<Vec<Vec<u8>>> {
        self.with(|conn| {
            let id: Option<i64> = conn
                .prepare_cached("SELECT id FROM topic WHERE source = ?1 AND topic = ?2")?
                .query_row([source, topic], |r| r.get(0))
                .optional()?;
            let Some(id) = id else { return Ok(Vec::new()) };
            let mut all = payloads::All::of(conn, id)?;
            let mut found = Vec::new();
            while let Some(kept) = all.next()? {
                found.push(kept.payload);
            }
            Ok(found)
        })
    }

    /// Gravity the mead began at that was in the vessel at this time.
    pub fn original_gravity(&self, vessel: VesselId, at: Moment) -> Res<Option<Gravity>> {
        self.with(|conn| meads::original_gravity(conn, vessel, at))
    }

    /// Unclaimed topics that have made room for later ones since the beginning.
    pub fn unclaimed_dropped(&self) -> Res<u64> {
        self.with(|conn| {
            let n: Option<i64> = conn
                .prepare_cached("SELECT n FROM tally WHERE name = ?1")?
                .query_row([DROPPED], |r| r.get(0))
                .optional()?;
            Ok(n.unwrap_or(0).unsigned_abs())
        })
    }

    /// Problems, the latest first.
    pub fn problems(&self) -> Res<Vec<ProblemCount>> {
        self.with(|conn| {
            // The detail comes from the row of the latest `last`: SQLite's rule for a bare
            // column beside max().
            conn.prepare_cached(
                "SELECT f.id, p.source, p.topic, p.kind, sum(p.count), max(p.last), p.detail \
                 FROM problem p \
                 LEFT JOIN topic t ON t.source = p.source AND t.topic = p.topic \
                 LEFT JOIN feed f ON f.topic = t.id \
                 GROUP BY p.source, p.topic, p.kind ORDER BY max(p.last) DESC, p.source, p.topic",
            )?
            .query_map([], |r| {
                Ok(ProblemCount {
                    feed: r.get::<_, Option<i64>>(0)?.map(FeedId),
                    source: r.get(1)?,
                    topic: r.get(2)?,
                    kind: rows::problem_kind(r, 3)?,
                    count: r.get::<_, i64>(4)?.unsigned_abs(),
                    last: Moment(r.get(5)?),
                    detail: r.get(6)?,
                })
            })?
            .collect()
        })
    }

    /// Readings of a feed in `[from, to)`, in time order.
    pub fn readings(&self, feed: FeedId, from: Moment, to: Moment) -> Res<Vec<StoredReading>> {
        self.with(|conn| meads::readings(conn, feed, from, to))
    }

    /// Tilts of a feed in `[from, to)`, in time order.
    pub fn tilts(&self, feed: FeedId, from: Moment, to: Moment) -> Res<Vec<Degrees>> {
        self.with(|conn| {
            let all = singles::between(conn, feed, from.0, to.0)?;
            Ok(all
                .iter()
                .filter_map(|r| r.values.tilt.map(Degrees::computed))
                .collect())
        })
    }

    /// Hours of a feed overlapping `[from, to)`, in order, whole ones. Hours that are stale (see
    /// [`Reader::stale_hours`]) are rolled on the fly from the readings, so this is always current.
    pub fn hours(&self, feed: FeedId, from: Moment, to: Moment) -> Res<Vec<Hour>> {
        if from >= to {
            return Ok(Vec::new());
        }
        let last = hour_index(Moment(to.0 - 1));
        self.with(|conn| hours::whole(conn, feed, hour_index(from), last, Grain::EVERY))
    }

    /// Hours whose readings changed since they were rolled.
    pub fn stale_hours(&self) -> Res<Vec<(FeedId, i64)>> {
        self.with(|conn| hours::stale(conn))
    }

    /// The hours of every feed that belonged to the vessel in `[from, to)`, cut to the time it
    /// belonged there and to `[from, to)`, merged in time order. Two feeds give two hours with
    /// one index.
    pub fn vessel_hours(&self, vessel: VesselId, from: Moment, to: Moment) -> Res<Vec<Hour>> {
        self.with(|conn| meads::vessel_hours(conn, vessel, from, to, Grain::EVERY))
    }

    /// As [`Reader::vessel_hours`], single readings.
    pub fn vessel_readings(
        &self,
        vessel: VesselId,
        from: Moment,
        to: Moment,
    ) -> Res<Vec<StoredReading>> {
        self.with(|conn| meads::vessel_readings(conn, vessel, from, to))
    }

    /// Whether of some of what was measured in a vessel in `[from, to)` only hours are kept.
    pub fn is_only_hours(&self, vessel: VesselId, from: Moment, to: Moment) -> Res<bool> {
        self.with(|conn| {
            for (feed, since, until) in meads::spans(conn, vessel, from, to)? {
                if shelf_life::is_only_hours(conn, feed, since, until)? {
                    return Ok(true);
                }
            }
            Ok(false)
        })
    }

    /// Lines of a vessel's log in `[from, to)` in order of their `at`, replaced ones included.
    pub fn log(&self, vessel: VesselId, from: Moment, to: Moment) -> Res<Vec<LogLine>> {
        self.with(|conn| meads::log(conn, vessel, from, to))
    }

    /// Latest verdict of each vessel that has one.
    pub fn verdicts(&self) -> Res<Vec<StoredVerdict>> {
        self.with(|conn| {
            conn.prepare_cached(&format!(
                "SELECT {} FROM verdict ORDER BY vessel",
                rows::VERDICT
            ))?
            .query_map([], rows::verdict)?
            .collect()
        })
    }

    pub fn verdict(&self, vessel: VesselId) -> Res<Option<StoredVerdict>> {
        self.with(|conn| vessels::verdict(conn, vessel))
    }

    /// Changes of phase of a batch, oldest first: (since, phase key, sentence).
    pub fn phases(&self, batch: BatchId) -> Res<Vec<(Moment, String, String)>> {
        self.with(|conn| {
            conn.prepare_cached(
                "SELECT since, phase, sentence FROM phase_change WHERE batch = ?1 ORDER BY id",
            )?
            .query_map([batch.0], |r| Ok((Moment(r.get(0)?), r.get(1)?, r.get(2)?)))?
            .collect()
        })
    }

    /// Latest notices, newest first.
    pub fn notices(&self, limit: u32) -> Res<Vec<Notice>> {
        self.with(|conn| outbox::latest(conn, limit))
    }

    /// Keys of notices whose condition still stands.
    pub fn open_notice_keys(&self) -> Res<Vec<String>> {
        self.with(|conn| outbox::open_keys(conn))
    }

    /// Deliveries due at `now`, oldest first, at most `limit`.
    pub fn due(&self, now: Moment, limit: u32) -> Res<Vec<DueDelivery>> {
        self.with(|conn| outbox::due(conn, now, limit))
    }

    /// When the next delivery after that moment is due, or the next notice is told again.
    pub fn next_due(&self, after: Moment) -> Res<Option<Moment>> {
        self.with(|conn| outbox::next_due(conn, after))
    }

    pub fn notice(&self, id: NoticeId) -> Res<Option<Notice>> {
        self.with(|conn| outbox::one(conn, id))
    }

    /// Whether there ever was a notice with this key.
    pub fn was_told(&self, key: &str) -> Res<bool> {
        self.with(|conn| outbox::was_told(conn, key))
    }

    /// Notices that stand unanswered and whose time to be told again has come.
    pub fn to_tell_again(&self, now: Moment) -> Res<Vec<Notice>> {
        self.with(|conn| outbox::to_tell_again(conn, now))
    }

    /// Notices whose condition still stands, oldest first.
    pub fn standing(&self) -> Res<Vec<Notice>> {
        self.with(|conn| outbox::standing(conn))
    }

    /// What the maker wants told, by which way and when. What cannot be read any more is as if he
    /// had not chosen: better told too much than not at all.
    pub fn wishes(&self) -> Res<Wishes> {
        let text = self.setting(WISHES_SETTING)?;
        Ok(text
            .and_then(|text| {
                serde_json::from_str(&text)
                    .inspect_err(|e| {
                        tracing::warn!("what is told cannot be read, so everything is: {e}")
                    })
                    .ok()
            })
            .unwrap_or_default())
    }

    pub fn setting(&self, key: &str) -> Res<Option<String>> {
        self.with(|conn| setting(conn, key))
    }

    /// Zone and units as the maker set them on the page. What is not set, or cannot be read any
    /// more, falls back rather than shutting the maker out.
    pub fn zone_and_units(&self, fallback: &TimeZone) -> Res<(TimeZone, Preferences)> {
        let (zone, units) =
            self.with(|conn| Ok((setting(conn, ZONE_SETTING)?, setting(conn, UNITS_SETTING)?)))?;
        let zone = zone.and_then(|name| TimeZone::get(&name).ok());
        let units = units.and_then(|text| serde_json::from_str(&text).ok());
        Ok((
            zone.unwrap_or_else(|| fallback.clone()),
            units.unwrap_or_default(),
        ))
    }

    /// A session, if it is known and not closed.
    pub fn session(&self, token_hash: &[u8]) -> Res<Option<Session>> {
        self.with(|conn| access::session(conn, token_hash))
    }

    /// Who is signed in, the latest seen first.
    pub fn sessions(&self, now: Moment) -> Res<Vec<Session>> {
        self.with(|conn| access::sessions(conn, now))
    }

    /// The token kept under one of these hashes: those made before tokens had names were hashed
    /// in two other ways.
    pub fn token(&self, hashes: &[String; 3]) -> Res<Option<Token>> {
        self.with(|conn| access::token(conn, hashes))
    }

    pub fn tokens(&self) -> Res<Vec<Token>> {
        self.with(|conn| access::tokens(conn))
    }

    /// The latest believable instant in the database: the clock may not be earlier than this.
    /// Instants that only a payload claims do not count.
    pub fn latest_instant(&self) -> Res<Option<Moment>> {
        self.with(|conn| {
            let latest: Option<i64> = conn
                .prepare_cached(
                    "SELECT max(at) FROM (SELECT max(last_wall) AS at FROM topic \
                     UNION ALL SELECT max(wall) FROM \
                     (SELECT wall FROM raw ORDER BY id DESC LIMIT 1024) \
                     UNION ALL SELECT max(made_at) FROM entry \
                     UNION ALL SELECT max(at) FROM verdict \
                     UNION ALL SELECT max(at) FROM notice)",
                )?
                .query_row([], |r| r.get(0))?;
            Ok(latest
                .map(Moment)
                .filter(|at| *at >= Moment::EARLIEST_BELIEVABLE))
        })
    }

    /// Payloads kept undated (clock not believable), all runs. Those of a run that ended before
    /// its clock was set stay so: nothing tells any more how long ago they came.
    pub fn undated(&self) -> Res<u64> {
        self.with(|conn| {
            let n: i64 = conn
                .prepare_cached("SELECT count(*) FROM raw WHERE waits = 1")?
                .query_row([], |r| r.get(0))?;
            Ok(n.unsigned_abs())
        })
    }

    /// SQLite's own look through the file (`quick_check`): what is wrong, `Some(None)` for nothing,
    /// `None` when it was not done `within` that time.
    pub fn damage(&self, within: Duration) -> Res<Option<Option<String>>> {
        self.with(|conn| {
            let stop = conn.get_interrupt_handle();
            let (done, waits) = mpsc::channel::<()>();
            std::thread::scope(|scope| {
                scope.spawn(move || {
                    if waits.recv_timeout(within) == Err(mpsc::RecvTimeoutError::Timeout) {
                        stop.interrupt();
                    }
                });
                let said: Sql<String> =
                    conn.query_row("PRAGMA quick_check(1)", [], |row| row.get(0));
                drop(done);
                match said {
                    Ok(said) if said == "ok" => Ok(Some(None)),
                    // In one line.
                    Ok(said) => Ok(Some(Some(
                        said.replace("*** in database main ***\n", "")
                            .replace('\n', "; "),
                    ))),
                    Err(e) => match e.sqlite_error_code() {
                        Some(ErrorCode::OperationInterrupted) => Ok(None),
                        Some(ErrorCode::DatabaseCorrupt) => Ok(Some(Some(e.to_string()))),
                        _ => Err(e),
                    },
                }
            })
        })
    }

    pub fn schema_version(&self) -> Res<i64> {
        self.with(|conn| migrate::version(conn))
    }
}

/// Topics nobody has claimed and that lead to no log, by number, the latest heard first; without their
/// payloads.
fn unclaimed(conn: &Connection) -> Sql<Vec<(i64, Unclaimed)>> {
    conn.prepare_cached(
        "SELECT t.id, t.source, t.topic, t.heard, t.last_wall FROM topic t \
         WHERE NOT EXISTS (SELECT 1 FROM feed f WHERE f.topic = t.id) \
         ORDER BY t.last_raw DESC, t.id",
    )?
    .query_map([], |r| {
        let topic: String = r.get(2)?;
        if lines::address_of(conn, &topic)?.is_some() {
            return Ok(None);
        }
        let topic = Unclaimed {
            source: r.get(1)?,
            topic,
            count: r.get::<_, i64>(3)?.unsigned_abs(),
            last: r.get::<_, Option<i64>>(4)?.map(Moment),
            payloads: Vec::new(),
        };
        Ok(Some((r.get(0)?, topic)))
    })?
    .filter_map(Result::transpose)
    .collect()
}

pub(crate) fn setting(conn: &Connection, key: &str) -> Sql<Option<String>> {
    conn.prepare_cached("SELECT value FROM setting WHERE key = ?1")?
        .query_row([key], |r| r.get(0))
        .optional()
}

/// A row of the columns [`rows::FEED`], [`rows::FEED_STATS`] and `last_raw`, with what came since.
fn feed(conn: &Snapshot<'_>, row: &Row<'_>) -> Sql<Feed> {
    let later = conn.unwritten(FeedId(row.get(0)?), row.get("last_raw")?)?;
    rows::feed(row, &later)
}

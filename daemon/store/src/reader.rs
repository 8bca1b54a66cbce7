//! Reading. Every query the pages, the assessor and the ways out need; none of them writes.

use ebbmark_core::hours::Hour;
use ebbmark_core::ids::{BatchId, FeedId, VesselId};
use ebbmark_core::time::Moment;

use crate::error::StoreError;
use crate::model::{
    Batch, DueDelivery, Feed, LogLine, Notice, ProblemCount, StoredReading, StoredVerdict,
    Unclaimed, Vessel,
};

/// A small pool of read-only connections. Calls block: use it from a blocking thread.
#[derive(Clone)]
pub struct Reader {}

type Res<T> = Result<T, StoreError>;

impl Reader {
    /// Vessels in order of name, retired ones last.
    pub fn vessels(&self) -> Res<Vec<Vessel>> {
        todo!()
    }
    pub fn vessel(&self, _id: VesselId) -> Res<Option<Vessel>> {
        todo!()
    }
    /// Batches of a vessel, newest first.
    pub fn batches(&self, _vessel: VesselId) -> Res<Vec<Batch>> {
        todo!()
    }
    pub fn feeds(&self) -> Res<Vec<Feed>> {
        todo!()
    }
    pub fn feed(&self, _id: FeedId) -> Res<Option<Feed>> {
        todo!()
    }
    /// Feeds whose readings belonged to the vessel at some time in `[from, to)`, with those spans.
    pub fn feeds_of(
        &self,
        _vessel: VesselId,
        _from: Moment,
        _to: Moment,
    ) -> Res<Vec<(FeedId, Moment, Moment)>> {
        todo!()
    }
    pub fn unclaimed(&self) -> Res<Vec<Unclaimed>> {
        todo!()
    }
    pub fn problems(&self) -> Res<Vec<ProblemCount>> {
        todo!()
    }
    /// Readings of a feed in `[from, to)`, in time order.
    pub fn readings(&self, _feed: FeedId, _from: Moment, _to: Moment) -> Res<Vec<StoredReading>> {
        todo!()
    }
    /// Hours of a feed overlapping `[from, to)`, in order. Hours that are stale (see
    /// [`Reader::stale_hours`]) are rolled on the fly from the readings, so this is always current.
    pub fn hours(&self, _feed: FeedId, _from: Moment, _to: Moment) -> Res<Vec<Hour>> {
        todo!()
    }
    /// Hours whose readings changed since they were rolled.
    pub fn stale_hours(&self) -> Res<Vec<(FeedId, i64)>> {
        todo!()
    }
    /// The hours of every feed that belonged to the vessel in `[from, to)`, cut to the time it
    /// belonged there, merged in time order.
    pub fn vessel_hours(&self, _vessel: VesselId, _from: Moment, _to: Moment) -> Res<Vec<Hour>> {
        todo!()
    }
    /// As [`Reader::vessel_hours`], single readings.
    pub fn vessel_readings(
        &self,
        _vessel: VesselId,
        _from: Moment,
        _to: Moment,
    ) -> Res<Vec<StoredReading>> {
        todo!()
    }
    /// Lines of a vessel's log in order of their `at`, replaced ones included.
    pub fn log(&self, _vessel: VesselId, _from: Moment, _to: Moment) -> Res<Vec<LogLine>> {
        todo!()
    }
    /// Latest verdict of each vessel that has one.
    pub fn verdicts(&self) -> Res<Vec<StoredVerdict>> {
        todo!()
    }
    pub fn verdict(&self, _vessel: VesselId) -> Res<Option<StoredVerdict>> {
        todo!()
    }
    /// Changes of phase of a batch, oldest first: (since, phase key, sentence).
    pub fn phases(&self, _batch: BatchId) -> Res<Vec<(Moment, String, String)>> {
        todo!()
    }
    /// Latest notices, newest first.
    pub fn notices(&self, _limit: u32) -> Res<Vec<Notice>> {
        todo!()
    }
    /// Keys of notices whose condition still stands.
    pub fn open_notice_keys(&self) -> Res<Vec<String>> {
        todo!()
    }
    /// Deliveries due at `now`, oldest first, at most `limit`.
    pub fn due(&self, _now: Moment, _limit: u32) -> Res<Vec<DueDelivery>> {
        todo!()
    }
    /// When the next delivery is due.
    pub fn next_due(&self) -> Res<Option<Moment>> {
        todo!()
    }
    pub fn setting(&self, _key: &str) -> Res<Option<String>> {
        todo!()
    }
    /// Expiry of a session, if it is known and not closed.
    pub fn session(&self, _token_hash: &[u8]) -> Res<Option<Moment>> {
        todo!()
    }
    /// The latest believable instant in the database: the clock may not be earlier than this.
    pub fn latest_instant(&self) -> Res<Option<Moment>> {
        todo!()
    }
    /// Payloads kept undated (clock not believable), all runs.
    pub fn undated(&self) -> Res<u64> {
        todo!()
    }
    pub fn schema_version(&self) -> Res<i64> {
        todo!()
    }
}

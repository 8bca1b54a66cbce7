//! What goes into the store and what comes out of it, as plain data.
//!
//! These are the store's own shapes: core types where they fit, no SQL, no column names.

use ebbmark_core::deed::Deed;
pub use ebbmark_core::deed::HandFacts;
use ebbmark_core::feed::FeedMap;
use ebbmark_core::hours::Hour;
use ebbmark_core::ids::{BatchId, EntryId, FeedId, NoticeId, RawId, TokenId, VesselId};
use ebbmark_core::learn::CurveRecord;
use ebbmark_core::lineage::Book;
use ebbmark_core::notice::NoticeKind;
use ebbmark_core::plan::Plan;
use ebbmark_core::price::{Good, Price};
use ebbmark_core::reading::ProblemKind;
use ebbmark_core::review::{Pace, Point, Review};
use ebbmark_core::tasks::Answer;
use ebbmark_core::time::Moment;
use ebbmark_core::units::{AbvPercent, Battery, Celsius, Gravity, Kilograms, Litres, Signal};
use ebbmark_core::verdict::outcome::Verdict;
use serde::{Deserialize, Serialize};

/// The source of readings that came from a file; no way in may have this name.
pub const IMPORT: &str = "import";

/// When a message came in: wall time if the clock can be believed, always monotonic time.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stamp {
    /// `None` while the board's clock is not believable (no battery clock, not yet set).
    pub wall: Option<Moment>,
    /// Milliseconds on the monotonic clock of this run of the daemon.
    pub monotonic_ms: i64,
}

/// A message as it came in, before anyone has looked into it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Arrival {
    /// Way in: `intake`, `http`, or the name of a broker from the configuration.
    pub source: String,
    pub topic: String,
    pub payload: Vec<u8>,
    pub stamp: Stamp,
    /// Set for a delivery that may be repeated (MQTT QoS 1 and 2, HTTP with a key).
    pub delivery: Option<Delivery>,
    /// What a broker had kept and hands to every new subscriber: it may be any age, so a reading
    /// in it without a time of its own is not one of now. Not the flag of a live publish.
    pub retained: bool,
}

/// What MQTT or the HTTP sender says about a delivery; used to recognise a redelivery after a crash.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Delivery {
    /// Client id (intake), our own client id at that broker, or the sender's key (HTTP).
    pub peer: String,
    pub packet_id: u16,
    /// The DUP flag: only a packet that says it is a repeat is checked against what is stored.
    pub repeat: bool,
}

/// What became of an [`Arrival`], once committed.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Receipt {
    /// `None` when it was a repeat of something already stored, or an unclaimed payload too large
    /// to keep (then a problem is counted).
    pub raw: Option<RawId>,
    /// The feed it belongs to; `None` for an unclaimed topic.
    pub feed: Option<FeedId>,
    pub vessel: Option<VesselId>,
    pub readings: u32,
    pub problems: u32,
    /// Readings wait for a believable clock.
    pub waits_for_time: bool,
}

/// Told to whoever listens after each commit, so that pages and verdicts can follow.
#[derive(Clone, Debug, PartialEq)]
pub enum Change {
    /// New readings (or a re-read) on this feed. `from` is the earliest instant touched.
    Readings {
        feed: FeedId,
        vessel: Option<VesselId>,
        from: Moment,
    },
    /// Log, batch or settings of a vessel.
    Vessel(VesselId),
    /// A new verdict was stored.
    Verdict(VesselId),
    Notice(NoticeId),
    /// Feeds, claims, unclaimed topics, problems.
    Feeds,
}

/// One thing to do to the store that is not a message. All of them run in the writer's order.
#[derive(Clone, Debug)]
pub enum Command {
    AddVessel(VesselFacts),
    EditVessel(VesselId, VesselFacts),
    /// Hidden from the cellar view; nothing is destroyed.
    RetireVessel(VesselId),
    /// A must: a part of another mead comes by [`Command::PourBatch`]. Its vessel is empty.
    StartBatch {
        vessel: VesselId,
        facts: BatchFacts,
    },
    /// A mead made of parts of others: one part is a split, several are a blend. The largest
    /// part's past is its own; both books note what went where. Its vessel is empty, or is that
    /// of a part of which nothing is left. `facts.origin` is found from the parts.
    PourBatch {
        vessel: VesselId,
        facts: BatchFacts,
        parts: Vec<Part>,
        /// Feeds that go along into the vessel.
        feeds: Vec<FeedId>,
        /// As in [`Command::Log`].
        once: Option<String>,
        made_at: Moment,
    },
    /// Into another vessel, which has to be empty; both books note it.
    MoveBatch(Move),
    EditBatch(BatchId, BatchFacts),
    EndBatch {
        batch: BatchId,
        at: Moment,
    },
    /// What the mead is to become; stands in place of what was planned before.
    Plan {
        batch: BatchId,
        plan: Box<Plan>,
    },
    /// A command that makes or changes a mead, and its plan with it: both are kept, or neither.
    Planned {
        mead: Box<Command>,
        plan: Box<Plan>,
    },
    /// The maker's word on a task, by its key; stands in place of an earlier one.
    AnswerTask {
        batch: BatchId,
        task: String,
        answer: Answer,
        at: Moment,
    },
    /// Makes an unclaimed topic a feed and re-reads what was kept of it.
    Claim {
        source: String,
        topic: String,
        name: String,
        map: FeedMap,
        vessel: Option<VesselId>,
    },
    /// Changes how a feed is read and re-reads its raw payloads from the start.
    Remap {
        feed: FeedId,
        name: String,
        map: FeedMap,
    },
    /// From `at` on the feed's readings belong to this vessel (or to none).
    Assign {
        feed: FeedId,
        vessel: Option<VesselId>,
        at: Moment,
    },
    /// The feed is hidden and no longer read; its readings stay.
    RetireFeed(FeedId),
    /// `once` is a token from the form: the same token twice is one line.
    Log {
        vessel: VesselId,
        deed: Deed,
        hand: Option<HandFacts>,
        once: Option<String>,
        made_at: Moment,
    },
    /// Replaces an earlier line; both are kept.
    Correct {
        entry: EntryId,
        deed: Deed,
        hand: Option<HandFacts>,
        made_at: Moment,
    },
    /// Readings from a file, already decoded, into a feed made for that vessel's imports.
    Import {
        vessel: VesselId,
        rows: Vec<ImportRow>,
    },
    /// The device on this topic said (or the broker said for it) that it went away.
    WentAway {
        source: String,
        topics: Vec<String>,
        at: Moment,
    },
    /// A message refused before it could become an arrival (too large, bad topic): counted.
    Refused {
        source: String,
        topic: String,
        kind: ProblemKind,
        detail: String,
        at: Moment,
    },
    /// The verdict, and the notices that follow from it, in one transaction.
    SaveVerdict {
        vessel: VesselId,
        batch: BatchId,
        verdict: Box<Verdict>,
        sentence: String,
        notices: Vec<NewNotice>,
    },
    /// How a mead went that settled; stands in place of what it told when it settled before.
    KeepCurve {
        batch: BatchId,
        at: Moment,
        record: CurveRecord,
    },
    /// What a mead's record comes to, made by [`crate::archive::make_stale`]. `seen` is the version
    /// of the record it was made from: one that has changed since stays stale.
    KeepSummary {
        batch: BatchId,
        seen: i64,
        summary: Box<Summary>,
    },
    /// Notices that do not come from a verdict (silence, battery, temperature, test).
    Notify(Vec<NewNotice>),
    /// Ends the condition a notice stands for, so that it may be raised again later.
    Clear {
        key: String,
        at: Moment,
    },
    /// The maker's answer to a notice that stands: told again then, or (`None`) not until it has ended
    /// and come anew. What of it has not gone out yet stays in.
    AnswerNotice {
        notice: NoticeId,
        again: Option<Moment>,
        at: Moment,
    },
    /// Queues anew, by these ways, a notice whose time to be told again has come.
    TellAgain {
        notice: NoticeId,
        channels: Vec<String>,
        at: Moment,
    },
    /// What came of one attempt to deliver.
    Delivered {
        notice: NoticeId,
        channel: String,
        attempt: DeliveryOutcome,
    },
    /// Hours that are over are rolled and packed; from [`crate::hours::roll_stale`].
    PackHours(Vec<(FeedId, i64)>),
    /// Payloads of topics, of each up to this number, are bundled; from there too.
    PackPayloads(Vec<(i64, RawId)>),
    /// Bundled payloads of a topic are past their time; from [`crate::shelf_life::past`].
    LetPayloadsGo {
        topic: i64,
        bundles: Vec<RawId>,
    },
    /// Of these hours only what is rolled stays; from there too.
    LetReadingsGo {
        feed: FeedId,
        hours: Vec<i64>,
    },
    /// The clock became believable: date everything this run received without a date.
    /// Wall time of an arrival is `offset_ms` + its monotonic milliseconds.
    Redate {
        offset_ms: i64,
    },
    /// What something cost from a day on.
    SetPrice(Price),
    /// Takes a price off the list.
    StrikePrice {
        of: Good,
        name: String,
        since: Moment,
    },
    SetSetting {
        key: String,
        value: Option<String>,
    },
    OpenSession {
        token_hash: Vec<u8>,
        made_at: Moment,
        expires: Moment,
        label: String,
    },
    CloseSession {
        token_hash: Vec<u8>,
    },
    /// All but one.
    CloseOtherSessions {
        keep: Vec<u8>,
    },
    /// Somebody is at it again: it holds until then.
    SessionSeen {
        token_hash: Vec<u8>,
        at: Moment,
        expires: Moment,
    },
    MakeToken {
        name: String,
        hash: String,
        scopes: Scopes,
        at: Moment,
    },
    TokenUsed {
        token: TokenId,
        at: Moment,
    },
    RevokeToken(TokenId),
}

/// What a token lets its bearer do.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Scopes {
    /// Read all that the pages show.
    pub look: bool,
    /// Do what the forms do.
    pub write: bool,
    /// Send readings over HTTP.
    pub send: bool,
}

#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Token {
    pub id: TokenId,
    pub name: String,
    pub scopes: Scopes,
    /// `None`: before tokens had names.
    pub made_at: Option<Moment>,
    /// To the day.
    pub used_at: Option<Moment>,
}

/// Somebody signed in at a browser.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Session {
    /// Names it; nobody can sign in with it.
    pub token_hash: Vec<u8>,
    pub made_at: Moment,
    /// To the day.
    pub seen_at: Moment,
    pub expires: Moment,
    /// What the browser calls itself.
    pub label: String,
}

/// A mead changes its vessel.
#[derive(Clone, Debug, PartialEq)]
pub struct Move {
    pub batch: BatchId,
    /// Where whoever asks believes it is: two phones do not move it twice.
    pub from: VesselId,
    pub to: VesselId,
    pub at: Moment,
    /// What is left of it afterwards.
    pub volume: Option<Litres>,
    pub note: String,
    /// Feeds that go along.
    pub feeds: Vec<FeedId>,
    /// As in [`Command::Log`].
    pub once: Option<String>,
    pub made_at: Moment,
}

/// What of a mead goes into another.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Part {
    pub parent: BatchId,
    pub volume: Option<Litres>,
    /// Nothing is left of it: it ends, and its vessel is empty.
    pub emptied: bool,
}

impl Part {
    /// Whose past the whole takes for its own.
    pub fn largest(parts: &[Part]) -> Option<&Part> {
        let litres = |part: &Part| part.volume.map_or(0.0, Litres::get);
        parts.iter().max_by(|a, b| litres(a).total_cmp(&litres(b)))
    }
}

/// What a command made, where it made something.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Done {
    Nothing,
    Vessel(VesselId),
    Batch(BatchId),
    Feed(FeedId),
    Entry(EntryId),
    Imported {
        added: u32,
        /// Already there with the same values.
        known: u32,
        /// At an instant already known with other values: the first stands.
        conflicting: u32,
    },
    Notices(Vec<NoticeId>),
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct VesselFacts {
    pub name: String,
    pub capacity: Option<Litres>,
    /// Outside this band a notice is due.
    pub temperature_low: Option<Celsius>,
    pub temperature_high: Option<Celsius>,
    /// Its own weight.
    pub tare: Option<Kilograms>,
    /// Where it stands.
    pub place: String,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct BatchFacts {
    pub name: String,
    /// Pitch; of a mead that was split off, when it was.
    pub started: Moment,
    pub original_gravity: Option<Gravity>,
    /// Where the maker expects it to end.
    pub expected_final: Option<Gravity>,
    /// What the yeast's maker says it bears.
    pub tolerance: Option<AbvPercent>,
    pub volume: Option<Litres>,
    pub yeast: String,
    pub honey: String,
    pub note: String,
    /// Set when it was split off from another mead, or poured together: the largest part.
    pub origin: Option<Origin>,
}

/// What a mead was split off from, or its largest part. Up to then the other one's history is its own.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
pub struct Origin {
    pub parent: BatchId,
    /// When, and so also the child's `started`.
    pub at: Moment,
}

#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ImportRow {
    pub at: Moment,
    pub gravity: Option<Gravity>,
    pub temperature: Option<Celsius>,
}

/// A notice to be queued. `key` names the condition ("stuck:3"): while a notice with that key
/// is open another one is not queued.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
pub struct NewNotice {
    pub kind: NoticeKind,
    pub key: String,
    pub vessel: Option<VesselId>,
    pub at: Moment,
    pub title: String,
    pub body: String,
    /// It waits for no quiet hours and no other notice.
    pub pressing: bool,
    /// Ways out, by name ("log", "mail", …): one delivery is queued for each.
    pub channels: Vec<String>,
}

#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum DeliveryOutcome {
    Sent { at: Moment },
    Retry { next: Moment, error: String },
    GivenUp { at: Moment, error: String },
}

// ---- what comes out ----

#[derive(Clone, Debug, PartialEq)]
pub struct Vessel {
    pub id: VesselId,
    pub facts: VesselFacts,
    pub retired: bool,
    /// The mead in it now.
    pub batch: Option<Batch>,
}

#[derive(Clone, Debug, PartialEq)]
pub struct Batch {
    pub id: BatchId,
    /// Where it is, or was last.
    pub vessel: VesselId,
    pub facts: BatchFacts,
    pub plan: Plan,
    pub ended: Option<Moment>,
}

#[derive(Clone, Debug, PartialEq)]
pub struct Feed {
    pub id: FeedId,
    pub source: String,
    pub topic: String,
    pub name: String,
    pub map: FeedMap,
    pub vessel: Option<VesselId>,
    pub retired: bool,
    pub last_reading: Option<Moment>,
    pub last_gravity: Option<Gravity>,
    pub last_temperature: Option<Celsius>,
    pub battery: Option<Battery>,
    pub signal: Option<Signal>,
    pub readings: u64,
    /// The device said it was going away, after its last reading.
    pub went_away: Option<Moment>,
    /// Payloads kept undated because the clock was not believable, of all runs.
    pub undated: u64,
}

/// A stay of a mead in a vessel, from `from` up to but not including `to`.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Stay {
    pub batch: BatchId,
    pub vessel: VesselId,
    pub from: Moment,
    pub to: Moment,
}

/// A mead with all it came from and all that came from it.
#[derive(Clone, Debug, PartialEq)]
pub struct Family {
    /// In the order they began.
    pub meads: Vec<Relative>,
    /// In order of time.
    pub shares: Vec<Share>,
}

#[derive(Clone, Debug, PartialEq)]
pub struct Relative {
    pub batch: Batch,
    /// The vessel it is in, or was in last.
    pub vessel: String,
    /// What is in it, and what became of the rest.
    pub book: Book,
}

/// So much of one mead went into another.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Share {
    pub child: BatchId,
    pub parent: BatchId,
    pub at: Moment,
    pub volume: Option<Litres>,
}

impl Family {
    pub fn of(&self, id: BatchId) -> Option<&Relative> {
        self.meads.iter().find(|m| m.batch.id == id)
    }
}

/// What a mead's record comes to, and its curve in few points.
#[derive(Clone, Debug, PartialEq)]
pub struct Summary {
    pub review: Review,
    /// `None` while its fall is not over, or where there was none to see.
    pub pace: Option<Pace>,
    pub points: Vec<Point>,
}

/// Which meads are asked for: all that is set must hold.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Wanted {
    /// Each must be found in the mead's names, notes, honeys, fruits or doses, whatever its case and
    /// accents; a part of a word will do.
    pub words: String,
    /// The same in the yeast alone.
    pub yeast: String,
    /// Begun at this time or later.
    pub from: Option<Moment>,
    /// Begun before.
    pub until: Option<Moment>,
    /// `None`: those that ended and those that did not.
    pub ended: Option<bool>,
}

/// A part of what was found, the mead begun last first.
#[derive(Clone, Debug, PartialEq)]
pub struct Found {
    pub meads: Vec<FoundMead>,
    /// Meads in all.
    pub total: u64,
}

#[derive(Clone, Debug, PartialEq)]
pub struct FoundMead {
    pub batch: Batch,
    pub vessel: String,
    /// Of one that ended.
    pub review: Option<Review>,
    /// Of one that has not, when it was last judged.
    pub now: Option<Gravity>,
}

/// All that is on record of a mead, what it inherited first.
#[derive(Clone, Debug, PartialEq)]
pub struct History {
    /// The pitch, of the mead it was split off from if it was.
    pub started: Moment,
    /// In time order.
    pub hours: Vec<Hour>,
    /// In time order, replaced lines included.
    pub lines: Vec<LogLine>,
}

/// A topic nobody has claimed, with its latest payloads (newest first).
#[derive(Clone, Debug, PartialEq)]
pub struct Unclaimed {
    pub source: String,
    pub topic: String,
    pub count: u64,
    pub last: Option<Moment>,
    pub payloads: Vec<Vec<u8>>,
}

#[derive(Clone, Debug, PartialEq)]
pub struct ProblemCount {
    pub feed: Option<FeedId>,
    pub source: String,
    pub topic: String,
    pub kind: ProblemKind,
    pub count: u64,
    pub last: Moment,
    /// The latest one's words.
    pub detail: String,
}

#[derive(Clone, Debug, PartialEq)]
pub struct StoredReading {
    pub at: Moment,
    pub gravity: Option<f64>,
    pub temperature: Option<f64>,
}

#[derive(Clone, Debug, PartialEq)]
pub struct LogLine {
    pub id: EntryId,
    pub vessel: VesselId,
    pub deed: Deed,
    pub hand: Option<HandFacts>,
    pub made_at: Moment,
    /// A later line stands in its place.
    pub replaced_by: Option<EntryId>,
}

impl LogLine {
    /// What was done, as it stands after corrections.
    pub fn standing(lines: Vec<LogLine>) -> Vec<Deed> {
        let lines = lines.into_iter();
        let standing = lines.filter(|line| line.replaced_by.is_none());
        standing.map(|line| line.deed).collect()
    }
}

#[derive(Clone, Debug, PartialEq)]
pub struct StoredVerdict {
    pub vessel: VesselId,
    pub batch: BatchId,
    pub verdict: Verdict,
    pub sentence: String,
    /// Since when the phase has been what it is.
    pub phase_since: Moment,
}

#[derive(Clone, Debug, PartialEq)]
pub struct Notice {
    pub id: NoticeId,
    pub kind: NoticeKind,
    pub key: String,
    pub vessel: Option<VesselId>,
    pub at: Moment,
    pub title: String,
    pub body: String,
    /// When its condition ended.
    pub cleared: Option<Moment>,
    pub pressing: bool,
    /// When the maker said that he has seen it.
    pub seen: Option<Moment>,
    /// When it is told again if it still stands.
    pub again: Option<Moment>,
    /// How often it was told again.
    pub times: u32,
    pub deliveries: Vec<NoticeDelivery>,
}

#[derive(Clone, Debug, PartialEq)]
pub struct NoticeDelivery {
    pub channel: String,
    pub attempts: u32,
    pub state: DeliveryState,
    pub last_error: Option<String>,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum DeliveryState {
    Queued {
        next: Moment,
    },
    Sent {
        at: Moment,
    },
    GivenUp {
        at: Moment,
    },
    /// Answered before it went.
    Withdrawn {
        at: Moment,
    },
}

/// A delivery that is due.
#[derive(Clone, Debug, PartialEq)]
pub struct DueDelivery {
    pub notice: Notice,
    pub channel: String,
    pub attempts: u32,
    /// Since when.
    pub due: Moment,
}

//! Follows the store's changes with verdicts: one loop, one vessel at a time.
//!
//! Changes are coalesced: however many readings came in, a vessel is judged once for all of them.
//! Judging runs on a blocking thread; the loop itself only waits.

mod float;
mod judge;
mod steps;
#[cfg(test)]
mod time_tests;
mod watches;

use std::collections::BTreeSet;
use std::sync::Arc;
use std::time::Duration;

use ebbmark_core::ids::VesselId;
use ebbmark_core::notice::Call;
use ebbmark_core::time::Moment;
use ebbmark_store::model::{Change, NewNotice};
use ebbmark_store::shelf_life::ShelfLife;
use ebbmark_store::{Reader, StoreError, Writer};
use jiff::tz::TimeZone;
use tokio::sync::broadcast::Receiver;
use tokio::sync::broadcast::error::RecvError;
use tokio::time::{Instant, MissedTickBehavior};
use tokio_util::sync::CancellationToken;

use crate::clock::Clock;
use crate::mqtt::Outgoing;
use crate::notify;
use judge::{Due, Judge};
pub(crate) use watches::{is_waited_for, may_be_quiet};

/// Everything the loop needs.
#[derive(Clone)]
pub struct Assess {
    pub reader: Reader,
    pub writer: Writer,
    pub clock: Clock,
    pub zone: TimeZone,
    pub outgoing: Outgoing,
    /// Ways out there are.
    pub channels: Vec<String>,
    /// What is let go after a time.
    pub shelf_life: ShelfLife,
    /// Least real time between two rounds of judging.
    pub pace: Duration,
}

/// How often the conditions that no reading announces are looked at: silence, and the verdict's
/// own ageing.
const TICK: Duration = Duration::from_secs(60);

/// The loop rests this many times as long as it worked: however many vessels there are and however slow
/// the board, judging takes a tenth of one core, and verdicts come later instead. What the maker wrote
/// is not kept waiting.
const RESTS: u32 = 9;

enum Event {
    Change(Change),
    /// Changes were missed: look at everything.
    Missed,
    Tick,
    Rested,
    Stop,
}

impl Assess {
    /// Runs until `shutdown`.
    ///
    /// # Errors
    /// The store's writer has stopped.
    pub async fn run(self, shutdown: CancellationToken) -> Result<(), StoreError> {
        let mut changes = self.writer.changes();
        let pace = self.pace;
        // Ticks come faster when time does, so that a simulated night is not slept through.
        let tick = TICK.min(pace.saturating_mul(10).max(Duration::from_secs(2)));
        let mut ticks = tokio::time::interval(tick);
        ticks.set_missed_tick_behavior(MissedTickBehavior::Delay);
        let clock = self.clock.clone();
        let mut listening = Listening::default();
        let mut judge = Judge::new(Arc::new(self));
        let mut waiting = Waiting::default();
        waiting.anew(judge.all().await?);
        let mut rested = Instant::now();
        loop {
            let began = Instant::now();
            let is_rested = began >= rested;
            let listening_since = listening.since(&clock);
            let work = listening_since.and_then(|_| waiting.take(is_rested));
            if let Some(Work { due, steps }) = work {
                judge = judge.round(due).await?;
                // After the verdicts: what is to be done follows from them.
                if steps {
                    judge = judge.steps().await?;
                }
                // What was written in the meantime costs little, and must not put the others off.
                if is_rested {
                    rested = Instant::now() + began.elapsed() * RESTS;
                }
                // The pause is where changes gather.
                tokio::select! {
                    () = shutdown.cancelled() => return Ok(()),
                    () = tokio::time::sleep(pace) => {}
                }
            }
            let may_work = Instant::now() >= rested;
            let event = tokio::select! {
                () = shutdown.cancelled() => Event::Stop,
                _ = ticks.tick() => Event::Tick,
                () = tokio::time::sleep_until(rested), if !may_work => Event::Rested,
                change = changes.recv() => match change {
                    Ok(change) => Event::Change(change),
                    Err(RecvError::Lagged(_)) => Event::Missed,
                    Err(RecvError::Closed) => Event::Stop,
                },
            };
            match event {
                Event::Stop => return Ok(()),
                Event::Rested => {}
                Event::Change(change) => waiting.change(&change),
                Event::Missed => waiting.anew(judge.all().await?),
                Event::Tick => {
                    waiting.time_passed(judge.all().await?);
                    if let Some(since) = listening.since(&clock) {
                        let began = Instant::now();
                        judge = judge.watch(since).await?;
                        rested = rested.max(Instant::now() + began.elapsed() * RESTS);
                    }
                }
            }
            waiting.drain(&mut changes);
        }
    }
}

/// Since when silence can be told from not having listened.
///
/// A board without a battery clock starts in the past. A verdict of 1970 would be wrong, and
/// silence counted from there would be the silence of decades: nothing is judged or watched
/// before the clock can be believed, and listening counts from then.
///
/// It counts anew from a step of the clock: the time between never passed.
#[derive(Default)]
struct Listening {
    since: Option<Moment>,
    /// See [`Clock::steps_followed`].
    steps: u64,
}

impl Listening {
    /// `None` while the clock cannot be believed.
    fn since(&mut self, clock: &Clock) -> Option<Moment> {
        if !clock.is_believable() {
            return None;
        }
        let steps = clock.steps_followed();
        if steps != self.steps {
            *self = Listening { since: None, steps };
        }
        Some(*self.since.get_or_insert_with(|| clock.now()))
    }
}

impl Assess {
    /// See [`notify::notice`].
    fn notice(
        &self,
        call: Call,
        key: String,
        vessel: Option<VesselId>,
        at: Moment,
    ) -> Result<NewNotice, StoreError> {
        notify::notice(&self.reader, &self.channels, call, key, vessel, at)
    }
}

/// What the next round is for.
#[derive(Default)]
struct Waiting {
    due: Due,
    /// Of these something was written in the book: they do not wait until the loop has rested.
    written: BTreeSet<VesselId>,
    /// Something was written in a book, time went on, or nobody knows what happened: what is to
    /// be done may be another thing now.
    steps: bool,
}

/// One round.
#[derive(Debug, PartialEq, Eq)]
struct Work {
    due: Due,
    steps: bool,
}

impl Waiting {
    /// Nobody knows what changed.
    fn anew(&mut self, all: BTreeSet<VesselId>) {
        self.due = judge::anew(all);
        self.steps = true;
    }

    fn time_passed(&mut self, all: BTreeSet<VesselId>) {
        for vessel in all {
            self.due.entry(vessel).or_insert(judge::NO_NEWS);
        }
        self.steps = true;
    }

    fn change(&mut self, change: &Change) {
        match change {
            Change::Vessel(vessel) => {
                self.written.insert(*vessel);
            }
            Change::Readings { vessel, from, .. } => {
                if let Some(vessel) = *vessel {
                    let news = self.due.entry(vessel).or_insert(*from);
                    *news = (*news).min(*from);
                }
            }
            // Our own doing, or nothing to judge.
            Change::Verdict(_) | Change::Notice(_) | Change::Feeds => {}
        }
    }

    /// What there is to do now; until the loop has rested only what the maker waits for.
    fn take(&mut self, rested: bool) -> Option<Work> {
        let mut due = judge::anew(std::mem::take(&mut self.written));
        let mut steps = !due.is_empty();
        if rested {
            for (vessel, news) in std::mem::take(&mut self.due) {
                due.entry(vessel).or_insert(news);
            }
            steps |= std::mem::take(&mut self.steps);
        }
        (steps || !due.is_empty()).then_some(Work { due, steps })
    }

    /// Takes what else has come without waiting for it.
    fn drain(&mut self, changes: &mut Receiver<Change>) {
        while let Ok(change) = changes.try_recv() {
            self.change(&change);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use ebbmark_core::deed::{Deed, Dose, Substance, What};
    use ebbmark_core::feed::{FeedMap, Format, Quantity};
    use ebbmark_core::ids::BatchId;
    use ebbmark_core::notice::NoticeKind;
    use ebbmark_core::plan::{Plan, Steep};
    use ebbmark_core::tasks::Answer;
    use ebbmark_core::time::Span;
    use ebbmark_core::units::{Gravity, Kilograms};
    use ebbmark_core::verdict::outcome::Phase;
    use ebbmark_store::model::{
        Arrival, BatchFacts, Command, Done, ImportRow, Origin, Part, Stamp, VesselFacts,
    };

    const START: Moment = Moment(1_790_000_000_000);

    #[test]
    fn listening_counts_from_the_first_believable_moment() {
        let mut listening = Listening::default();
        assert_eq!(listening.since(&Clock::simulated(Moment(0), 1.0)), None);
        let since = listening.since(&Clock::simulated(START, 1.0));
        assert!(since >= Some(START), "{since:?}");
        let later = Clock::simulated(START + Span::days(1), 1.0);
        assert_eq!(listening.since(&later), since);
    }

    #[test]
    fn what_is_to_be_done_is_looked_at_when_all_vessels_were_judged_or_a_book_was_written_in() {
        let vessel = VesselId(1);
        let mut waiting = Waiting::default();
        assert_eq!(waiting.take(true), None);
        let readings = |from| Change::Readings {
            feed: ebbmark_core::ids::FeedId(1),
            vessel: Some(vessel),
            from,
        };
        waiting.change(&readings(START));
        let earlier = START - Span::days(1);
        waiting.change(&readings(earlier));
        let work = Work {
            due: Due::from([(vessel, earlier)]),
            steps: false,
        };
        assert_eq!(waiting.take(true), Some(work));
        waiting.change(&Change::Vessel(vessel));
        assert!(waiting.take(true).is_some_and(|work| work.steps));
        // Time passed, which is no news of what came meanwhile.
        waiting.change(&readings(START));
        waiting.time_passed(BTreeSet::from([vessel]));
        let work = Work {
            due: Due::from([(vessel, START)]),
            steps: true,
        };
        assert_eq!(waiting.take(true), Some(work));
        assert_eq!(waiting.take(true), None);
    }

    #[test]
    fn only_what_the_maker_wrote_is_judged_before_the_loop_has_rested() {
        let (cask, jar) = (VesselId(1), VesselId(2));
        let mut waiting = Waiting::default();
        waiting.time_passed(BTreeSet::from([cask, jar]));
        assert_eq!(waiting.take(false), None);
        waiting.change(&Change::Vessel(jar));
        let work = Work {
            due: judge::anew([jar]),
            steps: true,
        };
        assert_eq!(waiting.take(false), Some(work));
        assert_eq!(waiting.take(false), None);
        let work = Work {
            due: Due::from([(cask, judge::NO_NEWS), (jar, judge::NO_NEWS)]),
            steps: true,
        };
        assert_eq!(waiting.take(true), Some(work));
        waiting.anew(BTreeSet::from([cask]));
        let due = judge::anew([cask]);
        assert_eq!(waiting.take(true), Some(Work { due, steps: true }));
    }

    struct Bench {
        _dir: tempfile::TempDir,
        reader: Reader,
        writer: Writer,
        outgoing: Outgoing,
        assess: Assess,
    }

    fn bench(clock: Clock) -> Bench {
        let dir = tempfile::tempdir().unwrap();
        let path = dir.path().join("cellar.db");
        let (writer, reader) =
            ebbmark_store::open(&path, ebbmark_store::Options::default()).unwrap();
        let outgoing = Outgoing::new();
        let assess = Assess {
            reader: reader.clone(),
            writer: writer.clone(),
            clock,
            zone: TimeZone::UTC,
            outgoing: outgoing.clone(),
            channels: Vec::new(),
            shelf_life: ShelfLife::default(),
            pace: Duration::from_millis(1),
        };
        Bench {
            _dir: dir,
            reader,
            writer,
            outgoing,
            assess,
        }
    }

    fn named(name: &str) -> VesselFacts {
        VesselFacts {
            name: name.into(),
            capacity: None,
            temperature_low: None,
            temperature_high: None,
            tare: None,
            place: String::new(),
        }
    }

    impl Bench {
        async fn vessel(&self, name: &str) -> VesselId {
            let add = Command::AddVessel(named(name));
            match self.writer.command(add).await.unwrap() {
                Done::Vessel(vessel) => vessel,
                other => panic!("{other:?}"),
            }
        }

        async fn mead(&self, vessel: VesselId) -> BatchId {
            self.start(vessel, None).await
        }

        async fn start(&self, vessel: VesselId, origin: Option<Origin>) -> BatchId {
            let facts = BatchFacts {
                name: "Invented".into(),
                started: origin.map_or(START - Span::days(3), |o| o.at),
                original_gravity: None,
                expected_final: None,
                tolerance: None,
                volume: None,
                yeast: String::new(),
                honey: String::new(),
                note: String::new(),
                origin,
            };
            let start = match origin {
                None => Command::StartBatch { vessel, facts },
                Some(Origin { parent, at }) => Command::PourBatch {
                    vessel,
                    facts,
                    parts: vec![Part {
                        parent,
                        volume: None,
                        emptied: false,
                    }],
                    feeds: Vec::new(),
                    once: None,
                    made_at: at,
                },
            };
            match self.writer.command(start).await.unwrap() {
                Done::Batch(batch) => batch,
                other => panic!("{other:?}"),
            }
        }

        /// What stands on a vessel's topic.
        fn says(&self, slug: &str) -> Option<String> {
            let value = self
                .outgoing
                .get(&format!("ebbmark/vessel/{slug}/verdict"))?;
            Some(String::from_utf8(value.payload.to_vec()).unwrap())
        }
    }

    /// Whether the first round leaves a verdict on a vessel with a mead in it.
    async fn judges(clock: Clock) -> bool {
        let bench = bench(clock);
        let vessel = bench.vessel("Jar").await;
        bench.mead(vessel).await;
        // Told to stop beforehand, the loop ends after its first round.
        let shutdown = CancellationToken::new();
        shutdown.cancel();
        bench.assess.run(shutdown).await.unwrap();
        bench.reader.verdict(vessel).unwrap().is_some()
    }

    #[tokio::test]
    async fn a_mead_split_off_is_judged_with_the_past_of_the_other() {
        let bench = bench(Clock::simulated(START, 1.0));
        let (cask, jar) = (bench.vessel("Cask").await, bench.vessel("Jar").await);
        let parent = bench.mead(cask).await;
        let last = START - Span::hours(2);
        let rows = vec![ImportRow {
            at: last,
            gravity: Gravity::new(1.05).ok(),
            temperature: None,
        }];
        let import = Command::Import { vessel: cask, rows };
        bench.writer.command(import).await.unwrap();
        let at = START - Span::hours(1);
        bench.start(jar, Some(Origin { parent, at })).await;
        let judge = Judge::new(Arc::new(bench.assess.clone()));
        judge.round(judge::anew([jar])).await.unwrap();
        let stored = bench.reader.verdict(jar).unwrap().unwrap();
        assert_eq!(stored.verdict.last_reading, Some(last));
    }

    #[tokio::test]
    async fn a_new_mead_does_not_remember_the_one_before_it_in_the_vessel() {
        let bench = bench(Clock::simulated(START, 1.0));
        let jar = bench.vessel("Jar").await;
        let pitched = START - Span::days(40);
        let facts = |name: &str, started| BatchFacts {
            name: name.into(),
            started,
            original_gravity: Gravity::new(1.080).ok(),
            expected_final: Gravity::new(0.998).ok(),
            tolerance: None,
            volume: None,
            yeast: String::new(),
            honey: String::new(),
            note: String::new(),
            origin: None,
        };
        let start = async |facts| {
            let start = Command::StartBatch { vessel: jar, facts };
            match bench.writer.command(start).await.unwrap() {
                Done::Batch(batch) => batch,
                other => panic!("{other:?}"),
            }
        };
        let before = start(facts("Before", pitched)).await;
        let falls = |i: i64| 0.998 + 0.082 * (-i as f64 / 300.0).exp() + 0.1 * scatter(i);
        bench.import(jar, float_rows(40, falls)).await;
        let due = [jar];
        let judge = Judge::new(Arc::new(bench.assess.clone()));
        let judge = judge.round(judge::anew(due)).await.unwrap();
        let settled = bench.reader.verdict(jar).unwrap().unwrap().verdict;
        assert_eq!(settled.phase, Phase::Settled);

        // Between two rounds, as when one is poured where the other was.
        let at = START - Span::minutes(5);
        let end = Command::EndBatch { batch: before, at };
        bench.writer.command(end).await.unwrap();
        let after = start(facts("After", at)).await;
        judge.round(judge::anew(due)).await.unwrap();
        let stored = bench.reader.verdict(jar).unwrap().unwrap();
        assert_eq!(stored.batch, after);
        let remembered = stored.verdict.memory.map(|m| m.phase);
        assert_ne!(remembered, Some(Phase::Settled));
        let kinds = [NoticeKind::Settled, NoticeKind::Stuck];
        let told = bench.reader.notices(50).unwrap().into_iter();
        let keys: Vec<String> = told
            .filter(|n| kinds.contains(&n.kind))
            .map(|n| n.key)
            .collect();
        assert_eq!(keys, [format!("{}:{before}", NoticeKind::Settled.key())]);
    }

    #[tokio::test]
    async fn a_retained_verdict_goes_when_its_mead_or_its_name_does() {
        let bench = bench(Clock::simulated(START, 1.0));
        let (first, second) = (bench.vessel("Jar").await, bench.vessel("Jar!").await);
        let batch = bench.mead(first).await;
        bench.mead(second).await;
        let both = [first, second];
        let mut judge = Judge::new(Arc::new(bench.assess.clone()));
        judge = judge.round(judge::anew(both)).await.unwrap();
        assert!(bench.says("jar").unwrap().contains(r#""Jar""#));
        let apart = format!("jar-{second}");
        assert!(bench.says(&apart).unwrap().contains(r#""Jar!""#));

        let edit = Command::EditVessel(first, named("Keg"));
        bench.writer.command(edit).await.unwrap();
        // The second vessel has the plain slug now, whichever of the two is looked at first.
        judge = judge.round(judge::anew([second])).await.unwrap();
        judge = judge.round(judge::anew(both)).await.unwrap();
        assert!(bench.says("jar").unwrap().contains(r#""Jar!""#));
        assert_eq!(bench.says(&apart).as_deref(), Some(""));
        assert!(bench.says("keg").unwrap().contains(r#""Keg""#));

        let end = Command::EndBatch { batch, at: START };
        bench.writer.command(end).await.unwrap();
        judge.round(judge::anew([first])).await.unwrap();
        assert_eq!(bench.says("keg").as_deref(), Some(""));
        assert!(bench.says("jar").unwrap().contains(r#""Jar!""#));
    }

    impl Bench {
        async fn done(&self, vessel: VesselId, what: What, note: &str, at: Moment) {
            let deed = Deed {
                note: note.into(),
                ..Deed::new(at, what)
            };
            let log = Command::Log {
                vessel,
                deed,
                hand: None,
                once: None,
                made_at: at,
            };
            self.writer.command(log).await.unwrap();
        }

        fn of_tasks(&self) -> Vec<(String, bool)> {
            let notices = self.reader.notices(50).unwrap().into_iter();
            notices
                .filter(|n| n.kind == NoticeKind::StepDue)
                .map(|n| (n.title, n.cleared.is_none()))
                .collect()
        }

        fn tasks_told(&self) -> serde_json::Value {
            let value = self.outgoing.get("ebbmark/tasks").unwrap();
            serde_json::from_slice(&value.payload).unwrap()
        }
    }

    #[tokio::test]
    async fn a_task_that_falls_due_is_told_once_until_it_is_answered() {
        let bench = bench(Clock::simulated(START, 1.0));
        let vessel = bench.vessel("Jar").await;
        let batch = bench.mead(vessel).await;
        let steep = Steep {
            name: "figs".into(),
            days: None,
            push_every: 2,
        };
        let plan = Box::new(Plan {
            steeps: vec![steep],
            ..Plan::default()
        });
        bench
            .writer
            .command(Command::Plan { batch, plan })
            .await
            .unwrap();
        let put_in = START - Span::days(3);
        bench
            .done(vessel, What::Addition, "2 kg figs", put_in)
            .await;
        let judge = Judge::new(Arc::new(bench.assess.clone()));
        let judge = judge.steps().await.unwrap();
        let judge = judge.steps().await.unwrap();
        let due = ("Jar: push down the figs".to_owned(), true);
        assert_eq!(bench.of_tasks(), std::slice::from_ref(&due));
        // Beside it a jar of it is asked for, since nobody has said where it ends.
        let pushing = || {
            let told = bench.tasks_told();
            let mut told = told.as_array().unwrap().iter();
            told.find(|t| t["kind"] == "push-down").unwrap().clone()
        };
        let task = pushing();
        assert_eq!(task["vessel"], "Jar");
        assert_eq!(task["is_due"], true);
        assert_eq!(task["done_by"], "push-down");
        let at = (put_in + Span::days(2)).to_rfc3339();
        assert_eq!(task["due"], at);

        let later = Command::AnswerTask {
            batch,
            task: task["task"].as_str().unwrap().to_owned(),
            answer: Answer::Later(START + Span::days(1)),
            at: START,
        };
        bench.writer.command(later).await.unwrap();
        let judge = judge.steps().await.unwrap();
        assert_eq!(bench.of_tasks(), [(due.0.clone(), false)]);
        assert_eq!(pushing()["is_due"], false);
        bench.done(vessel, What::PushDown, "", START).await;
        judge.steps().await.unwrap();
        let next = (START + Span::days(2)).to_rfc3339();
        assert_eq!(pushing()["due"], next);
        assert_eq!(bench.of_tasks().len(), 1);
    }

    /// A float's readings every quarter of an hour, from so many days before the start on.
    fn float_rows(days: i64, gravity: impl Fn(i64) -> f64) -> Vec<ImportRow> {
        (1..days * 96)
            .map(|i| ImportRow {
                at: START - Span::days(days) + Span::minutes(15 * i),
                gravity: Gravity::new(gravity(i)).ok(),
                temperature: None,
            })
            .collect()
    }

    /// In steps of 0.0001, a little up and down.
    fn scatter(i: i64) -> f64 {
        let up = [0, 7, 3, 11, 5, 1, 9, 4, 12, 2, 8, 6, 10];
        let index = usize::try_from(i.rem_euclid(13)).unwrap_or_default();
        f64::from(up[index]) * 1e-4
    }

    impl Bench {
        async fn floated(&self, rows: Vec<ImportRow>) -> VesselId {
            let vessel = self.vessel("Jar").await;
            self.mead(vessel).await;
            self.import(vessel, rows).await;
            vessel
        }

        async fn import(&self, vessel: VesselId, rows: Vec<ImportRow>) {
            let import = Command::Import { vessel, rows };
            self.writer.command(import).await.unwrap();
        }

        async fn read_by_hand(&self, vessel: VesselId, at: Moment, gravity: f64) {
            let log = Command::Log {
                vessel,
                deed: Deed {
                    gravity: Gravity::new(gravity).ok(),
                    ..Deed::new(at, What::HandReading)
                },
                hand: None,
                once: None,
                made_at: at,
            };
            self.writer.command(log).await.unwrap();
        }

        /// Kinds and bodies of notices on floats, the newest first, and whether each still stands.
        fn of_floats(&self) -> Vec<(&'static str, bool, String)> {
            let kinds = [NoticeKind::FloatDisagrees, NoticeKind::FloatStuck];
            let notices = self.reader.notices(50).unwrap().into_iter();
            notices
                .filter(|n| kinds.contains(&n.kind))
                .map(|n| (n.kind.key(), n.cleared.is_none(), n.body))
                .collect()
        }
    }

    #[tokio::test]
    async fn a_hand_reading_the_float_disagrees_with_is_told_of_once() {
        let bench = bench(Clock::simulated(START, 1.0));
        let falling = |i: i64| 1.080 - 1e-4 * i as f64 + scatter(i);
        let vessel = bench.floated(float_rows(3, falling)).await;
        let at = START - Span::hours(6);
        bench.read_by_hand(vessel, at, 1.020).await;
        let due = [vessel];
        for _ in 0..2 {
            // The second is started anew, as after a restart.
            let judge = Judge::new(Arc::new(bench.assess.clone()));
            let judge = judge.round(judge::anew(due)).await.unwrap();
            judge.round(judge::anew(due)).await.unwrap();
            let told = bench.of_floats();
            let [("float-disagrees", true, body)] = told.as_slice() else {
                panic!("{told:?}");
            };
            assert!(body.contains("1.0200 by hand"), "{body}");
        }
        // A second one that agrees with the float: the first was wrong.
        bench
            .read_by_hand(vessel, START - Span::hours(2), falling(3 * 96 - 8))
            .await;
        let judge = Judge::new(Arc::new(bench.assess.clone()));
        judge.round(judge::anew(due)).await.unwrap();
        let told = bench.of_floats();
        assert!(
            matches!(told.as_slice(), [("float-disagrees", false, _)]),
            "{told:?}"
        );
    }

    #[tokio::test]
    async fn a_float_that_sends_one_value_is_told_of_until_it_moves() {
        let bench = bench(Clock::simulated(START, 1.0));
        let sticks = |i: i64| {
            let stuck_from = 2 * 96 + 48;
            1.080 - 1e-4 * i.min(stuck_from) as f64 + scatter(i.min(stuck_from))
        };
        let vessel = bench.floated(float_rows(3, sticks)).await;
        let due = [vessel];
        let judge = Judge::new(Arc::new(bench.assess.clone()));
        let mut judge = judge.round(judge::anew(due)).await.unwrap();
        let told = bench.of_floats();
        assert!(
            matches!(told.as_slice(), [("float-stuck", true, _)]),
            "{told:?}"
        );
        judge = judge.round(judge::anew(due)).await.unwrap();
        assert_eq!(bench.of_floats().len(), 1);
        drop(judge);

        let moves = ImportRow {
            at: START - Span::minutes(1),
            gravity: Gravity::new(1.050).ok(),
            temperature: None,
        };
        bench.import(vessel, vec![moves]).await;
        let judge = Judge::new(Arc::new(bench.assess.clone()));
        judge.round(judge::anew(due)).await.unwrap();
        let told = bench.of_floats();
        assert!(
            matches!(told.as_slice(), [("float-stuck", false, _)]),
            "{told:?}"
        );
    }

    #[tokio::test]
    async fn a_gate_is_open_since_the_look_that_found_it_so() {
        let bench = bench(Clock::simulated(START, 1.0));
        let fall = |i: i64| 0.996 + 0.1 / (1.0 + (i as f64 / 12.0 - 9.0).exp()) + scatter(i) / 4.0;
        let vessel = bench.floated(float_rows(3, fall)).await;
        let look = async |at: Moment| {
            let mut assess = bench.assess.clone();
            assess.clock = Clock::simulated(at, 1.0);
            // Each look is that of a daemon started anew.
            let judge = Judge::new(Arc::new(assess));
            judge.round(judge::anew([vessel])).await.unwrap();
            let rack = bench
                .reader
                .verdict(vessel)
                .unwrap()
                .unwrap()
                .verdict
                .gates
                .rack;
            (rack.open, rack.since)
        };
        assert_eq!(look(START - Span::days(2)).await, (false, None));
        // Nearly all of the fall is over.
        let at = START - Span::hours(30);
        let (open, since) = look(at).await;
        let since = since.expect("it is known when it opened");
        assert!(
            open && since >= at && since < at + Span::minutes(1),
            "{since:?}"
        );
        assert_eq!(look(at + Span::hours(2)).await, (true, Some(since)));
    }

    #[tokio::test]
    async fn a_step_that_waited_is_told_of_once_until_it_is_done() {
        let bench = bench(Clock::simulated(START, 1.0));
        let vessel = bench.vessel("Jar").await;
        let batch = bench.mead(vessel).await;
        let log = async |deed: Deed| {
            let made_at = deed.at;
            let log = Command::Log {
                vessel,
                deed,
                hand: None,
                once: None,
                made_at,
            };
            bench.writer.command(log).await.unwrap();
        };
        let told = || -> Vec<(bool, String)> {
            let notices = bench.reader.notices(50).unwrap().into_iter();
            let due = notices.filter(|n| n.kind == NoticeKind::StepDue);
            due.map(|n| (n.cleared.is_none(), n.title)).collect()
        };
        let look = async || {
            let assess = bench.assess.clone();
            let look = tokio::task::spawn_blocking(move || steps::look(&assess));
            look.await.unwrap().unwrap();
        };
        let stabilised = |at| Deed {
            doses: vec![Dose {
                of: Substance::PotassiumSorbate,
                mass: Kilograms::computed(0.004),
                name: String::new(),
                extract: None,
            }],
            ..Deed::new(at, What::Stabilise)
        };
        log(stabilised(START - Span::hours(2))).await;
        look().await;
        assert_eq!(told(), [], "it still waits");

        log(stabilised(START - Span::hours(25))).await;
        look().await;
        assert_eq!(told(), [], "the later dose counts");

        let over = stabilised(START - Span::hours(25));
        let jug = bench.vessel("Jug").await;
        bench.mead(jug).await;
        let log_jug = Command::Log {
            vessel: jug,
            deed: over,
            hand: None,
            once: None,
            made_at: START,
        };
        bench.writer.command(log_jug).await.unwrap();
        look().await;
        look().await;
        let title = "Jug: sweeten it".to_owned();
        assert_eq!(told(), [(true, title.clone())], "once");

        // Sweetened or finished, it is over.
        let end = Command::EndBatch { batch, at: START };
        bench.writer.command(end).await.unwrap();
        let sweetened = Command::Log {
            vessel: jug,
            deed: Deed::new(START - Span::minutes(5), What::Sweeten),
            hand: None,
            once: None,
            made_at: START,
        };
        bench.writer.command(sweetened).await.unwrap();
        look().await;
        assert_eq!(told(), [(false, title)]);
    }

    /// A feed of its own for a vessel, that last spoke so long before the start after speaking every
    /// quarter of an hour for a day.
    async fn feed(bench: &Bench, vessel: VesselId, topic: &str, last: Span) {
        let map = FeedMap {
            format: Format::Number {
                quantity: Quantity::GravitySg,
            },
            tilt_polynomial: Vec::new(),
        };
        let claim = Command::Claim {
            source: "intake".into(),
            topic: topic.into(),
            name: topic.into(),
            vessel: Some(vessel),
            map,
        };
        bench.writer.command(claim).await.unwrap();
        for n in (0..96).rev() {
            let wall = START - last - Span::minutes(15 * n);
            let arrival = Arrival {
                source: "intake".into(),
                topic: topic.into(),
                payload: format!("1.0{:02}", 10 + n).into_bytes(),
                stamp: Stamp {
                    wall: Some(wall),
                    monotonic_ms: 0,
                },
                retained: false,
                delivery: None,
            };
            bench
                .writer
                .arrive(arrival)
                .await
                .unwrap()
                .await
                .unwrap()
                .unwrap();
        }
    }

    #[tokio::test]
    async fn feeds_that_fall_silent_together_are_told_at_once() {
        let bench = bench(Clock::simulated(START, 1.0));
        let (cask, jar, keg) = (
            bench.vessel("Cask").await,
            bench.vessel("Jar").await,
            bench.vessel("Keg").await,
        );
        // Only the first has passed the hour and a half that six of its gaps are.
        feed(&bench, cask, "cask", Span::minutes(92)).await;
        feed(&bench, jar, "jar", Span::minutes(81)).await;
        feed(&bench, keg, "keg", Span::minutes(20)).await;
        let judge = Judge::new(Arc::new(bench.assess.clone()));
        let listening = START - Span::days(2);
        let judge = judge.watch(listening).await.unwrap();
        judge.watch(listening).await.unwrap();
        let told: Vec<_> = bench.reader.notices(50).unwrap();
        let mut titles: Vec<&str> = told.iter().map(|n| n.title.as_str()).collect();
        titles.sort_unstable();
        assert_eq!(titles, ["cask: no readings", "jar: no readings"]);
        assert!(
            told.iter()
                .all(|n| n.kind == NoticeKind::FeedSilent && n.cleared.is_none())
        );
    }

    #[tokio::test]
    async fn what_stands_of_a_mead_ends_with_it() {
        let bench = bench(Clock::simulated(START, 1.0));
        let jar = bench.vessel("Jar").await;
        let batch = bench.mead(jar).await;
        let notice = |kind: NoticeKind, key: String| NewNotice {
            kind,
            key,
            vessel: Some(jar),
            at: START - Span::hours(1),
            title: String::new(),
            body: String::new(),
            pressing: false,
            channels: Vec::new(),
        };
        let restarted = notice(NoticeKind::Restarted, format!("restarted:{batch}"));
        let warm = notice(NoticeKind::Temperature, format!("temperature:{jar}"));
        let notify = Command::Notify(vec![restarted, warm]);
        bench.writer.command(notify).await.unwrap();
        let look = async || {
            let judge = Judge::new(Arc::new(bench.assess.clone()));
            judge.watch(START - Span::days(1)).await.unwrap();
            bench.reader.open_notice_keys().unwrap()
        };
        assert_eq!(look().await.len(), 2);
        let end = Command::EndBatch { batch, at: START };
        bench.writer.command(end).await.unwrap();
        assert_eq!(look().await, [format!("temperature:{jar}")]);
    }

    #[tokio::test]
    async fn nothing_is_judged_by_a_clock_that_cannot_be_believed() {
        assert!(judges(Clock::simulated(START, 1.0)).await);
        assert!(!judges(Clock::simulated(Moment(0), 1.0)).await);
    }
}

//! Takes due deliveries out of the store, sends them, and tells the store what came of each.
//!
//! A delivery stays queued until its outcome is committed, so it is made at least once. Each way
//! out works on its own: one that hangs holds up nobody else. After an outage nobody is flooded:
//! when a way works again, what waited for it goes out at once, as one message. What goes when and with
//! what is [`post::sort`]'s.

use std::collections::{HashMap, HashSet};
use std::time::Duration;

use ebbmark_core::notice::post::{self, Item};
use ebbmark_core::notice::quiet::Quiet;
use ebbmark_core::notice::wishes::Wishes;
use ebbmark_core::time::{Moment, Span};
use ebbmark_core::units::Preferences;
use ebbmark_store::model::{Change, Command, DeliveryOutcome, DueDelivery};
use ebbmark_store::{Reader, StoreError, Writer};
use ebbmark_web::link::Links;
use jiff::tz::TimeZone;
use tokio::sync::broadcast;
use tokio::sync::broadcast::error::RecvError;
use tokio::task::JoinSet;
use tokio::time::Instant;
use tokio_util::sync::CancellationToken;

use super::desk::Means;
use super::job::{Finished, Job, Outcome, report};
use super::way::Way;

/// Most deliveries looked at in one go.
const LOOK_AT: u32 = 1000;

/// Longest back-off with its spread: all retries lie within this.
const RETRY_HORIZON: Span = Span::minutes(75);

/// Between looks: the least, while a way is busy, and the most (the clock may jump).
const PAUSE_LEAST: Duration = Duration::from_secs(1);
const PAUSE_BUSY: Duration = Duration::from_secs(5);
const PAUSE_MOST: Duration = Duration::from_secs(60);

/// Rest after the store did not answer.
const REST: Duration = Duration::from_secs(10);

/// How long a message under way may take to finish at shutdown.
const GOOD_BYE: Duration = Duration::from_secs(3);

/// What holds for all ways.
pub struct Rules {
    pub give_up_after: Span,
    /// See [`post::Rules::gather`].
    pub gather: Span,
    /// Where the maker set none on the page.
    pub zone: TimeZone,
    pub links: Option<Links>,
}

pub struct Dispatcher<C> {
    reader: Reader,
    writer: Writer,
    now: C,
    rules: Rules,
    /// When this run began.
    since: Moment,
    ways: HashMap<String, State>,
    under_way: JoinSet<Finished>,
}

struct State {
    way: Way,
    /// The task that is sending, if one is.
    busy: Option<tokio::task::Id>,
    /// Its last message was not taken.
    failing: bool,
    /// It works again after a failure: what waits for a retry may go now.
    recovered: bool,
    /// See [`Finished::unreported`].
    unreported: Vec<Outcome>,
    rest_until: Option<Instant>,
}

impl State {
    fn is_free(&self) -> bool {
        self.busy.is_none() && self.rest_until.is_none_or(|until| until <= Instant::now())
    }
}

impl<C: Fn() -> Moment + Clone + Send + 'static> Dispatcher<C> {
    pub fn new(
        reader: Reader,
        writer: Writer,
        now: C,
        rules: Rules,
        ways: Vec<(String, Way)>,
    ) -> Self {
        Dispatcher {
            reader,
            writer,
            since: now(),
            now,
            rules,
            ways: ways
                .into_iter()
                .map(|(name, way)| {
                    let state = State {
                        way,
                        busy: None,
                        failing: false,
                        recovered: false,
                        unreported: Vec::new(),
                        rest_until: None,
                    };
                    (name, state)
                })
                .collect(),
            under_way: JoinSet::new(),
        }
    }

    pub async fn run(mut self, mut wake: broadcast::Receiver<Change>, shutdown: CancellationToken) {
        let mut wake_open = true;
        while !shutdown.is_cancelled() {
            let pause = self.look().await.unwrap_or_else(|error| {
                tracing::warn!(%error, "cannot look for notices to send");
                REST
            });
            tokio::select! {
                () = shutdown.cancelled() => {}
                () = tokio::time::sleep(pause) => {}
                Some(ended) = self.under_way.join_next_with_id() => self.finish(ended),
                open = next_notice(&mut wake), if wake_open => wake_open = open,
            }
        }
        let last = async { while self.under_way.join_next().await.is_some() {} };
        if tokio::time::timeout(GOOD_BYE, last).await.is_err() {
            tracing::info!("a notice was still under way; it will be sent again after the restart");
        }
    }

    /// Starts whatever is due and free to go; tells how long there is nothing more to do.
    async fn look(&mut self) -> Result<Duration, StoreError> {
        let now = (self.now)();
        // A clock that was put back must not keep anything waiting.
        self.since = self.since.min(now);
        let fallback = self.rules.zone.clone();
        let (wishes, (zone, units)) = self
            .read(move |reader| Ok((reader.wishes()?, reader.zone_and_units(&fallback)?)))
            .await?;
        self.tell_again(&wishes, now).await?;
        let recovered = self.ways.values().any(|s| s.recovered && s.busy.is_none());
        let horizon = if recovered { RETRY_HORIZON } else { Span::ZERO };
        let (found, mut next) = self
            .read(move |reader| Ok((reader.due(now + horizon, LOOK_AT)?, reader.next_due(now)?)))
            .await?;
        let mut by_way: HashMap<String, Vec<DueDelivery>> = HashMap::new();
        for delivery in found {
            // Of what is not due yet, only retries of a way that has recovered go along.
            let along = self
                .ways
                .get(&delivery.channel)
                .is_some_and(|s| s.recovered && delivery.attempts > 0);
            if along || delivery.due <= now {
                let of_way = by_way.entry(delivery.channel.clone()).or_default();
                of_way.push(delivery);
            }
        }
        let mut waiting: HashSet<String> = HashSet::new();
        for (name, due) in by_way {
            let Some(state) = self.ways.get(&name) else {
                self.give_up_unknown(&name, &due, now).await?;
                continue;
            };
            if !state.is_free() {
                continue;
            }
            let (messages, waits) = self.sort(state, due, wishes.quiet.as_ref(), &zone, now);
            next = [next, waits].into_iter().flatten().min();
            if waits.is_some() {
                waiting.insert(name.clone());
            }
            if !messages.is_empty() {
                self.start(name, messages, now, &zone, units).await?;
            }
        }
        for (name, state) in &mut self.ways {
            // What could go along has gone, or there was nothing.
            if state.busy.is_none() && !waiting.contains(name) {
                state.recovered = false;
            }
        }
        if self.ways.values().any(|s| !s.is_free()) {
            return Ok(PAUSE_BUSY);
        }
        let until_next = next.map_or(PAUSE_MOST, |at| {
            Duration::from_millis(at.since((self.now)()).0.max(0).cast_unsigned())
        });
        Ok(until_next.clamp(PAUSE_LEAST, PAUSE_MOST))
    }

    /// Queues anew what the maker did not answer, or wanted to hear again.
    async fn tell_again(&self, wishes: &Wishes, now: Moment) -> Result<(), StoreError> {
        let all: Vec<String> = self.ways.keys().cloned().collect();
        for notice in self.read(move |reader| reader.to_tell_again(now)).await? {
            let again = Command::TellAgain {
                notice: notice.id,
                channels: wishes.ways(notice.kind, notice.vessel, &all),
                at: now,
            };
            self.writer.command(again).await?;
        }
        Ok(())
    }

    /// What goes out now by this way, in which messages, and when what is left is to be looked at.
    fn sort(
        &self,
        state: &State,
        due: Vec<DueDelivery>,
        quiet: Option<&Quiet>,
        zone: &TimeZone,
        now: Moment,
    ) -> (Vec<Vec<DueDelivery>>, Option<Moment>) {
        if !state.way.calls_him() {
            return (due.into_iter().map(|d| vec![d]).collect(), None);
        }
        let items: Vec<Item> = due
            .iter()
            .map(|d| Item {
                kind: d.notice.kind,
                pressing: d.notice.pressing,
                // Told again it is as if it came anew.
                at: if d.notice.times > 0 {
                    d.due
                } else {
                    // From a clock that ran ahead it would wait for company until then.
                    d.notice.at.min(now)
                },
                tried: d.attempts > 0,
            })
            .collect();
        let rules = post::Rules {
            quiet,
            gather: self.rules.gather,
            since: self.since,
            zone,
        };
        let sorted = post::sort(&items, &rules, now);
        let take = |numbers: Vec<usize>| numbers.into_iter().map(|n| due[n].clone()).collect();
        (
            sorted.messages.into_iter().map(take).collect(),
            sorted.waits,
        )
    }

    async fn start(
        &mut self,
        name: String,
        messages: Vec<Vec<DueDelivery>>,
        now: Moment,
        zone: &TimeZone,
        units: Preferences,
    ) -> Result<(), StoreError> {
        let Some(state) = self.ways.get(&name) else {
            return Ok(());
        };
        let (links, pictures) = (self.rules.links.clone(), state.way.shows_pictures());
        let for_letters = zone.clone();
        let messages = self
            .read(move |reader| {
                let means = Means {
                    reader,
                    links: links.as_ref(),
                    now,
                    zone: &for_letters,
                    units,
                    pictures,
                };
                means.letters(messages)
            })
            .await?;
        let Some(state) = self.ways.get_mut(&name) else {
            return Ok(());
        };
        let job = Job {
            name,
            way: state.way.clone(),
            messages,
            unreported: std::mem::take(&mut state.unreported),
            failing: state.failing,
            writer: self.writer.clone(),
            give_up_after: self.rules.give_up_after,
            zone: zone.clone(),
            units,
        };
        let clock = self.now.clone();
        state.recovered = false;
        state.busy = Some(self.under_way.spawn(job.run(clock)).id());
        Ok(())
    }

    fn finish(&mut self, ended: Result<(tokio::task::Id, Finished), tokio::task::JoinError>) {
        match ended {
            Ok((_, finished)) => {
                if let Some(state) = self.ways.get_mut(&finished.way) {
                    state.busy = None;
                    state.failing = finished.failing;
                    state.recovered = finished.recovered;
                    if !finished.unreported.is_empty() {
                        state.rest_until = Some(Instant::now() + REST);
                    }
                    state.unreported = finished.unreported;
                }
            }
            Err(error) => {
                tracing::error!(%error, "sending a notice broke off");
                for state in self.ways.values_mut() {
                    if state.busy == Some(error.id()) {
                        state.busy = None;
                        state.rest_until = Some(Instant::now() + REST);
                    }
                }
            }
        }
    }

    /// Queued for a way that has since left the configuration.
    async fn give_up_unknown(
        &self,
        name: &str,
        due: &[DueDelivery],
        now: Moment,
    ) -> Result<(), StoreError> {
        for delivery in due {
            let outcome = DeliveryOutcome::GivenUp {
                at: now,
                error: format!("there is no way out named \"{name}\" in the configuration"),
            };
            report(&self.writer, name, delivery.notice.id, outcome).await?;
        }
        Ok(())
    }

    /// Asks the store from a thread that may wait.
    async fn read<T: Send + 'static>(
        &self,
        ask: impl FnOnce(&Reader) -> Result<T, StoreError> + Send + 'static,
    ) -> Result<T, StoreError> {
        let reader = self.reader.clone();
        tokio::task::spawn_blocking(move || ask(&reader))
            .await
            .unwrap_or_else(|error| Err(StoreError::Refused(format!("reading broke off: {error}"))))
    }
}

/// Waits for word of a notice. `false` when there will be none any more.
async fn next_notice(wake: &mut broadcast::Receiver<Change>) -> bool {
    loop {
        match wake.recv().await {
            // What was lost may have been one.
            Ok(Change::Notice(_)) | Err(RecvError::Lagged(_)) => return true,
            Ok(_) => {}
            Err(RecvError::Closed) => return false,
        }
    }
}

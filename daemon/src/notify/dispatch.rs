//! Takes due deliveries out of the store, sends them, and tells the store what came of each.
//!
//! A delivery stays queued until its outcome is committed, so it is made at least once. Each way
//! out works on its own: one that hangs holds up nobody else. After an outage nobody is flooded:
//! when a way works again, what waited for it goes out at once, as one message if it is many.

use std::collections::HashMap;
use std::time::Duration;

use ebbmark_core::ids::VesselId;
use ebbmark_core::time::{Moment, Span};
use ebbmark_store::model::{Change, DeliveryOutcome, DueDelivery};
use ebbmark_store::{Reader, StoreError, Writer};
use jiff::tz::TimeZone;
use tokio::sync::broadcast;
use tokio::sync::broadcast::error::RecvError;
use tokio::task::JoinSet;
use tokio::time::Instant;
use tokio_util::sync::CancellationToken;

use super::job::{Finished, Job, Outcome, report};
use super::letter::Letter;
use super::way::Way;
use crate::slug;

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

pub struct Dispatcher<C> {
    reader: Reader,
    writer: Writer,
    now: C,
    give_up_after: Span,
    zone: TimeZone,
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
        give_up_after: Span,
        zone: TimeZone,
        ways: Vec<(String, Way)>,
    ) -> Self {
        Dispatcher {
            reader,
            writer,
            now,
            give_up_after,
            zone,
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
        let recovered = self.ways.values().any(|s| s.recovered && s.busy.is_none());
        let horizon = if recovered { RETRY_HORIZON } else { Span::ZERO };
        let (found, next) = self
            .read(move |reader| Ok((reader.due(now + horizon, LOOK_AT)?, reader.next_due()?)))
            .await?;
        // Of what is not due yet, only retries of a way that has recovered go along.
        let due_now = if recovered {
            self.read(move |reader| reader.due(now, LOOK_AT)).await?
        } else {
            found.clone()
        };
        let is_due = |d: &DueDelivery| {
            due_now
                .iter()
                .any(|n| n.notice.id == d.notice.id && n.channel == d.channel)
        };
        let mut by_way: HashMap<String, Vec<DueDelivery>> = HashMap::new();
        for delivery in found {
            let along = self
                .ways
                .get(&delivery.channel)
                .is_some_and(|s| s.recovered && delivery.attempts > 0);
            if along || !recovered || is_due(&delivery) {
                by_way
                    .entry(delivery.channel.clone())
                    .or_default()
                    .push(delivery);
            }
        }
        for (name, due) in by_way {
            if self.ways.contains_key(&name) {
                self.start(name, due, now).await?;
            } else {
                self.give_up_unknown(&name, &due, now).await?;
            }
        }
        for state in self.ways.values_mut() {
            // What could go along has gone, or there was nothing.
            if state.busy.is_none() {
                state.recovered = false;
            }
        }
        if self.ways.values().any(|s| s.busy.is_some()) {
            return Ok(PAUSE_BUSY);
        }
        let until_next = next.map_or(PAUSE_MOST, |at| {
            Duration::from_millis(at.since((self.now)()).0.max(0).cast_unsigned())
        });
        Ok(until_next.clamp(PAUSE_LEAST, PAUSE_MOST))
    }

    async fn start(
        &mut self,
        name: String,
        due: Vec<DueDelivery>,
        now: Moment,
    ) -> Result<(), StoreError> {
        if !self.ways.get(&name).is_some_and(State::is_free) {
            return Ok(());
        }
        let names = self.vessel_names(&due).await?;
        let Some(state) = self.ways.get_mut(&name) else {
            return Ok(());
        };
        let deliveries = due
            .into_iter()
            .map(|d| {
                let (vessel, slug) = d
                    .notice
                    .vessel
                    .and_then(|id| names.get(&id).cloned())
                    .unzip();
                (Letter::new(&d.notice, vessel, slug), d)
            })
            .collect();
        let job = Job {
            name,
            way: state.way.clone(),
            deliveries,
            unreported: std::mem::take(&mut state.unreported),
            failing: state.failing,
            writer: self.writer.clone(),
            now,
            give_up_after: self.give_up_after,
            zone: self.zone.clone(),
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

    /// Name and slug of each.
    async fn vessel_names(
        &self,
        due: &[DueDelivery],
    ) -> Result<HashMap<VesselId, (String, String)>, StoreError> {
        let mut ids: Vec<VesselId> = due.iter().filter_map(|d| d.notice.vessel).collect();
        ids.sort_unstable();
        ids.dedup();
        self.read(move |reader| {
            let vessels = reader.vessels()?;
            let slugs = slug::slugs(&vessels);
            let due = vessels.into_iter().filter(|v| ids.contains(&v.id));
            Ok(due
                .filter_map(|v| Some((v.id, (v.facts.name, slugs.get(&v.id)?.clone()))))
                .collect())
        })
        .await
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

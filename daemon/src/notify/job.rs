//! One way's turn: sends what is due for it, and writes down what came of each.

use ebbmark_core::ids::NoticeId;
use ebbmark_core::text::Style;
use ebbmark_core::time::{Moment, Span};
use ebbmark_core::units::Preferences;
use ebbmark_store::model::{Command, DeliveryOutcome, DueDelivery};
use ebbmark_store::{StoreError, Writer};
use jiff::tz::TimeZone;

use super::back_off;
use super::letter::Letter;
use super::way::Way;

#[derive(Clone, Debug)]
pub struct Outcome {
    pub notice: NoticeId,
    pub outcome: DeliveryOutcome,
}

/// What became of the way itself.
pub struct Finished {
    pub way: String,
    /// Its last message was not taken.
    pub failing: bool,
    /// It took one after it had failed.
    pub recovered: bool,
    /// Done, but the store could not be told yet. Not to be done again.
    pub unreported: Vec<Outcome>,
}

pub struct Job {
    pub name: String,
    pub way: Way,
    /// Each with the deliveries it makes.
    pub messages: Vec<(Letter, Vec<DueDelivery>)>,
    /// Of an earlier turn.
    pub unreported: Vec<Outcome>,
    /// It failed in its last turn.
    pub failing: bool,
    pub writer: Writer,
    pub give_up_after: Span,
    pub zone: TimeZone,
    pub units: Preferences,
}

impl Job {
    pub async fn run(mut self, clock: impl Fn() -> Moment) -> Finished {
        let outcomes = std::mem::take(&mut self.unreported);
        // Done already, only not written down: not done again.
        let is_done = |d: &DueDelivery| outcomes.iter().any(|o| o.notice == d.notice.id);
        self.messages
            .retain(|(_, deliveries)| !deliveries.iter().all(is_done));
        let mut finished = Finished {
            way: self.name.clone(),
            failing: self.failing,
            recovered: false,
            unreported: Vec::new(),
        };
        self.report_all(outcomes, &mut finished).await;

        let style = Style {
            units: self.units,
            zone: &self.zone,
        };
        for (letter, deliveries) in &self.messages {
            let sent = self.way.send(letter, clock(), &style).await;
            // Each at once: what was sent must not be sent again because a later one hangs.
            let outcomes = deliveries
                .iter()
                .map(|delivery| self.outcome(delivery, &sent, clock(), &mut finished))
                .collect();
            self.report_all(outcomes, &mut finished).await;
        }
        finished
    }

    fn outcome(
        &self,
        delivery: &DueDelivery,
        sent: &Result<(), String>,
        at: Moment,
        finished: &mut Finished,
    ) -> Outcome {
        finished.recovered |= sent.is_ok() && (finished.failing || delivery.attempts > 0);
        finished.failing = sent.is_err();
        let tries = delivery.attempts.saturating_add(1);
        let key = (delivery.notice.id.0, &self.name);
        let outcome = match sent {
            Ok(()) => DeliveryOutcome::Sent { at },
            Err(error) => match back_off::wait_after(tries, self.give_up_after, key) {
                Some(wait) => DeliveryOutcome::Retry {
                    next: at + wait,
                    error: error.clone(),
                },
                None => DeliveryOutcome::GivenUp {
                    at,
                    error: error.clone(),
                },
            },
        };
        match &outcome {
            DeliveryOutcome::Sent { .. } => {}
            DeliveryOutcome::Retry { next, error } => tracing::warn!(
                way = self.name,
                notice = %delivery.notice.id,
                tries,
                next = next.to_rfc3339(),
                "a notice did not go out: {error}"
            ),
            DeliveryOutcome::GivenUp { error, .. } => tracing::error!(
                way = self.name,
                notice = %delivery.notice.id,
                tries,
                "a notice is given up: {error}"
            ),
        }
        Outcome {
            notice: delivery.notice.id,
            outcome,
        }
    }

    async fn report_all(&self, outcomes: Vec<Outcome>, finished: &mut Finished) {
        for outcome in outcomes {
            let told = report(
                &self.writer,
                &self.name,
                outcome.notice,
                outcome.outcome.clone(),
            )
            .await;
            match told {
                Ok(()) => {}
                // It will never be taken: the notice is gone from the store.
                Err(StoreError::Refused(why)) => {
                    tracing::warn!(way = self.name, notice = %outcome.notice, why, "outcome not taken");
                }
                Err(error) => {
                    tracing::warn!(way = self.name, %error, "outcome not written down yet");
                    finished.unreported.push(outcome);
                }
            }
        }
    }
}

pub async fn report(
    writer: &Writer,
    way: &str,
    notice: NoticeId,
    attempt: DeliveryOutcome,
) -> Result<(), StoreError> {
    writer
        .command(Command::Delivered {
            notice,
            channel: way.to_owned(),
            attempt,
        })
        .await
        .map(drop)
}

//! The cellar in one message, daily or weekly, where the maker wished it.

use std::time::Duration;

use ebbmark_core::notice::NoticeKind;
use ebbmark_core::notice::summary::{InVessel, Silent, summary};
use ebbmark_core::text::Style;
use ebbmark_core::time::Moment;
use ebbmark_store::model::{Command, NewNotice};
use ebbmark_store::{Reader, StoreError, Writer};
use jiff::tz::TimeZone;
use tokio_util::sync::CancellationToken;

use crate::clock::Clock;
use crate::notify;

/// Between two looks whether it is time.
const EVERY: Duration = Duration::from_secs(15);

#[derive(Clone)]
pub struct Summarise {
    pub clock: Clock,
    pub writer: Writer,
    pub reader: Reader,
    pub zone: TimeZone,
    /// Ways out there are.
    pub channels: Vec<String>,
}

impl Summarise {
    /// Makes them as they fall due, until `shutdown`.
    ///
    /// # Errors
    /// The store's writer has stopped.
    pub async fn run(self, shutdown: CancellationToken) -> Result<(), StoreError> {
        loop {
            // By a clock that cannot be believed nothing is due.
            if self.clock.is_believable() {
                let summarise = self.clone();
                let look = tokio::task::spawn_blocking(move || summarise.look());
                match look.await {
                    Ok(Err(StoreError::WriterGone)) => return Err(StoreError::WriterGone),
                    Ok(Err(error)) => tracing::error!(%error, "no summary"),
                    Ok(Ok(())) => {}
                    Err(broken) => std::panic::resume_unwind(broken.into_panic()),
                }
            }
            tokio::select! {
                () = shutdown.cancelled() => return Ok(()),
                () = tokio::time::sleep(EVERY) => {}
            }
        }
    }

    fn look(&self) -> Result<(), StoreError> {
        let Some(schedule) = self.reader.wishes()?.summary else {
            return Ok(());
        };
        let now = self.clock.now();
        let (zone, units) = self.reader.zone_and_units(&self.zone)?;
        let Some(key) = schedule.due(now, &zone) else {
            return Ok(());
        };
        // It is on record from when it is made, so a restart makes no second one.
        if self.reader.was_told(&key)? {
            return Ok(());
        }
        let style = Style { units, zone: &zone };
        let notice = self.made(key.clone(), now, &style)?;
        self.writer
            .command_blocking(Command::Notify(vec![notice]))?;
        // Nothing lasts of it.
        self.writer
            .command_blocking(Command::Clear { key, at: now })?;
        Ok(())
    }

    fn made(&self, key: String, now: Moment, style: &Style) -> Result<NewNotice, StoreError> {
        let mut of_vessels = Vec::new();
        for vessel in self.reader.vessels()?.into_iter().filter(|v| !v.retired) {
            let Some(batch) = vessel.batch.clone() else {
                continue;
            };
            let judged = self.reader.verdict(vessel.id)?;
            let sentence = judged
                .filter(|judged| judged.batch == batch.id)
                .map_or_else(|| "not judged yet.".to_owned(), |judged| judged.sentence);
            let tasks = self.reader.tasks_of(&batch, now, style)?;
            of_vessels.push((vessel.facts.name, sentence, tasks));
        }
        let standing = self.reader.standing()?;
        let is_silent = |feed: &ebbmark_store::model::Feed| {
            let key = format!("{}:{}", NoticeKind::FeedSilent.key(), feed.id);
            standing.iter().any(|notice| notice.key == key)
        };
        let feeds = self.reader.feeds()?;
        let silent: Vec<Silent> = feeds
            .iter()
            .filter(|feed| is_silent(feed))
            .map(|feed| Silent {
                name: &feed.name,
                last: feed.last_reading,
            })
            .collect();
        let unanswered: Vec<&str> = standing
            .iter()
            // What is silent and what is due is listed as it is now.
            .filter(|n| !matches!(n.kind, NoticeKind::FeedSilent | NoticeKind::StepDue))
            .filter(|n| n.kind.lasts() && n.seen.is_none())
            .map(|n| n.title.as_str())
            .collect();
        let vessels: Vec<InVessel> = of_vessels
            .iter()
            .map(|(name, sentence, tasks)| InVessel {
                name,
                sentence,
                tasks,
            })
            .collect();
        let call = summary(&vessels, &silent, &unanswered, now, style);
        notify::notice(&self.reader, &self.channels, call, key, None, now)
    }
}

#[cfg(test)]
mod tests {
    use ebbmark_core::notice::quiet::TimeOfDay;
    use ebbmark_core::notice::summary::{On, Schedule};
    use ebbmark_core::notice::wishes::Wishes;
    use ebbmark_core::time::Span;
    use ebbmark_store::Options;
    use ebbmark_store::reader::WISHES_SETTING;

    use super::*;

    /// 08:00 UTC on a Thursday.
    const EIGHT: Moment = Moment(1_795_680_000_000);

    struct Bench {
        folder: tempfile::TempDir,
    }

    impl Bench {
        async fn new() -> Bench {
            let bench = Bench {
                folder: tempfile::tempdir().unwrap(),
            };
            let wishes = Wishes {
                summary: Some(Schedule {
                    on: On::EveryDay,
                    at: TimeOfDay::new(8, 0).unwrap(),
                    since: EIGHT - Span::days(2),
                }),
                ..Wishes::default()
            };
            let value = serde_json::to_string(&wishes).unwrap();
            let (writer, _) = bench.open();
            let key = WISHES_SETTING.to_owned();
            let value = Some(value);
            writer
                .command(Command::SetSetting { key, value })
                .await
                .unwrap();
            writer.close().await;
            bench
        }

        fn open(&self) -> (Writer, Reader) {
            let path = self.folder.path().join("cellar.db");
            ebbmark_store::open(&path, Options::default()).unwrap()
        }

        /// Started at that moment, after a stop, it looks twice; gives the keys of all ever made.
        async fn start(&self, at: Moment) -> Vec<String> {
            let (writer, reader) = self.open();
            let summarise = Summarise {
                clock: Clock::simulated(at, 1.0),
                writer: writer.clone(),
                reader: reader.clone(),
                zone: TimeZone::UTC,
                channels: vec!["log".to_owned()],
            };
            // Told to stop beforehand it ends after its first look.
            let stopped = CancellationToken::new();
            stopped.cancel();
            for _ in 0..2 {
                summarise.clone().run(stopped.clone()).await.unwrap();
            }
            let notices = reader.notices(50).unwrap();
            writer.close().await;
            notices.into_iter().rev().map(|n| n.key).collect()
        }
    }

    #[tokio::test]
    async fn once_for_each_day_over_any_restart() {
        let bench = Bench::new().await;
        assert!(bench.start(EIGHT - Span::minutes(1)).await.is_empty());
        let first = ["summary:2026-11-26"];
        for minutes in [0, 5, 600] {
            assert_eq!(bench.start(EIGHT + Span::minutes(minutes)).await, first);
        }
        // Put back by an hour, the clock shows eight once more.
        assert_eq!(bench.start(EIGHT).await, first);
        let both = ["summary:2026-11-26", "summary:2026-11-27"];
        assert_eq!(bench.start(EIGHT + Span::days(1)).await, both);
    }

    #[tokio::test]
    async fn not_by_a_clock_that_cannot_be_believed() {
        let bench = Bench::new().await;
        // Eight o'clock of a day long before the project.
        assert!(bench.start(Moment(8 * 3_600_000)).await.is_empty());
    }
}

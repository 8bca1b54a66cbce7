//! A store with an intake in front of it, for one test.

use std::net::SocketAddr;
use std::sync::Arc;
use std::time::{Duration, Instant};

use ebbmark::mqtt::Outgoing;
use ebbmark::mqtt::intake::{self, Clock, IntakeConfig, IntakeCounts};
use ebbmark_core::time::Moment;
use ebbmark_store::model::{Change, Stamp};
use ebbmark_store::{Options, Reader, Writer};
use tokio::sync::broadcast;
use tokio::sync::broadcast::error::RecvError;
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;

/// Only there so that a test that would hang fails instead.
pub const FAILSAFE: Duration = Duration::from_secs(30);

pub struct Cellar {
    pub writer: Writer,
    pub reader: Reader,
    pub outgoing: Outgoing,
    pub address: SocketAddr,
    pub counts: Arc<IntakeCounts>,
    pub shutdown: CancellationToken,
    pub serving: JoinHandle<()>,
    changes: broadcast::Receiver<Change>,
    _folder: tempfile::TempDir,
}

/// 2026-03-01T06:30:00Z and on from there.
pub fn clock() -> Clock {
    let start = Instant::now();
    Arc::new(move || {
        let monotonic_ms = i64::try_from(start.elapsed().as_millis()).unwrap();
        Stamp {
            wall: Some(Moment(1_772_346_600_000 + monotonic_ms)),
            monotonic_ms,
        }
    })
}

pub fn local(config: IntakeConfig) -> IntakeConfig {
    IntakeConfig {
        listen: vec!["127.0.0.1:0".parse().unwrap()],
        ..config
    }
}

impl Cellar {
    pub async fn open() -> Cellar {
        Cellar::with(IntakeConfig::default()).await
    }

    pub async fn with(config: IntakeConfig) -> Cellar {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("cellar.sqlite");
        let (writer, reader) = ebbmark_store::open(
            &path,
            Options {
                // What nobody waits for is looked for at once here.
                leisure: std::time::Duration::ZERO,
                ..Options::default()
            },
        )
        .unwrap();
        let outgoing = Outgoing::new();
        let shutdown = CancellationToken::new();
        let intake = intake::bind(
            local(config),
            writer.clone(),
            outgoing.clone(),
            clock(),
            shutdown.clone(),
        )
        .await
        .unwrap();
        Cellar {
            changes: writer.changes(),
            writer,
            reader,
            outgoing,
            address: intake.local_addrs()[0],
            counts: intake.counts(),
            shutdown,
            serving: tokio::spawn(intake.run()),
            _folder: folder,
        }
    }

    /// What is stored of a topic nobody has claimed, oldest first.
    pub fn stored(&self, source: &str, topic: &str) -> Vec<String> {
        let unclaimed = self.reader.unclaimed().unwrap();
        let mut payloads: Vec<String> = unclaimed
            .into_iter()
            .filter(|known| known.source == source && known.topic == topic)
            .flat_map(|known| known.payloads)
            .map(|payload| String::from_utf8(payload).unwrap())
            .collect();
        payloads.reverse();
        payloads
    }

    pub fn taken(&self, topic: &str) -> Vec<String> {
        self.stored(intake::SOURCE, topic)
    }

    /// Waits until something holds, looking again after each commit.
    pub async fn until(&mut self, what: &str, holds: impl Fn(&Cellar) -> bool) {
        let waiting = async {
            while !holds(self) {
                match self.changes.recv().await {
                    Ok(_) | Err(RecvError::Lagged(_)) => {}
                    Err(RecvError::Closed) => panic!("the store closed before: {what}"),
                }
            }
        };
        let done = tokio::time::timeout(FAILSAFE, waiting).await;
        done.unwrap_or_else(|_| panic!("never came about: {what}"));
    }

    /// How often a problem of this kind was counted for a topic, with its words.
    pub fn problem(&self, topic: &str) -> Option<(u64, String)> {
        self.reader
            .problems()
            .unwrap()
            .into_iter()
            .find(|problem| problem.topic == topic)
            .map(|problem| (problem.count, problem.detail))
    }

    /// Stops the intake and waits for it.
    pub async fn stop(&mut self) {
        self.shutdown.cancel();
        tokio::time::timeout(FAILSAFE, &mut self.serving)
            .await
            .expect("the intake ends in time")
            .unwrap();
    }
}

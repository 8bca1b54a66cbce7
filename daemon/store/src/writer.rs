//! The one thread that writes.
//!
//! Jobs wait in a bounded queue. The thread takes the first, gathers company for it (see
//! [`Options`]), runs them all in one transaction, commits, and only then answers. On a power cut
//! before the commit nobody was told anything; after it the answer is true.
//!
//! Nobody waits for a message that was sent without asking for an answer. Where there
//! are many of them, they are kept back so that on the whole no more than one commit falls into
//! [`Options::leisure`], or until a job comes that somebody waits for: it takes them along. A few floats
//! never come near that: theirs are committed at once.
//!
//! A job that fails must not take its company with it. A command may well be refused, so each
//! runs behind a savepoint. A message cannot be refused, and a savepoint costs a third of what
//! storing it costs: messages go without, and should a statement of one fail all the same, the
//! transaction is rolled back and run again with a savepoint for every job.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

use rusqlite::Connection;
use tokio::sync::mpsc::error::{TryRecvError, TrySendError};
use tokio::sync::{broadcast, mpsc, oneshot, watch};

use crate::Options;
use crate::apply::{self, Memory};
use crate::condition::{is_damage, is_read_only};
use crate::error::StoreError;
use crate::model::{Arrival, Change, Command, Done, Receipt};
use crate::words;

/// Commits that were not needed in a quiet time and may follow one another at once when it is over.
const SAVED: u32 = 60;

/// Changes a slow listener may be behind before it loses the oldest.
const CHANGES_KEPT: usize = 1024;

const READ_ONLY: &str = "the file system is read-only, as the system makes it when a disk or a card \
                         fails (its log says why; the next start of the board may mend it)";

/// Handle to the writer thread.
#[derive(Clone)]
pub struct Writer {
    jobs: mpsc::Sender<Job>,
    changes: broadcast::Sender<Change>,
    told: Arc<AtomicU64>,
    troubles: Troubles,
}

/// Why nothing can be written at present.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Trouble {
    pub why: String,
    /// The file itself is no longer what it was; waiting does not help.
    pub damaged: bool,
}

/// `None` while the last commit was kept.
pub type Troubles = watch::Receiver<Option<Trouble>>;

/// Resolves when the arrival is committed. Dropping it does not undo the write.
pub type ReceiptWaiter = oneshot::Receiver<Result<Receipt, StoreError>>;

type Answer<T> = oneshot::Sender<Result<T, StoreError>>;

enum Job {
    Arrive(Work<Arrival, Receipt>),
    Command(Work<Box<Command>, Done>),
    /// Whether the thread still turns.
    Ask(oneshot::Sender<()>),
    Close(oneshot::Sender<()>),
}

/// Something to do, and who waits for it.
struct Work<I, O> {
    what: I,
    /// Nobody's battery runs down until it is done.
    at_leisure: bool,
    answer: Answer<O>,
    /// What came of it, until the commit has decided.
    result: Option<Result<O, StoreError>>,
}

impl<I, O> Work<I, O> {
    fn new(what: I) -> (Work<I, O>, oneshot::Receiver<Result<O, StoreError>>) {
        let (answer, waiter) = oneshot::channel();
        let work = Work {
            what,
            at_leisure: false,
            answer,
            result: None,
        };
        (work, waiter)
    }

    /// Answers; `failed` is why nothing of the commit was kept. A waiter that no longer listens
    /// has lost interest: what was written stands.
    fn finish(self, failed: Option<&str>) {
        let result = match (failed, self.result) {
            (Some(why), _) => Err(StoreError::Commit(why.to_owned())),
            (None, Some(result)) => result,
            (None, None) => Err(StoreError::WriterGone),
        };
        drop(self.answer.send(result));
    }
}

impl Writer {
    /// Queues a message; waits while the queue is full. The waiter resolves after the commit.
    ///
    /// # Errors
    /// [`StoreError::WriterGone`].
    pub async fn arrive(&self, arrival: Arrival) -> Result<ReceiptWaiter, StoreError> {
        self.queue(arrival, false).await
    }

    /// As [`Writer::arrive`], for a message whose sender waits for no answer: it may be committed with
    /// what comes later ([`Options::leisure`]).
    ///
    /// # Errors
    /// As [`Writer::arrive`].
    pub async fn arrive_at_leisure(&self, arrival: Arrival) -> Result<ReceiptWaiter, StoreError> {
        self.queue(arrival, true).await
    }

    async fn queue(&self, arrival: Arrival, at_leisure: bool) -> Result<ReceiptWaiter, StoreError> {
        let (mut work, waiter) = Work::new(arrival);
        work.at_leisure = at_leisure;
        self.jobs
            .send(Job::Arrive(work))
            .await
            .map_err(|_| StoreError::WriterGone)?;
        Ok(waiter)
    }

    /// As [`Writer::arrive`], but refuses at once when the queue is full. For callers that must not wait.
    ///
    /// # Errors
    /// [`StoreError::QueueFull`], [`StoreError::WriterGone`].
    pub fn try_arrive(&self, arrival: Arrival) -> Result<ReceiptWaiter, StoreError> {
        let (work, waiter) = Work::new(arrival);
        match self.jobs.try_send(Job::Arrive(work)) {
            Ok(()) => Ok(waiter),
            Err(TrySendError::Full(_)) => Err(StoreError::QueueFull(self.jobs.max_capacity())),
            Err(TrySendError::Closed(_)) => Err(StoreError::WriterGone),
        }
    }

    /// Runs a command and waits for its commit.
    ///
    /// # Errors
    /// [`StoreError::Refused`] names what is wrong with the command itself.
    pub async fn command(&self, command: Command) -> Result<Done, StoreError> {
        let (work, waiter) = Work::new(Box::new(command));
        self.jobs
            .send(Job::Command(work))
            .await
            .map_err(|_| StoreError::WriterGone)?;
        waiter.await.map_err(|_| StoreError::WriterGone)?
    }

    /// As [`Writer::command`], from a thread that is not async.
    ///
    /// # Errors
    /// As [`Writer::command`].
    pub fn command_blocking(&self, command: Command) -> Result<Done, StoreError> {
        let waiter = self.queue_blocking(command)?;
        waiter.blocking_recv().map_err(|_| StoreError::WriterGone)?
    }

    fn queue_blocking(
        &self,
        command: Command,
    ) -> Result<oneshot::Receiver<Result<Done, StoreError>>, StoreError> {
        let (work, waiter) = Work::new(Box::new(command));
        self.jobs
            .blocking_send(Job::Command(work))
            .map_err(|_| StoreError::WriterGone)?;
        Ok(waiter)
    }

    /// Several that have nothing to do with one another, in one commit if it can be. All are run. From a
    /// thread that is not async.
    ///
    /// # Errors
    /// The first there is, as [`Writer::command`].
    pub fn commands_blocking(&self, commands: Vec<Command>) -> Result<(), StoreError> {
        let mut waiters = Vec::with_capacity(commands.len());
        for command in commands {
            waiters.push(self.queue_blocking(command)?);
        }
        for waiter in waiters {
            waiter
                .blocking_recv()
                .map_err(|_| StoreError::WriterGone)??;
        }
        Ok(())
    }

    /// Comes back once the thread has got to it, which takes as long as what it is at. Nothing is written.
    ///
    /// # Errors
    /// [`StoreError::WriterGone`].
    pub async fn answers(&self) -> Result<(), StoreError> {
        let (answer, waiter) = oneshot::channel();
        self.jobs
            .send(Job::Ask(answer))
            .await
            .map_err(|_| StoreError::WriterGone)?;
        waiter.await.map_err(|_| StoreError::WriterGone)
    }

    /// What changed, after each commit. A slow listener loses the oldest and is told so.
    pub fn changes(&self) -> broadcast::Receiver<Change> {
        self.changes.subscribe()
    }

    /// How many commits were told of so far. Whoever takes this number, then reads, then listens to
    /// [`Writer::changes`], and finds the number as it was, has missed nothing in between.
    #[must_use]
    pub fn told(&self) -> u64 {
        self.told.load(Ordering::SeqCst)
    }

    /// Whether commits are kept, and what keeps them from it; also damage that reading met. One that fails is answered as such by
    /// itself; this is for telling.
    #[must_use]
    pub fn troubles(&self) -> Troubles {
        self.troubles.clone()
    }

    /// Whether the thread has ended, however that came.
    pub fn has_stopped(&self) -> bool {
        self.jobs.is_closed()
    }

    /// Writes what is queued, checkpoints, and ends the thread. Later calls get `WriterGone`.
    pub async fn close(&self) {
        let (answer, waiter) = oneshot::channel();
        if self.jobs.send(Job::Close(answer)).await.is_ok() {
            // An error means the thread has ended, which is what was asked for.
            let _ = waiter.await;
        }
    }
}

/// Starts the thread on a connection whose schema is up to date.
pub(crate) fn start(
    conn: Connection,
    path: &Path,
    options: Options,
    trouble: watch::Sender<Option<Trouble>>,
) -> Result<Writer, StoreError> {
    let cannot_start = |cause: std::io::Error| StoreError::Open {
        path: path.to_owned(),
        cause: rusqlite::Error::ToSqlConversionFailure(Box::new(cause)),
    };
    let memory = Memory::load(&conn)?;
    let (jobs, queue) = mpsc::channel(options.queue.max(1));
    let (changes, _) = broadcast::channel(CHANGES_KEPT);
    let told = Arc::new(AtomicU64::new(0));
    let troubles = trouble.subscribe();
    // Only for its timer: a channel has no blocking receive with a time limit.
    let clock = tokio::runtime::Builder::new_current_thread()
        .enable_time()
        .build()
        .map_err(cannot_start)?;
    let thread = Thread {
        conn,
        path: path.to_owned(),
        memory,
        queue,
        changes: changes.clone(),
        told: told.clone(),
        trouble,
        options,
        clock,
        committed: Instant::now(),
        saved: options.leisure * SAVED,
        closing: Vec::new(),
    };
    std::thread::Builder::new()
        .name("store-writer".into())
        .spawn(move || thread.run())
        .map_err(cannot_start)?;
    Ok(Writer {
        jobs,
        changes,
        told,
        troubles,
    })
}

struct Thread {
    conn: Connection,
    path: PathBuf,
    memory: Memory,
    queue: mpsc::Receiver<Job>,
    changes: broadcast::Sender<Change>,
    told: Arc<AtomicU64>,
    trouble: watch::Sender<Option<Trouble>>,
    options: Options,
    clock: tokio::runtime::Runtime,
    committed: Instant,
    /// What was left over of the time between commits when the last one was made.
    saved: Duration,
    closing: Vec<oneshot::Sender<()>>,
}

/// When a commit is made at the latest, and how long nothing more has to come to make it sooner.
#[derive(Clone, Copy)]
struct Patience {
    until: Instant,
    gap: Duration,
}

impl Patience {
    fn least(self, other: Patience) -> Patience {
        Patience {
            until: self.until.min(other.until),
            gap: self.gap.min(other.gap),
        }
    }
}

/// Which jobs run behind a savepoint of their own.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Guard {
    Commands,
    Every,
}

/// Why a transaction came to nothing.
enum Failure {
    /// A statement of a message that had no savepoint.
    Message,
    /// The transaction itself.
    Whole(Trouble),
}

impl From<rusqlite::Error> for Failure {
    fn from(cause: rusqlite::Error) -> Self {
        Failure::Whole(Trouble {
            why: cause.to_string(),
            damaged: is_damage(&cause),
        })
    }
}

impl From<&StoreError> for Trouble {
    fn from(cause: &StoreError) -> Self {
        Trouble {
            why: cause.to_string(),
            damaged: matches!(cause, StoreError::Sql(cause) if is_damage(cause)),
        }
    }
}

impl Thread {
    fn run(mut self) {
        let mut jobs = Vec::with_capacity(self.options.commit_count.min(4096));
        while let Some(first) = self.queue.blocking_recv() {
            self.gather(first, &mut jobs);
            if !jobs.is_empty() {
                self.commit(&mut jobs);
            }
        }
        if let Err(cause) = self
            .conn
            .query_row("PRAGMA wal_checkpoint(TRUNCATE)", [], |_| Ok(()))
        {
            tracing::warn!(%cause, "no checkpoint at the end; the next start does it");
        }
        if let Err((_, cause)) = self.conn.close() {
            tracing::warn!(%cause, "the database did not close cleanly");
        }
        for waiter in self.closing {
            let _ = waiter.send(());
        }
    }

    /// Collects the jobs of one commit.
    fn gather(&mut self, first: Job, jobs: &mut Vec<Job>) {
        let mut patience = self.patience(&first, Instant::now());
        self.take(first, jobs);
        while jobs.len() < self.options.commit_count.max(1) {
            let job = match self.queue.try_recv() {
                Ok(job) => job,
                Err(TryRecvError::Disconnected) => return,
                Err(TryRecvError::Empty) => {
                    let left = patience.until.saturating_duration_since(Instant::now());
                    let left = left.min(patience.gap);
                    if left.is_zero() {
                        return;
                    }
                    let queue = &mut self.queue;
                    let next = self
                        .clock
                        .block_on(async { tokio::time::timeout(left, queue.recv()).await });
                    match next {
                        Ok(Some(job)) => job,
                        // Quiet, or closed.
                        Ok(None) | Err(_) => return,
                    }
                }
            };
            // Who only asks whether somebody is there has nothing to be committed.
            if !matches!(job, Job::Ask(_)) {
                patience = patience.least(self.patience(&job, Instant::now()));
            }
            self.take(job, jobs);
            // Checked here as well: a steady stream must not stretch the window.
            if Instant::now() >= patience.until {
                return;
            }
        }
    }

    /// How long a job that comes now may wait for company.
    fn patience(&self, job: &Job, now: Instant) -> Patience {
        let prompt = Patience {
            until: now + self.options.commit_window,
            gap: self.options.quiet_gap,
        };
        let due = self.committed + self.options.leisure.saturating_sub(self.saved);
        match job {
            Job::Arrive(work) if work.at_leisure && due > prompt.until => Patience {
                until: due,
                gap: due.saturating_duration_since(now),
            },
            _ => prompt,
        }
    }

    fn take(&mut self, job: Job, jobs: &mut Vec<Job>) {
        match job {
            Job::Ask(waiter) => {
                // Who no longer waits has no need of it.
                let _ = waiter.send(());
            }
            Job::Close(waiter) => {
                // What is queued is still received; nothing more gets in.
                self.queue.close();
                self.closing.push(waiter);
            }
            job => jobs.push(job),
        }
    }

    fn commit(&mut self, jobs: &mut Vec<Job>) {
        let mut result = self.transact(jobs, Guard::Commands);
        if matches!(result, Err(Failure::Message)) {
            self.roll_back();
            result = self.transact(jobs, Guard::Every);
        }
        let failed = match result {
            Ok(()) => None,
            Err(Failure::Message) => Some(Trouble {
                why: "a message failed".to_owned(),
                damaged: false,
            }),
            Err(Failure::Whole(trouble)) => Some(self.explained(trouble)),
        };
        let (now, leisure) = (Instant::now(), self.options.leisure);
        let saved = self.saved.saturating_add(now - self.committed);
        self.saved = saved.min(leisure * SAVED).saturating_sub(leisure);
        self.committed = now;
        self.trouble(failed.clone().or_else(|| damage(jobs)));
        let failed = failed.map(|trouble| trouble.why);
        if let Some(why) = &failed {
            tracing::error!(why, "nothing of this commit was kept");
            self.roll_back();
        } else {
            // Before the answers: who has its answer and listens from then on hears only of
            // later commits.
            let changes = self.memory.take_changes();
            if !changes.is_empty() {
                self.told.fetch_add(1, Ordering::SeqCst);
            }
            for change in changes {
                // Nobody listening is not an error.
                let _ = self.changes.send(change);
            }
        }
        for job in jobs.drain(..) {
            match job {
                Job::Arrive(work) => work.finish(failed.as_deref()),
                Job::Command(work) => work.finish(failed.as_deref()),
                Job::Ask(waiter) | Job::Close(waiter) => self.closing.push(waiter),
            }
        }
    }

    /// With the reason, where the system knows one that SQLite does not say.
    fn explained(&self, trouble: Trouble) -> Trouble {
        if trouble.damaged || !is_read_only(&self.path) {
            return trouble;
        }
        Trouble {
            why: READ_ONLY.to_owned(),
            damaged: false,
        }
    }

    fn trouble(&self, now: Option<Trouble>) {
        self.trouble.send_if_modified(|before| {
            // A commit that is kept mends no page.
            let stays = before.as_ref().is_some_and(|before| before.damaged);
            let changed = !stays && *before != now;
            if changed {
                *before = now;
            }
            changed
        });
    }

    fn roll_back(&mut self) {
        // After some errors SQLite has done it by itself.
        if !self.conn.is_autocommit()
            && let Err(cause) = self.conn.execute_batch("ROLLBACK")
        {
            tracing::error!(%cause, "rollback failed");
        }
        self.memory.forget();
    }

    /// Runs all jobs in one transaction and commits it. On an error nothing of it may stay.
    fn transact(&mut self, jobs: &mut [Job], guard: Guard) -> Result<(), Failure> {
        self.conn.prepare_cached("BEGIN IMMEDIATE")?.execute([])?;
        self.memory.begin(&self.conn)?;
        for job in jobs {
            match job {
                Job::Arrive(work) => {
                    let message = &work.what;
                    let result = self.memory.job(&self.conn, guard == Guard::Every, |tx| {
                        apply::arrival::arrive(tx, message)
                    });
                    self.still_open(&result)?;
                    if result.is_err() && guard == Guard::Commands {
                        return Err(Failure::Message);
                    }
                    work.result = Some(result);
                }
                Job::Command(work) => {
                    let command = &work.what;
                    self.memory.flush_for(&self.conn, command)?;
                    let result = self
                        .memory
                        .job(&self.conn, true, |tx| apply::command(tx, command));
                    self.still_open(&result)?;
                    work.result = Some(result);
                    self.memory.reload_if_asked(&self.conn)?;
                }
                // Never among the gathered: see `take`.
                Job::Ask(_) | Job::Close(_) => {}
            }
        }
        self.memory.flush(&self.conn)?;
        words::keep_up(&self.conn)?;
        self.conn.prepare_cached("COMMIT")?.execute([])?;
        Ok(())
    }

    /// Some errors (a full disk) end the whole transaction, not only the job they happen in.
    fn still_open<T>(&self, result: &Result<T, StoreError>) -> Result<(), Failure> {
        match result {
            Err(cause) if self.conn.is_autocommit() => Err(Failure::Whole(cause.into())),
            _ => Ok(()),
        }
    }
}

/// A job that came upon a damaged page behind its savepoint; the others may have been kept.
fn damage(jobs: &[Job]) -> Option<Trouble> {
    let troubles = jobs.iter().filter_map(|job| match job {
        Job::Arrive(work) => work.result.as_ref()?.as_ref().err().map(Trouble::from),
        Job::Command(work) => work.result.as_ref()?.as_ref().err().map(Trouble::from),
        Job::Ask(_) | Job::Close(_) => None,
    });
    troubles.into_iter().find(|trouble| trouble.damaged)
}

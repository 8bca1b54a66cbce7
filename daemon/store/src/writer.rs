//! The one thread that writes.
//!
//! Jobs wait in a bounded queue. The thread takes the first, gathers company for it (see
//! [`Options`]), runs them all in one transaction, each behind its own savepoint, commits, and
//! only then answers. On a power cut before the commit nobody was told anything; after it the
//! answer is true.

use std::path::Path;
use std::time::Instant;

use rusqlite::Connection;
use tokio::sync::mpsc::error::{TryRecvError, TrySendError};
use tokio::sync::{broadcast, mpsc, oneshot};

use crate::Options;
use crate::apply::{self, Memory};
use crate::error::StoreError;
use crate::model::{Arrival, Change, Command, Done, Receipt};

/// Changes a slow listener may be behind before it loses the oldest.
const CHANGES_KEPT: usize = 1024;

/// Handle to the writer thread.
#[derive(Clone)]
pub struct Writer {
    jobs: mpsc::Sender<Job>,
    changes: broadcast::Sender<Change>,
}

/// Resolves when the arrival is committed. Dropping it does not undo the write.
pub type ReceiptWaiter = oneshot::Receiver<Result<Receipt, StoreError>>;

type Answer<T> = oneshot::Sender<Result<T, StoreError>>;

enum Job {
    Arrive(Arrival, Answer<Receipt>),
    Command(Box<Command>, Answer<Done>),
    Close(oneshot::Sender<()>),
}

impl Writer {
    /// Queues a message; waits while the queue is full. The waiter resolves after the commit.
    ///
    /// # Errors
    /// [`StoreError::WriterGone`].
    pub async fn arrive(&self, arrival: Arrival) -> Result<ReceiptWaiter, StoreError> {
        let (answer, waiter) = oneshot::channel();
        self.jobs
            .send(Job::Arrive(arrival, answer))
            .await
            .map_err(|_| StoreError::WriterGone)?;
        Ok(waiter)
    }

    /// As [`Writer::arrive`], but refuses at once when the queue is full. For callers that must not wait.
    ///
    /// # Errors
    /// [`StoreError::QueueFull`], [`StoreError::WriterGone`].
    pub fn try_arrive(&self, arrival: Arrival) -> Result<ReceiptWaiter, StoreError> {
        let (answer, waiter) = oneshot::channel();
        match self.jobs.try_send(Job::Arrive(arrival, answer)) {
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
        let (answer, waiter) = oneshot::channel();
        self.jobs
            .send(Job::Command(Box::new(command), answer))
            .await
            .map_err(|_| StoreError::WriterGone)?;
        waiter.await.map_err(|_| StoreError::WriterGone)?
    }

    /// As [`Writer::command`], from a thread that is not async.
    ///
    /// # Errors
    /// As [`Writer::command`].
    pub fn command_blocking(&self, command: Command) -> Result<Done, StoreError> {
        let (answer, waiter) = oneshot::channel();
        self.jobs
            .blocking_send(Job::Command(Box::new(command), answer))
            .map_err(|_| StoreError::WriterGone)?;
        waiter.blocking_recv().map_err(|_| StoreError::WriterGone)?
    }

    /// What changed, after each commit. A slow listener loses the oldest and is told so.
    pub fn changes(&self) -> broadcast::Receiver<Change> {
        self.changes.subscribe()
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
pub(crate) fn start(conn: Connection, path: &Path, options: Options) -> Result<Writer, StoreError> {
    let cannot_start = |cause: std::io::Error| StoreError::Open {
        path: path.to_owned(),
        cause: rusqlite::Error::ToSqlConversionFailure(Box::new(cause)),
    };
    let memory = Memory::load(&conn)?;
    let (jobs, queue) = mpsc::channel(options.queue.max(1));
    let (changes, _) = broadcast::channel(CHANGES_KEPT);
    // Only for its timer: a channel has no blocking receive with a time limit.
    let clock = tokio::runtime::Builder::new_current_thread()
        .enable_time()
        .build()
        .map_err(cannot_start)?;
    let thread = Thread {
        conn,
        memory,
        queue,
        changes: changes.clone(),
        options,
        clock,
        closing: Vec::new(),
    };
    std::thread::Builder::new()
        .name("store-writer".into())
        .spawn(move || thread.run())
        .map_err(cannot_start)?;
    Ok(Writer { jobs, changes })
}

struct Thread {
    conn: Connection,
    memory: Memory,
    queue: mpsc::Receiver<Job>,
    changes: broadcast::Sender<Change>,
    options: Options,
    clock: tokio::runtime::Runtime,
    closing: Vec<oneshot::Sender<()>>,
}

/// An answer that waits for the commit.
enum Reply {
    Receipt(Answer<Receipt>, Result<Receipt, StoreError>),
    Done(Answer<Done>, Result<Done, StoreError>),
}

impl Reply {
    // A waiter that no longer listens has lost interest; its write stands.
    fn send(self) {
        match self {
            Reply::Receipt(answer, result) => drop(answer.send(result)),
            Reply::Done(answer, result) => drop(answer.send(result)),
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
        let deadline = Instant::now() + self.options.commit_window;
        self.take(first, jobs);
        while jobs.len() < self.options.commit_count.max(1) {
            let job = match self.queue.try_recv() {
                Ok(job) => job,
                Err(TryRecvError::Disconnected) => return,
                Err(TryRecvError::Empty) => {
                    let left = deadline.saturating_duration_since(Instant::now());
                    let patience = left.min(self.options.quiet_gap);
                    if patience.is_zero() {
                        return;
                    }
                    let queue = &mut self.queue;
                    let next = self
                        .clock
                        .block_on(async { tokio::time::timeout(patience, queue.recv()).await });
                    match next {
                        Ok(Some(job)) => job,
                        // Quiet, or closed.
                        Ok(None) | Err(_) => return,
                    }
                }
            };
            self.take(job, jobs);
            // Checked here as well: a steady stream must not stretch the window.
            if Instant::now() >= deadline {
                return;
            }
        }
    }

    fn take(&mut self, job: Job, jobs: &mut Vec<Job>) {
        match job {
            Job::Close(waiter) => {
                // What is queued is still received; nothing more gets in.
                self.queue.close();
                self.closing.push(waiter);
            }
            job => jobs.push(job),
        }
    }

    fn commit(&mut self, jobs: &mut Vec<Job>) {
        let mut replies = Vec::with_capacity(jobs.len());
        match self.transact(jobs, &mut replies) {
            Ok(()) => {
                // Changes first: who has its answer and listens from then on hears only of later
                // commits.
                for change in self.memory.take_changes() {
                    // Nobody listening is not an error.
                    let _ = self.changes.send(change);
                }
                replies.into_iter().for_each(Reply::send);
            }
            Err(cause) => {
                tracing::error!(%cause, "nothing of this commit was kept");
                let why = cause.to_string();
                // SQLite has already rolled back by itself after some errors.
                if !self.conn.is_autocommit()
                    && let Err(cause) = self.conn.execute_batch("ROLLBACK")
                {
                    tracing::error!(%cause, "rollback failed");
                }
                self.memory.forget();
                for reply in replies {
                    match reply {
                        Reply::Receipt(answer, _) => {
                            let _ = answer.send(Err(StoreError::Commit(why.clone())));
                        }
                        Reply::Done(answer, _) => {
                            let _ = answer.send(Err(StoreError::Commit(why.clone())));
                        }
                    }
                }
                for job in jobs.drain(..) {
                    match job {
                        Job::Arrive(_, answer) => {
                            let _ = answer.send(Err(StoreError::Commit(why.clone())));
                        }
                        Job::Command(_, answer) => {
                            let _ = answer.send(Err(StoreError::Commit(why.clone())));
                        }
                        Job::Close(waiter) => self.closing.push(waiter),
                    }
                }
            }
        }
    }

    /// Runs all jobs in one transaction and commits it. On an error nothing of it stays.
    fn transact(
        &mut self,
        jobs: &mut Vec<Job>,
        replies: &mut Vec<Reply>,
    ) -> Result<(), rusqlite::Error> {
        self.conn.prepare_cached("BEGIN IMMEDIATE")?.execute([])?;
        self.memory.begin(&self.conn)?;
        for job in jobs.drain(..) {
            match job {
                Job::Arrive(arrival, answer) => {
                    let result = self
                        .memory
                        .job(&self.conn, |tx| apply::arrival::arrive(tx, &arrival));
                    replies.push(Reply::Receipt(answer, result));
                }
                Job::Command(command, answer) => {
                    self.memory.flush(&self.conn)?;
                    let result = self
                        .memory
                        .job(&self.conn, |tx| apply::command(tx, *command));
                    replies.push(Reply::Done(answer, result));
                    self.memory.reload_if_asked(&self.conn)?;
                }
                Job::Close(waiter) => self.closing.push(waiter),
            }
            // Some errors (a full disk) end the whole transaction, not only the savepoint.
            if self.conn.is_autocommit() {
                return Err(ended(replies));
            }
        }
        self.memory.flush(&self.conn)?;
        self.conn.prepare_cached("COMMIT")?.execute([])?;
        Ok(())
    }
}

/// The error that ended a transaction early, taken from the job it happened in.
fn ended(replies: &mut [Reply]) -> rusqlite::Error {
    let cause = match replies.last_mut() {
        Some(Reply::Receipt(_, result)) => result.as_mut().err().map(|e| e.to_string()),
        Some(Reply::Done(_, result)) => result.as_mut().err().map(|e| e.to_string()),
        None => None,
    };
    rusqlite::Error::SqliteFailure(
        rusqlite::ffi::Error::new(rusqlite::ffi::SQLITE_ABORT),
        cause,
    )
}

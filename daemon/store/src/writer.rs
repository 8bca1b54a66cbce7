//! The one thread that writes.

use tokio::sync::{broadcast, oneshot};

use crate::error::StoreError;
use crate::model::{Arrival, Change, Command, Done, Receipt};

/// Handle to the writer thread.
#[derive(Clone)]
pub struct Writer {}

/// Resolves when the arrival is committed. Dropping it does not undo the write.
pub type ReceiptWaiter = oneshot::Receiver<Result<Receipt, StoreError>>;

impl Writer {
    /// Queues a message; waits while the queue is full. The waiter resolves after the commit.
    ///
    /// # Errors
    /// [`StoreError::WriterGone`].
    pub async fn arrive(&self, _arrival: Arrival) -> Result<ReceiptWaiter, StoreError> {
        todo!()
    }

    /// As [`Writer::arrive`], but refuses at once when the queue is full. For callers that must not wait.
    ///
    /// # Errors
    /// [`StoreError::QueueFull`], [`StoreError::WriterGone`].
    pub fn try_arrive(&self, _arrival: Arrival) -> Result<ReceiptWaiter, StoreError> {
        todo!()
    }

    /// Runs a command and waits for its commit.
    ///
    /// # Errors
    /// [`StoreError::Refused`] names what is wrong with the command itself.
    pub async fn command(&self, _command: Command) -> Result<Done, StoreError> {
        todo!()
    }

    /// As [`Writer::command`], from a thread that is not async.
    ///
    /// # Errors
    /// As [`Writer::command`].
    pub fn command_blocking(&self, _command: Command) -> Result<Done, StoreError> {
        todo!()
    }

    /// What changed, after each commit. A slow listener loses the oldest and is told so.
    pub fn changes(&self) -> broadcast::Receiver<Change> {
        todo!()
    }

    /// Writes what is queued, checkpoints, and ends the thread. Later calls get `WriterGone`.
    pub async fn close(&self) {
        todo!()
    }
}

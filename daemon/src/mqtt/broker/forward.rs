//! From the connection to the store, and the acknowledgements back.
//!
//! Three tasks, so that the connection never waits: it hands over what came ([`Inbox`]); one
//! task queues it with the store, which may have to wait; one waits for each commit in turn and
//! acknowledges.

use std::sync::{Mutex, PoisonError};

use ebbmark_store::model::Arrival;
use ebbmark_store::writer::ReceiptWaiter;
use ebbmark_store::{StoreError, Writer};
use rumqttc::{AsyncClient, ManualAck};
use tokio::sync::mpsc;

/// Messages taken from the broker and not yet with the store. A broker has only some 20
/// unacknowledged ones under way, so this fills up with QoS 0 only.
const INBOX: usize = 256;

/// A message and how to acknowledge it.
pub struct Received {
    /// `None` if it is not to be stored, only acknowledged when its turn comes: MQTT wants
    /// acknowledgements in the order of the messages.
    pub arrival: Option<Arrival>,
    pub receipt: Receipt,
}

/// A message queued with the store.
pub struct Queued {
    waiter: Option<ReceiptWaiter>,
    receipt: Receipt,
}

/// What is owed to the broker for a message.
pub struct Receipt {
    /// `None` for QoS 0.
    pub ack: Option<ManualAck>,
    /// The connection it came over.
    pub connection: u64,
}

/// Lets acknowledgements through only to the connection their message came over.
///
/// Packet ids mean something within one connection only: on the next one the same id may be
/// another message, and acknowledging that unseen would lose it.
pub struct Gate {
    client: AsyncClient,
    connection: Mutex<u64>,
}

impl Gate {
    pub fn new(client: AsyncClient) -> Gate {
        Gate {
            client,
            connection: Mutex::new(0),
        }
    }

    /// Shuts out acknowledgements of the connection so far. Returns the number of the next one.
    pub fn next_connection(&self) -> u64 {
        let mut connection = self
            .connection
            .lock()
            .unwrap_or_else(PoisonError::into_inner);
        *connection += 1;
        *connection
    }

    pub fn acknowledge(&self, receipt: Receipt) {
        let Some(ack) = receipt.ack else { return };
        // Held while queueing, so that nothing slips in behind `next_connection`.
        let connection = self
            .connection
            .lock()
            .unwrap_or_else(PoisonError::into_inner);
        if *connection != receipt.connection {
            return;
        }
        // The queue has no bound, so this fails only when the connection has ended for good.
        if let Err(error) = self.client.try_manual_ack(ack) {
            tracing::debug!(%error, "acknowledgement not sent");
        }
    }
}

/// Where the connection puts what came in.
pub struct Inbox {
    sender: mpsc::Sender<Received>,
}

/// Something went wrong behind the connection; it must be made anew so that the broker sends
/// again what was not acknowledged.
pub struct Trouble {
    pub why: String,
    pub connection: u64,
}

impl Inbox {
    pub fn new() -> (Inbox, mpsc::Receiver<Received>) {
        let (sender, receiver) = mpsc::channel(INBOX);
        (Inbox { sender }, receiver)
    }

    /// Never waits.
    ///
    /// # Errors
    /// There is no room: gives the message back.
    pub fn put(&self, received: Received) -> Result<(), Box<Received>> {
        self.sender.try_send(received).map_err(|error| {
            Box::new(match error {
                mpsc::error::TrySendError::Full(received)
                | mpsc::error::TrySendError::Closed(received) => received,
            })
        })
    }
}

/// Queues messages with the store, in order.
pub async fn forward(
    mut inbox: mpsc::Receiver<Received>,
    writer: Writer,
    queue: mpsc::Sender<Queued>,
    trouble: mpsc::UnboundedSender<Trouble>,
) {
    while let Some(Received { arrival, receipt }) = inbox.recv().await {
        let waiter = match arrival {
            None => None,
            Some(arrival) => match writer.arrive(arrival).await {
                Ok(waiter) => Some(waiter),
                Err(error) => {
                    // Nobody listens any more once the connection has ended for good.
                    let _ = trouble.send(Trouble {
                        why: error.to_string(),
                        connection: receipt.connection,
                    });
                    continue;
                }
            },
        };
        if queue.send(Queued { waiter, receipt }).await.is_err() {
            return;
        }
    }
}

/// Waits for the commits in order, and acknowledges.
pub async fn acknowledge(
    mut queue: mpsc::Receiver<Queued>,
    gate: &Gate,
    trouble: mpsc::UnboundedSender<Trouble>,
) {
    while let Some(Queued { waiter, receipt }) = queue.recv().await {
        let stored = match waiter {
            None => Ok(()),
            Some(waiter) => match waiter.await {
                Ok(stored) => stored.map(drop),
                Err(_) => Err(StoreError::WriterGone),
            },
        };
        match stored {
            Ok(()) => gate.acknowledge(receipt),
            Err(error) => {
                // As above.
                let _ = trouble.send(Trouble {
                    why: error.to_string(),
                    connection: receipt.connection,
                });
            }
        }
    }
}

/// The way from [`forward`] to [`acknowledge`]: commits under way.
pub fn under_way() -> (mpsc::Sender<Queued>, mpsc::Receiver<Queued>) {
    mpsc::channel(INBOX)
}

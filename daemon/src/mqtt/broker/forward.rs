//! From the connection to the store, and the acknowledgements back.
//!
//! Three tasks, so that the connection waits for none: it hands over what came ([`Inbox`]); one
//! task queues it with the store, which may have to wait; one waits for each commit in turn and
//! acknowledges. While the inbox is half full nothing more is read, and the broker has to wait.

use std::collections::HashSet;
use std::sync::atomic::{AtomicUsize, Ordering::Relaxed};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use ebbmark_store::model::Arrival;
use ebbmark_store::writer::ReceiptWaiter;
use ebbmark_store::{StoreError, Writer};
use rumqttc::{AsyncClient, ManualAck};
use tokio::sync::{Notify, mpsc};

/// Memory for messages taken from the broker and not yet with the store. Some brokers hold back
/// after some 20 unacknowledged messages; others (mosquitto 2.0.11 with a backlog, as measured)
/// send 20 more for each acknowledgement.
const INBOX_BYTES: usize = 8 << 20;
/// Counted for each message on top of its topic and payload.
const MESSAGE_BYTES: usize = 256;
/// Messages queued between the two tasks; two more are in their hands. If we are cut off now, the
/// broker sends all of these again, and the store recognises a repeat among the latest 1024
/// of a claimed topic, or the latest 20 of one nobody has claimed.
const UNDER_WAY: usize = 16;

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

/// Lets acknowledgements through only to the connection their message came over, and one for each.
///
/// Packet ids mean something within one connection only: on the next one the same id may be
/// another message, and acknowledging that unseen would lose it.
pub struct Gate {
    client: AsyncClient,
    open: Mutex<Open>,
}

#[derive(Default)]
struct Open {
    connection: u64,
    /// Packet ids that came over it and are not acknowledged yet.
    owed: HashSet<u16>,
}

impl Gate {
    pub fn new(client: AsyncClient) -> Gate {
        Gate {
            client,
            open: Mutex::default(),
        }
    }

    // A panic in between leaves a number and a set of numbers.
    fn open(&self) -> MutexGuard<'_, Open> {
        self.open.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Shuts out acknowledgements of the connection so far. Returns the number of the next one.
    pub fn next_connection(&self) -> u64 {
        let mut open = self.open();
        open.connection += 1;
        open.owed.clear();
        open.connection
    }

    /// Notes what came over the present connection and has to be acknowledged. `false`: the same has come
    /// over it before and is still owed; a broker with a long backlog sends some messages twice. One
    /// answer is for both: the client library takes a second one for a fault of ours, and ends.
    pub fn owe(&self, packet_id: u16) -> bool {
        self.open().owed.insert(packet_id)
    }

    /// Whether the connection a message came over still stands.
    fn is_open_to(&self, receipt: &Receipt) -> bool {
        self.open().connection == receipt.connection
    }

    pub fn acknowledge(&self, receipt: Receipt) {
        let Some(ack) = receipt.ack else { return };
        // Held while queueing, so that nothing slips in behind `next_connection`.
        let mut open = self.open();
        if open.connection != receipt.connection {
            return;
        }
        open.owed.remove(&packet_id(&ack));
        // The queue has no bound, so this fails only when the connection has ended for good.
        if let Err(error) = self.client.try_manual_ack(ack) {
            tracing::debug!(%error, "acknowledgement not sent");
        }
    }
}

fn packet_id(ack: &ManualAck) -> u16 {
    match ack {
        ManualAck::PubAck(ack) => ack.pkid,
        ManualAck::PubRec(ack) => ack.pkid,
    }
}

/// Where the connection puts what came in.
pub struct Inbox {
    sender: mpsc::UnboundedSender<Received>,
    bytes: Arc<AtomicUsize>,
    taken: Arc<Notify>,
}

/// Where it is taken out again.
pub struct Outlet {
    receiver: mpsc::UnboundedReceiver<Received>,
    bytes: Arc<AtomicUsize>,
    taken: Arc<Notify>,
}

/// There is no room for the message.
pub struct Full;

/// Something went wrong behind the connection; it must be made anew so that the broker sends
/// again what was not acknowledged.
pub struct Trouble {
    pub why: String,
    pub connection: u64,
}

pub fn inbox() -> (Inbox, Outlet) {
    let (sender, receiver) = mpsc::unbounded_channel();
    let bytes = Arc::new(AtomicUsize::new(0));
    let taken = Arc::new(Notify::new());
    let inbox = Inbox {
        sender,
        bytes: bytes.clone(),
        taken: taken.clone(),
    };
    let outlet = Outlet {
        receiver,
        bytes,
        taken,
    };
    (inbox, outlet)
}

impl Inbox {
    /// Never waits.
    ///
    /// # Errors
    /// There is no room.
    pub fn put(&self, received: Received) -> Result<(), Full> {
        let size = received.size();
        if self.bytes.load(Relaxed) + size > INBOX_BYTES {
            return Err(Full);
        }
        self.bytes.fetch_add(size, Relaxed);
        self.sender.send(received).map_err(|_| Full)
    }

    /// Comes back once it is no more than half full. What the client library has read already, and hands
    /// over afterwards, finds room in the other half.
    pub async fn room(&self) {
        while self.bytes.load(Relaxed) > INBOX_BYTES / 2 {
            self.taken.notified().await;
        }
    }
}

impl Outlet {
    async fn take(&mut self) -> Option<Received> {
        let received = self.receiver.recv().await?;
        self.bytes.fetch_sub(received.size(), Relaxed);
        self.taken.notify_one();
        Some(received)
    }
}

impl Received {
    fn size(&self) -> usize {
        let held = self.arrival.as_ref();
        MESSAGE_BYTES + held.map_or(0, |arrival| arrival.topic.len() + arrival.payload.len())
    }
}

/// Queues messages with the store, in order.
pub async fn forward(
    mut outlet: Outlet,
    writer: Writer,
    gate: &Gate,
    queue: mpsc::Sender<Queued>,
    trouble: mpsc::UnboundedSender<Trouble>,
) {
    while let Some(Received { arrival, receipt }) = outlet.take().await {
        if receipt.ack.is_some() && !gate.is_open_to(&receipt) {
            // Comes again over the new connection. Stored now as well, it might be stored twice:
            // there can be more of these than the store looks back for.
            continue;
        }
        let waiter = match arrival {
            None => None,
            Some(arrival) => match keep(&writer, arrival, &receipt, &queue).await {
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

/// One that the broker waits for no answer to may wait for company, as long as there is room for more.
async fn keep(
    writer: &Writer,
    arrival: Arrival,
    receipt: &Receipt,
    queue: &mpsc::Sender<Queued>,
) -> Result<ReceiptWaiter, StoreError> {
    if receipt.ack.is_none() && queue.capacity() > UNDER_WAY / 2 {
        writer.arrive_at_leisure(arrival).await
    } else {
        writer.arrive(arrival).await
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
    mpsc::channel(UNDER_WAY)
}

#[cfg(test)]
mod tests {
    use ebbmark_store::model::Stamp;
    use rumqttc::{MqttOptions, PubAck};

    use super::*;

    fn received(payload: usize) -> Received {
        Received {
            arrival: Some(Arrival {
                source: "house".into(),
                topic: "a".into(),
                payload: vec![0; payload],
                stamp: Stamp {
                    wall: None,
                    monotonic_ms: 0,
                },
                delivery: None,
                retained: false,
            }),
            receipt: Receipt {
                ack: None,
                connection: 1,
            },
        }
    }

    #[tokio::test]
    async fn the_inbox_is_bounded_by_bytes_and_taking_makes_room() {
        let (inbox, mut outlet) = inbox();
        let size = received(60_000).size();
        for _ in 0..INBOX_BYTES / size {
            assert!(inbox.put(received(60_000)).is_ok());
        }
        assert!(inbox.put(received(60_000)).is_err());
        assert!(outlet.take().await.is_some());
        assert!(inbox.put(received(60_000)).is_ok());
        drop(outlet);
        assert!(inbox.put(received(1)).is_err());
    }

    #[test]
    fn only_the_connection_of_a_message_hears_its_acknowledgement() {
        let (client, events) = AsyncClient::builder(MqttOptions::new("a", "localhost"))
            .unbounded()
            .build();
        let gate = Gate::new(client);
        let queued = || events.diagnostics().queues.control_requests_rx_len;
        let first = gate.next_connection();
        let receipt = |connection| Receipt {
            ack: Some(ManualAck::PubAck(PubAck::new(7))),
            connection,
        };
        gate.acknowledge(receipt(first));
        assert_eq!(queued(), 1);
        let second = gate.next_connection();
        gate.acknowledge(receipt(first));
        assert_eq!(queued(), 1);
        gate.acknowledge(receipt(second));
        assert_eq!(queued(), 2);
    }
}

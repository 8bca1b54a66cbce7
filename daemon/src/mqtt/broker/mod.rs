//! A broker the maker already has: we fetch from it, and tell it what we have to tell.
//!
//! The broker keeps our session, and a message is acknowledged only once it is stored: what is
//! under way when either side breaks off comes again, marked as a repeat, and the store
//! recognises it, unless the broker had more of our acknowledgements unread than the store
//! looks back for. Of what the broker retained only readings with a time of their own are taken
//! (and add nothing the second time); the others may be of any age. We subscribe at QoS 1, which together with the
//! store's memory gives what QoS 2 would, for half the packets.

mod backoff;
mod config;
mod connection;
mod forward;
mod probe;
mod publish;

pub use config::{BrokerConfig, BrokerError, check};
pub use probe::{NotTaken, probe};

use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering::Relaxed};

use ebbmark_store::Writer;
use ebbmark_store::model::Stamp;
use rumqttc::{AckMode, AsyncClient, EventLoop, MqttOptions, TlsConfiguration, Transport};
use rustls::pki_types::CertificateDer;
use rustls::pki_types::pem::PemObject as _;
use tokio::sync::{mpsc, watch};
use tokio_util::sync::CancellationToken;

use super::Outgoing;
use super::intake::Clock;
use connection::Connection;
use forward::Gate;

/// Largest packet read. Larger than any payload we take, so that one that is too large can be
/// refused and acknowledged instead of ending every connection anew.
const PACKET_BYTES: usize = 1 << 20;

/// How things stand with a broker.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct BrokerState {
    /// Connected, and since when.
    pub connected: Option<Stamp>,
    /// What went wrong last, and when. Stays after it is mended.
    pub last_error: Option<(Stamp, String)>,
    /// Filters the broker would not let us subscribe to.
    pub refused_topics: Vec<String>,
}

#[derive(Debug, Default)]
pub struct BrokerCounts {
    messages: AtomicU64,
    refused: AtomicU64,
    lost: AtomicU64,
    breaks: AtomicU64,
}

impl BrokerCounts {
    /// Messages handed to the store.
    pub fn messages(&self) -> u64 {
        self.messages.load(Relaxed)
    }
    /// Messages not taken: too large, or a topic we do not take.
    pub fn refused(&self) -> u64 {
        self.refused.load(Relaxed)
    }
    /// QoS 0 messages dropped because the store could not keep up.
    pub fn lost(&self) -> u64 {
        self.lost.load(Relaxed)
    }
    /// Connections that failed or broke off.
    pub fn breaks(&self) -> u64 {
        self.breaks.load(Relaxed)
    }

    fn message(&self) {
        self.messages.fetch_add(1, Relaxed);
    }
    fn refuse(&self) {
        self.refused.fetch_add(1, Relaxed);
    }
    fn lose(&self) {
        self.lost.fetch_add(1, Relaxed);
    }
    fn broke(&self) {
        self.breaks.fetch_add(1, Relaxed);
    }
}

/// A broker ready to be connected to. [`Broker::run`] does it.
pub struct Broker {
    config: BrokerConfig,
    client: AsyncClient,
    events: EventLoop,
    writer: Writer,
    outgoing: Outgoing,
    clock: Clock,
    counts: Arc<BrokerCounts>,
    state: watch::Sender<BrokerState>,
}

/// Checks the configuration and prepares the client; nothing is connected yet, for a broker
/// that is down at our start is no reason not to start.
///
/// # Errors
/// The configuration is not sound, or a file it names cannot be used.
pub fn prepare(
    config: BrokerConfig,
    writer: Writer,
    outgoing: Outgoing,
    clock: Clock,
) -> Result<Broker, BrokerError> {
    config.check()?;
    let mut options = options(&config, &config.client_id)?;
    options.set_clean_session(false);
    options.set_ack_mode(AckMode::Manual);
    options.set_max_packet_size(PACKET_BYTES, PACKET_BYTES);
    // Acknowledgements must never be turned away. They are bounded by what the broker has
    // under way, publishes by one at a time.
    let (client, events) = AsyncClient::builder(options).unbounded().build();
    Ok(Broker {
        config,
        client,
        events,
        writer,
        outgoing,
        clock,
        counts: Arc::default(),
        state: watch::Sender::default(),
    })
}

/// Where it is, and who we are to it.
fn options(config: &BrokerConfig, client_id: &str) -> Result<MqttOptions, BrokerError> {
    let mut options = MqttOptions::new(client_id, (config.host.clone(), config.port()));
    options.set_keep_alive(config.keep_alive_secs);
    if let Some(credentials) = &config.credentials {
        let secret = credentials
            .resolve()
            .map_err(|cause| BrokerError::Credentials {
                name: config.name.clone(),
                cause,
            })?;
        options.set_credentials(secret.user, secret.password);
    }
    if config.tls {
        options.set_transport(Transport::tls_with_config(tls(config)?));
    }
    Ok(options)
}

fn tls(config: &BrokerConfig) -> Result<TlsConfiguration, BrokerError> {
    let name = || config.name.clone();
    let Some(path) = &config.ca_file else {
        return TlsConfiguration::try_default_rustls().map_err(|cause| {
            BrokerError::SystemCertificates {
                name: name(),
                cause: Box::new(cause),
            }
        });
    };
    let ca = std::fs::read(path).map_err(|cause| BrokerError::CaFile {
        name: name(),
        path: path.clone(),
        cause,
    })?;
    // The client would only find out at each attempt to connect.
    let usable = CertificateDer::pem_slice_iter(&ca).any(|certificate| certificate.is_ok());
    if !usable {
        return Err(BrokerError::NoCertificate {
            name: name(),
            path: path.clone(),
        });
    }
    Ok(TlsConfiguration::Simple {
        ca,
        alpn: None,
        client_auth: None,
    })
}

impl Broker {
    pub fn name(&self) -> &str {
        &self.config.name
    }

    pub fn state(&self) -> watch::Receiver<BrokerState> {
        self.state.subscribe()
    }

    pub fn counts(&self) -> Arc<BrokerCounts> {
        self.counts.clone()
    }

    /// Keeps up the connection until the token is cancelled.
    pub async fn run(self, shutdown: CancellationToken) {
        let (inbox, outlet) = forward::inbox();
        let (queue, queued) = forward::under_way();
        let (trouble, troubles) = mpsc::unbounded_channel();
        let link = watch::Sender::default();
        let gate = Gate::new(self.client.clone());

        let forwarding =
            forward::forward(outlet, self.writer.clone(), &gate, queue, trouble.clone());
        let acknowledging = forward::acknowledge(queued, &gate, trouble);
        let publishing = {
            let (client, hub, link) = (self.client.clone(), self.outgoing, link.subscribe());
            let is_wanted = self.config.publish;
            async move {
                if is_wanted {
                    publish::publish(client, hub, link).await;
                }
                std::future::pending::<()>().await;
            }
        };
        let connection = Connection {
            config: self.config,
            client: self.client,
            events: self.events,
            writer: self.writer,
            clock: self.clock,
            counts: self.counts,
            state: self.state,
            inbox,
            troubles,
            gate: &gate,
            is_subscribed: false,
            link,
        };
        // One task for the lot, each part polled on its own; the connection's end is the end.
        tokio::select! {
            () = connection.keep_up(shutdown) => {}
            () = async { tokio::join!(forwarding, acknowledging, publishing); } => {}
        }
    }
}

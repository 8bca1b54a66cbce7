//! The built-in intake: floats publish straight to the daemon, MQTT 3.1.1 and 5 on one port.
//!
//! It is no broker. It takes messages and acknowledges each once it is on disk; and it lets
//! clients subscribe to the daemon's own outgoing topics, to nothing else.

mod bucket;
mod config;
mod connection;
mod counts;
mod end;
mod frame;
mod greet;
mod guard;
mod guesses;
mod held;
mod hello;
mod reply;
mod session;
mod sound;
mod subscriber;
mod told;
mod will;
mod wire;

pub use config::{BadLimit, IntakeConfig, Limits, MQTT_PORT};
pub use counts::{IntakeCounts, Refusal};

use std::io;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

use ebbmark_core::reading::ProblemKind;
use ebbmark_store::Writer;
use ebbmark_store::model::{Command, Stamp};
use rustls::ServerConfig;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::Semaphore;
use tokio_rustls::server::TlsStream;
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;

use super::{CredentialsError, Outgoing};
use crate::doors::Doors;
use crate::tls::{self, Certificate, Tls, TlsError};
use guard::Guard;
use guesses::Guesses;
use held::Held;
use session::Sessions;

/// The way in that arrivals from here carry as their source.
pub const SOURCE: &str = "intake";

/// Connections over the limit that are still told so; further ones are just closed.
const TURNED_AWAY_AT_ONCE: usize = 8;

/// Payloads of all connections on their way to the disk before a connection that has one there
/// is read no further. Each may have one, so that none waits for the others.
const HELD_BYTES: usize = 8 << 20;

/// Says what time it is: the wall clock if it can be believed, and always the monotonic one.
pub type Clock = Arc<dyn Fn() -> Stamp + Send + Sync>;

#[derive(Debug, thiserror::Error)]
pub enum IntakeError {
    #[error(
        "the intake would listen on {0}, which others can reach, without a password; set user and password under [intake.credentials], or listen on 127.0.0.1 only"
    )]
    Unguarded(SocketAddr),
    #[error("the intake has no address to listen on; give at least one, such as 127.0.0.1:1883")]
    NoAddress,
    #[error("the intake cannot listen on {address}: {cause}{}", hint(.cause))]
    Bind {
        address: SocketAddr,
        cause: io::Error,
    },
    #[error("the intake's user and password: {0}")]
    Credentials(#[from] CredentialsError),
    #[error(transparent)]
    Limit(#[from] BadLimit),
    #[error("intake.tls: {0}")]
    Tls(#[from] TlsError),
    #[error("TLS cannot be served: {0}")]
    NoTls(#[from] rustls::Error),
}

fn hint(cause: &io::Error) -> &'static str {
    match cause.kind() {
        io::ErrorKind::AddrInUse => {
            "; another program (perhaps a broker) has this port, choose another one"
        }
        io::ErrorKind::AddrNotAvailable => "; this machine has no such address",
        io::ErrorKind::PermissionDenied => "; choose a port above 1023",
        _ => "",
    }
}

/// A bound intake. [`Intake::run`] serves it.
pub struct Intake {
    listeners: Vec<(TcpListener, Tls)>,
    addresses: Vec<SocketAddr>,
    over_tls: Vec<SocketAddr>,
    certificate: Option<Arc<Certificate>>,
    shared: Arc<Shared>,
}

struct Shared {
    limits: Limits,
    guard: Option<Guard>,
    guesses: Guesses,
    writer: Writer,
    outgoing: Outgoing,
    clock: Clock,
    counts: Arc<IntakeCounts>,
    sessions: Arc<Sessions>,
    doors: Arc<Doors>,
    turned_away: Arc<Semaphore>,
    held: Arc<Held>,
    shutdown: CancellationToken,
    tracker: TaskTracker,
}

/// Checks the configuration and binds the sockets; port 0 takes any free one.
///
/// # Errors
/// The configuration is not safe or not sound, or an address cannot be bound.
pub async fn bind(
    config: IntakeConfig,
    writer: Writer,
    outgoing: Outgoing,
    clock: Clock,
    shutdown: CancellationToken,
) -> Result<Intake, IntakeError> {
    config.guarded()?;
    let limits = config.limits.clone();
    limits.check()?;
    if config.is_off() {
        return Err(IntakeError::NoAddress);
    }
    let secret = config
        .credentials
        .as_ref()
        .map(super::Credentials::resolve)
        .transpose()?;
    let mut listeners = Vec::new();
    let addresses = open(&config.listen, &None, &mut listeners).await?;
    let mut over_tls = Vec::new();
    let mut certificate = None;
    if let Some(tls) = &config.tls {
        let held = Certificate::load("the intake", tls)?;
        // Clients that name a protocol here name several; MQTT is spoken whatever they say.
        let spoken = Some(held.serve(&[])?);
        over_tls = open(&tls.listen, &spoken, &mut listeners).await?;
        certificate = Some(held);
    }
    let shared = Arc::new(Shared {
        guard: secret.as_ref().map(Guard::new),
        guesses: Guesses::default(),
        writer,
        outgoing,
        clock,
        counts: Arc::default(),
        sessions: Sessions::new(limits.sessions),
        doors: Doors::new(limits.connections, limits.connections_per_address),
        turned_away: Arc::new(Semaphore::new(TURNED_AWAY_AT_ONCE)),
        held: Arc::default(),
        shutdown,
        tracker: TaskTracker::new(),
        limits,
    });
    Ok(Intake {
        listeners,
        addresses,
        over_tls,
        certificate,
        shared,
    })
}

async fn open(
    addresses: &[SocketAddr],
    tls: &Tls,
    listeners: &mut Vec<(TcpListener, Tls)>,
) -> Result<Vec<SocketAddr>, IntakeError> {
    let mut opened = Vec::new();
    for &address in addresses {
        let failed = |cause| IntakeError::Bind { address, cause };
        let listener = TcpListener::bind(address).await.map_err(failed)?;
        opened.push(listener.local_addr().map_err(failed)?);
        listeners.push((listener, tls.clone()));
    }
    Ok(opened)
}

impl Intake {
    /// The addresses bound in the clear, with the ports actually taken.
    pub fn local_addrs(&self) -> &[SocketAddr] {
        &self.addresses
    }

    /// Those where TLS is spoken.
    pub fn tls_addrs(&self) -> &[SocketAddr] {
        &self.over_tls
    }

    pub fn certificate(&self) -> Option<Arc<Certificate>> {
        self.certificate.clone()
    }

    pub fn counts(&self) -> Arc<IntakeCounts> {
        self.shared.counts.clone()
    }

    /// Serves one client over any stream, as if it had come through a listener.
    pub async fn attend(&self, stream: impl AsyncRead + AsyncWrite, peer: SocketAddr) {
        let Ok(place) = self.shared.doors.enter(peer.ip()) else {
            return;
        };
        let (source, sink) = tokio::io::split(Box::pin(stream));
        connection::serve(source, sink, peer, place, self.shared.clone()).await;
    }

    /// Serves until the shutdown token is cancelled and every connection is drained.
    pub async fn run(self) {
        let shared = self.shared;
        for (listener, tls) in self.listeners {
            shared.tracker.spawn(accept(listener, tls, shared.clone()));
        }
        shared.tracker.close();
        shared.tracker.wait().await;
    }
}

async fn accept(listener: TcpListener, tls: Tls, shared: Arc<Shared>) {
    loop {
        let accepted = tokio::select! {
            biased;
            () = shared.shutdown.cancelled() => return,
            accepted = listener.accept() => accepted,
        };
        match accepted {
            Ok((stream, peer)) => admit((stream, tls.clone()), peer, &shared),
            Err(error) => {
                // Out of file descriptors, most likely: trying again at once would only spin.
                tracing::warn!(%error, "cannot accept a connection");
                tokio::time::sleep(Duration::from_millis(200)).await;
            }
        }
    }
}

fn admit((stream, tls): (TcpStream, Tls), peer: SocketAddr, shared: &Arc<Shared>) {
    // Acknowledgements are small and waited for; without this they would be held back.
    if let Err(error) = stream.set_nodelay(true) {
        tracing::debug!(%error, "TCP_NODELAY not set");
    }
    let shared = shared.clone();
    let tracker = shared.tracker.clone();
    match shared.doors.enter(peer.ip()) {
        Ok(place) => {
            tracker.spawn(async move {
                let Some(tls) = tls else {
                    let (source, sink) = stream.into_split();
                    return connection::serve(source, sink, peer, place, shared).await;
                };
                let greeted = tokio::select! {
                    () = place.give_way.cancelled() => {
                        shared.counts.refuse(Refusal::TooManyConnections);
                        return;
                    }
                    greeted = over_tls(stream, &tls, peer, &shared) => greeted,
                };
                if let Some(stream) = greeted {
                    let (source, sink) = tokio::io::split(stream);
                    connection::serve(source, sink, peer, place, shared).await;
                }
            });
        }
        Err(full) => {
            let Ok(permit) = shared.turned_away.clone().try_acquire_owned() else {
                shared.counts.refuse(Refusal::TooManyConnections);
                return;
            };
            tracker.spawn(async move {
                let _permit = permit;
                let Some(tls) = tls else {
                    let (source, sink) = stream.into_split();
                    return connection::turn_away(source, sink, peer, full, shared).await;
                };
                if let Some(stream) = over_tls(stream, &tls, peer, &shared).await {
                    let (source, sink) = tokio::io::split(stream);
                    connection::turn_away(source, sink, peer, full, shared).await;
                }
            });
        }
    }
}

/// `None` when TLS did not come about.
async fn over_tls(
    stream: TcpStream,
    tls: &Arc<ServerConfig>,
    peer: SocketAddr,
    shared: &Shared,
) -> Option<TlsStream<TcpStream>> {
    let greeted = tokio::select! {
        () = shared.shutdown.cancelled() => return None,
        greeted = tls::greet(stream, tls, shared.limits.connect_timeout()) => greeted,
    };
    greeted
        .inspect_err(|why| {
            shared.counts.refuse(Refusal::Connect);
            if shared.counts.may_tell() {
                tracing::info!(%peer, reason = %why, "connection refused");
            }
        })
        .ok()
}

impl Shared {
    fn payload_limit(&self) -> usize {
        usize::try_from(self.limits.payload_bytes).unwrap_or(usize::MAX)
    }

    /// Counts a message that could not become an arrival, here and on the problems page.
    async fn refuse(&self, why: Refusal, topic: &str, kind: ProblemKind, detail: String) {
        self.counts.refuse(why);
        if self.counts.may_tell() {
            tracing::info!(topic, detail, "message refused");
        }
        // The problems page says when; without a believable clock only the metrics count it.
        let Some(at) = (self.clock)().wall else {
            return;
        };
        let command = Command::Refused {
            source: SOURCE.into(),
            topic: topic.to_owned(),
            kind,
            detail,
            at,
        };
        if let Err(error) = self.writer.command(command).await {
            tracing::warn!(%error, "a refusal was not stored");
        }
    }
}

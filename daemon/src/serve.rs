//! The pages' connections, each within limits.
//!
//! `axum::serve` lets a client take for ever over its header and leave an answer unread for ever,
//! and admits as many as come. Over hyper itself all three have a bound. A body has the bound of
//! the pages' own time limit.

mod patient;

use std::convert::Infallible;
use std::net::SocketAddr;
use std::pin::pin;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering::Relaxed};
use std::time::Duration;

use axum::Router;
use axum::body::Body;
use axum::serve::Listener;
use hyper::body::Incoming;
use hyper::server::conn::http1;
use hyper::service::service_fn;
use hyper_util::rt::{TokioIo, TokioTimer};
use rustls::ServerConfig;
use tokio::io::{AsyncRead, AsyncWrite, AsyncWriteExt as _};
use tokio::net::{TcpListener, TcpStream};
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;
use tower::ServiceExt as _;

use crate::doors::{Doors, Place};
use crate::tls::{self, Tls};
use patient::Patient;

/// Enough for a household's tabs and programs, or for a proxy in front.
const CONNECTIONS: u16 = 192;
const CONNECTIONS_PER_ADDRESS: u16 = 96;
/// From the connection, or from the answer before, to the end of the next request's header.
const HEADER: Duration = Duration::from_secs(10);
/// How long a client may leave unread what is sent to it.
const UNREAD: Duration = Duration::from_secs(20);
/// Longest header, and most of an answer that waits to be read.
const BUFFER: usize = 32 * 1024;
const FIELDS: usize = 64;
/// From the connection to the end of the greeting of TLS.
const TLS: Duration = Duration::from_secs(10);
/// How long is taken to tell somebody that there is no room.
const FAREWELL: Duration = Duration::from_secs(1);
/// That many are told at a time; others are only closed.
const TOLD_AT_ONCE: usize = 8;
const FULL: &[u8] = b"HTTP/1.1 503 Service Unavailable\r\nretry-after: 10\r\n\
    content-length: 0\r\nconnection: close\r\n\r\n";

/// What TLS says the pages speak.
pub const PROTOCOLS: [&[u8]; 1] = [b"http/1.1"];

/// What was turned away since the start.
#[derive(Debug, Default)]
pub struct Turned {
    too_many: AtomicU64,
    too_slow: AtomicU64,
    not_http: AtomicU64,
    not_tls: AtomicU64,
}

impl Turned {
    /// Each with a stable name.
    pub fn counts(&self) -> [(&'static str, u64); 4] {
        [
            ("too-many-connections", self.too_many.load(Relaxed)),
            ("too-slow", self.too_slow.load(Relaxed)),
            ("not-http", self.not_http.load(Relaxed)),
            ("not-tls", self.not_tls.load(Relaxed)),
        ]
    }
}

/// What all listeners of the pages share.
#[derive(Clone)]
pub struct Pages {
    router: Router,
    doors: Arc<Doors>,
    turned: Arc<Turned>,
    shutdown: CancellationToken,
}

impl Pages {
    pub fn new(router: Router, turned: Arc<Turned>, shutdown: CancellationToken) -> Pages {
        Pages {
            router,
            doors: Doors::new(CONNECTIONS, CONNECTIONS_PER_ADDRESS),
            turned,
            shutdown,
        }
    }

    /// The same limits for pages that know that they are reached over TLS.
    pub fn with(&self, router: Router) -> Pages {
        Pages {
            router,
            ..self.clone()
        }
    }

    /// Serves until the shutdown, and then until every request that was begun is answered. `tls`: `None`
    /// in the clear.
    pub async fn serve(self, mut listener: TcpListener, tls: Tls) {
        let tracker = TaskTracker::new();
        let telling = Arc::new(tokio::sync::Semaphore::new(TOLD_AT_ONCE));
        loop {
            let (mut stream, peer) = tokio::select! {
                biased;
                () = self.shutdown.cancelled() => break,
                // Waits by itself where the system has no more room for connections.
                accepted = Listener::accept(&mut listener) => accepted,
            };
            // Answers are whole; without this their last part would be held back.
            if let Err(error) = stream.set_nodelay(true) {
                tracing::debug!(%error, "TCP_NODELAY not set");
            }
            let (pages, tls) = (self.clone(), tls.clone());
            match self.doors.enter(peer.ip()) {
                Ok(place) => {
                    tracker.spawn(async move {
                        match tls {
                            None => pages.attend(stream, peer, place).await,
                            Some(tls) => pages.attend_over_tls(stream, &tls, peer, place).await,
                        }
                    });
                }
                Err(full) => {
                    self.turned.too_many.fetch_add(1, Relaxed);
                    tracing::debug!(%peer, ?full, "no room for a connection to the pages");
                    // Over TLS that would take a greeting first; there it is only closed.
                    if tls.is_none()
                        && let Ok(permit) = telling.clone().try_acquire_owned()
                    {
                        tracker.spawn(async move {
                            let _permit = permit;
                            // Whether it hears that or not, it has to go.
                            let _ = tokio::time::timeout(FAREWELL, stream.write_all(FULL)).await;
                        });
                    }
                }
            }
        }
        drop(listener);
        tracker.close();
        tracker.wait().await;
    }

    async fn attend_over_tls(
        &self,
        stream: TcpStream,
        tls: &Arc<ServerConfig>,
        peer: SocketAddr,
        place: Place,
    ) {
        let greeted = tokio::select! {
            () = self.shutdown.cancelled() => return,
            () = place.give_way.cancelled() => {
                self.turned.too_many.fetch_add(1, Relaxed);
                return;
            }
            greeted = tls::greet(stream, tls, TLS) => greeted,
        };
        match greeted {
            Ok(stream) => self.attend(stream, peer, place).await,
            Err(why) => {
                self.turned.not_tls.fetch_add(1, Relaxed);
                tracing::debug!(%peer, %why, "a connection to the pages ended");
            }
        }
    }

    /// Serves one client over any stream, as if it had come through a listener.
    pub async fn welcome(&self, io: impl AsyncRead + AsyncWrite + Unpin, peer: SocketAddr) {
        if let Ok(place) = self.doors.enter(peer.ip()) {
            self.attend(io, peer, place).await;
        }
    }

    async fn attend<I>(&self, io: I, peer: SocketAddr, place: Place)
    where
        I: AsyncRead + AsyncWrite + Unpin,
    {
        let (place, was_asked) = (&place, &AtomicBool::new(false));
        let service = service_fn(async |request: hyper::Request<Incoming>| {
            place.is_known();
            was_asked.store(true, Relaxed);
            let answer = self.router.clone().oneshot(request.map(Body::new)).await;
            answer.map_err(|never: Infallible| never)
        });
        let mut http = http1::Builder::new();
        http.timer(TokioTimer::new())
            .header_read_timeout(HEADER)
            .max_buf_size(BUFFER)
            .max_headers(FIELDS);
        let io = TokioIo::new(Patient::new(io, UNREAD));
        let mut connection = pin!(http.serve_connection(io, service));
        let mut is_stopping = false;
        let ended = loop {
            tokio::select! {
                ended = connection.as_mut() => break ended,
                () = place.give_way.cancelled() => {
                    self.turned.too_many.fetch_add(1, Relaxed);
                    return;
                }
                () = self.shutdown.cancelled(), if !is_stopping => {
                    is_stopping = true;
                    connection.as_mut().graceful_shutdown();
                }
            }
        };
        if let Err(cause) = ended {
            // A browser that keeps its connection for the next request is not slow.
            if cause.is_timeout() && !was_asked.load(Relaxed) {
                self.turned.too_slow.fetch_add(1, Relaxed);
            } else if cause.is_parse() {
                self.turned.not_http.fetch_add(1, Relaxed);
            }
            tracing::debug!(%peer, %cause, "a connection to the pages ended");
        }
    }
}

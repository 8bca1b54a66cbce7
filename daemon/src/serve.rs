//! Serves the pages on one address: limits on connections, time limits, TLS where it is wanted.
//!
//! axum's own loop has none of the three: a client that opens connections and says nothing would hold
//! them for good.

use std::io;
use std::net::SocketAddr;
use std::pin::pin;
use std::sync::Arc;
use std::time::Duration;

use axum::Router;
use hyper::server::conn::http1;
use hyper_util::rt::{TokioIo, TokioTimer};
use hyper_util::service::TowerToHyperService;
use rustls::ServerConfig;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::net::{TcpListener, TcpStream};
use tokio_util::sync::CancellationToken;
use tokio_util::task::TaskTracker;

use crate::doors::{Doors, Place};
use crate::tls;

/// Connections at a time over all addresses of the page. A browser keeps six and a stream for each tab;
/// what comes through a proxy comes from one address.
pub const CONNECTIONS: u16 = 256;
pub const CONNECTIONS_PER_ADDRESS: u16 = 128;

/// For TLS, and then for the head of each request; also how long a connection may lie idle.
const HANDSHAKE: Duration = Duration::from_secs(10);
const HEAD: Duration = Duration::from_secs(20);

/// What TLS says the page speaks.
pub const PROTOCOLS: [&[u8]; 1] = [b"http/1.1"];

/// One address of the page.
pub struct Serve {
    pub listener: TcpListener,
    pub router: Router,
    /// `None`: in the clear.
    pub tls: Option<Arc<ServerConfig>>,
    pub doors: Arc<Doors>,
}

impl Serve {
    /// Serves until `shutdown` and until each connection has answered what it was asked.
    pub async fn run(self, shutdown: CancellationToken) {
        let tracker = TaskTracker::new();
        loop {
            let accepted = tokio::select! {
                biased;
                () = shutdown.cancelled() => break,
                accepted = self.listener.accept() => accepted,
            };
            match accepted {
                Ok((stream, peer)) => self.admit(stream, peer, &tracker, &shutdown),
                Err(error) if is_of_the_peer(&error) => {}
                Err(error) => {
                    // Out of file descriptors, most likely: trying again at once would only spin.
                    tracing::warn!(%error, "the page cannot accept a connection");
                    tokio::time::sleep(Duration::from_millis(200)).await;
                }
            }
        }
        tracker.close();
        tracker.wait().await;
    }

    fn admit(
        &self,
        stream: TcpStream,
        peer: SocketAddr,
        tracker: &TaskTracker,
        shutdown: &CancellationToken,
    ) {
        let place = match self.doors.enter(peer.ip()) {
            Ok(place) => place,
            Err(full) => {
                tracing::debug!(%peer, ?full, "too many connections to the page, one refused");
                return;
            }
        };
        // Answers are whole; without this their last part would be held back.
        if let Err(error) = stream.set_nodelay(true) {
            tracing::debug!(%error, "TCP_NODELAY not set");
        }
        let (router, shutdown) = (self.router.clone(), shutdown.clone());
        let tls = self.tls.clone();
        tracker.spawn(async move {
            let Some(tls) = tls else {
                return talk(stream, router, place, shutdown).await;
            };
            let greeted = tokio::select! {
                () = shutdown.cancelled() => return,
                greeted = tls::greet(stream, &tls, HANDSHAKE) => greeted,
            };
            match greeted {
                Ok(stream) => talk(stream, router, place, shutdown).await,
                Err(why) => tracing::debug!(%peer, %why, "a connection to the page ended"),
            }
        });
    }
}

/// Requests and answers until one side is done. The place is held as long.
async fn talk(
    stream: impl AsyncRead + AsyncWrite + Unpin + Send + 'static,
    router: Router,
    _place: Place,
    shutdown: CancellationToken,
) {
    let service = TowerToHyperService::new(router);
    let mut connection = pin!(
        http1::Builder::new()
            .timer(TokioTimer::new())
            .header_read_timeout(HEAD)
            .serve_connection(TokioIo::new(stream), service)
    );
    let ended = tokio::select! {
        ended = connection.as_mut() => ended,
        () = shutdown.cancelled() => {
            connection.as_mut().graceful_shutdown();
            connection.await
        }
    };
    if let Err(error) = ended {
        tracing::debug!(%error, "a connection to the page broke off");
    }
}

fn is_of_the_peer(error: &io::Error) -> bool {
    use io::ErrorKind::{ConnectionAborted, ConnectionRefused, ConnectionReset};
    matches!(
        error.kind(),
        ConnectionAborted | ConnectionRefused | ConnectionReset
    )
}

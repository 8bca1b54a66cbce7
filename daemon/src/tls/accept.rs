//! From an open socket to a connection over TLS, or to a clean end.

use std::io;
use std::sync::Arc;
use std::time::Duration;

use rustls::ServerConfig;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;
use tokio::time::timeout;
use tokio_rustls::TlsAcceptor;
use tokio_rustls::server::TlsStream;

/// How long somebody who did not speak TLS may go on before the socket is dropped.
const LINGER: Duration = Duration::from_secs(2);

#[derive(Debug, thiserror::Error)]
pub enum NoTls {
    #[error("no TLS within {0:?}")]
    TooSlow(Duration),
    #[error("no TLS: {0}")]
    Failed(#[from] io::Error),
}

/// # Errors
/// The other side does not speak TLS as we do, or takes longer than `limit`.
pub async fn greet(
    stream: TcpStream,
    config: &Arc<ServerConfig>,
    limit: Duration,
) -> Result<TlsStream<TcpStream>, NoTls> {
    let accepting = TlsAcceptor::from(config.clone())
        .accept(stream)
        .into_fallible();
    match timeout(limit, accepting).await {
        Err(_) => Err(NoTls::TooSlow(limit)),
        Ok(Ok(stream)) => Ok(stream),
        Ok(Err((why, stream))) => {
            part(stream).await;
            Err(why.into())
        }
    }
}

/// Ends a connection so that the other side reads our last word: dropped with its bytes unread, the
/// socket would be reset, and that word (the alert) thrown away.
async fn part(mut stream: TcpStream) {
    // The peer may be gone already; there is nothing more to tell it.
    let ending = async {
        stream.shutdown().await?;
        let mut unread = [0; 512];
        while stream.read(&mut unread).await? > 0 {}
        io::Result::Ok(())
    };
    let _ = timeout(LINGER, ending).await;
}

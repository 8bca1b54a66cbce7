//! The two halves of a client's connection, in the clear or over TLS.

use std::io;
use std::pin::Pin;
use std::task::{Context, Poll};

use tokio::io::{AsyncRead, AsyncWrite, ReadBuf, ReadHalf, WriteHalf};
use tokio::net::TcpStream;
use tokio::net::tcp::{OwnedReadHalf, OwnedWriteHalf};
use tokio_rustls::server::TlsStream;

pub enum Source {
    Plain(OwnedReadHalf),
    Tls(ReadHalf<TlsStream<TcpStream>>),
}

pub enum Sink {
    Plain(OwnedWriteHalf),
    Tls(WriteHalf<TlsStream<TcpStream>>),
}

pub fn plain(stream: TcpStream) -> (Source, Sink) {
    let (source, sink) = stream.into_split();
    (Source::Plain(source), Sink::Plain(sink))
}

pub fn over_tls(stream: TlsStream<TcpStream>) -> (Source, Sink) {
    let (source, sink) = tokio::io::split(stream);
    (Source::Tls(source), Sink::Tls(sink))
}

impl AsyncRead for Source {
    fn poll_read(
        self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        into: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        match self.get_mut() {
            Source::Plain(half) => Pin::new(half).poll_read(cx, into),
            Source::Tls(half) => Pin::new(half).poll_read(cx, into),
        }
    }
}

impl AsyncWrite for Sink {
    fn poll_write(
        self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        match self.get_mut() {
            Sink::Plain(half) => Pin::new(half).poll_write(cx, bytes),
            Sink::Tls(half) => Pin::new(half).poll_write(cx, bytes),
        }
    }

    fn poll_flush(self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        match self.get_mut() {
            Sink::Plain(half) => Pin::new(half).poll_flush(cx),
            Sink::Tls(half) => Pin::new(half).poll_flush(cx),
        }
    }

    fn poll_shutdown(self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        match self.get_mut() {
            Sink::Plain(half) => Pin::new(half).poll_shutdown(cx),
            Sink::Tls(half) => Pin::new(half).poll_shutdown(cx),
        }
    }
}

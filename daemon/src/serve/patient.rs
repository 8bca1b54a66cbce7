//! A stream whose peer may leave what is sent to it unread for so long and no longer.

use std::io;
use std::pin::Pin;
use std::task::{Context, Poll, ready};
use std::time::Duration;

use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::time::{Instant, Sleep, sleep};

pub struct Patient<I> {
    io: I,
    patience: Duration,
    /// Runs while something waits to be taken off us.
    waiting: Pin<Box<Sleep>>,
    is_waiting: bool,
}

impl<I> Patient<I> {
    pub fn new(io: I, patience: Duration) -> Patient<I> {
        Patient {
            io,
            patience,
            waiting: Box::pin(sleep(patience)),
            is_waiting: false,
        }
    }

    fn bounded<T>(
        &mut self,
        context: &mut Context<'_>,
        progress: Poll<io::Result<T>>,
    ) -> Poll<io::Result<T>> {
        if progress.is_ready() {
            self.is_waiting = false;
            return progress;
        }
        if !self.is_waiting {
            self.is_waiting = true;
            self.waiting.as_mut().reset(Instant::now() + self.patience);
        }
        ready!(self.waiting.as_mut().poll(context));
        Poll::Ready(Err(io::ErrorKind::TimedOut.into()))
    }
}

impl<I: AsyncRead + Unpin> AsyncRead for Patient<I> {
    fn poll_read(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        into: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        Pin::new(&mut self.io).poll_read(context, into)
    }
}

impl<I: AsyncWrite + Unpin> AsyncWrite for Patient<I> {
    fn poll_write(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        bytes: &[u8],
    ) -> Poll<io::Result<usize>> {
        let progress = Pin::new(&mut self.io).poll_write(context, bytes);
        self.bounded(context, progress)
    }

    fn poll_write_vectored(
        mut self: Pin<&mut Self>,
        context: &mut Context<'_>,
        pieces: &[io::IoSlice<'_>],
    ) -> Poll<io::Result<usize>> {
        let progress = Pin::new(&mut self.io).poll_write_vectored(context, pieces);
        self.bounded(context, progress)
    }

    fn is_write_vectored(&self) -> bool {
        self.io.is_write_vectored()
    }

    fn poll_flush(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        let progress = Pin::new(&mut self.io).poll_flush(context);
        self.bounded(context, progress)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, context: &mut Context<'_>) -> Poll<io::Result<()>> {
        let progress = Pin::new(&mut self.io).poll_shutdown(context);
        self.bounded(context, progress)
    }
}

#[cfg(test)]
mod tests {
    use tokio::io::{AsyncReadExt as _, AsyncWriteExt as _, duplex};

    use super::*;

    #[tokio::test]
    async fn who_reads_nothing_is_cut_off() {
        let (ours, _theirs) = duplex(4);
        let mut ours = Patient::new(ours, Duration::from_millis(50));
        ours.write_all(b"four").await.unwrap();
        let cut = ours.write_all(b"more").await.unwrap_err();
        assert_eq!(cut.kind(), io::ErrorKind::TimedOut);
    }

    #[tokio::test]
    async fn who_reads_slowly_is_not() {
        let patience = Duration::from_secs(2);
        let (ours, mut theirs) = duplex(1);
        let mut ours = Patient::new(ours, patience);
        let reading = tokio::spawn(async move {
            let mut read = Vec::new();
            while let Ok(byte) = theirs.read_u8().await {
                read.push(byte);
                sleep(patience / 4).await;
            }
            read
        });
        ours.write_all(b"slowly").await.unwrap();
        drop(ours);
        assert_eq!(reading.await.unwrap(), b"slowly");
    }
}

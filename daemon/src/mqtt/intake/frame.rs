//! Cuts the byte stream into packets, never holding more than one packet's limit.
//!
//! A packet's header says how long it is, so one that is too long is refused before its body
//! is read, let alone kept.

use std::io;

use tokio::io::{AsyncRead, AsyncReadExt};

/// Bytes read from the socket at a time.
const CHUNK: usize = 4096;
/// The longest length field, in bytes.
const LENGTH_BYTES: usize = 4;
const PUBLISH: u8 = 3;

pub struct FrameReader<R> {
    source: R,
    buffer: Vec<u8>,
    limit: usize,
    ended: bool,
}

#[derive(Debug, PartialEq, Eq)]
pub enum Frame {
    /// One complete packet, header included.
    Whole(Vec<u8>),
    /// A packet over the limit. The stream cannot be read further.
    TooLarge {
        bytes: usize,
        /// The topic, if it is a PUBLISH whose topic could be read.
        topic: Option<String>,
    },
}

#[derive(Debug, thiserror::Error)]
pub enum ReadError {
    #[error("the peer closed the connection")]
    Closed,
    #[error("a packet's length is not encoded as MQTT says")]
    BadLength,
    #[error(transparent)]
    Io(#[from] io::Error),
}

impl<R: AsyncRead + Unpin> FrameReader<R> {
    pub fn new(source: R, limit: u32) -> FrameReader<R> {
        FrameReader {
            source,
            buffer: Vec::new(),
            limit: usize::try_from(limit).unwrap_or(usize::MAX),
            ended: false,
        }
    }

    /// The next packet. May be dropped and called again without losing bytes.
    ///
    /// # Errors
    /// The stream ended or is not MQTT.
    pub async fn next(&mut self) -> Result<Frame, ReadError> {
        loop {
            if let Some(frame) = self.cut()? {
                return Ok(frame);
            }
            self.fill().await?;
        }
    }

    /// The first byte of the next packet, which stays unread.
    ///
    /// # Errors
    /// As [`FrameReader::next`].
    pub async fn peek(&mut self) -> Result<u8, ReadError> {
        loop {
            if let Some(first) = self.buffer.first() {
                return Ok(*first);
            }
            self.fill().await?;
        }
    }

    async fn fill(&mut self) -> Result<(), ReadError> {
        if self.ended {
            return Err(ReadError::Closed);
        }
        self.buffer.reserve(CHUNK);
        if self.source.read_buf(&mut self.buffer).await? == 0 {
            self.ended = true;
        }
        Ok(())
    }

    /// Reads and throws away until the peer closes. Closing while bytes are unread would make
    /// the kernel reset the connection, and the peer could lose our last words.
    pub async fn discard(&mut self) -> io::Result<()> {
        self.buffer = Vec::with_capacity(CHUNK);
        loop {
            self.buffer.clear();
            if self.source.read_buf(&mut self.buffer).await? == 0 {
                return Ok(());
            }
        }
    }

    fn cut(&mut self) -> Result<Option<Frame>, ReadError> {
        let Some((header, body)) = lengths(&self.buffer)? else {
            return Ok(None);
        };
        let bytes = header + body;
        if bytes > self.limit {
            return Ok(self.too_large(header, bytes));
        }
        if self.buffer.len() < bytes {
            return Ok(None);
        }
        let rest = self.buffer.split_off(bytes);
        Ok(Some(Frame::Whole(std::mem::replace(
            &mut self.buffer,
            rest,
        ))))
    }

    /// Waits for the topic of an oversize PUBLISH, so that the refusal can name it.
    fn too_large(&self, header: usize, bytes: usize) -> Option<Frame> {
        let is_publish = self.buffer.first().is_some_and(|b| b >> 4 == PUBLISH);
        let after = self.buffer.get(header..).unwrap_or_default();
        let topic = if !is_publish {
            None
        } else {
            match after {
                [high, low, rest @ ..] => {
                    let wanted = usize::from(u16::from_be_bytes([*high, *low]));
                    match rest.get(..wanted) {
                        Some(topic) => String::from_utf8(topic.to_vec()).ok(),
                        None if self.ended || rest.len() >= CHUNK => None,
                        None => return None,
                    }
                }
                _ if self.ended => None,
                _ => return None,
            }
        };
        Some(Frame::TooLarge { bytes, topic })
    }
}

/// Lengths of the fixed header and of what follows it; `None` while not all of it is here.
pub fn lengths(buffer: &[u8]) -> Result<Option<(usize, usize)>, ReadError> {
    let field = buffer.get(1..).unwrap_or_default();
    let mut body = 0usize;
    for (at, byte) in field.iter().take(LENGTH_BYTES).enumerate() {
        body |= usize::from(byte & 0x7f) << (7 * at);
        if byte & 0x80 == 0 {
            return Ok(Some((at + 2, body)));
        }
    }
    if field.len() >= LENGTH_BYTES {
        return Err(ReadError::BadLength);
    }
    Ok(None)
}

#[cfg(test)]
mod tests {
    use super::*;

    async fn frames(bytes: &[u8], limit: u32) -> (Vec<Frame>, ReadError) {
        let mut reader = FrameReader::new(bytes, limit);
        let mut frames = Vec::new();
        loop {
            match reader.next().await {
                Ok(frame @ Frame::TooLarge { .. }) => {
                    frames.push(frame);
                    return (frames, ReadError::Closed);
                }
                Ok(frame) => frames.push(frame),
                Err(error) => return (frames, error),
            }
        }
    }

    #[tokio::test]
    async fn packets_are_cut_where_their_length_says() {
        let (got, end) = frames(&[0xC0, 0, 0x40, 2, 0, 7, 0xC0], 100).await;
        assert_eq!(
            got,
            [
                Frame::Whole(vec![0xC0, 0]),
                Frame::Whole(vec![0x40, 2, 0, 7])
            ]
        );
        assert!(matches!(end, ReadError::Closed));
    }

    #[tokio::test]
    async fn a_packet_that_comes_in_drips_is_put_together() {
        let (mut tap, source) = tokio::io::duplex(1);
        let mut reader = FrameReader::new(source, 100);
        let writer = tokio::spawn(async move {
            use tokio::io::AsyncWriteExt as _;
            tap.write_all(&[0x40, 2, 0, 7]).await.unwrap();
        });
        assert_eq!(
            reader.next().await.unwrap(),
            Frame::Whole(vec![0x40, 2, 0, 7])
        );
        writer.await.unwrap();
    }

    #[tokio::test]
    async fn an_oversize_publish_is_refused_by_its_header() {
        // Says 10,000,000 bytes; only the topic is there.
        let (got, _) = frames(&[0x32, 0x80, 0xAD, 0xE2, 0x04, 0, 3, b'a', b'/', b'b'], 100).await;
        assert_eq!(
            got,
            [Frame::TooLarge {
                bytes: 10_000_005,
                topic: Some("a/b".into())
            }]
        );
    }

    #[tokio::test]
    async fn a_length_of_five_bytes_is_not_mqtt() {
        let (got, end) = frames(&[0x30, 0xFF, 0xFF, 0xFF, 0xFF, 0x01], 100).await;
        assert!(got.is_empty());
        assert!(matches!(end, ReadError::BadLength));
    }
}

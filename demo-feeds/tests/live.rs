//! The floats against a broker that goes away in the middle.
#![expect(
    clippy::unwrap_used,
    reason = "a test fails by panicking; helpers outside #[test] are part of it"
)]

use std::collections::HashMap;
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};

use ebbmark_core::time::{Moment, Span};
use ebbmark_demo_feeds::live::publish_live;
use ebbmark_demo_feeds::scenario::cellar;
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::{TcpListener, TcpStream};
use tokio::sync::mpsc;
use tokio_util::sync::CancellationToken;

const NOW: Moment = Moment(1_790_000_000_000);

/// One control packet of MQTT 3.1.1: first byte, then the body (section 2.2).
async fn packet(stream: &mut TcpStream) -> std::io::Result<(u8, Vec<u8>)> {
    let first = stream.read_u8().await?;
    let (mut length, mut shift) = (0usize, 0);
    loop {
        let byte = stream.read_u8().await?;
        length |= usize::from(byte & 0x7f) << shift;
        shift += 7;
        if byte & 0x80 == 0 {
            break;
        }
    }
    let mut body = vec![0; length];
    stream.read_exact(&mut body).await?;
    Ok((first, body))
}

/// Takes one connection's messages and acknowledges the first `acknowledge` of them; then hangs up.
async fn serve(
    mut stream: TcpStream,
    acknowledge: usize,
    seen: mpsc::UnboundedSender<(String, Vec<u8>, bool)>,
) -> std::io::Result<()> {
    let mut taken = 0;
    loop {
        let (first, body) = packet(&mut stream).await?;
        match first >> 4 {
            1 => stream.write_all(&[0x20, 2, 0, 0]).await?,
            3 => {
                assert_eq!(first & 0x06, 0x02, "QoS 1");
                let n = usize::from(u16::from_be_bytes([body[0], body[1]]));
                let topic = String::from_utf8(body[2..2 + n].to_vec()).unwrap();
                let acknowledged = taken < acknowledge;
                seen.send((topic, body[4 + n..].to_vec(), acknowledged))
                    .unwrap();
                if !acknowledged {
                    return Ok(());
                }
                taken += 1;
                stream
                    .write_all(&[0x40, 2, body[2 + n], body[3 + n]])
                    .await?;
            }
            12 => stream.write_all(&[0xd0, 0]).await?,
            _ => return Ok(()),
        }
    }
}

#[tokio::test]
async fn every_message_arrives_though_the_broker_goes_away() {
    let listener = TcpListener::bind("127.0.0.1:0").await.unwrap();
    let port = listener.local_addr().unwrap().port();
    let (seen, mut arrivals) = mpsc::unbounded_channel();
    tokio::spawn(async move {
        // The first connections hang up on their third message; later ones stay.
        for connection in 0.. {
            let (stream, _) = listener.accept().await.unwrap();
            let acknowledge = if connection < 6 { 2 } else { usize::MAX };
            tokio::spawn(serve(stream, acknowledge, seen.clone()));
        }
    });

    let vessels = cellar(NOW, 9);
    let until = NOW + Span::hours(5);
    let expected: HashMap<String, Vec<Vec<u8>>> = vessels
        .iter()
        .map(|v| {
            let due = v.coming().take_while(|m| m.due <= until);
            (v.feed.topic.to_owned(), due.map(|m| m.payload).collect())
        })
        .collect();
    let total: usize = expected.values().map(Vec::len).sum();
    assert!(total > 4 * 15);

    let time = Arc::new(AtomicI64::new(NOW.0));
    let clock = Arc::clone(&time);
    let stop = CancellationToken::new();
    let floats = tokio::spawn(publish_live(
        vessels,
        "127.0.0.1".to_owned(),
        port,
        move || Moment(clock.load(Ordering::SeqCst)),
        stop.clone(),
    ));

    time.store(until.0, Ordering::SeqCst);
    let mut got: HashMap<String, Vec<Vec<u8>>> = HashMap::new();
    let mut refused = 0;
    while got.values().map(Vec::len).sum::<usize>() < total {
        let (topic, payload, acknowledged) = arrivals.recv().await.unwrap();
        if acknowledged {
            got.entry(topic).or_default().push(payload);
        } else {
            refused += 1;
        }
    }
    assert_eq!(got, expected);
    assert!(refused >= 4, "{refused}");

    stop.cancel();
    floats.await.unwrap();
    // Simulated time stood still after that: nothing more was said.
    assert!(arrivals.try_recv().is_err());
}

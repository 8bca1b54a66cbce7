//! A hostile network: the built daemon keeps its memory bounded, goes on serving a float that
//! behaves, and shows what it turned away.

use std::io::{ErrorKind, Read, Write};
use std::net::{Ipv4Addr, Shutdown, TcpStream};
use std::thread::sleep;
use std::time::Duration;

use ebbmark_tests::cellar::{Cellar, Daemon};
use ebbmark_tests::mosquitto::Mosquitto;
use ebbmark_tests::page::Visitor;
use ebbmark_tests::process::Process;
use ebbmark_tests::wait::{DEADLINE, until_true};

use crate::common::{message, publish, publisher};

/// The most the daemon, a debug build, may ever have held: VmHWM of the kernel.
const MOST_KIB: u64 = 96 * 1024;
const TOPICS: usize = 100_000;
/// Over so many connections at once.
const FLOODING: usize = 20;

fn dial(port: u16) -> TcpStream {
    let stream = TcpStream::connect((Ipv4Addr::LOCALHOST, port)).expect("the daemon listens");
    stream
        .set_read_timeout(Some(DEADLINE))
        .expect("a socket takes a time limit");
    stream
        .set_write_timeout(Some(DEADLINE))
        .expect("a socket takes a time limit");
    stream
}

fn text(text: &str) -> Vec<u8> {
    let length = u16::try_from(text.len()).expect("a short text");
    [&length.to_be_bytes()[..], text.as_bytes()].concat()
}

fn packet(first: u8, body: &[u8]) -> Vec<u8> {
    let mut bytes = vec![first];
    let mut rest = body.len();
    loop {
        let low = u8::try_from(rest & 0x7f).expect("seven bits");
        rest >>= 7;
        bytes.push(if rest == 0 { low } else { low | 0x80 });
        if rest == 0 {
            break;
        }
    }
    bytes.extend(body);
    bytes
}

/// CONNECT of MQTT 5 with these properties, flags and what follows the client id.
fn connect_with(id: &str, flags: u8, keep_alive: u16, properties: &[u8], rest: &[u8]) -> Vec<u8> {
    let mut body = text("MQTT");
    body.extend([5, flags]);
    body.extend(keep_alive.to_be_bytes());
    body.push(u8::try_from(properties.len()).expect("few properties"));
    body.extend(properties);
    body.extend(text(id));
    body.extend(rest);
    packet(0x10, &body)
}

fn connect(id: &str) -> Vec<u8> {
    connect_with(id, 0x02, 0, &[], &[])
}

/// Greeted as a client of MQTT 5.
fn greeted(port: u16, id: &str) -> TcpStream {
    let mut stream = dial(port);
    stream.write_all(&connect(id)).expect("the daemon reads");
    assert_eq!(answer(&mut stream)[0], 0x20);
    stream
}

/// The next packet.
fn answer(stream: &mut TcpStream) -> Vec<u8> {
    let mut bytes = vec![0; 2];
    stream.read_exact(&mut bytes).expect("an answer");
    let mut length = usize::from(bytes[1] & 0x7f);
    let mut shift = 7;
    while bytes[bytes.len() - 1] & 0x80 != 0 {
        let mut byte = [0];
        stream.read_exact(&mut byte).expect("an answer");
        length |= usize::from(byte[0] & 0x7f) << shift;
        shift += 7;
        bytes.push(byte[0]);
    }
    let start = bytes.len();
    bytes.resize(start + length, 0);
    stream
        .read_exact(&mut bytes[start..])
        .expect("a whole answer");
    bytes
}

/// What comes until the other side ends it, by a reset too.
fn rest_of(stream: &mut TcpStream) -> Vec<u8> {
    let mut rest = Vec::new();
    match stream.read_to_end(&mut rest) {
        Ok(_) => {}
        Err(e) if e.kind() == ErrorKind::ConnectionReset => {}
        Err(e) => panic!("not ended by the daemon: {e}"),
    }
    rest
}

type Drip = Box<dyn FnOnce() -> Vec<u8> + Send>;

/// Sends a byte a second until the daemon ends it; gives what it said.
fn drip(mut stream: TcpStream, bytes: &[u8]) -> Vec<u8> {
    stream
        .set_read_timeout(Some(Duration::from_secs(1)))
        .expect("a socket takes a time limit");
    let mut said = Vec::new();
    for byte in bytes {
        if stream.write_all(&[*byte]).is_err() {
            return said;
        }
        let mut chunk = [0; 1024];
        match stream.read(&mut chunk) {
            Ok(0) => return said,
            Ok(n) => said.extend(&chunk[..n]),
            Err(e) if e.kind() == ErrorKind::ConnectionReset => return said,
            // Its second is over.
            Err(_) => {}
        }
    }
    panic!("{} bytes were taken, one a second", bytes.len());
}

fn post(topic: &str, token: &str, length: usize) -> Vec<u8> {
    format!(
        "POST /intake/{topic} HTTP/1.1\r\nhost: cellar\r\nauthorization: Bearer {token}\r\ncontent-length: {length}\r\n\r\n"
    )
    .into_bytes()
}

fn page_port(daemon: &Daemon) -> u16 {
    let port = daemon
        .page
        .rsplit_once(':')
        .expect("an address with a port")
        .1;
    port.parse().expect("a port")
}

/// A float that behaves, connected before anything happens.
struct Float {
    process: Process,
    input: std::process::ChildStdin,
    sent: usize,
}

impl Float {
    fn new(daemon: &Daemon) -> Float {
        let mut process = publisher(daemon.intake_port, &["--id", "well-behaved"]);
        Float {
            input: process.input(),
            process,
            sent: 0,
        }
    }

    /// Sends a reading and waits until it is acknowledged.
    fn is_served(&mut self) {
        let reading = message("shelf/float", &format!("1.0{:02}", self.sent % 100), 1);
        writeln!(self.input, "{reading}").expect("the foreign client reads");
        self.sent += 1;
        let sent = self.sent;
        until_true("an acknowledgement for the float that behaves", || {
            self.process.out.all().len() > sent
        });
    }
}

/// Publishes to its share of the topics, each once, and waits until all is taken.
fn flood(port: u16, n: usize) {
    let mut stream = greeted(port, &format!("flood-{n}"));
    for topic in (n..TOPICS).step_by(FLOODING) {
        let name = text(&format!("flood/{topic}"));
        let body = [name, vec![0], b"1.050".to_vec()].concat();
        stream
            .write_all(&packet(0x30, &body))
            .expect("the daemon reads");
    }
    stream.write_all(&[0xC0, 0]).expect("the daemon reads");
    assert_eq!(answer(&mut stream), [0xD0, 0]);
}

/// How often something was turned away for this reason, as the metrics say.
fn turned_away(visitor: &Visitor, why: &str) -> f64 {
    let page = visitor.page("/metrics");
    page.lines()
        .filter(|line| line.starts_with("ebbmark_turned_away_total{"))
        .filter(|line| line.contains(&format!("why=\"{why}\"")))
        .filter_map(|line| line.rsplit_once(' ')?.1.parse::<f64>().ok())
        .sum()
}

fn memory_is_bounded(daemon: &Daemon, during: &str) {
    let peak = daemon.peak_kib();
    println!("{during}: {peak} KiB at most");
    assert!(peak < MOST_KIB, "{during}: {peak} KiB");
}

#[test]
fn connections_opened_and_left() {
    let cellar = Cellar::new();
    let (daemon, visitor) = cellar.open();
    let mut float = Float::new(&daemon);
    float.is_served();
    let left: Vec<TcpStream> = (0..200)
        .flat_map(|_| [dial(daemon.intake_port), dial(page_port(&daemon))])
        .collect();
    float.is_served();
    // One that comes only now is let in, as is somebody at the page.
    publish(
        daemon.intake_port,
        &[],
        &[message("shelf/late", "1.050", 1)],
    );
    until_true("what was turned away in the metrics", || {
        turned_away(&visitor, "too-many-connections") >= 200.0
    });
    assert!(visitor.page("/feeds").contains("too many connections"));
    drop(left);
    memory_is_bounded(&daemon, "400 connections left open");
}

#[test]
fn a_byte_a_second() {
    let cellar = Cellar::new();
    let (daemon, visitor) = cellar.open();
    let token = visitor.intake_token();
    let mut float = Float::new(&daemon);
    let (intake, page) = (daemon.intake_port, page_port(&daemon));
    let drips: [(&str, Drip); 4] = [
        (
            "CONNECT",
            Box::new(move || drip(dial(intake), &connect(&"x".repeat(200)))),
        ),
        (
            "a message",
            Box::new(move || {
                let mut stream = dial(intake);
                stream
                    .write_all(&connect_with("slow", 0x02, 2, &[], &[]))
                    .expect("the daemon reads");
                assert_eq!(answer(&mut stream)[0], 0x20);
                let body = [text("shelf/slow"), vec![0], vec![b'1'; 200]].concat();
                drip(stream, &packet(0x30, &body))
            }),
        ),
        (
            "a header",
            Box::new(move || drip(dial(page), "GET / HTTP/1.1\r\nx: ".repeat(9).as_bytes())),
        ),
        (
            "a body",
            Box::new(move || {
                let mut stream = dial(page);
                stream
                    .write_all(&post("shelf/slow", &token, 1000))
                    .expect("the daemon reads");
                drip(stream, &[b'1'; 200])
            }),
        ),
    ];
    let running: Vec<_> = drips
        .into_iter()
        .map(|(what, drip)| (what, std::thread::spawn(drip)))
        .collect();
    for _ in 0..5 {
        float.is_served();
        sleep(Duration::from_secs(1));
    }
    for (what, dripping) in running {
        let said = dripping
            .join()
            .unwrap_or_else(|_| panic!("{what} by drips"));
        println!("{what}: {:?}", String::from_utf8_lossy(&said));
    }
    float.is_served();
    assert!(turned_away(&visitor, "connect") >= 1.0);
    assert!(turned_away(&visitor, "too-slow") >= 1.0);
    memory_is_bounded(&daemon, "slow drips");
}

/// A limit on each connection's rate would make this take minutes; without it the store is the
/// only brake.
#[test]
fn floods() {
    let cellar = Cellar::with("[intake.limits]\nmessages-per-second = 0\n");
    let (daemon, visitor) = cellar.open();
    let mut float = Float::new(&daemon);
    float.is_served();

    // A connection has 20 messages on their way to the disk: several share a commit.
    let port = daemon.intake_port;
    let floods: Vec<_> = (0..FLOODING)
        .map(|n| std::thread::spawn(move || flood(port, n)))
        .collect();
    float.is_served();
    for flood in floods {
        flood.join().expect("a flood that is taken");
    }
    float.is_served();
    assert!(cellar.database().count("SELECT count(*) FROM topic") <= 201);
    memory_is_bounded(&daemon, "100,000 topics");

    // Clients who ask to be kept, with wills that wait, and go without a word.
    let will = [
        vec![5, 0x18, 0, 1, 0x51, 0x80],
        text("shelf/gone"),
        text(&"x".repeat(60_000)),
    ]
    .concat();
    for client in 0..600 {
        let mut stream = dial(daemon.intake_port);
        let hello = connect_with(
            &format!("client-{client}"),
            0x04,
            0,
            &[0x11, 0, 1, 0x51, 0x80],
            &will,
        );
        stream.write_all(&hello).expect("the daemon reads");
        assert_eq!(answer(&mut stream)[0], 0x20, "client {client}");
    }
    float.is_served();
    memory_is_bounded(&daemon, "600 clients with wills of 60 KB that wait");

    // Packets full of filters: ones of ours, over and over, and ones of others.
    let mut stream = greeted(daemon.intake_port, "filters");
    for id in 1..=4u16 {
        let filter = |n: u16| text(&format!("ebbmark/{n}/#"));
        let ours = (0..3000).flat_map(|n| [filter(n % 3), vec![0]].concat());
        let others = (0..1000).flat_map(|n| [text(&format!("cellar/{n}")), vec![0]].concat());
        let body: Vec<u8> = id
            .to_be_bytes()
            .into_iter()
            .chain([0])
            .chain(ours)
            .chain(others)
            .collect();
        stream
            .write_all(&packet(0x82, &body))
            .expect("the daemon reads");
        let codes = answer(&mut stream);
        assert_eq!(codes[0], 0x90);
        assert_eq!(codes[codes.len() - 1], 0x87, "not authorized");
    }
    float.is_served();
    assert!(turned_away(&visitor, "subscription") >= 4000.0);
    memory_is_bounded(&daemon, "16,000 filters");
}

#[test]
fn too_large_and_too_deep() {
    let cellar = Cellar::new();
    let (daemon, visitor) = cellar.open();
    let token = visitor.intake_token();
    let mut float = Float::new(&daemon);
    float.is_served();
    let deep = "[".repeat(10_000) + &"]".repeat(10_000);
    for (topic, payload) in [("shelf/deep", deep.as_str()), ("cellar/oak/log", &deep)] {
        publish(daemon.intake_port, &[], &[message(topic, payload, 1)]);
    }
    // Its first lines are looked into for the form that claims it.
    assert!(visitor.page("/feeds").contains("shelf/deep"));
    for _ in 0..20 {
        let mut stream = greeted(daemon.intake_port, "large");
        // Its header and topic alone.
        let mut start = vec![0x32, 0xFF, 0xFF, 0xFF, 0x7F];
        start.extend(text("shelf/large"));
        stream.write_all(&start).expect("the daemon reads");
        let said = answer(&mut stream);
        assert_eq!((said[0], said[2]), (0xE0, 0x95), "{said:02x?}");
    }
    let page = page_port(&daemon);
    for (what, request, status) in [
        (
            "a body",
            [post("shelf/large", &token, 10 << 20), vec![b'1'; 100_000]].concat(),
            "413",
        ),
        (
            "a field of the header",
            format!("GET / HTTP/1.1\r\nx: {}\r\n\r\n", "y".repeat(1 << 20)).into_bytes(),
            "431",
        ),
        (
            "an address",
            format!("GET /{} HTTP/1.1\r\n\r\n", "y".repeat(1 << 20)).into_bytes(),
            "4",
        ),
        (
            "a header of many fields",
            format!("GET / HTTP/1.1\r\n{}\r\n", "a: b\r\n".repeat(5000)).into_bytes(),
            "431",
        ),
        (
            "no HTTP",
            b"\x10\x0d\0\x04MQTT\x04\x02\0\0\0\x01a\r\n\r\n".to_vec(),
            "400",
        ),
    ] {
        let mut stream = dial(page);
        // It may be refused before it is all written.
        let _ = stream.write_all(&request);
        let _ = stream.shutdown(Shutdown::Write);
        let said = rest_of(&mut stream);
        let said = String::from_utf8_lossy(&said);
        // What was not read turns the end into a reset, which may overtake the answer.
        let may_be_lost = request.len() > 20_000 && said.is_empty();
        let is_said = may_be_lost || said.starts_with(&format!("HTTP/1.1 {status}"));
        assert!(is_said, "{what}: {said}");
    }
    let answer = visitor.post_reading("shelf/deep", &token, deep.as_bytes());
    assert_eq!(answer.status, 202);
    float.is_served();
    until_true("what is no HTTP in the metrics", || {
        turned_away(&visitor, "not-http") >= 1.0
    });
    assert!(turned_away(&visitor, "too-large") >= 20.0);
    assert!(visitor.page("/feeds").contains("shelf/large"));
    memory_is_bounded(&daemon, "oversized and nested");
}

/// What somebody left at the house's broker comes first whenever we come.
#[test]
fn a_broker_full_of_garbage() {
    let broker = Mosquitto::start();
    let cellar = Cellar::with(&format!(
        "[[broker]]\nname = \"house\"\nhost = \"127.0.0.1\"\nport = {}\ntopics = [\"shelf/#\"]\n",
        broker.port
    ));
    let mut stream = dial(broker.port);
    stream
        .write_all(&connect("garbage"))
        .expect("the broker reads");
    assert_eq!(answer(&mut stream)[0], 0x20);
    let nested = "[".repeat(10_000).into_bytes();
    let large = vec![b'9'; 300_000];
    for n in 0..600usize {
        let payload: &[u8] = match n % 4 {
            0 => b"\xff\xfe\0\x80",
            1 => &nested,
            2 => b"NaN",
            _ if n % 20 == 3 => &large,
            _ => b"{\"gravity\":1e999}",
        };
        let body = [&text(&format!("shelf/garbage/{n}"))[..], &[0], payload].concat();
        stream
            .write_all(&packet(0x31, &body))
            .expect("the broker reads");
    }
    stream.write_all(&[0xC0, 0]).expect("the broker reads");
    assert_eq!(answer(&mut stream), [0xD0, 0]);

    let (daemon, visitor) = cellar.open();
    publish(broker.port, &[], &[message("shelf/float", "1.050", 1)]);
    until_true("the reading that came by the broker", || {
        visitor.page("/feeds").contains("shelf/float")
    });
    publish(daemon.intake_port, &[], &[message("shelf/own", "1.050", 1)]);
    memory_is_bounded(&daemon, "600 kept messages of garbage");
}

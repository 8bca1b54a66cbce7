//! Fetching from a broker: a real one, restarted and without certificates it should have.

use std::io::{BufRead, BufReader};
use std::net::TcpListener;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::Arc;

use ebbmark::mqtt::Credentials;
use ebbmark::mqtt::broker::{self, BrokerConfig, BrokerCounts, BrokerState};
use ebbmark::mqtt::intake::IntakeConfig;
use ebbmark_core::feed::{FeedMap, Format, Quantity};
use ebbmark_core::reading::ProblemKind;
use tokio::sync::watch;
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;

use crate::cellar::{Cellar, FAILSAFE, clock};
use crate::raw::{Connect, Publish, Raw};
use crate::tools::{find, must_run};

/// A mosquitto of our own.
struct Mosquitto {
    folder: tempfile::TempDir,
    port: u16,
    process: Option<Child>,
}

impl Mosquitto {
    async fn start(extra: &str) -> Mosquitto {
        let folder = tempfile::tempdir().unwrap();
        // Free a moment ago; there is no way to hand a bound socket over.
        let port = TcpListener::bind("127.0.0.1:0")
            .unwrap()
            .local_addr()
            .unwrap()
            .port();
        let place = folder.path().display();
        let extra = extra.replace("{place}", &place.to_string());
        // Run as root it would drop to its own user, who may not write here.
        let user = std::env::var("USER").unwrap_or_else(|_| "root".into());
        std::fs::write(
            folder.path().join("mosquitto.conf"),
            format!(
                "listener {port} 127.0.0.1\nallow_anonymous true\nuser {user}\n\
                 persistence_location {place}/\nlog_dest stderr\n{extra}\n"
            ),
        )
        .unwrap();
        let mut mosquitto = Mosquitto {
            folder,
            port,
            process: None,
        };
        mosquitto.up().await;
        mosquitto
    }

    /// Starts it and waits until it says that it is running.
    async fn up(&mut self) {
        let mut process = Command::new(find("mosquitto"))
            .arg("-c")
            .arg(self.folder.path().join("mosquitto.conf"))
            .stderr(Stdio::piped())
            .spawn()
            .unwrap();
        let mut log = BufReader::new(process.stderr.take().unwrap()).lines();
        self.process = Some(process);
        let said = tokio::task::spawn_blocking(move || {
            let mut said = String::new();
            for line in log.by_ref() {
                let line = line.unwrap();
                said.push_str(&line);
                said.push('\n');
                if line.ends_with("running") {
                    // Read on, or it would block when the pipe is full.
                    std::thread::spawn(move || log.for_each(drop));
                    return Ok(());
                }
            }
            Err(said)
        })
        .await
        .unwrap();
        if let Err(said) = said {
            panic!("mosquitto does not start:\n{said}");
        }
    }

    /// Ends it as an operator would, so that it saves what it keeps.
    async fn down(&mut self) {
        let mut process = self.process.take().unwrap();
        must_run("kill", ["-TERM", &process.id().to_string()]).await;
        tokio::task::spawn_blocking(move || process.wait().unwrap())
            .await
            .unwrap();
    }

    async fn publish(&self, arguments: &[&str]) {
        let port = self.port.to_string();
        let common = ["-h", "127.0.0.1", "-p", &port];
        must_run("mosquitto_pub", common.iter().chain(arguments)).await;
    }

    /// What the broker keeps of a topic, once there is something.
    async fn retained(&self, topic: &str) -> String {
        // The first may still come fresh from the publisher; the next is what is kept.
        self.first(topic).await;
        self.first(topic).await
    }

    async fn first(&self, topic: &str) -> String {
        let port = self.port.to_string();
        must_run(
            "mosquitto_sub",
            [
                "-h",
                "127.0.0.1",
                "-p",
                &port,
                "-t",
                topic,
                "-C",
                "1",
                "-F",
                "%r %p",
                "-W",
                "20",
            ],
        )
        .await
    }
}

impl Drop for Mosquitto {
    fn drop(&mut self) {
        if let Some(mut process) = self.process.take() {
            // It may have ended by itself.
            let _ = process.kill();
            let _ = process.wait();
        }
    }
}

/// Our client at a broker, running.
struct Fetching {
    state: watch::Receiver<BrokerState>,
    counts: Arc<BrokerCounts>,
    shutdown: CancellationToken,
    running: JoinHandle<()>,
}

impl Fetching {
    fn start(cellar: &Cellar, config: BrokerConfig) -> Fetching {
        let broker = broker::prepare(
            config,
            cellar.writer.clone(),
            cellar.outgoing.clone(),
            clock(),
        )
        .unwrap();
        let shutdown = CancellationToken::new();
        Fetching {
            state: broker.state(),
            counts: broker.counts(),
            running: tokio::spawn(broker.run(shutdown.clone())),
            shutdown,
        }
    }

    async fn until(&mut self, what: &str, holds: impl Fn(&BrokerState) -> bool) -> BrokerState {
        let waiting = self.state.wait_for(holds);
        let state = tokio::time::timeout(FAILSAFE, waiting).await;
        state
            .unwrap_or_else(|_| panic!("never came about: {what}"))
            .unwrap()
            .clone()
    }

    async fn up(&mut self) {
        self.until("connected", |state| state.connected.is_some())
            .await;
    }

    async fn stop(self) {
        self.shutdown.cancel();
        tokio::time::timeout(FAILSAFE, self.running)
            .await
            .expect("ends in time")
            .unwrap();
    }
}

fn house(port: u16, topics: &[&str]) -> BrokerConfig {
    BrokerConfig {
        name: "house".into(),
        host: "127.0.0.1".into(),
        port: Some(port),
        tls: false,
        ca_file: None,
        credentials: None,
        client_id: "ebbmark-test".into(),
        topics: topics.iter().map(|topic| (*topic).to_owned()).collect(),
        keep_alive_secs: 60,
        publish: false,
    }
}

#[tokio::test]
async fn messages_are_fetched_and_retained_ones_too() {
    let mosquitto = Mosquitto::start("").await;
    mosquitto
        .publish(&["-q", "1", "-r", "-t", "cellar/kept", "-m", "1.050"])
        .await;
    let mut cellar = Cellar::open().await;
    let mut fetching = Fetching::start(&cellar, house(mosquitto.port, &["cellar/#", "ebbmark/#"]));
    fetching.up().await;
    cellar
        .until("retained", |cellar| {
            cellar.stored("house", "cellar/kept") == ["1.050"]
        })
        .await;
    for qos in ["0", "1", "2"] {
        mosquitto
            .publish(&["-q", qos, "-t", "ebbmark/a", "-m", "ours, not taken"])
            .await;
        mosquitto
            .publish(&["-q", qos, "-t", "cellar/new", "-m", qos])
            .await;
    }
    cellar
        .until("fetched", |cellar| {
            cellar.stored("house", "cellar/new") == ["0", "1", "2"]
        })
        .await;
    assert!(cellar.stored("house", "ebbmark/a").is_empty());
    assert_eq!(fetching.counts.messages(), 4);
    fetching.stop().await;
}

#[tokio::test]
async fn what_a_broker_had_kept_is_no_reading_of_now() {
    let mosquitto = Mosquitto::start("").await;
    let keep = |value: &'static str| ["-q", "1", "-r", "-t", "cellar/kept", "-m", value];
    mosquitto.publish(&keep("1.050")).await;
    let mut cellar = Cellar::open().await;
    let claim = ebbmark_store::model::Command::Claim {
        source: "house".into(),
        topic: "cellar/kept".into(),
        name: "kept".into(),
        map: FeedMap {
            format: Format::Number {
                quantity: Quantity::GravitySg,
            },
            tilt_polynomial: Vec::new(),
        },
        vessel: None,
    };
    cellar.writer.command(claim).await.unwrap();
    let mut fetching = Fetching::start(&cellar, house(mosquitto.port, &["cellar/#"]));
    fetching.up().await;
    cellar
        .until("the kept one is counted", |cellar| {
            let problems = cellar.reader.problems().unwrap();
            problems.iter().any(|p| p.kind == ProblemKind::BadTime)
        })
        .await;
    // One that is new is a reading, whether or not it is to be kept.
    mosquitto.publish(&keep("1.049")).await;
    cellar
        .until("the new one is taken", |cellar| {
            cellar.reader.feeds().unwrap()[0].readings > 0
        })
        .await;
    let feed = cellar.reader.feeds().unwrap().remove(0);
    assert_eq!(feed.readings, 1);
    assert_eq!(feed.last_gravity.map(|g| g.get()), Some(1.049));
    fetching.stop().await;
}

#[tokio::test]
async fn what_came_while_we_were_away_is_fetched() {
    let mosquitto = Mosquitto::start("").await;
    let mut cellar = Cellar::open().await;
    let config = house(mosquitto.port, &["cellar/#"]);
    let mut fetching = Fetching::start(&cellar, config.clone());
    mosquitto_knows(&mosquitto, &mut cellar, &mut fetching).await;
    fetching.stop().await;
    mosquitto
        .publish(&["-q", "1", "-t", "cellar/away", "-m", "1"])
        .await;
    let _fetching = Fetching::start(&cellar, config);
    cellar
        .until("fetched", |cellar| {
            cellar.stored("house", "cellar/away") == ["1"]
        })
        .await;
}

/// Waits until our subscription holds: a message comes through.
async fn mosquitto_knows(mosquitto: &Mosquitto, cellar: &mut Cellar, fetching: &mut Fetching) {
    fetching.up().await;
    mosquitto
        .publish(&["-q", "1", "-r", "-t", "cellar/first", "-m", "1"])
        .await;
    cellar
        .until("subscribed", |cellar| {
            !cellar.stored("house", "cellar/first").is_empty()
        })
        .await;
}

#[tokio::test]
async fn what_is_not_stored_is_not_acknowledged_and_comes_again() {
    let mosquitto = Mosquitto::start("").await;
    let mut broken = Cellar::open().await;
    let config = house(mosquitto.port, &["cellar/#"]);
    let mut fetching = Fetching::start(&broken, config.clone());
    mosquitto_knows(&mosquitto, &mut broken, &mut fetching).await;
    broken.writer.close().await;
    mosquitto
        .publish(&["-q", "1", "-t", "cellar/a", "-m", "1"])
        .await;
    fetching
        .until("given up", |state| {
            state
                .last_error
                .as_ref()
                .is_some_and(|(_, why)| why.contains("writer has stopped"))
        })
        .await;
    fetching.stop().await;

    let mut sound = Cellar::open().await;
    let _fetching = Fetching::start(&sound, config);
    sound
        .until("comes again", |cellar| {
            cellar.stored("house", "cellar/a") == ["1"]
        })
        .await;
}

#[tokio::test]
async fn a_redelivery_is_not_stored_twice() {
    // Nothing is acknowledged by hand here: a client with our id takes a message and leaves it
    // unacknowledged, as we would if we were killed between the commit and the acknowledgement.
    let mosquitto = Mosquitto::start("").await;
    let mut cellar = Cellar::open().await;
    let address = format!("127.0.0.1:{}", mosquitto.port).parse().unwrap();
    let connect = Connect {
        clean: false,
        ..Connect::v3("ebbmark-test")
    };
    let mut killed = Raw::welcome(address, connect).await;
    killed.subscribe(1, "cellar/#", 1).await;
    mosquitto
        .publish(&["-q", "1", "-t", "cellar/a", "-m", "1"])
        .await;
    let got = killed.packet().await;
    let packet_id = u16::from_be_bytes([got[got.len() - 3], got[got.len() - 2]]);
    // Stored, then killed.
    let arrival = ebbmark_store::model::Arrival {
        source: "house".into(),
        topic: "cellar/a".into(),
        payload: b"1".to_vec(),
        stamp: clock()(),
        delivery: Some(ebbmark_store::model::Delivery {
            peer: "ebbmark-test".into(),
            packet_id,
            repeat: false,
        }),
        retained: false,
    };
    let receipt = cellar.writer.arrive(arrival).await.unwrap();
    receipt.await.unwrap().unwrap();
    drop(killed);

    let mut fetching = Fetching::start(&cellar, house(mosquitto.port, &["cellar/#"]));
    mosquitto_knows(&mosquitto, &mut cellar, &mut fetching).await;
    assert_eq!(cellar.stored("house", "cellar/a"), ["1"]);
    assert_eq!(fetching.counts.messages(), 2, "the redelivery was taken in");
}

#[tokio::test]
async fn a_broker_that_forgot_us_is_subscribed_to_and_told_again() {
    // Without persistence a restart loses sessions and retained messages.
    let mut mosquitto = Mosquitto::start("persistence false").await;
    let mut cellar = Cellar::open().await;
    cellar
        .outgoing
        .publish("ebbmark/oak/state".into(), b"falling".to_vec());
    let config = BrokerConfig {
        publish: true,
        ..house(mosquitto.port, &["cellar/#"])
    };
    let mut fetching = Fetching::start(&cellar, config);
    mosquitto_knows(&mosquitto, &mut cellar, &mut fetching).await;
    assert_eq!(mosquitto.retained("ebbmark/oak/state").await, "1 falling\n");

    mosquitto.down().await;
    let state = fetching
        .until("down", |state| state.connected.is_none())
        .await;
    assert!(state.last_error.is_some());
    cellar
        .outgoing
        .publish("ebbmark/elm/state".into(), b"still".to_vec());
    mosquitto.up().await;
    fetching.up().await;
    assert_eq!(mosquitto.retained("ebbmark/oak/state").await, "1 falling\n");
    assert_eq!(mosquitto.retained("ebbmark/elm/state").await, "1 still\n");
    mosquitto
        .publish(&["-q", "1", "-r", "-t", "cellar/later", "-m", "2"])
        .await;
    cellar
        .until("subscribed again", |cellar| {
            !cellar.stored("house", "cellar/later").is_empty()
        })
        .await;
    assert!(fetching.counts.breaks() >= 1);
    fetching.stop().await;
}

#[tokio::test]
async fn a_session_outlives_the_broker() {
    let mut mosquitto = Mosquitto::start("persistence true").await;
    let mut cellar = Cellar::open().await;
    let config = house(mosquitto.port, &["cellar/#"]);
    let mut fetching = Fetching::start(&cellar, config.clone());
    mosquitto_knows(&mosquitto, &mut cellar, &mut fetching).await;
    fetching.stop().await;
    mosquitto
        .publish(&["-q", "1", "-t", "cellar/away", "-m", "1"])
        .await;
    mosquitto.down().await;
    mosquitto.up().await;
    let mut fetching = Fetching::start(&cellar, config);
    cellar
        .until("fetched", |cellar| {
            cellar.stored("house", "cellar/away") == ["1"]
        })
        .await;
    // The same session across a restart while connected.
    fetching.up().await;
    mosquitto.down().await;
    fetching
        .until("down", |state| state.connected.is_none())
        .await;
    mosquitto.up().await;
    fetching.up().await;
    mosquitto
        .publish(&["-q", "1", "-t", "cellar/again", "-m", "1"])
        .await;
    cellar
        .until("still subscribed", |cellar| {
            cellar.stored("house", "cellar/again") == ["1"]
        })
        .await;
}

#[tokio::test]
async fn many_messages_come_once_each() {
    let mosquitto = Mosquitto::start("").await;
    let mut cellar = Cellar::open().await;
    let mut fetching = Fetching::start(&cellar, house(mosquitto.port, &["cellar/#"]));
    mosquitto_knows(&mosquitto, &mut cellar, &mut fetching).await;
    let many = ["-q", "1", "-t", "cellar/many", "-m", "x", "--repeat", "500"];
    mosquitto.publish(&many).await;
    cellar
        .until("all", |cellar| heard_many(cellar) >= Some(500))
        .await;
    assert_eq!(heard_many(&cellar), Some(500));
    assert_eq!(fetching.counts.breaks(), 0);
}

fn heard_many(cellar: &Cellar) -> Option<u64> {
    let unclaimed = cellar.reader.unclaimed().unwrap();
    unclaimed
        .iter()
        .find(|known| known.topic == "cellar/many")
        .map(|known| known.count)
}

/// A mosquitto that keeps for us whatever comes, while we are away.
async fn away() -> (Mosquitto, Cellar, BrokerConfig) {
    let mosquitto = Mosquitto::start("max_queued_messages 0").await;
    let mut cellar = Cellar::open().await;
    let config = house(mosquitto.port, &["cellar/#"]);
    let mut fetching = Fetching::start(&cellar, config.clone());
    mosquitto_knows(&mosquitto, &mut cellar, &mut fetching).await;
    fetching.stop().await;
    (mosquitto, cellar, config)
}

/// As after a night without us: more than there is room for at once.
#[tokio::test]
async fn a_backlog_of_many_thousands_is_worked_off_over_one_connection() {
    const BACKLOG: u64 = 40_000;
    let (mosquitto, mut cellar, config) = away().await;
    let (long, times) = ("x".repeat(200), BACKLOG.to_string());
    let many = [
        "-q",
        "1",
        "-t",
        "cellar/many",
        "-m",
        &long,
        "--repeat",
        &times,
    ];
    mosquitto.publish(&many).await;
    let fetching = Fetching::start(&cellar, config);
    cellar
        .until("all", |cellar| heard_many(cellar) >= Some(BACKLOG))
        .await;
    assert_eq!(heard_many(&cellar), Some(BACKLOG));
    assert_eq!(fetching.counts.breaks(), 0);
}

#[tokio::test]
async fn nothing_of_a_backlog_is_lost_however_often_we_are_cut_off() {
    const BACKLOG: u16 = 150;
    let (mosquitto, mut cellar, config) = away().await;
    // A topic for each, so that a missing one shows even if another came twice. That can be:
    // what we acknowledged and the broker had not read when we were cut off comes again, and
    // the store looks back for so many only.
    let address = format!("127.0.0.1:{}", mosquitto.port).parse().unwrap();
    let mut floats = Raw::welcome(address, Connect::v3("floats")).await;
    for id in 1..=BACKLOG {
        let topic = format!("cellar/backlog/{id}");
        floats.publish(Publish::new(&topic, b"1", 1, id)).await;
        floats.packet().await;
    }
    let come = |cellar: &Cellar| {
        let unclaimed = cellar.reader.unclaimed().unwrap();
        let backlog = |topic: &str| topic.starts_with("cellar/backlog/");
        unclaimed
            .iter()
            .filter(|known| backlog(&known.topic))
            .count()
    };
    for cut_at in [1, 40, 80] {
        let cut = Fetching::start(&cellar, config.clone());
        cellar.until("some", |cellar| come(cellar) >= cut_at).await;
        // No goodbye, nothing more acknowledged: as if killed.
        cut.running.abort();
        assert!(cut.running.await.is_err(), "it ended before it was cut off");
    }
    let _fetching = Fetching::start(&cellar, config);
    cellar
        .until("all", |cellar| come(cellar) == usize::from(BACKLOG))
        .await;
}

#[tokio::test]
async fn what_is_too_large_is_counted_and_does_not_come_again() {
    let mosquitto = Mosquitto::start("").await;
    let large = mosquitto.folder.path().join("large");
    std::fs::write(&large, vec![b'x'; 65_537]).unwrap();
    let large = large.to_str().unwrap().to_owned();
    let mut cellar = Cellar::open().await;
    let config = house(mosquitto.port, &["cellar/#"]);
    let mut fetching = Fetching::start(&cellar, config.clone());
    mosquitto_knows(&mosquitto, &mut cellar, &mut fetching).await;
    mosquitto
        .publish(&["-q", "1", "-t", "cellar/large", "-f", &large])
        .await;
    mosquitto
        .publish(&["-q", "1", "-t", "cellar/after", "-m", "1"])
        .await;
    cellar
        .until("the next one", |cellar| {
            cellar.stored("house", "cellar/after") == ["1"]
        })
        .await;
    assert_eq!(fetching.counts.refused(), 1);
    fetching.stop().await;
    let mut fetching = Fetching::start(&cellar, config);
    mosquitto_knows(&mosquitto, &mut cellar, &mut fetching).await;
    mosquitto
        .publish(&["-q", "1", "-t", "cellar/last", "-m", "1"])
        .await;
    cellar
        .until("the last one", |cellar| {
            cellar.stored("house", "cellar/last") == ["1"]
        })
        .await;
    assert_eq!(fetching.counts.refused(), 0);
    let (count, detail) = cellar.problem("cellar/large").unwrap();
    assert_eq!(count, 1);
    assert!(detail.contains("65537 bytes"), "{detail}");
}

#[tokio::test]
async fn refusals_say_what_to_do() {
    // Our own intake grants nothing but its own topics, so it can play the broker that refuses.
    let cellar = Cellar::with(IntakeConfig {
        credentials: Some(Credentials {
            user: "cellar".into(),
            password: Some("linden".into()),
            password_file: None,
        }),
        ..IntakeConfig::default()
    })
    .await;
    let with = |password: &str| BrokerConfig {
        credentials: Some(Credentials {
            user: "cellar".into(),
            password: Some(password.into()),
            password_file: None,
        }),
        ..house(cellar.address.port(), &["ebbmark/#", "cellar/#"])
    };
    let mut wrong = Fetching::start(&cellar, with("lime"));
    let state = wrong
        .until("an error", |state| state.last_error.is_some())
        .await;
    let (_, why) = state.last_error.unwrap();
    assert!(why.contains("check user and password"), "{why}");
    wrong.stop().await;

    let mut right = Fetching::start(&cellar, with("linden"));
    let state = right
        .until("an answer", |state| !state.refused_topics.is_empty())
        .await;
    assert_eq!(state.refused_topics, ["cellar/#"]);
    assert!(state.connected.is_some());
    right.stop().await;

    let nobody = TcpListener::bind("127.0.0.1:0")
        .unwrap()
        .local_addr()
        .unwrap();
    let mut alone = Fetching::start(&cellar, house(nobody.port(), &["cellar/#"]));
    let state = alone
        .until("an error", |state| state.last_error.is_some())
        .await;
    let (_, why) = state.last_error.unwrap();
    assert!(why.contains("is the broker running"), "{why}");
    alone.stop().await;
}

/// A certificate authority and a server certificate signed by it, or by nobody we trust.
async fn certificates(folder: &Path) -> (PathBuf, PathBuf) {
    let at = |name: &str| folder.join(name).to_str().unwrap().to_owned();
    for ca in ["ca", "other"] {
        must_run(
            "openssl",
            [
                "req",
                "-x509",
                "-newkey",
                "ec",
                "-pkeyopt",
                "ec_paramgen_curve:prime256v1",
                "-nodes",
                "-days",
                "2",
                "-subj",
                &format!("/CN={ca}"),
                "-addext",
                "basicConstraints=critical,CA:TRUE",
                "-keyout",
                &at(&format!("{ca}.key")),
                "-out",
                &at(&format!("{ca}.pem")),
            ],
        )
        .await;
    }
    must_run(
        "openssl",
        [
            "req",
            "-newkey",
            "ec",
            "-pkeyopt",
            "ec_paramgen_curve:prime256v1",
            "-nodes",
            "-subj",
            "/CN=localhost",
            "-keyout",
            &at("server.key"),
            "-out",
            &at("server.csr"),
        ],
    )
    .await;
    std::fs::write(at("server.ext"), "subjectAltName=DNS:localhost\n").unwrap();
    must_run(
        "openssl",
        [
            "x509",
            "-req",
            "-in",
            &at("server.csr"),
            "-CA",
            &at("ca.pem"),
            "-CAkey",
            &at("ca.key"),
            "-CAcreateserial",
            "-days",
            "2",
            "-extfile",
            &at("server.ext"),
            "-out",
            &at("server.pem"),
        ],
    )
    .await;
    (folder.join("ca.pem"), folder.join("other.pem"))
}

#[tokio::test]
async fn tls_trusts_the_given_certificates_only() {
    let keys = tempfile::tempdir().unwrap();
    let (ours, other) = certificates(keys.path()).await;
    let place = keys.path().display();
    let mosquitto = Mosquitto::start(&format!(
        "certfile {place}/server.pem\nkeyfile {place}/server.key"
    ))
    .await;
    let cellar = Cellar::open().await;
    let with = |ca: &Path| BrokerConfig {
        host: "localhost".into(),
        tls: true,
        ca_file: Some(ca.to_owned()),
        ..house(mosquitto.port, &["cellar/#"])
    };
    let mut trusting = Fetching::start(&cellar, with(&ours));
    trusting.up().await;
    trusting.stop().await;
    let mut doubting = Fetching::start(&cellar, with(&other));
    let state = doubting
        .until("an error", |state| state.last_error.is_some())
        .await;
    assert!(state.connected.is_none());
    let (_, why) = state.last_error.unwrap();
    assert!(why.contains("certificate"), "{why}");
    doubting.stop().await;

    let prepare = |config| {
        broker::prepare(
            config,
            cellar.writer.clone(),
            cellar.outgoing.clone(),
            clock(),
        )
    };
    let empty = keys.path().join("server.ext");
    for (ca, words) in [
        (empty.as_path(), "no usable certificate"),
        (Path::new("/nonexistent.pem"), "cannot read ca-file"),
    ] {
        let error = prepare(with(ca)).err().unwrap().to_string();
        assert!(error.contains(words), "{error}");
    }
}

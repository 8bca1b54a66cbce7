//! CONNECT and CONNACK. Codes are those of MQTT 3.1.1 section 3.2.2.3 and MQTT 5.0 section
//! 3.2.2.2 (OASIS Standards of 2014 and 2019).

use ebbmark::mqtt::intake::{self, IntakeConfig, IntakeError, Limits, Refusal};
use ebbmark::mqtt::{Credentials, Outgoing};
use tokio_util::sync::CancellationToken;

use crate::cellar::{Cellar, FAILSAFE, clock, local};
use crate::raw::{Connect, Publish, Raw, packet, text};

fn guarded() -> IntakeConfig {
    IntakeConfig {
        credentials: Some(Credentials {
            user: "cellar".into(),
            password: Some("linden".into()),
            password_file: None,
        }),
        ..IntakeConfig::default()
    }
}

fn limited(limits: Limits) -> IntakeConfig {
    IntakeConfig {
        limits,
        ..IntakeConfig::default()
    }
}

async fn refused(cellar: &Cellar, connect: Connect<'_>) -> u8 {
    let (mut raw, connack) = Raw::greet(cellar.address, connect).await;
    assert_eq!(connack[0], 0x20, "{connack:02x?}");
    assert_eq!(
        connack[2], 0,
        "session present in a refusal: {connack:02x?}"
    );
    raw.expect_end().await;
    connack[3]
}

#[tokio::test]
async fn an_open_address_needs_a_password() {
    let cellar = Cellar::open().await;
    let bind = |config: IntakeConfig| {
        intake::bind(
            config,
            cellar.writer.clone(),
            Outgoing::new(),
            clock(),
            CancellationToken::new(),
        )
    };
    for open in ["0.0.0.0:0", "[::]:0", "192.0.2.1:0"] {
        let config = IntakeConfig {
            listen: vec![open.parse().unwrap()],
            ..IntakeConfig::default()
        };
        let error = bind(config).await.err().unwrap();
        assert!(matches!(error, IntakeError::Unguarded(_)), "{error}");
        assert!(error.to_string().contains("[intake.credentials]"));
    }
    let open_but_guarded = IntakeConfig {
        listen: vec!["0.0.0.0:0".parse().unwrap()],
        ..guarded()
    };
    assert!(bind(open_but_guarded).await.is_ok());
    let taken = IntakeConfig {
        listen: vec![cellar.address],
        ..IntakeConfig::default()
    };
    let error = bind(taken).await.err().unwrap().to_string();
    assert!(error.contains("another program"), "{error}");
    let nowhere = IntakeConfig {
        listen: Vec::new(),
        ..local(IntakeConfig::default())
    };
    assert!(matches!(bind(nowhere).await, Err(IntakeError::NoAddress)));
}

#[tokio::test]
async fn both_versions_are_welcome_on_one_port() {
    let cellar = Cellar::open().await;
    let (_v3, connack) = Raw::greet(cellar.address, Connect::v3("a")).await;
    assert_eq!(connack, [0x20, 2, 0, 0]);
    let (_v5, connack) = Raw::greet(cellar.address, Connect::v5("b")).await;
    // Largest packet, no shared subscriptions, no identifiers, receive maximum 20.
    let mut wanted = vec![0x20, 15, 0, 0, 12, 0x27];
    wanted.extend((65_536u32 + 256 + 2048).to_be_bytes());
    wanted.extend([0x2A, 0, 0x29, 0, 0x21, 0, 20]);
    assert_eq!(connack, wanted);
    assert_eq!(cellar.counts.accepted(), 2);
    assert_eq!(cellar.counts.connections(), 2);
}

#[tokio::test]
async fn users_and_passwords() {
    let cellar = Cellar::with(guarded()).await;
    let wrong = Some(("cellar", "lime"));
    let v3 = Connect::v3("a");
    let v5 = Connect::v5("a");
    assert_eq!(refused(&cellar, v3).await, 5);
    assert_eq!(refused(&cellar, Connect { user: wrong, ..v3 }).await, 4);
    assert_eq!(refused(&cellar, v5).await, 0x87);
    assert_eq!(refused(&cellar, Connect { user: wrong, ..v5 }).await, 0x86);
    assert_eq!(cellar.counts.refused(Refusal::Credentials), 4);
    let right = Some(("cellar", "linden"));
    Raw::welcome(cellar.address, Connect { user: right, ..v3 }).await;
    Raw::welcome(cellar.address, Connect { user: right, ..v5 }).await;
}

#[tokio::test]
async fn guessing_is_slowed_down() {
    let cellar = Cellar::with(guarded()).await;
    let wrong = Some(("cellar", "lime"));
    let right = Some(("cellar", "linden"));
    let v3 = Connect::v3("a");
    let v5 = Connect::v5("a");
    for _ in 0..5 {
        assert_eq!(refused(&cellar, Connect { user: wrong, ..v3 }).await, 4);
    }
    // From then on none is looked at, right or wrong, for a while.
    for user in [wrong, right] {
        assert_eq!(refused(&cellar, Connect { user, ..v3 }).await, 3);
        assert_eq!(refused(&cellar, Connect { user, ..v5 }).await, 0x9F);
    }
    assert_eq!(cellar.counts.refused(Refusal::Credentials), 5);
    assert_eq!(cellar.counts.refused(Refusal::TooManyGuesses), 4);
}

#[tokio::test]
async fn connections_left_open_give_way_to_a_float() {
    let cellar = Cellar::with(limited(Limits {
        connections: 8,
        connections_per_address: 8,
        ..Limits::default()
    }))
    .await;
    let mut silent = Vec::new();
    for _ in 0..100 {
        silent.push(Raw::open(cellar.address).await);
        // It is at the door when the next one comes.
        if silent.len() % 10 == 0 {
            let mut float = Raw::welcome(cellar.address, Connect::v3("float")).await;
            float.publish(Publish::new("cellar/a", b"1", 1, 1)).await;
            float.expect(&[0x40, 2, 0, 1]).await;
        }
    }
    // They are counted by their own tasks, a moment later.
    tokio::time::timeout(FAILSAFE, async {
        while cellar.counts.refused(Refusal::TooManyConnections) < 80 {
            tokio::time::sleep(std::time::Duration::from_millis(10)).await;
        }
    })
    .await
    .unwrap();
    assert!(
        cellar.counts.connections() <= 8,
        "{}",
        cellar.counts.connections()
    );
}

#[tokio::test]
async fn client_ids() {
    let cellar = Cellar::open().await;
    let nameless = Connect::v3("");
    Raw::welcome(cellar.address, nameless).await;
    let kept = Connect {
        clean: false,
        ..nameless
    };
    assert_eq!(refused(&cellar, kept).await, 2);
    let long = "x".repeat(300);
    assert_eq!(refused(&cellar, Connect::v3(&long)).await, 2);
    assert_eq!(refused(&cellar, Connect::v5(&long)).await, 0x85);
    assert_eq!(refused(&cellar, Connect::v5("a\u{7}")).await, 0x85);

    let (_raw, connack) = Raw::greet(cellar.address, Connect::v5("")).await;
    assert_eq!(connack[3], 0);
    // Property 0x12, Assigned Client Identifier.
    let assigned = connack.windows(8).any(|w| w == b"unnamed-");
    assert!(assigned && connack.contains(&0x12), "{connack:02x?}");
}

#[tokio::test]
async fn other_versions_are_told_so() {
    let cellar = Cellar::open().await;
    let frame = |name: &str, level: u8| {
        let mut body = text(name);
        body.extend([level, 2, 0, 0]);
        body.extend(text("a"));
        packet(0x10, &body)
    };
    for (name, level, answer) in [
        ("MQIsdp", 3, &[0x20, 2, 0, 1][..]),
        ("MQTT", 3, &[0x20, 2, 0, 1]),
        ("MQTT", 6, &[0x20, 3, 0, 0x84, 0]),
    ] {
        let mut raw = Raw::open(cellar.address).await;
        raw.send(&frame(name, level)).await;
        raw.expect(answer).await;
        raw.expect_end().await;
    }
    assert_eq!(cellar.counts.refused(Refusal::Connect), 3);
}

#[tokio::test]
async fn what_is_not_mqtt_is_met_with_silence() {
    let cellar = Cellar::open().await;
    let first_a_publish = Publish::new("a", b"1", 0, 0).frame(false);
    let broken = packet(0x10, &[0, 4, b'M', b'Q', b'T', b'T', 4, 2, 0]);
    let garbage = b"GET / HTTP/1.1\r\nHost: cellar\r\n\r\n".to_vec();
    let endless = vec![0x10, 0xFF, 0xFF, 0xFF, 0xFF, 0x7F];
    for bytes in [first_a_publish, broken, garbage, endless] {
        let mut raw = Raw::open(cellar.address).await;
        raw.send(&bytes).await;
        raw.expect_end().await;
    }
    assert_eq!(cellar.taken("a"), Vec::<String>::new());
    assert_eq!(cellar.counts.refused(Refusal::Connect), 4);
}

#[tokio::test]
async fn whoever_says_nothing_is_let_go() {
    let cellar = Cellar::with(limited(Limits {
        connect_timeout_secs: 1,
        ..Limits::default()
    }))
    .await;
    let mut silent = Raw::open(cellar.address).await;
    let mut halting = Raw::open(cellar.address).await;
    halting.send(&[0x10, 20, 0, 4]).await;
    silent.expect_end().await;
    halting.expect_end().await;
}

#[tokio::test]
async fn a_full_house_says_so() {
    let cellar = Cellar::with(limited(Limits {
        connections: 2,
        ..Limits::default()
    }))
    .await;
    let first = Raw::welcome(cellar.address, Connect::v3("a")).await;
    let _second = Raw::welcome(cellar.address, Connect::v3("b")).await;
    assert_eq!(refused(&cellar, Connect::v3("c")).await, 3);
    assert_eq!(refused(&cellar, Connect::v5("d")).await, 0x89);
    assert_eq!(cellar.counts.refused(Refusal::TooManyConnections), 2);
    drop(first);
    // Room is made once the server has seen the end; until then it may still say no.
    loop {
        let (_raw, connack) = Raw::greet(cellar.address, Connect::v3("e")).await;
        if connack[3] == 0 {
            break;
        }
    }

    let cellar = Cellar::with(limited(Limits {
        connections_per_address: 1,
        ..Limits::default()
    }))
    .await;
    let _one = Raw::welcome(cellar.address, Connect::v3("a")).await;
    assert_eq!(refused(&cellar, Connect::v5("b")).await, 0x97);
}

#[tokio::test]
async fn extended_authentication_is_not_offered() {
    let cellar = Cellar::open().await;
    let mut properties = vec![0x15];
    properties.extend(text("SCRAM-SHA-1"));
    let connect = Connect {
        properties: &properties,
        ..Connect::v5("a")
    };
    assert_eq!(refused(&cellar, connect).await, 0x8C);
}

#[tokio::test]
async fn a_second_connection_takes_over() {
    let cellar = Cellar::open().await;
    for v5 in [false, true] {
        let connect = Connect {
            v5,
            ..Connect::v3("float-1")
        };
        let mut first = Raw::welcome(cellar.address, connect).await;
        let mut second = Raw::welcome(cellar.address, connect).await;
        if v5 {
            first.expect_disconnect(0x8E).await;
        } else {
            first.expect_end().await;
        }
        second.ping().await;
    }
}

#[tokio::test]
async fn session_present_is_true_when_there_is_one() {
    let cellar = Cellar::open().await;
    let kept = Connect {
        clean: false,
        ..Connect::v3("float-1")
    };
    let (mut raw, connack) = Raw::greet(cellar.address, kept).await;
    assert_eq!(connack, [0x20, 2, 0, 0], "nothing is known yet");
    raw.send(&[0xE0, 0]).await;
    raw.expect_end().await;
    let (mut raw, connack) = Raw::greet(cellar.address, kept).await;
    assert_eq!(connack, [0x20, 2, 1, 0]);
    raw.send(&[0xE0, 0]).await;
    raw.expect_end().await;
    // A clean one throws the kept one away and leaves none behind.
    let clean = Connect::v3("float-1");
    let (mut raw, connack) = Raw::greet(cellar.address, clean).await;
    assert_eq!(connack, [0x20, 2, 0, 0]);
    raw.send(&[0xE0, 0]).await;
    raw.expect_end().await;
    let (_raw, connack) = Raw::greet(cellar.address, kept).await;
    assert_eq!(connack, [0x20, 2, 0, 0]);

    // MQTT 5: without an expiry the session ends with the connection, clean start or not.
    let brief = Connect {
        clean: false,
        ..Connect::v5("float-2")
    };
    for _ in 0..2 {
        let (mut raw, connack) = Raw::greet(cellar.address, brief).await;
        assert_eq!(connack[2], 0);
        raw.send(&[0xE0, 0]).await;
        raw.expect_end().await;
    }
    let lasting = Connect {
        properties: &[0x11, 0, 0, 0, 60],
        ..brief
    };
    let (mut raw, connack) = Raw::greet(cellar.address, lasting).await;
    assert_eq!(connack[2], 0);
    raw.send(&[0xE0, 0]).await;
    raw.expect_end().await;
    let (_raw, connack) = Raw::greet(cellar.address, lasting).await;
    assert_eq!(connack[2], 1);
}

#[tokio::test]
async fn the_keep_alive_is_kept() {
    let cellar = Cellar::open().await;
    let brisk = Connect {
        keep_alive: 1,
        ..Connect::v3("a")
    };
    let mut v3 = Raw::welcome(cellar.address, brisk).await;
    let mut v5 = Raw::welcome(
        cellar.address,
        Connect {
            v5: true,
            client_id: "b",
            ..brisk
        },
    )
    .await;
    // Zero asks for none.
    let mut patient = Raw::welcome(cellar.address, Connect::v3("c")).await;
    v3.expect_end().await;
    v5.expect_disconnect(0x8D).await;
    patient.ping().await;
}

#[tokio::test]
async fn stopping_is_said_and_does_not_wait_for_idle_clients() {
    let mut cellar = Cellar::open().await;
    let mut v3 = Raw::welcome(cellar.address, Connect::v3("a")).await;
    let mut v5 = Raw::welcome(cellar.address, Connect::v5("b")).await;
    let mut unborn = Raw::open(cellar.address).await;
    v5.ping().await;
    cellar.stop().await;
    v3.expect_end().await;
    v5.expect_disconnect(0x8B).await;
    unborn.expect_end().await;
}

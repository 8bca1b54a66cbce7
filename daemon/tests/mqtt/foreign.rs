//! Other people's clients.

use crate::cellar::Cellar;
use crate::tools::{must_run, run};
use ebbmark::mqtt::Credentials;
use ebbmark::mqtt::intake::IntakeConfig;

#[tokio::test]
async fn mosquitto_pub_delivers_with_every_version_and_qos() {
    let mut cellar = Cellar::open().await;
    let port = cellar.address.port().to_string();
    for version in ["311", "5"] {
        for qos in ["0", "1", "2"] {
            let topic = format!("cellar/{version}/{qos}");
            must_run(
                "mosquitto_pub",
                [
                    "-p", &port, "-V", version, "-q", qos, "-t", &topic, "-m", "1.050", "-r",
                ],
            )
            .await;
            cellar
                .until(&topic, |cellar| cellar.taken(&topic) == ["1.050"])
                .await;
        }
        // A kept session, and many messages in one go.
        let topic = format!("cellar/{version}/many");
        for id in ["1", "2"] {
            must_run(
                "mosquitto_pub",
                [
                    "-p", &port, "-V", version, "-q", "2", "-t", &topic, "-m", id, "--repeat",
                    "30", "-c", "-i", "float",
                ],
            )
            .await;
        }
        let count = |cellar: &Cellar| {
            let unclaimed = cellar.reader.unclaimed().unwrap();
            unclaimed
                .iter()
                .find(|known| known.topic == topic)
                .map(|known| known.count)
        };
        assert_eq!(count(&cellar), Some(60));
    }
}

#[tokio::test]
async fn mosquitto_says_why_it_was_refused() {
    let cellar = Cellar::with(IntakeConfig {
        credentials: Some(Credentials {
            user: "cellar".into(),
            password: Some("linden".into()),
            password_file: None,
        }),
        ..IntakeConfig::default()
    })
    .await;
    let port = cellar.address.port().to_string();
    for version in ["311", "5"] {
        let publish = ["-p", &port, "-V", version, "-q", "1", "-t", "a", "-m", "1"];
        let wrong = run(
            "mosquitto_pub",
            publish.into_iter().chain(["-u", "cellar", "-P", "lime"]),
        )
        .await;
        assert!(!wrong.status.success());
        let said = String::from_utf8_lossy(&wrong.stderr).to_lowercase();
        assert!(said.contains("bad user name or password"), "{said}");
        must_run(
            "mosquitto_pub",
            publish.into_iter().chain(["-u", "cellar", "-P", "linden"]),
        )
        .await;
    }
    assert_eq!(cellar.taken("a").len(), 2);
}

#[tokio::test]
async fn mosquitto_sub_reads_our_topics() {
    let cellar = Cellar::open().await;
    cellar
        .outgoing
        .publish("ebbmark/oak/state".into(), b"still".to_vec());
    let port = cellar.address.port().to_string();
    for version in ["311", "5"] {
        for qos in ["0", "1", "2"] {
            let said = must_run(
                "mosquitto_sub",
                [
                    "-p",
                    &port,
                    "-V",
                    version,
                    "-q",
                    qos,
                    "-t",
                    "ebbmark/#",
                    "-C",
                    "1",
                    "-F",
                    "%t %r %p",
                    "-W",
                    "20",
                ],
            )
            .await;
            assert_eq!(said, "ebbmark/oak/state 1 still\n");
        }
    }
    let foreign = run(
        "mosquitto_sub",
        ["-p", &port, "-t", "#", "-C", "1", "-W", "20"],
    )
    .await;
    let said = String::from_utf8_lossy(&foreign.stderr).to_lowercase();
    assert!(
        said.contains("denied") || said.contains("rejected"),
        "{said}"
    );
}

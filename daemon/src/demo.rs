//! `ebbmark demo`: the whole daemon on a temporary data folder, with an invented cellar in it,
//! its floats talking real MQTT, and time going faster.

use std::time::Duration;

use anyhow::{Context, Result};
use clap::Args;
use ebbmark_core::time::Moment;
use ebbmark_demo_feeds::live::publish_live;
use ebbmark_demo_feeds::scenario::{DemoVessel, cellar};
use ebbmark_store::Writer;
use ebbmark_store::model::{Arrival, BatchFacts, Command, Done, HandFacts, Stamp, VesselFacts};
use tokio_util::sync::CancellationToken;

use crate::backup::BackupConfig;
use crate::clock::Clock;
use crate::config::Config;
use crate::run::{Listening, run as run_daemon};

/// Show the daemon at work on an invented cellar, with time going faster. Nothing is kept.
#[derive(Args, Debug)]
pub struct DemoArgs {
    /// Simulated minutes in a real second.
    #[arg(long, default_value_t = 45.0, value_parser = speed)]
    minutes_per_second: f64,
    /// Port of the page; 0 takes a free one.
    #[arg(long, default_value_t = 8420)]
    page_port: u16,
    /// Another number gives other floats and other luck.
    #[arg(long, default_value_t = 1)]
    seed: u64,
}

fn speed(text: &str) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(v) if (0.01..=240.0).contains(&v) => Ok(v),
        _ => Err("a number from 0.01 to 240".into()),
    }
}

pub async fn run(args: &DemoArgs, shutdown: CancellationToken) -> Result<()> {
    let folder = tempfile::Builder::new()
        .prefix("ebbmark-demo-")
        .tempdir()
        .context("cannot make a temporary folder for the demo")?;
    let start = Clock::system().now();
    let vessels = cellar(start, args.seed);
    let mut config = Config {
        // It keeps nothing.
        backup: BackupConfig {
            off: true,
            ..BackupConfig::default()
        },
        data_folder: Some(folder.path().into()),
        ..Config::default()
    };
    config.page.listen = vec![free_or(args.page_port).await];
    // Any free port: a broker may live on the usual one.
    config.intake.listen = vec![([127, 0, 0, 1], 0).into()];
    let password = password();
    {
        let (writer, _) = ebbmark_store::open(&config.database(), config.store.options())?;
        fill(&writer, &vessels, &password)
            .await
            .context("the invented cellar could not be filled")?;
        writer.close().await;
    }
    let clock = Clock::simulated(start, args.minutes_per_second * 60.0);
    let floats = clock.clone();
    let token = shutdown.clone();
    let ready = move |listening: Listening| {
        announce(&listening, &password);
        let Some(intake) = listening.intake.first().copied() else {
            return;
        };
        let clock = move || floats.now();
        let (host, port) = (intake.ip().to_string(), intake.port());
        tokio::spawn(publish_live(vessels, host, port, clock, token));
    };
    run_daemon(config, clock, Duration::from_millis(400), shutdown, ready).await
}

/// The wanted port if it is free, else any.
async fn free_or(port: u16) -> std::net::SocketAddr {
    let wanted = ([127, 0, 0, 1], port).into();
    match tokio::net::TcpListener::bind(wanted).await {
        Ok(_) => wanted,
        Err(_) => ([127, 0, 0, 1], 0).into(),
    }
}

/// Good enough to keep a neighbour out of a demo on loopback; made of the clock, not of luck.
fn password() -> String {
    let n = std::time::SystemTime::now()
        .duration_since(std::time::UNIX_EPOCH)
        .map_or(0, |d| d.subsec_micros() % 10_000);
    format!("comb-{n:04}")
}

fn announce(listening: &Listening, password: &str) {
    let page = listening
        .page
        .first()
        .map_or_else(String::new, |a| format!("http://{a}/"));
    println!("An invented cellar of four vessels is open at {page}");
    println!("To change something there, the password is {password}");
    println!(
        "Time runs fast: within two minutes one vessel settles. Stop with Ctrl-C; nothing is kept."
    );
}

async fn fill(writer: &Writer, vessels: &[DemoVessel], password: &str) -> Result<()> {
    let hash = ebbmark_web::auth::hash_password(password)?;
    let settings = [
        (ebbmark_web::auth::PASSWORD_SETTING, hash),
        ("public-view", "yes".to_string()),
        (ebbmark_web::START_SETTING, "yes".to_string()),
    ];
    for (key, value) in settings {
        let key = key.to_string();
        writer
            .command(Command::SetSetting {
                key,
                value: Some(value),
            })
            .await?;
    }
    for vessel in vessels {
        fill_vessel(writer, vessel).await?;
    }
    Ok(())
}

async fn fill_vessel(writer: &Writer, v: &DemoVessel) -> Result<()> {
    let facts = VesselFacts {
        name: v.name.into(),
        capacity: Some(v.capacity),
        temperature_low: Some(v.temperature_low),
        temperature_high: Some(v.temperature_high),
        tare: None,
        place: String::new(),
    };
    let Done::Vessel(vessel) = writer.command(Command::AddVessel(facts)).await? else {
        anyhow::bail!("the store made no vessel");
    };
    let b = &v.batch;
    let facts = BatchFacts {
        name: b.name.into(),
        started: b.started,
        original_gravity: Some(b.original_gravity),
        expected_final: Some(b.expected_final),
        tolerance: Some(b.tolerance),
        volume: Some(b.volume),
        yeast: b.yeast.into(),
        honey: String::new(),
        note: b.note.clone(),
        origin: None,
    };
    writer
        .command(Command::StartBatch { vessel, facts })
        .await?;
    writer
        .command(Command::Claim {
            source: "intake".into(),
            topic: v.feed.topic.into(),
            name: v.feed.name.into(),
            map: v.feed.map.clone(),
            vessel: Some(vessel),
        })
        .await?;
    for d in &v.deeds {
        let hand = d.hand.map(|h| HandFacts {
            read: h.read,
            sample: h.sample,
            reference: h.reference,
        });
        let made_at = d.deed.at;
        writer
            .command(Command::Log {
                vessel,
                deed: d.deed.clone(),
                hand,
                once: None,
                made_at,
            })
            .await?;
    }
    let mut waiting = Vec::new();
    for (at, payload) in v.history() {
        waiting.push(writer.arrive(arrival(v, at, payload)).await?);
    }
    for receipt in waiting {
        receipt.await.context("the store ended")??;
    }
    Ok(())
}

fn arrival(v: &DemoVessel, at: Moment, payload: Vec<u8>) -> Arrival {
    Arrival {
        source: "intake".into(),
        topic: v.feed.topic.into(),
        payload,
        stamp: Stamp {
            wall: Some(at),
            monotonic_ms: 0,
        },
        delivery: None,
        retained: false,
    }
}

//! `demo-feeds csv` writes an invented fermentation as a table; `demo-feeds publish` plays the
//! invented cellar's floats to an MQTT broker.

use std::fs::File;
use std::io::{Write, stdout};
use std::path::PathBuf;
use std::time::{Instant, SystemTime, UNIX_EPOCH};

use anyhow::Context;
use clap::{Parser, Subcommand};
use ebbmark_core::time::{Moment, Span};
use ebbmark_demo_feeds::float::Faults;
use ebbmark_demo_feeds::kinds::{Kind, Wanted, series, write_events, write_readings};
use ebbmark_demo_feeds::live::publish_live;
use ebbmark_demo_feeds::scenario::cellar;
use tokio_util::sync::CancellationToken;

#[derive(Parser)]
#[command(about = "Invented fermentations and the floats in them.")]
struct Args {
    #[command(subcommand)]
    what: What,
}

#[derive(Subcommand)]
enum What {
    /// Write one fermentation as CSV: at,gravity,temperature.
    Csv {
        #[arg(long, value_enum)]
        kind: Kind,
        #[arg(long, default_value_t = 1)]
        seed: u64,
        #[arg(long, default_value_t = 21.0, value_parser = days)]
        days: f64,
        /// Minutes between readings.
        #[arg(long, default_value_t = 15, value_parser = clap::value_parser!(u16).range(1..))]
        every: u16,
        /// When it was pitched, RFC 3339.
        #[arg(long, default_value = "2026-01-01T00:00:00Z", value_parser = Moment::parse_rfc3339)]
        start: Moment,
        /// A float without faults.
        #[arg(long)]
        perfect: bool,
        /// Where to write; the terminal when left out.
        #[arg(long)]
        out: Option<PathBuf>,
        /// Also write what was done to it: at,what,gravity,note.
        #[arg(long)]
        events: Option<PathBuf>,
    },
    /// Play the invented cellar's floats to an MQTT broker, from now on.
    Publish {
        /// host:port
        #[arg(long, default_value = "127.0.0.1:1883", value_parser = broker)]
        broker: (String, u16),
        #[arg(long, default_value_t = 1)]
        seed: u64,
        /// Minutes between a float's messages.
        #[arg(long, default_value_t = 15, value_parser = clap::value_parser!(u16).range(1..))]
        every: u16,
        /// Simulated seconds in a real one; messages carry simulated time.
        #[arg(long, default_value_t = 1.0, value_parser = speed)]
        speed: f64,
        /// First send what the floats said before now, as fast as the broker takes it.
        #[arg(long)]
        history: bool,
    },
}

fn main() -> anyhow::Result<()> {
    tracing_subscriber::fmt()
        .with_writer(std::io::stderr)
        .with_target(false)
        .init();
    match Args::parse().what {
        What::Csv {
            kind,
            seed,
            days,
            every,
            start,
            perfect,
            out,
            events,
        } => {
            let series = series(&Wanted {
                kind,
                faults: if perfect {
                    Faults::NONE
                } else {
                    Faults::ORDINARY
                },
                seed,
                start,
                days,
                every: Span::minutes(i64::from(every)),
            });
            if let Some(path) = events {
                write_events(&series, create(&path)?)
                    .with_context(|| format!("cannot write {}", path.display()))?;
            }
            match out {
                Some(path) => write_readings(&series, create(&path)?)
                    .with_context(|| format!("cannot write {}", path.display())),
                None => write_readings(&series, stdout().lock()).context("cannot write"),
            }
        }
        What::Publish {
            broker: (host, port),
            seed,
            every,
            speed,
            history,
        } => {
            let every = Span::minutes(i64::from(every));
            publish(host, port, seed, every, speed, history)
        }
    }
}

fn create(path: &PathBuf) -> anyhow::Result<impl Write> {
    let file = File::create(path).with_context(|| format!("cannot create {}", path.display()))?;
    Ok(std::io::BufWriter::new(file))
}

fn publish(
    host: String,
    port: u16,
    seed: u64,
    every: Span,
    speed: f64,
    history: bool,
) -> anyhow::Result<()> {
    let since_epoch = SystemTime::now()
        .duration_since(UNIX_EPOCH)
        .context("this machine's clock stands before 1970")?;
    let now = Moment(since_epoch.as_millis() as i64);
    let started = Instant::now();
    let clock = move || now + Span((started.elapsed().as_millis() as f64 * speed) as i64);

    let mut vessels = cellar(now, seed);
    for vessel in &mut vessels {
        vessel.speak_every(every);
        if history {
            vessel.start_over();
        }
    }
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .context("cannot start the runtime")?;
    runtime.block_on(async {
        let stop = CancellationToken::new();
        let floats = publish_live(vessels, host, port, clock, stop.clone());
        tokio::pin!(floats);
        tokio::select! {
            () = &mut floats => {}
            pressed = tokio::signal::ctrl_c() => {
                pressed.context("cannot wait for Ctrl-C")?;
                stop.cancel();
                floats.await;
            }
        }
        Ok(())
    })
}

fn broker(text: &str) -> Result<(String, u16), String> {
    let wrong = || format!("\"{text}\" is not host:port, like 127.0.0.1:1883");
    let (host, port) = text.rsplit_once(':').ok_or_else(wrong)?;
    // An IPv6 address stands in brackets before its port.
    let host = host.trim_start_matches('[').trim_end_matches(']');
    if host.is_empty() {
        return Err(wrong());
    }
    Ok((host.to_owned(), port.parse().map_err(|_| wrong())?))
}

fn days(text: &str) -> Result<f64, String> {
    within(text, 0.0, 3650.0)
}

fn speed(text: &str) -> Result<f64, String> {
    within(text, 0.001, 100_000.0)
}

fn within(text: &str, low: f64, high: f64) -> Result<f64, String> {
    match text.parse::<f64>() {
        Ok(v) if (low..=high).contains(&v) => Ok(v),
        _ => Err(format!("\"{text}\" is not a number from {low} to {high}")),
    }
}

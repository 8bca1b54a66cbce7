//! The command line.

use std::path::PathBuf;
use std::process::ExitCode;
use std::sync::LazyLock;
use std::time::Duration;

use anyhow::{Context, Result};
use clap::{Parser, Subcommand};
use tokio_util::sync::CancellationToken;

use crate::backup::{self, BackupArgs, RestoreArgs};
use crate::clock::Clock;
use crate::config::Config;
use crate::demo::{self, DemoArgs};
use crate::hand::{self, HandArgs, ImportArgs};
use crate::log::{self, LogArgs};
use crate::logging::{self, Form};
use crate::look_round::{self, LookRoundArgs};
use crate::reckon::{self, ReckonArgs};
use crate::replay::{self, ReplayArgs};
use crate::run::Listening;
use crate::{password, run, ways};

/// The program's version and that of the database it writes.
static VERSION: LazyLock<String> = LazyLock::new(|| {
    format!(
        "{} (schema {})",
        env!("CARGO_PKG_VERSION"),
        ebbmark_store::SCHEMA
    )
});

/// Watches a mead cellar: tells when gravity has truly stopped falling, and what may be done next.
#[derive(Parser, Debug)]
#[command(version = VERSION.as_str())]
pub struct Arguments {
    /// The configuration file; without one the defaults hold.
    #[arg(long, global = true, value_name = "FILE.toml")]
    config: Option<PathBuf>,
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand, Debug)]
enum Command {
    /// Run the daemon.
    Run,
    Demo(DemoArgs),
    Replay(ReplayArgs),
    Reckon(ReckonArgs),
    /// Set the password that writing on the page needs.
    Password,
    Hand(HandArgs),
    Log(LogArgs),
    Import(ImportArgs),
    /// Read the configuration and say what is wrong with it.
    CheckConfig,
    LookRound(LookRoundArgs),
    Backup(BackupArgs),
    Restore(RestoreArgs),
    /// Send a test notice by every way out, or by the one named.
    TestNotice {
        way: Option<String>,
    },
}

/// Least real time between two rounds of verdicts.
const PACE: Duration = Duration::from_secs(2);

pub fn run(arguments: Arguments) -> ExitCode {
    let config = Config::load(arguments.config.as_deref());
    // Who types a command reads its answer; a service's log may be read by a program.
    let form = match (&arguments.command, &config) {
        (Command::Run, Ok(config)) => config.log.form,
        _ => Form::Text,
    };
    logging::begin(form);
    match dispatch(&arguments.command, config) {
        Ok(()) => ExitCode::SUCCESS,
        Err(e) => {
            logging::last_word(form, &e);
            ExitCode::FAILURE
        }
    }
}

fn dispatch(command: &Command, config: Result<Config>) -> Result<()> {
    // All who speak TLS share one provider; a second would be a panic.
    let _ = rustls::crypto::ring::default_provider().install_default();
    match command {
        Command::Replay(args) => replay::run(args),
        Command::Reckon(args) => reckon::run(&config?, args),
        Command::Password => password::run(&config?),
        Command::Hand(args) => hand::hand(&config?, args),
        Command::Log(args) => log::run(&config?, args),
        Command::Import(args) => hand::import(&config?, args),
        Command::CheckConfig => check(&config?),
        Command::LookRound(args) => {
            let now = Clock::system().now();
            runtime()?.block_on(look_round::run(config, args, now))
        }
        Command::Backup(args) => backup::run(&config?, args, Clock::system().now()),
        Command::Restore(args) => backup::restore::run(&config?, args, Clock::system().now()),
        Command::TestNotice { way } => {
            let config = config?;
            let now = Clock::system().now();
            runtime()?.block_on(ways::test(&config.notify, way.as_deref(), now))
        }
        Command::Run => {
            let config = config?;
            runtime()?.block_on(async {
                let shutdown = stop_signal()?;
                run::run(config, Clock::system(), PACE, shutdown, started).await
            })
        }
        Command::Demo(args) => runtime()?.block_on(async {
            let shutdown = stop_signal()?;
            demo::run(args, shutdown).await
        }),
    }
}

fn check(config: &Config) -> Result<()> {
    let looked = config.look_at_files();
    if !looked.problems.is_empty() {
        anyhow::bail!(
            "what the configuration names cannot be used:\n  {}",
            looked.problems.join("\n  ")
        );
    }
    println!("The configuration is sound.");
    for unseen in looked.unseen {
        println!("Not looked at: {unseen}");
    }
    Ok(())
}

/// Two threads are plenty: the work that takes time runs on blocking threads.
fn runtime() -> Result<tokio::runtime::Runtime> {
    tokio::runtime::Builder::new_multi_thread()
        .worker_threads(2)
        .enable_all()
        .build()
        .context("cannot start the runtime")
}

fn started(listening: Listening) {
    for page in &listening.page {
        tracing::info!("the page is at http://{page}/");
    }
    for page in &listening.page_over_tls {
        tracing::info!("the page is at https://{page}/");
    }
    for intake in &listening.intake {
        tracing::info!("floats may publish to mqtt://{intake}");
    }
    for intake in &listening.intake_over_tls {
        tracing::info!("floats may publish to mqtts://{intake}");
    }
    let at = |scheme: &str, all: &[std::net::SocketAddr]| {
        all.first().map(|address| format!("{scheme}://{address}"))
    };
    let page = at("http", &listening.page).or_else(|| at("https", &listening.page_over_tls));
    if let (Some(code), Some(page)) = (&listening.start_code, page) {
        tracing::info!(
            "no password is set yet: only this board reaches the page, and nothing can be changed there. Set one at {page}/start with the code {code}, or with `ebbmark password` (giving the same --config if the daemon has one)"
        );
    }
    let _ = sd_notify::notify(&[sd_notify::NotifyState::Ready]);
}

/// Cancelled by SIGINT or SIGTERM.
fn stop_signal() -> Result<CancellationToken> {
    use tokio::signal::unix::{SignalKind, signal};
    let token = CancellationToken::new();
    let mut terminate = signal(SignalKind::terminate()).context("cannot listen for signals")?;
    let mut interrupt = signal(SignalKind::interrupt()).context("cannot listen for signals")?;
    let stop = token.clone();
    tokio::spawn(async move {
        tokio::select! {
            _ = terminate.recv() => {}
            _ = interrupt.recv() => {}
        }
        let _ = sd_notify::notify(&[sd_notify::NotifyState::Stopping]);
        stop.cancel();
    });
    Ok(token)
}

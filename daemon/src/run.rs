//! Wires the parts together and keeps watch over them.
//!
//! Every task that is not supposed to end is watched: one that ends by itself ends the daemon, so
//! that the service manager can start it afresh rather than leave it running without a part.

use std::net::SocketAddr;
use std::sync::Arc;
use std::time::Duration;

use anyhow::{Context, Result, bail};
use ebbmark_core::show;
use ebbmark_core::text::Style;
use ebbmark_store::model::Command;
use ebbmark_store::{Reader, StoreError, Writer};
use ebbmark_web::link::{self, Links};
use ebbmark_web::{Handle, StatusLine};
use jiff::tz::TimeZone;
use tokio::net::TcpListener;
use tokio::task::JoinSet;
use tokio_util::sync::CancellationToken;

use crate::assess::Assess;
use crate::backup;
use crate::backup::fall_back::{self, FellBack};
use crate::backup::upgrade;
use crate::clock::Clock;
use crate::config::Config;
use crate::heartbeat::{self, Heartbeat};
use crate::look_round;
use crate::mark::Mark;
use crate::mqtt::broker::{self, Broker};
use crate::mqtt::{Outgoing, intake};
use crate::notify;
use crate::summary::Summarise;
use crate::tls::{self, Certificate};
use crate::watchdog::Watchdog;
use crate::{down, serve, storing};

/// How long the parts have to end once told to.
const FAREWELL: Duration = Duration::from_secs(10);

/// What is known once everything listens.
pub struct Listening {
    pub page: Vec<SocketAddr>,
    pub page_over_tls: Vec<SocketAddr>,
    pub intake: Vec<SocketAddr>,
    pub intake_over_tls: Vec<SocketAddr>,
    /// To set the first password on the page; `None` once there is one.
    pub start_code: Option<String>,
}

/// Runs the daemon until `shutdown`.
///
/// `pace` is the least real time between two rounds of verdicts. `ready` is called once
/// everything listens.
///
/// # Errors
/// Something could not be opened, or a part ended by itself; the text names the remedy.
pub async fn run(
    config: Config,
    clock: Clock,
    pace: Duration,
    shutdown: CancellationToken,
    ready: impl FnOnce(Listening),
) -> Result<()> {
    let (writer, reader, mark, fell_back) = open(&config, &clock)?;
    let outgoing = Outgoing::new();
    let mut parts: JoinSet<(&'static str, Result<()>)> = JoinSet::new();

    let mut intake_addresses = Vec::new();
    let mut intake_over_tls = Vec::new();
    let mut certificates = Vec::new();
    let mut status: Vec<Status> = vec![storing::status(writer.troubles())];
    let stamp: Arc<dyn Fn() -> ebbmark_store::model::Stamp + Send + Sync> = {
        let clock = clock.clone();
        Arc::new(move || clock.stamp())
    };
    if !config.intake.is_off() {
        let intake = intake::bind(
            config.intake.clone(),
            writer.clone(),
            outgoing.clone(),
            stamp.clone(),
            shutdown.clone(),
        )
        .await?;
        intake_addresses = intake.local_addrs().to_vec();
        intake_over_tls = intake.tls_addrs().to_vec();
        certificates.extend(intake.certificate());
        status.push(intake_status(&intake));
        parts.spawn(async move {
            intake.run().await;
            ("the intake", Ok(()))
        });
    }

    for settings in config.broker.clone() {
        let (writer, outgoing) = (writer.clone(), outgoing.clone());
        let broker = broker::prepare(settings, writer, outgoing, stamp.clone())?;
        status.push(broker_status(&broker, clock.clone(), config.zone()));
        let token = shutdown.clone();
        parts.spawn(async move {
            broker.run(token).await;
            ("fetching from a broker", Ok(()))
        });
    }

    let channels = config.notify.channels();
    let ways_out = crate::ways::described(&config.notify);
    let assess = Assess {
        reader: reader.clone(),
        writer: writer.clone(),
        clock: clock.clone(),
        zone: config.zone(),
        outgoing: outgoing.clone(),
        channels,
        shelf_life: config.shelf_life.shelf_life(),
        pace,
    };
    let token = shutdown.clone();
    parts.spawn(async move {
        (
            "giving verdicts",
            assess.run(token).await.map_err(Into::into),
        )
    });

    let links = links(&config, &writer, &reader).await?;
    let notifier = {
        let (outgoing, clock) = (outgoing.clone(), clock.clone());
        notify::run(
            config.notify.clone(),
            reader.clone(),
            writer.clone(),
            move |topic, payload| outgoing.publish(topic, payload),
            move || clock.now(),
            config.zone(),
            links,
            writer.changes(),
            shutdown.clone(),
        )
    };
    parts.spawn(async move { ("sending notices", notifier.await.map_err(Into::into)) });

    let summarise = Summarise {
        clock: clock.clone(),
        writer: writer.clone(),
        reader: reader.clone(),
        zone: config.zone(),
        channels: config.notify.channels(),
    };
    let token = shutdown.clone();
    parts.spawn(async move { ("summing up", summarise.run(token).await.map_err(Into::into)) });

    if let Some(heartbeat) = &config.heartbeat {
        let heartbeat = Heartbeat::new(heartbeat)?;
        let token = shutdown.clone();
        parts.spawn(async move {
            heartbeat::run(heartbeat, token).await;
            ("the heartbeat", Ok(()))
        });
    }

    if let Some(watchdog) = Watchdog::wanted(&writer, &reader) {
        let token = shutdown.clone();
        parts.spawn(async move { ("telling that it lives", watchdog.run(token).await) });
    }

    let living = down::Living {
        mark,
        clock: clock.clone(),
        writer: writer.clone(),
        reader: reader.clone(),
        zone: config.zone(),
        channels: config.notify.channels(),
        longest: config.notify.tell_down_after(),
        fell_back,
    };
    let token = shutdown.clone();
    parts.spawn(async move {
        (
            "leaving signs of life",
            living.run(token).await.map_err(Into::into),
        )
    });

    let storing = storing::Storing {
        writer: writer.clone(),
        reader: reader.clone(),
        clock: clock.clone(),
        zone: config.zone(),
        channels: config.notify.channels(),
    };
    let token = shutdown.clone();
    let doubted = config.clone();
    parts.spawn(async move {
        let ended = storing.run(token).await;
        if ended.is_err() {
            fall_back::doubt(&doubted);
        }
        ("keeping what comes in", ended)
    });

    if !config.backup.off {
        let keeping = backup::Keeping {
            config: Arc::new(config.clone()),
            clock: clock.clone(),
            writer: writer.clone(),
            reader: reader.clone(),
            zone: config.zone(),
            channels: config.notify.channels(),
        };
        let token = shutdown.clone();
        parts.spawn(async move {
            (
                "making backups",
                keeping.run(token).await.map_err(Into::into),
            )
        });
    }

    let token = shutdown.clone();
    parts.spawn(watch_clock(clock.clone(), writer.clone(), token));

    let has_password = reader
        .setting(ebbmark_web::auth::PASSWORD_SETTING)?
        .is_some();
    let doors = page_doors(&config, has_password).await?;
    let page_certificate = match &config.page.tls {
        Some(tls) => Some(Certificate::load("the page", tls).context("page.tls")?),
        None => None,
    };
    certificates.extend(page_certificate.clone());
    status.extend(certificates.iter().cloned().map(certificate_status));
    let start_code = (!has_password).then(ebbmark_web::start_code);
    let turned = Arc::new(serve::Turned::default());
    let handle = Handle {
        reader: reader.clone(),
        writer: writer.clone(),
        now: {
            let clock = clock.clone();
            Arc::new(move || clock.now())
        },
        stamp,
        zone: config.zone(),
        intake: intake_addresses.clone(),
        intake_over_tls: intake_over_tls.clone(),
        start_code: start_code.clone(),
        ways_out,
        status: {
            let turned = turned.clone();
            Arc::new(move || {
                let lines = status.iter().filter_map(|line| line());
                lines.chain(page_status(&turned)).collect()
            })
        },
        look_round: {
            let (config, clock) = (config.clone(), clock.clone());
            Arc::new(move || {
                let (config, now) = (config.clone(), clock.now());
                Box::pin(async move {
                    look_round::look(&config, now, look_round::DATABASE_FOR_A_PAGE).await
                })
            })
        },
        shutdown: shutdown.clone(),
        behind_tls: config.page.behind_tls,
    };
    let routers = ebbmark_web::routers(handle);
    let tls = match &page_certificate {
        Some(certificate) => Some(certificate.serve(&serve::PROTOCOLS)?),
        None => None,
    };
    let pages = serve::Pages::new(routers.plain, turned, shutdown.clone());
    let pages_over_tls = pages.with(routers.over_tls);
    let (mut page, mut page_over_tls) = (Vec::new(), Vec::new());
    for (listener, over_tls) in doors {
        let (pages, addresses, tls) = if over_tls {
            (&pages_over_tls, &mut page_over_tls, tls.clone())
        } else {
            (&pages, &mut page, None)
        };
        addresses.push(listener.local_addr()?);
        let pages = pages.clone();
        parts.spawn(async move {
            pages.serve(listener, tls).await;
            ("the page", Ok(()))
        });
    }

    // Without any, SIGHUP stays what it is to every program: the end of the terminal it was started in.
    if !certificates.is_empty() {
        let token = shutdown.clone();
        parts.spawn(async move {
            let ended = tls::keep_fresh(certificates, token).await;
            ("looking at the certificates", ended)
        });
    }

    ready(Listening {
        page,
        page_over_tls,
        intake: intake_addresses,
        intake_over_tls,
        start_code,
    });
    let result = attend(&mut parts, &shutdown).await;
    shutdown.cancel();
    farewell(parts).await;
    writer.close().await;
    result
}

type Opened = (Writer, Reader, Mark, Option<FellBack>);

fn open(config: &Config, clock: &Clock) -> Result<Opened> {
    let folder = config.make_data_folder()?;
    let mark = Mark::take(&folder)?;
    let fell_back = fall_back::ready(config, clock.now())
        .map_err(|error| upgrade::with_the_way_back(config, error))?;
    let (writer, reader) = upgrade::open(config)?;
    if let Some(latest) = reader.latest_instant()? {
        clock.knows(latest);
    }
    Ok((writer, reader, mark, fell_back))
}

/// What addresses in notices are made from; `None` where the page has none. The key is made once.
async fn links(config: &Config, writer: &Writer, reader: &Reader) -> Result<Option<Links>> {
    let Some(address) = &config.page.address else {
        return Ok(None);
    };
    let key = match reader.setting(link::KEY_SETTING)? {
        Some(key) => key,
        None => {
            let key = link::new_key();
            let set = Command::SetSetting {
                key: link::KEY_SETTING.to_owned(),
                value: Some(key.clone()),
            };
            writer.command(set).await?;
            key
        }
    };
    Ok(Some(Links::new(address, key)))
}

/// Until a password is set anyone who reaches the page could change things, so only this board
/// itself may reach it.
async fn page_doors(config: &Config, has_password: bool) -> Result<Vec<(TcpListener, bool)>> {
    let plain = config.page.listen.iter().map(|address| (address, false));
    let over_tls = config.page.tls.iter().flat_map(|tls| &tls.listen);
    let mut doors = Vec::new();
    for (address, over_tls) in plain.chain(over_tls.map(|address| (address, true))) {
        if !has_password && !address.ip().to_canonical().is_loopback() {
            tracing::warn!(
                %address,
                "the page does not listen here until a password is set: run `ebbmark password` with the same --config and start again"
            );
            continue;
        }
        let listener = TcpListener::bind(address).await.with_context(|| {
            format!("the page cannot listen on {address}; is something else there? Set another under [page] listen")
        })?;
        doors.push((listener, over_tls));
    }
    if doors.is_empty() {
        bail!(
            "no address is left for the page: without a password only loopback is opened. Run `ebbmark password` with the same --config, or add 127.0.0.1:8420 under [page] listen"
        );
    }
    Ok(doors)
}

/// For the page: nothing while what stands in the files is what is used.
fn certificate_status(certificate: Arc<Certificate>) -> Status {
    Box::new(move || {
        let why = certificate.refused()?;
        Some(StatusLine {
            name: format!("certificate of {}", certificate.of()),
            says: format!("the new one is not used, the one from before stays: {why}"),
            troubled: true,
            refused: Vec::new(),
        })
    })
}

type Status = Box<dyn Fn() -> Option<StatusLine> + Send + Sync>;

fn intake_status(intake: &intake::Intake) -> Status {
    let counts = intake.counts();
    let plain = intake.local_addrs().iter().map(ToString::to_string);
    let over_tls = intake.tls_addrs().iter().map(|a| format!("{a} (TLS)"));
    let addresses: Vec<String> = plain.chain(over_tls).collect();
    let name = format!("MQTT intake on {}", addresses.join(", "));
    Box::new(move || {
        let refused = counts.all_refused();
        Some(StatusLine {
            name: name.clone(),
            says: format!(
                "{} connected, {} messages since the start{}",
                counts.connections(),
                counts.messages(),
                turned_away(&refused)
            ),
            troubled: false,
            refused,
        })
    })
}

/// Nothing while nobody was turned away.
fn page_status(turned: &serve::Turned) -> Option<StatusLine> {
    let refused = turned.counts().to_vec();
    let says = turned_away(&refused);
    (!says.is_empty()).then(|| StatusLine {
        name: "page and readings over HTTP".to_owned(),
        says: format!("listening{says}"),
        troubled: false,
        refused,
    })
}

/// Empty while nothing was.
fn turned_away(refused: &[(&'static str, u64)]) -> String {
    let said: Vec<String> = refused
        .iter()
        .filter(|(_, n)| *n > 0)
        .map(|(why, n)| format!("{} {n}", why.replace('-', " ")))
        .collect();
    match said.is_empty() {
        true => String::new(),
        false => format!("; turned away: {}", said.join(", ")),
    }
}

fn broker_status(broker: &Broker, clock: Clock, zone: TimeZone) -> Status {
    let (state, counts) = (broker.state(), broker.counts());
    let name = format!("broker {}", broker.name());
    Box::new(move || {
        let state = state.borrow().clone();
        let when = |stamp: ebbmark_store::model::Stamp| match stamp.wall {
            Some(at) => show::day_and_time(at, clock.now(), &Style::usual(&zone)),
            None => "before the clock was set".to_string(),
        };
        let mut says = match (&state.connected, &state.last_error) {
            (Some(since), _) => {
                format!(
                    "connected since {}, {} messages since the start",
                    when(*since),
                    counts.messages()
                )
            }
            (None, Some((at, error))) => format!("not connected; {}: {error}", when(*at)),
            (None, None) => "connecting".to_string(),
        };
        if !state.refused_topics.is_empty() {
            says += &format!(
                "; it does not let us subscribe to {}",
                state.refused_topics.join(", ")
            );
        }
        Some(StatusLine {
            name: name.clone(),
            says,
            troubled: state.connected.is_none() || !state.refused_topics.is_empty(),
            refused: vec![("refused", counts.refused())],
        })
    })
}

/// Dates what came in undated once the clock can be believed.
async fn watch_clock(
    clock: Clock,
    writer: Writer,
    shutdown: CancellationToken,
) -> (&'static str, Result<()>) {
    let mut believed = clock.is_believable();
    if !believed {
        tracing::warn!("the clock cannot be believed yet; readings are kept and dated once it can");
    }
    loop {
        tokio::select! {
            () = shutdown.cancelled() => return ("watching the clock", Ok(())),
            () = tokio::time::sleep(Duration::from_secs(2)) => {}
        }
        let now = clock.is_believable();
        if now && !believed {
            let redate = ebbmark_store::model::Command::Redate {
                offset_ms: clock.offset_ms(),
            };
            match writer.command(redate).await {
                Ok(_) => {
                    tracing::info!("the clock is set; readings that waited for it are dated");
                }
                Err(StoreError::WriterGone) => {
                    return ("watching the clock", Err(StoreError::WriterGone.into()));
                }
                Err(e) => {
                    tracing::warn!("readings that waited for the clock cannot be dated yet: {e}");
                    continue;
                }
            }
        }
        believed = now;
    }
}

/// Waits for the shutdown, or for a part that ends when it should not.
async fn attend(
    parts: &mut JoinSet<(&'static str, Result<()>)>,
    shutdown: &CancellationToken,
) -> Result<()> {
    tokio::select! {
        () = shutdown.cancelled() => Ok(()),
        ended = parts.join_next() => match ended {
            Some(Ok((part, Err(e)))) => Err(e.context(format!("{part} failed"))),
            Some(Ok((_, Ok(())))) if shutdown.is_cancelled() => Ok(()),
            Some(Ok((part, Ok(())))) => bail!("{part} ended by itself; this is a fault in ebbmark"),
            Some(Err(e)) => bail!("a part broke: {e}; this is a fault in ebbmark"),
            None => bail!("nothing is left running; this is a fault in ebbmark"),
        }
    }
}

async fn farewell(mut parts: JoinSet<(&'static str, Result<()>)>) {
    let all = async { while parts.join_next().await.is_some() {} };
    if tokio::time::timeout(FAREWELL, all).await.is_err() {
        tracing::warn!("some connections did not end in time and were cut");
    }
}

//! `ebbmark look-round`: finds out how things are; what that means is said by
//! [`ebbmark_core::look_round`].
//!
//! Nothing is changed, sent or subscribed to, and everything that could hang has a limit.

mod board;
mod outside;

use std::path::Path;
use std::time::Duration;

use anyhow::{Result, bail};
use clap::Args;
use ebbmark_core::look_round::{
    Address, Database, Found, Heard, Line, Soundness, State, Told, lines, worst,
};
use ebbmark_core::text::Style;
use ebbmark_core::time::Moment;
use ebbmark_core::units::Preferences;
use ebbmark_store::{Reader, StoreError};
use jiff::tz::TimeZone;
use serde::Serialize;

use crate::assess;
use crate::config::Config;
use crate::mark;

/// Look whether clock, disk, database, doors, broker, mail, calls and feeds are as they should be.
#[derive(Args, Debug)]
pub struct LookRoundArgs {
    /// As JSON.
    #[arg(long)]
    json: bool,
}

/// How long looking through the database may take: on the command line, and for a page.
const DATABASE: Duration = Duration::from_secs(300);
pub const DATABASE_FOR_A_PAGE: Duration = Duration::from_secs(10);

/// What `--json` prints; names in it are never changed, more may come.
#[derive(Serialize)]
struct Answer<'a> {
    at: String,
    /// The worst of the lines.
    state: State,
    lines: &'a [Line],
}

/// # Errors
/// Something is broken.
pub async fn run(config: Result<Config>, args: &LookRoundArgs, now: Moment) -> Result<()> {
    let lines = match config {
        Ok(config) => look(&config, now, DATABASE).await,
        Err(e) => vec![Line::bad_configuration(&format!("{e:#}"))],
    };
    if args.json {
        let answer = Answer {
            at: now.to_rfc3339(),
            state: worst(&lines),
            lines: &lines,
        };
        println!("{}", serde_json::to_string_pretty(&answer)?);
    } else {
        for line in &lines {
            println!("{:<10}  {}: {}", line.state.label(), line.name, line.says);
            if let Some(remedy) = &line.remedy {
                println!("{:<10}  {remedy}", "");
            }
        }
    }
    match lines.iter().filter(|l| l.state == State::Broken).count() {
        0 => Ok(()),
        1 => bail!("one thing is broken"),
        n => bail!("{n} things are broken"),
    }
}

/// Looks at everything. `patience` is for the database.
pub async fn look(config: &Config, now: Moment, patience: Duration) -> Vec<Line> {
    let errands = outside::all(config);
    let here = {
        let config = config.clone();
        tokio::task::spawn_blocking(move || here(&config, now, patience))
    };
    let (errands, here) = tokio::join!(errands, here);
    match here {
        Ok((found, zone, units)) => {
            let style = Style { units, zone: &zone };
            lines(&Found { errands, ..found }, &style)
        }
        Err(e) => vec![Line::bad_configuration(&format!("looking broke off: {e}"))],
    }
}

/// What is on this board, and the zone to speak of it in.
fn here(config: &Config, now: Moment, patience: Duration) -> (Found, TimeZone, Preferences) {
    let folder = config.data_folder();
    let (database, reader) = database(&config.database(), patience);
    let asked = reader.as_ref().and_then(|reader| {
        let told = told(reader).and_then(|told| Ok((told, reader.latest_instant()?)));
        told.inspect_err(|e| tracing::warn!("the database does not answer: {e}"))
            .ok()
    });
    let (told, latest) = match asked {
        Some((told, latest)) => (Some(told), latest),
        None => (None, None),
    };
    let (zone, units) = reader
        .and_then(|reader| reader.zone_and_units(&config.zone()).ok())
        .unwrap_or_else(|| (config.zone(), Preferences::USUAL));
    let found = Found {
        now,
        latest,
        zone: (!zone.is_unknown()).then(|| zone.iana_name().unwrap_or("the board").to_owned()),
        folder: board::folder(&folder),
        database,
        backups: board::backups(config, &folder, now),
        aside: board::aside(&config.database()),
        daemon_runs: mark::is_kept(&folder),
        password_files: board::password_files(config),
        certificates: board::certificates(config),
        doors: board::doors(config, &folder),
        errands: Vec::new(),
        address: address(config),
        told,
    };
    (found, zone, units)
}

/// The log and the topics carry no links.
fn address(config: &Config) -> Option<Address> {
    let notify = &config.notify;
    let sends = notify.mail.is_some() || !notify.webhook.is_empty();
    let said = config.page.address.clone();
    sends.then(|| said.map_or(Address::NotSaid, Address::At))
}

fn database(path: &Path, patience: Duration) -> (Database, Option<Reader>) {
    // As the store sees it: an empty file is about to become a database.
    let bytes = std::fs::metadata(path).map_or(0, |m| m.len());
    if bytes == 0 {
        return (Database::NotYet, None);
    }
    let looked = ebbmark_store::read(path).and_then(|reader| {
        let schema = reader.schema_version()?;
        let sound = match reader.damage(patience)? {
            Some(None) => Soundness::Sound,
            Some(Some(what)) => Soundness::Damaged(what),
            None => Soundness::Unfinished,
        };
        Ok((
            Database::Open {
                schema,
                bytes,
                sound,
            },
            reader,
        ))
    });
    match looked {
        Ok((open, reader)) => (open, Some(reader)),
        Err(e) if e.is_damage() => (Database::Damaged(e.to_string()), None),
        Err(e) => (Database::Closed { why: e.to_string() }, None),
    }
}

fn told(reader: &Reader) -> Result<Told, StoreError> {
    let mut feeds = Vec::new();
    for feed in reader.feeds()?.into_iter().filter(assess::is_waited_for) {
        let limit = match feed.last_reading {
            Some(last) => assess::may_be_quiet(reader, &feed, last)?,
            None => ebbmark_core::watch::silence_limit(None),
        };
        feeds.push(Heard {
            name: feed.name,
            last: feed.last_reading,
            limit,
        });
    }
    Ok(Told {
        has_password: reader
            .setting(ebbmark_web::auth::PASSWORD_SETTING)?
            .is_some(),
        feeds,
        unclaimed: reader.unclaimed()?.into_iter().map(|t| t.topic).collect(),
    })
}

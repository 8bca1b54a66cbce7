//! Conditions of feeds: silence and batteries. Also keeps the hourly roll up to date.

use ebbmark_core::ids::FeedId;
use ebbmark_core::notice::NoticeKind;
use ebbmark_core::show;
use ebbmark_core::time::{Moment, Span};
use ebbmark_core::units::Battery;
use ebbmark_core::watch::{self, Watch};
use ebbmark_store::StoreError;
use ebbmark_store::model::{Command, Feed, NewNotice};

use super::{Assess, zone_and_units};

type Res<T> = Result<T, StoreError>;

pub(super) fn look(assess: &Assess, listening_since: Moment) -> Res<()> {
    for command in ebbmark_store::hours::roll_stale(&assess.reader, assess.clock.now())? {
        assess.writer.command_blocking(command)?;
    }
    let (zone, _) = zone_and_units(&assess.reader, &assess.zone)?;
    let now = assess.clock.now();
    for feed in assess.reader.feeds()? {
        // Files do not fall silent, and a feed without a vessel is nobody's worry.
        if feed.retired || feed.vessel.is_none() || feed.source == "import" {
            continue;
        }
        let Some(last) = feed.last_reading else {
            continue;
        };
        let limit = watch::silence_limit(usual_gap(assess, feed.id, last)?);
        // A device that said goodbye need not be waited for that long.
        let limit = if feed.went_away.is_some() {
            limit.min(Span::minutes(30))
        } else {
            limit
        };
        let key = format!("feed-silent:{}", feed.id);
        act(
            assess,
            watch::silence(last, limit, listening_since, now),
            &key,
            now,
            || {
                let mut body = format!(
                    "Its last reading came {}.",
                    show::day_and_time(last, now, &zone)
                );
                if feed.went_away.is_some() {
                    body += " The device reported that it was going away, or its connection broke.";
                }
                body += " Look at its battery, its place and the network.";
                notice(
                    assess,
                    NoticeKind::FeedSilent,
                    &feed,
                    &key,
                    now,
                    format!("{}: no readings", feed.name),
                    body,
                )
            },
        )?;
        if let Some(battery) = feed.battery {
            let key = format!("battery-low:{}", feed.id);
            let left = match battery {
                Battery::Percent(p) => format!("{p:.0} %"),
                Battery::Volts(v) => format!("{v:.2} V"),
            };
            act(assess, watch::battery(battery), &key, now, || {
                let body = "Charge it, or change it, before it falls silent.".to_string();
                let title = format!("{}: battery at {left}", feed.name);
                notice(
                    assess,
                    NoticeKind::BatteryLow,
                    &feed,
                    &key,
                    now,
                    title,
                    body,
                )
            })?;
        }
    }
    Ok(())
}

/// The median gap of the feed's latest readings.
fn usual_gap(assess: &Assess, feed: FeedId, last: Moment) -> Res<Option<Span>> {
    let times: Vec<Moment> = assess
        .reader
        .readings(feed, last - Span::days(1), last + Span(1))?
        .iter()
        .rev()
        .take(24)
        .rev()
        .map(|r| r.at)
        .collect();
    Ok(watch::usual_gap(&times))
}

fn notice(
    assess: &Assess,
    kind: NoticeKind,
    feed: &Feed,
    key: &str,
    at: Moment,
    title: String,
    body: String,
) -> NewNotice {
    NewNotice {
        kind,
        key: key.to_string(),
        vessel: feed.vessel,
        at,
        title,
        body,
        channels: assess.channels.clone(),
    }
}

/// Raises or clears a condition. The store queues nothing while a notice with the key is open.
pub(super) fn act(
    assess: &Assess,
    watch: Watch,
    key: &str,
    now: Moment,
    notice: impl FnOnce() -> NewNotice,
) -> Res<()> {
    let open = || {
        assess
            .reader
            .open_notice_keys()
            .map(|keys| keys.iter().any(|k| k == key))
    };
    let command = match watch {
        Watch::Leave => return Ok(()),
        Watch::Raise if open()? => return Ok(()),
        Watch::Clear if !open()? => return Ok(()),
        Watch::Raise => Command::Notify(vec![notice()]),
        Watch::Clear => Command::Clear {
            key: key.to_string(),
            at: now,
        },
    };
    assess.writer.command_blocking(command).map(|_| ())
}

//! Conditions that need no mead: silent feeds, batteries, a vessel too warm or too cold. Also packs
//! hours that are over, lets go what is past its time, and keeps the summaries of finished meads up to date.

use ebbmark_core::ids::{BatchId, FeedId};
use ebbmark_core::notice::{Call, NoticeKind};
use ebbmark_core::show;
use ebbmark_core::text::Style;
use ebbmark_core::time::{Moment, Span};
use ebbmark_core::units::{Battery, Celsius, Preferences};
use ebbmark_core::watch::{self, Quiet, Watch};
use ebbmark_store::model::{Command, Feed, IMPORT, NewNotice, Vessel};
use ebbmark_store::{Reader, StoreError};

use super::Assess;

type Res<T> = Result<T, StoreError>;

/// Made anew at one look, of those that wait: after an upgrade all do, and verdicts must not wait
/// with them.
const SUMMARIES: u32 = 40;

/// Packs the hours that are over, lets go what was kept for long enough, and sums up finished meads.
pub(super) fn tidy(assess: &Assess) -> Res<()> {
    if ebbmark_store::hours::worth_rolling(&assess.reader, assess.clock.now())? {
        let now = assess.clock.now();
        let pack = ebbmark_store::hours::roll_stale(&assess.reader, now)?;
        a_few_at_a_time(assess, pack)?;
        let past = ebbmark_store::shelf_life::past(&assess.reader, assess.shelf_life, now)?;
        a_few_at_a_time(assess, past)?;
    }
    for command in ebbmark_store::archive::make_stale(&assess.reader, SUMMARIES)? {
        assess.writer.command_blocking(command)?;
    }
    Ok(())
}

pub(super) fn look(assess: &Assess, listening_since: Moment) -> Res<()> {
    let (zone, units) = assess.reader.zone_and_units(&assess.zone)?;
    let now = assess.clock.now();
    for vessel in assess.reader.vessels()?.iter().filter(|v| !v.retired) {
        temperature(assess, vessel, now, units)?;
    }
    let waited_for: Vec<Feed> = assess
        .reader
        .feeds()?
        .into_iter()
        .filter(is_waited_for)
        .collect();
    let style = Style { units, zone: &zone };
    silence(assess, &waited_for, listening_since, now, &style)?;
    for feed in &waited_for {
        battery(assess, feed, now)?;
    }
    over_with_their_meads(assess)
}

/// In few commits, and in none that keeps messages waiting for long.
fn a_few_at_a_time(assess: &Assess, commands: Vec<Command>) -> Res<()> {
    let mut left = commands.into_iter();
    loop {
        let few: Vec<Command> = left.by_ref().take(4).collect();
        if few.is_empty() {
            return Ok(());
        }
        assess.writer.commands_blocking(few)?;
    }
}

/// Together: those that fall silent at once are one piece of news.
fn silence(
    assess: &Assess,
    feeds: &[Feed],
    listening_since: Moment,
    now: Moment,
    style: &Style,
) -> Res<()> {
    let mut quiet = Vec::new();
    for feed in feeds {
        if let Some(last) = last_heard(&assess.reader, feed, now)? {
            let limit = may_be_quiet(&assess.reader, feed, last)?;
            quiet.push((feed, Quiet { last, limit }));
        }
    }
    let each: Vec<Quiet> = quiet.iter().map(|(_, quiet)| *quiet).collect();
    let watches = watch::silence(&each, listening_since, now);
    for ((feed, quiet), watch) in quiet.into_iter().zip(watches) {
        let key = format!("{}:{}", NoticeKind::FeedSilent.key(), feed.id);
        act(assess, watch, &key, now, || {
            let mut body = format!(
                "Its last reading came {}.",
                show::day_and_time(quiet.last, now, style)
            );
            if feed.went_away.is_some() {
                body += " The device reported that it was going away, or its connection broke.";
            }
            body += " Look at its battery, its place and the network.";
            let call = Call {
                kind: NoticeKind::FeedSilent,
                title: format!("{}: no readings", feed.name),
                body,
            };
            assess.notice(call, key.clone(), feed.vessel, now)
        })?;
    }
    Ok(())
}

fn battery(assess: &Assess, feed: &Feed, now: Moment) -> Res<()> {
    let Some(battery) = feed.battery else {
        return Ok(());
    };
    let key = format!("{}:{}", NoticeKind::BatteryLow.key(), feed.id);
    let left = match battery {
        Battery::Percent(p) => format!("{p:.0} %"),
        Battery::Volts(v) => format!("{v:.2} V"),
    };
    act(assess, watch::battery(battery), &key, now, || {
        let call = Call {
            kind: NoticeKind::BatteryLow,
            title: format!("{}: battery at {left}", feed.name),
            body: "Charge it, or change it, before it falls silent.".to_string(),
        };
        assess.notice(call, key.clone(), feed.vessel, now)
    })
}

/// What stands of a mead ends with it: nobody judges it any more, and it would be told again for ever.
fn over_with_their_meads(assess: &Assess) -> Res<()> {
    for notice in assess.reader.standing()? {
        let of_its_mead = notice.kind.is_about_the_curve() || notice.kind == NoticeKind::FloatStuck;
        // As `judge` and `float` make the key: kind, then the mead's number.
        let mead = notice.key.split(':').nth(1).and_then(|n| n.parse().ok());
        let (true, Some(mead)) = (of_its_mead, mead.map(BatchId)) else {
            continue;
        };
        let ended = assess.reader.batch(mead)?.and_then(|batch| batch.ended);
        if let Some(at) = ended {
            let key = notice.key;
            assess.writer.command_blocking(Command::Clear { key, at })?;
        }
    }
    Ok(())
}

/// Spans in which to look for a feed's latest readings: most speak many times a day, some once.
const LOOK_BACK: [Span; 4] = [Span::hours(2), Span::days(1), Span::days(8), Span::days(40)];
/// Gaps enough to know a feed's habit.
const ENOUGH: usize = 8;

/// Files do not fall silent, and a feed without a vessel is nobody's worry.
pub(crate) fn is_waited_for(feed: &Feed) -> bool {
    !feed.retired && feed.vessel.is_some() && feed.source != IMPORT
}

/// A float's own clock may be this far ahead.
const AHEAD: Span = Span::hours(1);

/// The feed's last reading, without those that a clock which ran ahead has dated in the future: they would
/// have it speaking until then.
fn last_heard(reader: &Reader, feed: &Feed, now: Moment) -> Res<Option<Moment>> {
    if feed.last_reading.is_none_or(|last| last <= now + AHEAD) {
        return Ok(feed.last_reading);
    }
    for span in LOOK_BACK {
        let found = reader.readings(feed.id, now - span, now + AHEAD)?;
        if let Some(reading) = found.last() {
            return Ok(Some(reading.at));
        }
    }
    Ok(None)
}

/// How long a feed whose last reading this was may be quiet.
pub(crate) fn may_be_quiet(reader: &Reader, feed: &Feed, last: Moment) -> Res<Span> {
    let limit = watch::silence_limit(usual_gap(reader, feed.id, last)?);
    // A device that said goodbye need not be waited for that long.
    Ok(match feed.went_away {
        Some(_) => limit.min(Span::minutes(30)),
        None => limit,
    })
}

/// The median gap of the feed's latest readings.
fn usual_gap(reader: &Reader, feed: FeedId, last: Moment) -> Res<Option<Span>> {
    let mut times: Vec<Moment> = Vec::new();
    for span in LOOK_BACK {
        let found = reader.readings(feed, last - span, last + Span(1))?;
        times = found.iter().map(|r| r.at).collect();
        if times.len() > ENOUGH {
            break;
        }
    }
    let latest = times.len().saturating_sub(3 * ENOUGH);
    Ok(watch::usual_gap(&times[latest..]))
}

/// The vessel's temperature, the middle of its latest hour, against its band.
fn temperature(assess: &Assess, vessel: &Vessel, now: Moment, units: Preferences) -> Res<()> {
    let (low, high) = (vessel.facts.temperature_low, vessel.facts.temperature_high);
    if low.is_none() && high.is_none() {
        return Ok(());
    }
    let hours =
        assess
            .reader
            .vessel_hours(vessel.id, now - Span::hours(3), now + Span::hours(1))?;
    let Some(latest) = hours.iter().rev().find_map(|h| h.temperature) else {
        return Ok(());
    };
    let t = Celsius::computed(latest.median);
    let show = |t: Celsius| show::temperature(t, units);
    let band = match (low, high) {
        (Some(l), Some(h)) => format!("between {} and {}", show(l), show(h)),
        (Some(l), None) => format!("above {}", show(l)),
        (None, Some(h)) => format!("below {}", show(h)),
        (None, None) => String::new(),
    };
    let key = format!("temperature:{}", vessel.id);
    act(assess, watch::temperature(t, low, high), &key, now, || {
        let call = Call {
            kind: NoticeKind::Temperature,
            title: format!("{}: it is at {}", vessel.facts.name, show(t)),
            body: format!("It should be {band}."),
        };
        assess.notice(call, key.clone(), Some(vessel.id), now)
    })
}

/// Raises or clears a condition. The store queues nothing while a notice with the key is open.
pub(super) fn act(
    assess: &Assess,
    watch: Watch,
    key: &str,
    now: Moment,
    notice: impl FnOnce() -> Res<NewNotice>,
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
        Watch::Raise => Command::Notify(vec![notice()?]),
        Watch::Clear => Command::Clear {
            key: key.to_string(),
            at: now,
        },
    };
    assess.writer.command_blocking(command).map(|_| ())
}

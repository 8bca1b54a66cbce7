//! Columns to core types and back: the only place that knows how a value lies in the file.

use std::collections::BTreeMap;

use ebbmark_core::deed::{Deed, Dose, What};
use ebbmark_core::feed::FeedMap;
use ebbmark_core::fit::curve::Family;
use ebbmark_core::hours::{Hour, HourGravity, HourTemperature};
use ebbmark_core::ids::{BatchId, EntryId, FeedId, NoticeId, VesselId};
use ebbmark_core::learn::CurveRecord;
use ebbmark_core::notice::NoticeKind;
use ebbmark_core::plan::Plan;
use ebbmark_core::price::{Good, Price};
use ebbmark_core::reading::{ProblemKind, Reading, TimeFrom};
use ebbmark_core::review::{Pace, Point};
use ebbmark_core::tasks::Answer;
use ebbmark_core::time::Moment;
use ebbmark_core::units::{AbvPercent, Battery, Celsius, Gravity, Kilograms, Litres, Ph, Signal};
use ebbmark_core::verdict::outcome::Verdict;
use rusqlite::Row;
use rusqlite::types::{Type, ValueRef};

use crate::model::{
    Batch, BatchFacts, DeliveryState, Feed, HandFacts, LogLine, Notice, NoticeDelivery, Origin,
    Share, StoredVerdict, Summary, Vessel, VesselFacts,
};
use crate::pack::bytes;
use crate::table::Stats;

type Sql<T> = rusqlite::Result<T>;

/// A stored text this program cannot read: a damaged file, or a hand in it.
fn unreadable(
    column: usize,
    why: impl Into<Box<dyn std::error::Error + Send + Sync>>,
) -> rusqlite::Error {
    rusqlite::Error::FromSqlConversionFailure(column, Type::Text, why.into())
}

fn key<T>(row: &Row<'_>, column: usize, from_key: impl Fn(&str) -> Option<T>) -> Sql<T> {
    let text = row.get_ref(column)?.as_str()?;
    from_key(text).ok_or_else(|| unreadable(column, format!("\"{text}\" is not known here")))
}

fn json<T: serde::de::DeserializeOwned>(row: &Row<'_>, column: usize) -> Sql<T> {
    serde_json::from_str(row.get_ref(column)?.as_str()?).map_err(|e| unreadable(column, e))
}

pub fn to_json<T: serde::Serialize>(value: &T) -> Sql<String> {
    serde_json::to_string(value).map_err(|e| rusqlite::Error::ToSqlConversionFailure(e.into()))
}

fn moment(row: &Row<'_>, column: usize) -> Sql<Moment> {
    row.get(column).map(Moment)
}

fn maybe_moment(row: &Row<'_>, column: usize) -> Sql<Option<Moment>> {
    Ok(row.get::<_, Option<i64>>(column)?.map(Moment))
}

/// A number that was checked when it went in is not checked again on the way out.
fn quantity<T>(row: &Row<'_>, column: usize, make: impl Fn(f64) -> T) -> Sql<Option<T>> {
    Ok(row.get::<_, Option<f64>>(column)?.map(make))
}

// ---- vessels and batches ----

pub const VESSEL: &str = "v.id, v.name, v.capacity, v.temperature_low, v.temperature_high, \
                          v.retired, v.tare, v.place";

pub fn vessel(row: &Row<'_>) -> Sql<Vessel> {
    Ok(Vessel {
        id: VesselId(row.get(0)?),
        facts: VesselFacts {
            name: row.get(1)?,
            capacity: quantity(row, 2, Litres::computed)?,
            temperature_low: quantity(row, 3, Celsius::computed)?,
            temperature_high: quantity(row, 4, Celsius::computed)?,
            tare: quantity(row, 6, Kilograms::computed)?,
            place: row.get(7)?,
        },
        retired: row.get(5)?,
        batch: None,
    })
}

pub const BATCH: &str = "id, vessel, name, started, original_gravity, expected_final, tolerance, \
                         volume, yeast, honey, note, parent, split_at, ended, plan";

pub fn batch(row: &Row<'_>) -> Sql<Batch> {
    Ok(Batch {
        id: BatchId(row.get(0)?),
        vessel: VesselId(row.get(1)?),
        facts: BatchFacts {
            name: row.get(2)?,
            started: moment(row, 3)?,
            original_gravity: quantity(row, 4, Gravity::computed)?,
            expected_final: quantity(row, 5, Gravity::computed)?,
            tolerance: quantity(row, 6, AbvPercent::computed)?,
            volume: quantity(row, 7, Litres::computed)?,
            yeast: row.get(8)?,
            honey: row.get(9)?,
            note: row.get(10)?,
            origin: row
                .get::<_, Option<i64>>(11)?
                .zip(maybe_moment(row, 12)?)
                .map(|(parent, at)| Origin {
                    parent: BatchId(parent),
                    at,
                }),
        },
        ended: maybe_moment(row, 13)?,
        plan: match row.get_ref(14)? {
            ValueRef::Null => Plan::default(),
            _ => json(row, 14)?,
        },
    })
}

// ---- summaries ----

/// Review, pace, points.
pub fn summary(row: &Row<'_>) -> Sql<Summary> {
    Ok(Summary {
        review: json(row, 0)?,
        pace: pace(row, 1)?,
        points: floats(row, 2)?
            .chunks_exact(3)
            .map(|p| Point {
                days: p[0],
                gravity: p[1],
                warmth: Some(p[2]).filter(|c| !c.is_nan()),
            })
            .collect(),
    })
}

pub fn pace(row: &Row<'_>, column: usize) -> Sql<Option<Pace>> {
    Ok(Pace::from_days(floats(row, column)?))
}

pub fn pace_bytes(pace: &Pace) -> Vec<u8> {
    bytes(pace.days().iter().copied())
}

pub fn points_bytes(points: &[Point]) -> Vec<u8> {
    bytes(
        points
            .iter()
            .flat_map(|p| [p.days, p.gravity, p.warmth.unwrap_or(f64::NAN)]),
    )
}

/// A drawing needs no more than four bytes tell.
fn bytes(values: impl Iterator<Item = f64>) -> Vec<u8> {
    values.flat_map(|v| (v as f32).to_le_bytes()).collect()
}

fn floats(row: &Row<'_>, column: usize) -> Sql<Vec<f64>> {
    let bytes = row.get_ref(column)?.as_blob_or_null()?.unwrap_or_default();
    let (values, _) = bytes.as_chunks();
    Ok(values
        .iter()
        .map(|b| f64::from(f32::from_le_bytes(*b)))
        .collect())
}

// ---- tasks ----

const LATER: &str = "later";
const NOT_THIS_TIME: &str = "not-this-time";

/// Key of the answer, and until when.
pub fn answer_parts(answer: Answer) -> (&'static str, Option<i64>) {
    match answer {
        Answer::Later(until) => (LATER, Some(until.0)),
        Answer::NotThisTime => (NOT_THIS_TIME, None),
    }
}

/// From the columns task, answer and until.
pub fn answer(row: &Row<'_>) -> Sql<(String, Answer)> {
    let until = maybe_moment(row, 2)?;
    let answer = key(row, 1, |text| match (text, until) {
        (LATER, Some(until)) => Some(Answer::Later(until)),
        (NOT_THIS_TIME, _) => Some(Answer::NotThisTime),
        _ => None,
    })?;
    Ok((row.get(0)?, answer))
}

// ---- shares ----

pub const SHARE: &str = "child, parent, at, volume";

pub fn share(row: &Row<'_>) -> Sql<Share> {
    Ok(Share {
        child: BatchId(row.get(0)?),
        parent: BatchId(row.get(1)?),
        at: moment(row, 2)?,
        volume: quantity(row, 3, Litres::computed)?,
    })
}

// ---- finished curves ----

pub const CURVE: &str = "batch, yeast, honey, original, ended, families";

pub fn curve(row: &Row<'_>) -> Sql<(BatchId, CurveRecord)> {
    let mut by_key: BTreeMap<String, Vec<f64>> = json(row, 5)?;
    let record = CurveRecord {
        yeast: row.get(1)?,
        honey: row.get(2)?,
        original: row.get(3)?,
        ended: row.get(4)?,
        // A family this program fits no more tells it nothing.
        families: Family::ALL
            .into_iter()
            .filter_map(|f| Some((f, by_key.remove(family_key(f))?)))
            .collect(),
    };
    Ok((BatchId(row.get(0)?), record))
}

pub fn families_json(families: &[(Family, Vec<f64>)]) -> Sql<String> {
    let by_key: BTreeMap<&str, &Vec<f64>> = families
        .iter()
        .map(|(family, params)| (family_key(*family), params))
        .collect();
    to_json(&by_key)
}

fn family_key(family: Family) -> &'static str {
    match family {
        Family::Logistic => "logistic",
        Family::Asymmetric => "asymmetric",
        Family::Gompertz => "gompertz",
        Family::Supply => "supply",
    }
}

// ---- prices ----

pub const PRICE: &str = "good, name, since, paid, amount";

pub fn price(row: &Row<'_>) -> Sql<Price> {
    Ok(Price {
        of: key(row, 0, Good::from_key)?,
        name: row.get(1)?,
        since: moment(row, 2)?,
        paid: row.get(3)?,
        amount: row.get(4)?,
    })
}

// ---- feeds ----

/// Joined from `feed f`, `topic t` and the assignment still open; then [`FEED_STATS`].
pub const FEED: &str = "f.id, t.source, t.topic, f.name, f.map, \
     (SELECT a.vessel FROM assignment a WHERE a.feed = f.id AND a.until = 9223372036854775807), \
     f.retired, f.went_away, (SELECT count(*) FROM raw r WHERE r.topic = t.id AND r.waits = 1)";

pub const FEED_STATS: &str = "f.readings, f.last_at, f.gravity, f.gravity_at, f.temperature, \
     f.temperature_at, f.battery, f.battery_percent, f.battery_at, f.signal, f.signal_percent, \
     f.signal_at";

/// What is shown of a feed, from the columns of [`FEED_STATS`].
pub fn stats(row: &Row<'_>, first: usize) -> Sql<Stats> {
    let number = |n: usize| row.get::<_, Option<f64>>(first + n);
    let at = |n: usize| row.get::<_, Option<i64>>(first + n);
    let is =
        |n: usize| Ok::<_, rusqlite::Error>(row.get::<_, Option<bool>>(first + n)? == Some(true));
    Ok(Stats {
        readings: row.get(first)?,
        last_at: at(1)?,
        gravity: at(3)?.zip(number(2)?),
        temperature: at(5)?.zip(number(4)?),
        battery: at(8)?.zip(battery(number(6)?, is(7)?)),
        signal: at(11)?.zip(signal(number(9)?, is(10)?)),
    })
}

/// `later` is what came since its row was written.
pub fn feed(row: &Row<'_>, later: &Stats) -> Sql<Feed> {
    let stats = stats(row, 9)?.and(later);
    Ok(Feed {
        id: FeedId(row.get(0)?),
        source: row.get(1)?,
        topic: row.get(2)?,
        name: row.get(3)?,
        map: map(row, 4)?,
        vessel: row.get::<_, Option<i64>>(5)?.map(VesselId),
        retired: row.get(6)?,
        went_away: maybe_moment(row, 7)?,
        undated: row.get::<_, i64>(8)?.unsigned_abs(),
        last_reading: stats.last_at.map(Moment),
        last_gravity: stats.gravity.map(|(_, v)| Gravity::computed(v)),
        last_temperature: stats.temperature.map(|(_, v)| Celsius::computed(v)),
        battery: stats.battery.map(|(_, v)| v),
        signal: stats.signal.map(|(_, v)| v),
        readings: stats.readings.unsigned_abs(),
    })
}

pub fn map(row: &Row<'_>, column: usize) -> Sql<FeedMap> {
    json(row, column)
}

// ---- readings ----

const BY_ARRIVAL: i64 = 1;
const BATTERY_PERCENT: i64 = 2;
const SIGNAL_PERCENT: i64 = 4;

pub const READING: &str = "gravity, temperature, tilt, battery, signal, kinds";

/// The measured values of a reading as they lie in a row, in the order of [`READING`].
#[derive(Clone, Copy, Debug, Default, PartialEq)]
pub struct Values {
    pub gravity: Option<f64>,
    pub temperature: Option<f64>,
    pub tilt: Option<f64>,
    pub battery: Option<f64>,
    pub signal: Option<f64>,
    pub kinds: i64,
}

impl Values {
    pub fn of(reading: &Reading) -> Values {
        let (battery, battery_percent) = battery_parts(reading.battery);
        let (signal, signal_percent) = signal_parts(reading.signal);
        let mut kinds = 0;
        if reading.time_from == TimeFrom::Arrival {
            kinds |= BY_ARRIVAL;
        }
        if battery_percent {
            kinds |= BATTERY_PERCENT;
        }
        if signal_percent {
            kinds |= SIGNAL_PERCENT;
        }
        Values {
            gravity: reading.gravity.map(Gravity::get),
            temperature: reading.temperature.map(Celsius::get),
            tilt: reading.tilt.map(|t| t.get()),
            battery,
            signal,
            kinds,
        }
    }

    pub fn read(row: &Row<'_>) -> Sql<Values> {
        Ok(Values {
            gravity: row.get(0)?,
            temperature: row.get(1)?,
            tilt: row.get(2)?,
            battery: row.get(3)?,
            signal: row.get(4)?,
            kinds: row.get(5)?,
        })
    }

    pub fn battery(&self) -> Option<Battery> {
        battery(self.battery, self.kinds & BATTERY_PERCENT != 0)
    }

    pub fn signal(&self) -> Option<Signal> {
        signal(self.signal, self.kinds & SIGNAL_PERCENT != 0)
    }
}

/// The flags without how the instant was come by.
pub fn units_only(kinds: i64) -> i64 {
    kinds & !BY_ARRIVAL
}

pub fn battery_parts(battery: Option<Battery>) -> (Option<f64>, bool) {
    match battery {
        None => (None, false),
        Some(Battery::Volts(v)) => (Some(v), false),
        Some(Battery::Percent(p)) => (Some(p), true),
    }
}

pub fn battery(value: Option<f64>, percent: bool) -> Option<Battery> {
    value.map(|v| {
        if percent {
            Battery::Percent(v)
        } else {
            Battery::Volts(v)
        }
    })
}

pub fn signal_parts(signal: Option<Signal>) -> (Option<f64>, bool) {
    match signal {
        None => (None, false),
        Some(Signal::Dbm(v)) => (Some(v), false),
        Some(Signal::Percent(p)) => (Some(p), true),
    }
}

pub fn signal(value: Option<f64>, percent: bool) -> Option<Signal> {
    value.map(|v| {
        if percent {
            Signal::Percent(v)
        } else {
            Signal::Dbm(v)
        }
    })
}

// ---- hours ----

pub const HOUR: &str = "hour, gravity_n, gravity_median, gravity_min, gravity_max, gravity_at, \
                        temperature_median, temperature_min, temperature_max";

pub fn hour(row: &Row<'_>) -> Sql<Hour> {
    let gravity = match row.get::<_, Option<u32>>(1)? {
        None => None,
        Some(n) => Some(HourGravity {
            n,
            median: row.get(2)?,
            min: row.get(3)?,
            max: row.get(4)?,
            at: moment(row, 5)?,
        }),
    };
    let temperature = match row.get::<_, Option<f64>>(6)? {
        None => None,
        Some(median) => Some(HourTemperature {
            median,
            min: row.get(7)?,
            max: row.get(8)?,
        }),
    };
    Ok(Hour {
        index: row.get(0)?,
        gravity,
        temperature,
    })
}

// ---- the log ----

pub const LINE: &str = "id, vessel, at, what, gravity, temperature, note, hand_read, hand_sample, \
                        hand_reference, made_at, replaced_by, ph, volume, doses, despite";

pub fn line(row: &Row<'_>) -> Sql<LogLine> {
    let hand = match (row.get(7)?, row.get(8)?, row.get(9)?) {
        (Some(read), Some(sample), Some(reference)) => Some(HandFacts {
            read: Gravity::computed(read),
            sample: Celsius::computed(sample),
            reference: Celsius::computed(reference),
        }),
        _ => None,
    };
    let id = EntryId(row.get(0)?);
    Ok(LogLine {
        id,
        vessel: VesselId(row.get(1)?),
        deed: Deed {
            gravity: quantity(row, 4, Gravity::computed)?,
            temperature: quantity(row, 5, Celsius::computed)?,
            note: row.get(6)?,
            ph: quantity(row, 12, Ph::computed)?,
            volume: quantity(row, 13, Litres::computed)?,
            doses: doses(row, 14, id)?,
            despite: row.get(15)?,
            ..Deed::new(moment(row, 2)?, key(row, 3, What::from_key)?)
        },
        hand,
        made_at: moment(row, 10)?,
        replaced_by: row.get::<_, Option<i64>>(11)?.map(EntryId),
    })
}

fn doses(row: &Row<'_>, column: usize, line: EntryId) -> Sql<Vec<Dose>> {
    let broken = |why: &dyn std::fmt::Display| {
        unreadable(
            column,
            format!("what line {line} of the log weighed out cannot be read: {why}"),
        )
    };
    match row.get_ref(column)?.as_str_or_null() {
        Ok(None) => Ok(Vec::new()),
        Ok(Some(text)) => serde_json::from_str(text).map_err(|e| broken(&e)),
        Err(e) => Err(broken(&e)),
    }
}

pub fn doses_json(doses: &[Dose]) -> Sql<Option<String>> {
    (!doses.is_empty()).then(|| to_json(&doses)).transpose()
}

// ---- verdicts ----

pub const VERDICT: &str = "vessel, batch, verdict, sentence, phase_since";

pub fn verdict(row: &Row<'_>) -> Sql<StoredVerdict> {
    Ok(StoredVerdict {
        vessel: VesselId(row.get(0)?),
        batch: BatchId(row.get(1)?),
        verdict: packed_verdict(row, 2)?,
        sentence: row.get(3)?,
        phase_since: moment(row, 4)?,
    })
}

fn packed_verdict(row: &Row<'_>, column: usize) -> Sql<Verdict> {
    match row.get_ref(column)? {
        ValueRef::Blob(packed) => {
            let text = bytes::open(packed)?;
            serde_json::from_slice(&text).map_err(|e| unreadable(column, e))
        }
        // From before it was packed.
        _ => json(row, column),
    }
}

pub fn pack_verdict(verdict: &Verdict) -> Sql<Vec<u8>> {
    let mut sink = bytes::Sink::default();
    sink.raw(to_json(verdict)?.as_bytes());
    Ok(sink.close())
}

// ---- notices ----

pub const NOTICE: &str = "n.id, n.kind, n.key, n.vessel, n.at, n.title, n.body, n.cleared, \
    n.pressing, n.seen, n.again, n.times";

pub fn notice(row: &Row<'_>) -> Sql<Notice> {
    Ok(Notice {
        id: NoticeId(row.get(0)?),
        kind: key(row, 1, NoticeKind::from_key)?,
        key: row.get(2)?,
        vessel: row.get::<_, Option<i64>>(3)?.map(VesselId),
        at: moment(row, 4)?,
        title: row.get(5)?,
        body: row.get(6)?,
        cleared: maybe_moment(row, 7)?,
        pressing: row.get(8)?,
        seen: maybe_moment(row, 9)?,
        again: maybe_moment(row, 10)?,
        times: row.get(11)?,
        deliveries: Vec::new(),
    })
}

pub const DELIVERY: &str = "channel, attempts, state, at, last_error";

pub fn delivery(row: &Row<'_>) -> Sql<NoticeDelivery> {
    let at = moment(row, 3)?;
    Ok(NoticeDelivery {
        channel: row.get(0)?,
        attempts: row.get(1)?,
        state: key(row, 2, |k| match k {
            "queued" => Some(DeliveryState::Queued { next: at }),
            "sent" => Some(DeliveryState::Sent { at }),
            "given-up" => Some(DeliveryState::GivenUp { at }),
            "withdrawn" => Some(DeliveryState::Withdrawn { at }),
            _ => None,
        })?,
        last_error: row.get(4)?,
    })
}

/// The state's name and its instant, as [`delivery`] reads them.
pub fn delivery_parts(state: DeliveryState) -> (&'static str, i64) {
    match state {
        DeliveryState::Queued { next } => ("queued", next.0),
        DeliveryState::Sent { at } => ("sent", at.0),
        DeliveryState::GivenUp { at } => ("given-up", at.0),
        DeliveryState::Withdrawn { at } => ("withdrawn", at.0),
    }
}

// ---- problems ----

const PROBLEM_KINDS: [(ProblemKind, &str); 9] = [
    (ProblemKind::Unreadable, "unreadable"),
    (ProblemKind::Missing, "missing"),
    (ProblemKind::WrongType, "wrong-type"),
    (ProblemKind::WrongUnit, "wrong-unit"),
    (ProblemKind::OutOfRange, "out-of-range"),
    (ProblemKind::BadTime, "bad-time"),
    (ProblemKind::Duplicate, "duplicate"),
    (ProblemKind::Conflict, "conflict"),
    (ProblemKind::Empty, "empty"),
];

pub fn problem_key(kind: ProblemKind) -> &'static str {
    PROBLEM_KINDS
        .iter()
        .find(|(k, _)| *k == kind)
        .map_or("unreadable", |(_, key)| key)
}

pub fn problem_kind(row: &Row<'_>, column: usize) -> Sql<ProblemKind> {
    key(row, column, |text| {
        PROBLEM_KINDS
            .iter()
            .find(|(_, key)| *key == text)
            .map(|(kind, _)| *kind)
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn problem_keys_are_the_json_names() {
        for (kind, key) in PROBLEM_KINDS {
            assert_eq!(serde_json::to_value(kind).unwrap(), key);
            assert_eq!(problem_key(kind), key);
        }
    }
}

//! The state of the cellar and of the daemon for a monitoring program: OpenMetrics text.
//!
//! Made from the store each time it is asked for, so it never says anything the pages do not.

use std::sync::atomic::AtomicU64;

use axum::extract::State;
use axum::http::header;
use axum::response::{IntoResponse, Response};
use ebbmark_core::reading::ProblemKind;
use ebbmark_core::time::Moment;
use ebbmark_store::model::{Feed, ProblemCount, StoredVerdict, Vessel};
use ebbmark_store::tasks::ToDo;
use ebbmark_store::{Reader, StoreError};
use prometheus_client::encoding::EncodeLabelSet;
use prometheus_client::encoding::text::encode;
use prometheus_client::metrics::counter::Counter;
use prometheus_client::metrics::family::Family;
use prometheus_client::metrics::gauge::Gauge;
use prometheus_client::metrics::info::Info;
use prometheus_client::registry::{Registry, Unit};

use crate::StatusLine;
use crate::api::MayRead;
use crate::app::App;
use crate::fault::Fault;
use crate::visitor::Visitor;

const KIND: &str = "application/openmetrics-text; version=1.0.0; charset=utf-8";

/// Measured things have fractions.
type Measured = Gauge<f64, AtomicU64>;

#[derive(Clone, Debug, PartialEq, Eq, Hash, EncodeLabelSet)]
struct OfFeed {
    feed: String,
    source: String,
    topic: String,
}

#[derive(Clone, Debug, PartialEq, Eq, Hash, EncodeLabelSet)]
struct OfDoor {
    way: String,
    why: &'static str,
}

#[derive(Clone, Debug, PartialEq, Eq, Hash, EncodeLabelSet)]
struct OfProblem {
    source: String,
    topic: String,
    kind: String,
}

#[derive(Clone, Debug, PartialEq, Eq, Hash, EncodeLabelSet)]
struct OfVessel {
    vessel: String,
    mead: String,
}

#[derive(Clone, Debug, PartialEq, Eq, Hash, EncodeLabelSet)]
struct OfPhase {
    vessel: String,
    mead: String,
    phase: String,
}

#[derive(Clone, Debug, PartialEq, Eq, Hash, EncodeLabelSet)]
struct OfGate {
    vessel: String,
    mead: String,
    gate: &'static str,
}

/// All that is looked up.
struct Seen {
    feeds: Vec<Feed>,
    problems: Vec<ProblemCount>,
    vessels: Vec<Vessel>,
    verdicts: Vec<StoredVerdict>,
    to_do: Vec<ToDo>,
    open_notices: usize,
    undated: u64,
    schema: i64,
}

impl Seen {
    fn look(reader: &Reader, by: &Visitor) -> Result<Seen, StoreError> {
        Ok(Seen {
            feeds: reader.feeds()?,
            problems: reader.problems()?,
            vessels: reader.vessels()?,
            verdicts: reader.verdicts()?,
            to_do: reader.to_do(by.now, &by.style())?,
            open_notices: reader.open_notice_keys()?.len(),
            undated: reader.undated()?,
            schema: reader.schema_version()?,
        })
    }
}

pub(crate) async fn show(
    MayRead(visitor): MayRead,
    State(app): State<App>,
) -> Result<Response, Fault> {
    let now = visitor.now;
    let seen = app.read(move |reader| Seen::look(reader, &visitor)).await?;
    let mut registry = Registry::with_prefix("ebbmark");
    daemon(&mut registry, &seen);
    doors(&mut registry, &(app.handle.status)());
    feeds(&mut registry, &seen);
    vessels(&mut registry, &seen, now);
    let mut text = String::new();
    encode(&mut text, &registry)
        .map_err(|e| Fault::broken(format!("the metrics could not be written: {e}")))?;
    Ok(([(header::CONTENT_TYPE, KIND)], text).into_response())
}

fn count(n: usize) -> i64 {
    i64::try_from(n).unwrap_or(i64::MAX)
}

fn daemon(registry: &mut Registry, seen: &Seen) {
    let build = Info::new(vec![
        ("version", env!("CARGO_PKG_VERSION").to_owned()),
        ("schema", seen.schema.to_string()),
    ]);
    registry.register("build", "The program and the schema of its database", build);
    let open: Gauge = Gauge::default();
    open.set(count(seen.open_notices));
    let help = "Conditions that were told and have not ended";
    registry.register("notices_open", help, open);
    let undated: Gauge = Gauge::default();
    undated.set(i64::try_from(seen.undated).unwrap_or(i64::MAX));
    let help = "Payloads that wait for a clock that can be believed";
    registry.register("payloads_undated", help, undated);
}

fn doors(registry: &mut Registry, ways_in: &[StatusLine]) {
    let refused = Family::<OfDoor, Counter>::default();
    for way in ways_in {
        for (why, times) in &way.refused {
            let labels = OfDoor {
                way: way.name.clone(),
                why,
            };
            refused.get_or_create(&labels).inc_by(*times);
        }
    }
    let help = "Connections and messages turned away since the start, by reason";
    registry.register("turned_away", help, refused);
}

fn feeds(registry: &mut Registry, seen: &Seen) {
    let readings = Family::<OfFeed, Counter>::default();
    let last = Family::<OfFeed, Measured>::default();
    let labels = |feed: &Feed| OfFeed {
        feed: feed.name.clone(),
        source: feed.source.clone(),
        topic: feed.topic.clone(),
    };
    for feed in seen.feeds.iter().filter(|f| !f.retired) {
        readings.get_or_create(&labels(feed)).inc_by(feed.readings);
        if let Some(at) = feed.last_reading {
            last.get_or_create(&labels(feed)).set(seconds(at));
        }
    }
    registry.register("readings", "Readings kept of a feed", readings);
    registry.register_with_unit(
        "last_reading_timestamp",
        "When a feed's last reading was taken, Unix time",
        Unit::Seconds,
        last,
    );
    let problems = Family::<OfProblem, Counter>::default();
    for problem in &seen.problems {
        let labels = OfProblem {
            source: problem.source.clone(),
            topic: problem.topic.clone(),
            kind: key_of(problem.kind),
        };
        problems.get_or_create(&labels).inc_by(problem.count);
    }
    registry.register("problems", "What could not be taken, by kind", problems);
}

/// As it stands in JSON.
fn key_of(kind: ProblemKind) -> String {
    let value = serde_json::to_value(kind).unwrap_or_default();
    value.as_str().unwrap_or_default().to_owned()
}

fn vessels(registry: &mut Registry, seen: &Seen, now: Moment) {
    let gravity = Family::<OfVessel, Measured>::default();
    let temperature = Family::<OfVessel, Measured>::default();
    let fall = Family::<OfVessel, Measured>::default();
    let phase = Family::<OfPhase, Gauge>::default();
    let gate = Family::<OfGate, Gauge>::default();
    let due = Family::<OfVessel, Gauge>::default();
    for vessel in seen.vessels.iter().filter(|v| !v.retired) {
        let Some(batch) = &vessel.batch else { continue };
        let (vessel_name, mead) = (vessel.facts.name.clone(), batch.facts.name.clone());
        let labels = OfVessel {
            vessel: vessel_name.clone(),
            mead: mead.clone(),
        };
        let own = seen.to_do.iter().filter(|one| one.batch.id == batch.id);
        let tasks = own.flat_map(|one| &one.tasks);
        let now_due = tasks.filter(|task| task.is_due(now)).count();
        due.get_or_create(&labels).set(count(now_due));
        let stored = seen.verdicts.iter().find(|v| v.batch == batch.id);
        let Some(verdict) = stored.map(|v| &v.verdict) else {
            continue;
        };
        if let Some(g) = verdict.gravity {
            gravity.get_or_create(&labels).set(g.get());
        }
        if let Some(t) = verdict.temperature {
            temperature.get_or_create(&labels).set(t.get());
        }
        if let Some(f) = &verdict.fall_per_day {
            fall.get_or_create(&labels).set(f.mid);
        }
        let is = OfPhase {
            vessel: vessel_name.clone(),
            mead: mead.clone(),
            phase: verdict.phase.key().to_owned(),
        };
        phase.get_or_create(&is).set(1);
        for (key, open) in [
            ("rack", verdict.gates.rack.open),
            ("stabilise", verdict.gates.stabilise.open),
            ("seal", verdict.gates.seal.open),
        ] {
            let labels = OfGate {
                vessel: vessel_name.clone(),
                mead: mead.clone(),
                gate: key,
            };
            gate.get_or_create(&labels).set(i64::from(open));
        }
    }
    registry.register("gravity", "Specific gravity 20/20 now, smoothed", gravity);
    registry.register_with_unit(
        "temperature",
        "Of what is in the vessel",
        Unit::Celsius,
        temperature,
    );
    registry.register("fall_per_day", "SG a day", fall);
    registry.register("phase", "1 for the phase it is in", phase);
    registry.register("gate_open", "1 when that may be done now", gate);
    registry.register("tasks_due", "What is to be done now", due);
}

fn seconds(at: Moment) -> f64 {
    at.0 as f64 / 1000.0
}

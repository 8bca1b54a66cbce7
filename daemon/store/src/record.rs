//! What reckonings are filled from: a mead's record as it stands now.

use ebbmark_core::ids::VesselId;
use ebbmark_core::reckon::{Fermenting, Record};
use ebbmark_core::time::{Moment, Span};
use ebbmark_core::units::{Celsius, Litres};
use rusqlite::Connection;

use crate::at_hand::Snapshot;
use crate::model::LogLine;
use crate::{family, meads, rows, vessels};

/// How far back single temperature readings go: a heating takes hours.
const TRACE: Span = Span::days(2);

/// See [`crate::Reader::mead_record`].
pub fn of(conn: &Snapshot<'_>, vessel: VesselId, now: Moment) -> rusqlite::Result<Option<Record>> {
    let Some(batch) = vessels::running(conn, vessel)? else {
        return Ok(None);
    };
    let history = meads::history(conn, &batch, now)?;
    let mut deeds = LogLine::standing(history.lines);
    deeds.retain(|d| d.at <= now);
    let verdict = vessels::verdict(conn, vessel)?.filter(|v| v.batch == batch.id);
    let poured = family::poured(conn, batch.id)?;
    let readings = meads::vessel_readings(conn, vessel, now - TRACE, now)?;
    Ok(Some(Record {
        started: history.started,
        original: batch.facts.original_gravity,
        tolerance: batch.facts.tolerance,
        plan: batch.plan.clone(),
        volume: batch.facts.volume,
        inherited: family::inherited(conn, &batch)?,
        poured: poured.iter().map(|s| (s.at, s.volume)).collect(),
        deeds,
        hours: history.hours,
        verdict: verdict.map(|v| v.verdict),
        trace: readings
            .iter()
            .filter_map(|r| Some((r.at, Celsius::computed(r.temperature?))))
            .collect(),
        fermenting: fermenting(conn)?,
    }))
}

/// In order of the vessels' names.
fn fermenting(conn: &Connection) -> rusqlite::Result<Vec<Fermenting>> {
    let sql = format!(
        "SELECT {}, name, volume FROM verdict JOIN \
         (SELECT b.id AS running, b.volume, v.name FROM batch b JOIN vessel v ON v.id = b.vessel \
          WHERE b.ended IS NULL) ON running = batch ORDER BY name, running",
        rows::VERDICT
    );
    let mut stored = conn.prepare_cached(&sql)?;
    let all = stored.query_map([], |r| {
        let fall = rows::verdict(r)?.verdict.fall_per_day;
        // One that may stand still gives off no gas that could be counted.
        let Some(fall) = fall.filter(|f| f.low > 0.0) else {
            return Ok(None);
        };
        Ok(Some(Fermenting {
            vessel: r.get("name")?,
            volume: r.get::<_, Option<f64>>("volume")?.map(Litres::computed),
            fall: fall.mid,
        }))
    })?;
    all.filter_map(Result::transpose).collect()
}

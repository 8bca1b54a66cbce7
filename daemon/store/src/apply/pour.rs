//! Parts of meads become another: a split has one, a blend several.

use ebbmark_core::deed::{Deed, What};
use ebbmark_core::ids::{BatchId, FeedId, VesselId};
use ebbmark_core::time::Moment;
use ebbmark_core::units::Litres;
use rusqlite::{OptionalExtension, params};

use super::{Tx, feeds, log, moves, named, refuse, vessels};
use crate::error::StoreError;
use crate::meads;
use crate::model::{BatchFacts, Change, Done, Origin, Part};
use crate::vessels::name_of;

pub fn pour(
    tx: &mut Tx<'_>,
    vessel: VesselId,
    facts: &BatchFacts,
    parts: &[Part],
    feeds: &[FeedId],
    once: Option<&str>,
    made_at: Moment,
) -> Result<Done, StoreError> {
    if let Some(once) = once
        && let Some((vessel, at)) = log::written(tx, once)?
    {
        return made(tx, vessel, at);
    }
    tx.vessel_in_use(vessel)?;
    let name = named("batch", &facts.name)?;
    let at = facts.started;
    let sources = sources(tx, vessel, parts, at)?;
    for (part, from) in parts.iter().zip(&sources) {
        if part.emptied {
            vessels::end(tx, part.parent, at)?;
            tx.changed(Change::Vessel(*from));
        }
    }
    moves::free(tx, vessel, at)?;
    let largest = Part::largest(parts).map(|p| p.parent);
    let whole: Option<f64> = parts.iter().map(|p| p.volume.map(Litres::get)).sum();
    let facts = BatchFacts {
        origin: largest.map(|parent| Origin { parent, at }),
        volume: facts.volume.or(whole.map(Litres::computed)),
        ..facts.clone()
    };
    let id = vessels::insert(tx, vessel, &name, &facts)?;
    let what = if parts.len() > 1 {
        What::Blend
    } else {
        What::Split
    };
    let into = name_of(tx.conn, vessel)?;
    let mut came = Vec::new();
    for (part, from) in parts.iter().zip(&sources) {
        vessels::share(tx, id, part.parent, at, part.volume)?;
        let amount = amount(part);
        came.push(format!("{amount} from {}", name_of(tx.conn, *from)?));
        if *from != vessel {
            let out = Deed {
                note: format!("{amount} into {into}"),
                ..Deed::new(at, What::Split)
            };
            log::write(tx, *from, &out, None, None, made_at)?;
        }
    }
    let line = Deed {
        note: moves::beside(&came.join(", "), &facts.note),
        ..Deed::new(at, what)
    };
    log::write(tx, vessel, &line, None, once, made_at)?;
    for feed in feeds {
        feeds::put(tx, *feed, Some(vessel), at)?;
    }
    Ok(Done::Batch(id))
}

/// The mead an earlier form with the same token made.
fn made(tx: &Tx<'_>, vessel: VesselId, at: Moment) -> Result<Done, StoreError> {
    let found: Option<i64> = tx
        .conn
        .prepare_cached("SELECT batch FROM stay WHERE vessel = ?1 AND since = ?2")?
        .query_row([vessel.0, at.0], |r| r.get(0))
        .optional()?;
    Ok(found.map_or(Done::Nothing, |id| Done::Batch(BatchId(id))))
}

/// The vessel each part was in then, if all of them can have been poured.
fn sources(
    tx: &Tx<'_>,
    vessel: VesselId,
    parts: &[Part],
    at: Moment,
) -> Result<Vec<VesselId>, StoreError> {
    if parts.is_empty() {
        return refuse("say which mead it is poured from");
    }
    let mut sources = Vec::new();
    for (n, part) in parts.iter().enumerate() {
        if parts[..n].iter().any(|p| p.parent == part.parent) {
            return refuse("a mead can be a part of another only once");
        }
        let (now_in, started, ended) = vessels::batch(tx, part.parent)?;
        if part.emptied && ended.is_some() {
            return refuse(format!("\"{}\" has ended already", mead(tx, part.parent)?));
        }
        let stays = meads::own_stays(tx.conn, part.parent)?;
        let then = stays
            .iter()
            .find(|(_, since, until)| *since <= at && until.is_none_or(|until| at < until));
        let Some((from, since, until)) = then else {
            return refuse(format!(
                "at {} there was nothing of \"{}\" to pour",
                at.to_rfc3339(),
                mead(tx, part.parent)?
            ));
        };
        // A mead that began in this instant has no past to hand on.
        if at <= *since && at <= started {
            return refuse(format!(
                "\"{}\" only began then; pour from it later",
                mead(tx, part.parent)?
            ));
        }
        if part.emptied && until.is_some() {
            return refuse(format!(
                "\"{}\" was moved after that, so it was not all gone",
                mead(tx, part.parent)?
            ));
        }
        if *from == vessel && !(part.emptied && now_in == vessel) {
            return refuse("what is left of a mead cannot share its vessel with another");
        }
        sources.push(*from);
    }
    Ok(sources)
}

fn mead(tx: &Tx<'_>, id: BatchId) -> rusqlite::Result<String> {
    tx.conn
        .prepare_cached("SELECT name FROM batch WHERE id = ?1")?
        .query_row(params![id.0], |r| r.get(0))
}

/// "4.5 L", "all of it (4.5 L)", "a part".
fn amount(part: &Part) -> String {
    let litres = part
        .volume
        .map(|v| format!("{} L", (v.get() * 100.0).round() / 100.0));
    match (part.emptied, litres) {
        (true, Some(litres)) => format!("all of it ({litres})"),
        (true, None) => "all of it".to_owned(),
        (false, Some(litres)) => litres,
        (false, None) => "a part".to_owned(),
    }
}

//! Saving what is told how.

use std::collections::BTreeSet;

use axum::extract::State;
use axum::response::Response;
use ebbmark_core::notice::quiet::{Quiet, TimeOfDay};
use ebbmark_core::notice::summary::{On, Schedule};
use ebbmark_core::notice::wishes::{OfVessel, Wishes};
use ebbmark_store::model::{Command, Vessel};
use ebbmark_store::reader::WISHES_SETTING;

use super::run;
use crate::WayOut;
use crate::app::App;
use crate::fault::Fault;
use crate::form::{Complaint, Fields, Take, of};
use crate::page::ways::{
    self, BREAKS_PRESSING, WAYS_FORM, breaking, breaks, by_way, kinds, of_vessel, vessel_by_way,
};
use crate::visitor::Posted;

pub(crate) async fn save(State(app): State<App>, posted: Posted) -> Result<Response, Fault> {
    let (before, vessels) = app
        .read(|reader| Ok((reader.wishes()?, reader.vessels()?)))
        .await?;
    let wishes = match read(&posted, &app.handle.ways_out, &vessels, before) {
        Ok(wishes) => wishes,
        Err(complaints) => {
            let (visitor, draft) = posted.draft(WAYS_FORM, complaints);
            return ways::again(&app, &visitor, &draft).await;
        }
    };
    let value = serde_json::to_string(&wishes)
        .map_err(|e| Fault::broken(format!("what is told how could not be written: {e}")))?;
    let command = Command::SetSetting {
        key: WISHES_SETTING.to_owned(),
        value: Some(value),
    };
    run(
        &app,
        &posted.once(),
        command,
        "/notices/ways?done=ways".to_owned(),
    )
    .await
}

fn read(
    posted: &Posted,
    ways: &[WayOut],
    vessels: &[Vessel],
    before: Wishes,
) -> Result<Wishes, Vec<Complaint>> {
    let fields = &posted.fields;
    let mut take = Take::new(fields, &posted.visitor);
    // Of a way that is not set up just now, and a vessel that is retired, what he chose stays.
    let mut wishes = before;
    for way in ways.iter().map(|way| &way.name) {
        let without: BTreeSet<_> = kinds()
            .filter(|kind| !ticked(fields, &by_way(*kind, way)))
            .collect();
        if without.is_empty() {
            wishes.without.remove(way);
        } else {
            wishes.without.insert(way.clone(), without);
        }
    }
    for vessel in vessels.iter().filter(|v| !v.retired) {
        let deviates = match fields.get(&of_vessel(vessel.id)) {
            "only" => {
                let names = ways.iter().map(|way| way.name.clone());
                let only = names.filter(|way| ticked(fields, &vessel_by_way(vessel.id, way)));
                Some(OfVessel::Only(only.collect()))
            }
            "none" => Some(OfVessel::None),
            _ => None,
        };
        match deviates {
            Some(deviates) => wishes.vessels.insert(vessel.id, deviates),
            None => wishes.vessels.remove(&vessel.id),
        };
    }
    wishes.quiet = quiet(&mut take, fields);
    wishes.summary = summary(&mut take, posted, wishes.summary.take());
    take.finish(Some(wishes))
}

fn quiet(take: &mut Take, fields: &Fields) -> Option<Quiet> {
    if fields.get("quiet-from").is_empty() && fields.get("quiet-until").is_empty() {
        return None;
    }
    let from = time(take, fields, "quiet-from", "Quiet from");
    let until = time(take, fields, "quiet-until", "Quiet until");
    if from.is_some() && from == until {
        take.complain(
            "quiet-until",
            "Quiet until: it ends when it begins; name two times, or none",
        );
    }
    Some(Quiet {
        from: from?,
        until: until?,
        broken_by: breaking()
            .filter(|kind| ticked(fields, &breaks(*kind)))
            .collect(),
        broken_by_pressing: ticked(fields, BREAKS_PRESSING),
    })
}

fn summary(take: &mut Take, posted: &Posted, before: Option<Schedule>) -> Option<Schedule> {
    let fields = &posted.fields;
    if fields.get("summary").is_empty() {
        return None;
    }
    let on = take.choice("summary", "A summary", |key| of(&ON, key));
    let at = time(take, fields, "summary-at", "A summary at");
    let (on, at) = on.zip(at)?;
    // One that stays as it was is not begun anew: today's may still be to come.
    let same = before.filter(|b| b.on == on && b.at == at);
    let since = same.map_or(posted.visitor.now, |b| b.since);
    Some(Schedule { on, at, since })
}

const ON: [(On, &str, &str); 8] = On::ALL;

fn time(take: &mut Take, fields: &Fields, field: &str, label: &str) -> Option<TimeOfDay> {
    match TimeOfDay::parse(fields.get(field)) {
        Ok(time) => Some(time),
        Err(why) => {
            take.complain(field, format!("{label}: {why}"));
            None
        }
    }
}

fn ticked(fields: &Fields, field: &str) -> bool {
    !fields.get(field).is_empty()
}

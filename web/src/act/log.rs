//! Writing and correcting lines of the log.

use axum::extract::{Path, State};
use axum::response::Response;
use ebbmark_core::decode::hand::HandReading;
use ebbmark_core::deed::{Deed, Dose, Substance, What};
use ebbmark_core::ids::{EntryId, VesselId};
use ebbmark_core::reading::TimeFrom;
use ebbmark_core::units::{Gravity, Kilograms};
use ebbmark_store::model::{Command, Done, HandFacts, LogLine};

use super::see;
use crate::app::App;
use crate::fault::Fault;
use crate::form::{Complaint, Take, both};
use crate::page::line;
use crate::page::vessel::{self, DEED_FORM, HAND_FORM};
use crate::visitor::Posted;

type Line = (Deed, Option<HandFacts>);

pub(crate) async fn hand(
    State(app): State<App>,
    Path(id): Path<i64>,
    posted: Posted,
) -> Result<Response, Fault> {
    let original = began_at(&app, VesselId(id), &posted).await?;
    match read_hand(&posted, original) {
        Ok(line) => write(&app, VesselId(id), &posted, line).await,
        Err(complaints) => refused(&app, id, HAND_FORM, posted, complaints).await,
    }
}

pub(crate) async fn deed(
    State(app): State<App>,
    Path(id): Path<i64>,
    posted: Posted,
) -> Result<Response, Fault> {
    match read_deed(&posted).and_then(fits) {
        Ok(line) => write(&app, VesselId(id), &posted, line).await,
        Err(complaints) => refused(&app, id, DEED_FORM, posted, complaints).await,
    }
}

pub(crate) async fn correct(
    State(app): State<App>,
    Path((id, entry)): Path<(i64, i64)>,
    posted: Posted,
) -> Result<Response, Fault> {
    let old = line::load(&app, VesselId(id), EntryId(entry)).await?;
    let read = match old.deed.what {
        What::HandReading => {
            let original = began_at(&app, VesselId(id), &posted).await?;
            read_hand(&posted, original)
        }
        _ => read_deed(&posted),
    };
    let read = both(read, read_doses(&posted, &old)).map(|((deed, hand), doses)| {
        let deed = Deed {
            doses: [doses, deed.doses].concat(),
            // Asked of no form: these stand as they were.
            volume: deed.volume.or(hand.and(old.deed.volume)),
            despite: match deed.what {
                What::TestFerment => String::new(),
                _ => old.deed.despite.clone(),
            },
            ..deed
        };
        (deed, hand)
    });
    let read = read.and_then(fits);
    let (deed, hand) = match read {
        Ok(line) => line,
        Err(complaints) => {
            let (visitor, draft) = posted.draft(line::LINE_FORM, complaints);
            return Ok(line::again(&visitor, &old, &draft));
        }
    };
    let command = Command::Correct {
        entry: EntryId(entry),
        deed,
        hand,
        made_at: posted.visitor.now,
    };
    noted(&app, id, &posted, command).await
}

async fn refused(
    app: &App,
    id: i64,
    form: &str,
    posted: Posted,
    complaints: Vec<Complaint>,
) -> Result<Response, Fault> {
    let (visitor, draft) = posted.draft(form, complaints);
    vessel::again(app, &visitor, VesselId(id), draft).await
}

pub(super) async fn write(
    app: &App,
    vessel: VesselId,
    posted: &Posted,
    (deed, hand): Line,
) -> Result<Response, Fault> {
    let command = Command::Log {
        vessel,
        deed,
        hand,
        once: posted.once_kept(),
        made_at: posted.visitor.now,
    };
    noted(app, vessel.0, posted, command).await
}

/// Goes back to the vessel's page, which reads the new line out.
async fn noted(app: &App, id: i64, posted: &Posted, command: Command) -> Result<Response, Fault> {
    let act = async {
        Ok(match app.command(command).await? {
            Done::Entry(entry) => format!("/vessel/{id}?noted={entry}"),
            _ => format!("/vessel/{id}"),
        })
    };
    app.once(&posted.once(), act).await.map(|to| see(&to))
}

/// Gravity the mead began at that was in the vessel when the form says. A time that cannot be
/// read is complained of by [`read_hand`].
async fn began_at(app: &App, vessel: VesselId, posted: &Posted) -> Result<Option<Gravity>, Fault> {
    match Take::new(&posted.fields, &posted.visitor).when("at", "When") {
        Some(at) => {
            app.read(move |reader| reader.original_gravity(vessel, at))
                .await
        }
        None => Ok(None),
    }
}

fn read_hand(posted: &Posted, original: Option<Gravity>) -> Result<Line, Vec<Complaint>> {
    let mut take = Take::new(&posted.fields, &posted.visitor);
    let read = take.need("read", "Gravity as read", Take::gravity);
    let sample = take.need("sample", "Temperature of the sample", Take::temperature);
    let reference = take.need("reference", "Hydrometer is marked for", Take::temperature);
    let ph = take.quantity("ph", "pH");
    let at = take.when("at", "When");
    let note = take.note("note", "Note");
    let (Some(read), Some(sample), Some(reference), Some(at), Some(note)) =
        (read, sample, reference, at, note)
    else {
        return take.finish(None);
    };
    let hand = HandReading {
        at,
        time_from: TimeFrom::Payload,
        read,
        sample,
        reference,
        ph,
        note,
    };
    match hand.deed(original) {
        Ok(deed) => take.finish(Some((deed, Some(hand.facts())))),
        Err(why) => {
            take.complain(
                "read",
                format!("Gravity as read: corrected for temperature, {why}"),
            );
            take.finish(None)
        }
    }
}

fn read_deed(posted: &Posted) -> Result<Line, Vec<Complaint>> {
    let mut take = Take::new(&posted.fields, &posted.visitor);
    let what = take.choice("what", "What", |key| {
        What::from_key(key).filter(|w| *w != What::HandReading)
    });
    let at = take.when("at", "When");
    let gravity = take.gravity("gravity", "Gravity after it");
    let temperature = take.temperature("temperature", "Temperature then");
    let ph = take.quantity("ph", "pH after it");
    let volume = take.volume("volume", "Volume after it");
    let note = take.note("note", "Note");
    let dose = read_weighed(&mut take);
    let (Some(what), Some(at), Some(note)) = (what, at, note) else {
        return take.finish(None);
    };
    let deed = Deed {
        gravity,
        temperature,
        note,
        ph,
        volume,
        doses: dose.into_iter().collect(),
        ..Deed::new(at, what)
    };
    take.finish(Some((deed, None)))
}

/// Complains at the field that does not go with the others.
fn fits(line: Line) -> Result<Line, Vec<Complaint>> {
    let Err(why) = line.0.check() else {
        return Ok(line);
    };
    let (field, label) = match why.field() {
        "gravity" => ("gravity", "Gravity after it"),
        "ph" => ("ph", "pH after it"),
        "volume" => ("volume", "Volume after it"),
        _ => ("of", "Put in"),
    };
    Err(vec![Complaint {
        field: field.to_owned(),
        say: format!("{label}: {why}"),
    }])
}

/// What was put in, if anything was.
fn read_weighed(take: &mut Take) -> Option<Dose> {
    let of = take.choice("of", "Put in", |key| match key {
        "" => Some(None),
        key => Substance::from_key(key).map(Some),
    })?;
    let mass: Option<Kilograms> = take.quantity("mass", "How much of it");
    let name = take.line("called", "Called")?;
    let extract = take.quantity("extract", "Sugar in it");
    match (of, mass) {
        (Some(of), Some(mass)) if mass.get() > 0.0 => Some(Dose {
            of,
            mass,
            name,
            extract,
        }),
        (Some(of), _) => {
            take.complain(
                "mass",
                format!("How much of it: say how much {}", of.label()),
            );
            None
        }
        (None, mass) => {
            if mass.is_some() || !name.is_empty() || extract.is_some() {
                take.complain("of", "Put in: say what it was");
            }
            None
        }
    }
}

/// What was weighed, put right. A mass that was not touched keeps the digits that were not shown,
/// one that was emptied is taken out.
fn read_doses(posted: &Posted, old: &LogLine) -> Result<Vec<Dose>, Vec<Complaint>> {
    let mut take = Take::new(&posted.fields, &posted.visitor);
    let mut doses = Vec::new();
    for (n, dose) in old.deed.doses.iter().enumerate() {
        let (field, label) = (line::dose_field(n), line::dose_label(dose));
        if posted.fields.get(&field) == posted.visitor.mass(dose.mass) {
            doses.push(dose.clone());
        } else if let Some(mass) = take.quantity::<Kilograms>(&field, &label) {
            let dose = Dose {
                mass,
                ..dose.clone()
            };
            doses.push(dose);
        }
    }
    take.finish(Some(doses))
}

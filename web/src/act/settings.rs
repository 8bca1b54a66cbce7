//! Saving settings.

use axum::extract::State;
use axum::response::Response;
use ebbmark_core::units::Preferences;
use ebbmark_store::model::Command;
use ebbmark_store::reader::{UNITS_SETTING, ZONE_SETTING};
use jiff::tz::TimeZone;

use super::see;
use crate::app::App;
use crate::fault::Fault;
use crate::form::{Complaint, Take, of};
use crate::page::settings::{
    self, CLOCK_FACES, DATE_ORDERS, GRAVITY_SCALES, MASS_SCALES, PRESSURE_SCALES, SETTINGS_FORM,
    TEMPERATURE_SCALES, VOLUME_SCALES,
};
use crate::visitor::Posted;

pub(crate) async fn save(State(app): State<App>, posted: Posted) -> Result<Response, Fault> {
    let (prefs, zone) = match read(&posted) {
        Ok(read) => read,
        Err(complaints) => {
            let (visitor, draft) = posted.draft(SETTINGS_FORM, complaints);
            return settings::again(&app, &visitor, &draft).await;
        }
    };
    let units = serde_json::to_string(&prefs)
        .map_err(|e| Fault::broken(format!("units could not be written: {e}")))?;
    let act = async {
        for (key, value) in [(UNITS_SETTING, Some(units)), (ZONE_SETTING, zone)] {
            let key = key.to_owned();
            app.command(Command::SetSetting { key, value }).await?;
        }
        Ok("/settings?done=settings".to_owned())
    };
    app.once(&posted.once(), act).await.map(|to| see(&to))
}

fn read(posted: &Posted) -> Result<(Preferences, Option<String>), Vec<Complaint>> {
    let mut take = Take::new(&posted.fields, &posted.visitor);
    let gravity = take.choice("gravity", "Gravity", |key| of(&GRAVITY_SCALES, key));
    let temperature = take.choice("temperature", "Temperature", |key| {
        of(&TEMPERATURE_SCALES, key)
    });
    let volume = take.choice("volume", "Volume", |key| of(&VOLUME_SCALES, key));
    let mass = take.choice("mass", "Mass", |key| of(&MASS_SCALES, key));
    let pressure = take.choice("pressure", "Pressure", |key| of(&PRESSURE_SCALES, key));
    let dates = take.choice("dates", "Days are written", |key| of(&DATE_ORDERS, key));
    let clock = take.choice("clock", "Times are written", |key| of(&CLOCK_FACES, key));
    let zone = posted.fields.get("zone");
    if !zone.is_empty() && TimeZone::get(zone).is_err() {
        take.complain(
            "zone",
            format!("Time zone: \"{zone}\" is not known; write a name like Europe/Warsaw"),
        );
    }
    let scales = gravity.zip(temperature).zip(volume).zip(mass).zip(pressure);
    let (Some(((((gravity, temperature), volume), mass), pressure)), Some((dates, clock))) =
        (scales, dates.zip(clock))
    else {
        return take.finish(None);
    };
    let prefs = Preferences {
        gravity,
        temperature,
        volume,
        mass,
        pressure,
        dates,
        clock,
    };
    take.finish(Some((prefs, (!zone.is_empty()).then(|| zone.to_owned()))))
}

//! Saving settings, and making tokens.

use axum::extract::State;
use axum::http::HeaderMap;
use axum::response::Response;
use ebbmark_core::units::Preferences;
use ebbmark_store::model::Command;
use ebbmark_store::reader::{UNITS_SETTING, ZONE_SETTING};
use jiff::tz::TimeZone;

use super::see;
use crate::api::write;
use crate::app::App;
use crate::auth::token;
use crate::calendar::KEY_SETTING;
use crate::fault::Fault;
use crate::form::{Complaint, Take, of};
use crate::intake::TOKEN_SETTING;
use crate::page::reached_at;
use crate::page::settings::{
    self, GRAVITY_SCALES, MASS_SCALES, Made, PRESSURE_SCALES, SETTINGS_FORM, TEMPERATURE_SCALES,
    VOLUME_SCALES,
};
use crate::visitor::{PUBLIC_VIEW_SETTING, Posted};

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
    let public = (posted.fields.get("view") == "yes").then(|| "yes".to_owned());
    let act = async {
        for (key, value) in [
            (UNITS_SETTING, Some(units)),
            (ZONE_SETTING, zone),
            (PUBLIC_VIEW_SETTING, public),
        ] {
            let key = key.to_owned();
            app.command(Command::SetSetting { key, value }).await?;
        }
        Ok("/settings?done=settings".to_owned())
    };
    app.once(&posted.once(), act).await.map(|to| see(&to))
}

/// Not once per form: the answer to a second tap would hide the token, so it makes another,
/// and the one that is shown is the one that holds.
pub(crate) async fn token(State(app): State<App>, posted: Posted) -> Result<Response, Fault> {
    let token = token::long();
    app.command(Command::SetSetting {
        key: TOKEN_SETTING.to_owned(),
        value: Some(token::intake_hash(&token)),
    })
    .await?;
    settings::with(&app, &posted.visitor, Made::IntakeToken(&token)).await
}

/// As [`token`]: each tap makes another.
pub(crate) async fn api(State(app): State<App>, posted: Posted) -> Result<Response, Fault> {
    let token = token::long();
    app.command(Command::SetSetting {
        key: write::TOKEN_SETTING.to_owned(),
        value: Some(token::api_hash(&token)),
    })
    .await?;
    settings::with(&app, &posted.visitor, Made::ApiToken(&token)).await
}

/// As [`token`]: each tap makes another.
pub(crate) async fn calendar(
    State(app): State<App>,
    headers: HeaderMap,
    posted: Posted,
) -> Result<Response, Fault> {
    let key = token::long();
    app.command(Command::SetSetting {
        key: KEY_SETTING.to_owned(),
        value: Some(token::calendar_hash(&key)),
    })
    .await?;
    let path = format!("/tasks.ics?key={key}");
    let whole = reached_at(&headers, app.handle.secure_cookies, &path);
    let made = Made::Calendar {
        path: &path,
        whole: &whole,
    };
    settings::with(&app, &posted.visitor, made).await
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
    let zone = posted.fields.get("zone");
    if !zone.is_empty() && TimeZone::get(zone).is_err() {
        take.complain(
            "zone",
            format!("Time zone: \"{zone}\" is not known; write a name like Europe/Warsaw"),
        );
    }
    let (Some(gravity), Some(temperature), Some(volume), Some(mass), Some(pressure)) =
        (gravity, temperature, volume, mass, pressure)
    else {
        return take.finish(None);
    };
    let prefs = Preferences {
        gravity,
        temperature,
        volume,
        mass,
        pressure,
    };
    take.finish(Some((prefs, (!zone.is_empty()).then(|| zone.to_owned()))))
}

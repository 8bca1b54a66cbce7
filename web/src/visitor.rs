//! Who is asking: what they may do, and how they like numbers and times written.

use axum::extract::{Form, FromRequest, FromRequestParts, Request};
use axum::http::request::Parts;
use axum::http::{HeaderMap, StatusCode, header};
use ebbmark_core::time::Moment;
use ebbmark_core::units::Preferences;
use ebbmark_store::model::Command;
use ebbmark_store::{Reader, StoreError};
use jiff::tz::TimeZone;

use crate::app::App;
use crate::auth::{PASSWORD_SETTING, session, token};
use crate::fault::Fault;
use crate::form::{Complaint, Draft, Fields};

pub(crate) const COOKIE: &str = "ebbmark";
pub(crate) const PUBLIC_VIEW_SETTING: &str = "public-view";
/// "yes" once the maker has left the first steps behind.
pub const START_SETTING: &str = "start-left";

#[derive(Clone, Debug, PartialEq, Eq)]
pub(crate) enum Standing {
    /// No password is set (the daemon then listens on this machine only): reading is free,
    /// writing is not possible.
    Unlocked,
    /// Not signed in where reading is free.
    Guest,
    /// Not signed in where it is not.
    Outside,
    Entered {
        token: String,
    },
}

#[derive(Clone, Debug)]
pub(crate) struct Visitor {
    pub standing: Standing,
    pub prefs: Preferences,
    pub zone: TimeZone,
    pub now: Moment,
    /// What [`ebbmark_store::Writer::told`] said before anything was read for this visitor.
    pub told: u64,
    /// Address asked for, to come back to after signing in.
    pub path: String,
    /// Signed in and still at the first steps.
    pub starting: bool,
}

impl Visitor {
    /// The mark of this session's forms; `None` when this visitor may not write.
    pub fn mark(&self) -> Option<String> {
        match &self.standing {
            Standing::Entered { token } => Some(token::form_mark(token)),
            _ => None,
        }
    }

    /// Nobody at a page: what is made to be sent.
    pub fn away(now: Moment, zone: TimeZone, prefs: Preferences) -> Visitor {
        Visitor {
            standing: Standing::Outside,
            prefs,
            zone,
            now,
            told: 0,
            path: String::new(),
            starting: false,
        }
    }

    /// Also the session, when it is due to be noted that its owner was seen.
    fn from_store(reader: &Reader, seen: Seen) -> Result<(Visitor, Option<Command>), StoreError> {
        let mut noted = None;
        let standing = match reader.setting(PASSWORD_SETTING)? {
            None => Standing::Unlocked,
            Some(password) => {
                let session = match &seen.token {
                    Some(t) => reader.session(&token::session_hash(t, &password))?,
                    None => None,
                };
                match (seen.token, session) {
                    (Some(token), Some(session)) if seen.now < session.expires => {
                        if seen.now.since(session.seen_at) >= session::NOTED_EVERY {
                            noted = Some(Command::SessionSeen {
                                token_hash: session.token_hash,
                                at: seen.now,
                                expires: seen.now + session::HOLDS,
                            });
                        }
                        Standing::Entered { token }
                    }
                    _ if reader.setting(PUBLIC_VIEW_SETTING)?.as_deref() == Some("yes") => {
                        Standing::Guest
                    }
                    _ => Standing::Outside,
                }
            }
        };
        let (zone, prefs) = reader.zone_and_units(&seen.zone)?;
        let starting = matches!(standing, Standing::Entered { .. })
            && reader.setting(START_SETTING)?.is_none();
        let visitor = Visitor {
            starting,
            standing,
            prefs,
            zone,
            now: seen.now,
            told: seen.told,
            path: seen.path,
        };
        Ok((visitor, noted))
    }
}

/// What the request itself says.
struct Seen {
    token: Option<String>,
    zone: TimeZone,
    now: Moment,
    told: u64,
    path: String,
}

impl FromRequestParts<App> for Visitor {
    type Rejection = Fault;

    async fn from_request_parts(parts: &mut Parts, app: &App) -> Result<Visitor, Fault> {
        let seen = Seen {
            token: cookie(&parts.headers),
            zone: app.handle.zone.clone(),
            now: (app.handle.now)(),
            told: app.handle.writer.told(),
            path: parts
                .uri
                .path_and_query()
                .map_or_else(|| "/".to_owned(), ToString::to_string),
        };
        let (visitor, noted) = app
            .read(move |reader| Visitor::from_store(reader, seen))
            .await?;
        if let Some(noted) = noted
            && let Err(cause) = app.command(noted).await
        {
            // The page does not depend on it.
            tracing::warn!(?cause, "it could not be noted that somebody was here");
        }
        Ok(visitor)
    }
}

/// A visitor who may read; others are sent to sign in.
pub(crate) struct Looking(pub Visitor);

impl FromRequestParts<App> for Looking {
    type Rejection = Fault;

    async fn from_request_parts(parts: &mut Parts, app: &App) -> Result<Looking, Fault> {
        let visitor = Visitor::from_request_parts(parts, app).await?;
        match visitor.standing {
            Standing::Outside => Err(Fault::SignIn { then: visitor.path }),
            _ => Ok(Looking(visitor)),
        }
    }
}

/// A form sent by someone who may write. The only way in for anything that changes the cellar
/// from a page: the checks are made here and nowhere else.
pub(crate) struct Posted {
    pub visitor: Visitor,
    pub fields: Fields,
}

impl Posted {
    /// The form as it was filled in, to be shown again with what is wrong with it.
    pub fn draft(self, form: impl Into<String>, complaints: Vec<Complaint>) -> (Visitor, Draft) {
        let draft = Draft {
            form: form.into(),
            fields: self.fields,
            complaints,
        };
        (self.visitor, draft)
    }

    pub fn once(&self) -> String {
        self.fields.get("once").to_owned()
    }

    /// The same for the store, which remembers it over a restart between two taps.
    pub fn once_kept(&self) -> Option<String> {
        Some(self.once()).filter(|once| !once.is_empty())
    }
}

impl FromRequest<App> for Posted {
    type Rejection = Fault;

    async fn from_request(request: Request, app: &App) -> Result<Posted, Fault> {
        from_our_own_page(request.headers())?;
        let (mut parts, body) = request.into_parts();
        let visitor = Visitor::from_request_parts(&mut parts, app).await?;
        let mark = match (&visitor.standing, visitor.mark()) {
            (_, Some(mark)) => mark,
            (Standing::Unlocked, None) => return Err(no_password()),
            _ => {
                return Err(Fault::SignIn {
                    then: "/".to_owned(),
                });
            }
        };
        let fields = read_fields(Request::from_parts(parts, body), app).await?;
        if !token::same(fields.get("mark"), &mark) {
            return Err(Fault::said(
                StatusCode::FORBIDDEN,
                "This form is from before you signed in. Go back, reload the page and send it again.",
            ));
        }
        // Asked before anything is looked up: what the first tap did may be what the second would
        // be refused for.
        if let Some(to) = app.led_to(fields.get("once")).await {
            return Err(Fault::Already { to });
        }
        Ok(Posted { visitor, fields })
    }
}

pub(crate) async fn read_fields(request: Request, app: &App) -> Result<Fields, Fault> {
    let Form(pairs) = Form::<Vec<(String, String)>>::from_request(request, app)
        .await
        .map_err(|e| {
            Fault::said(
                e.status(),
                "The form could not be read. Go back, reload the page and send it again.",
            )
        })?;
    Ok(Fields::new(pairs))
}

fn no_password() -> Fault {
    Fault::said(
        StatusCode::FORBIDDEN,
        "No password is set yet, so nothing can be changed from a page. Set one on the page \
         \"Start\" (/start), or on the board with \"ebbmark password\" (with the daemon's \
         --config, if it has one).",
    )
}

/// Browsers name the site a form was sent from; a stranger's is refused. The host may be the one
/// a proxy was asked for: a page of another site cannot set that header either.
///
/// # Errors
/// The form came from another site.
pub(crate) fn from_our_own_page(headers: &HeaderMap) -> Result<(), Fault> {
    let text = |name: &str| headers.get(name).and_then(|v| v.to_str().ok());
    let Some(origin) = text(header::ORIGIN.as_str()) else {
        return Ok(());
    };
    let from = origin.split_once("://").map(|(_, host)| host);
    let ours = [text(header::HOST.as_str()), text("x-forwarded-host")];
    if from.is_some() && ours.contains(&from) {
        return Ok(());
    }
    Err(Fault::said(
        StatusCode::FORBIDDEN,
        "This form was sent from another site and was not taken.",
    ))
}

fn cookie(headers: &HeaderMap) -> Option<String> {
    headers
        .get_all(header::COOKIE)
        .iter()
        .filter_map(|v| v.to_str().ok())
        .flat_map(|v| v.split(';'))
        .filter_map(|pair| pair.trim().split_once('='))
        .find(|(name, _)| *name == COOKIE)
        .map(|(_, value)| value.to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn headers(pairs: &[(&'static str, &str)]) -> HeaderMap {
        pairs
            .iter()
            .map(|(k, v)| (k.parse().unwrap(), v.parse().unwrap()))
            .collect()
    }

    #[test]
    fn forms_of_other_sites_are_refused() {
        let ok = |pairs: &[(&'static str, &str)]| from_our_own_page(&headers(pairs)).is_ok();
        assert!(ok(&[("host", "cellar:8080")]));
        assert!(ok(&[
            ("host", "cellar:8080"),
            ("origin", "http://cellar:8080")
        ]));
        assert!(ok(&[
            ("host", "127.0.0.1:8080"),
            ("x-forwarded-host", "cellar.example"),
            ("origin", "https://cellar.example"),
        ]));
        assert!(!ok(&[
            ("host", "cellar:8080"),
            ("origin", "http://elsewhere")
        ]));
        assert!(!ok(&[("host", "cellar:8080"), ("origin", "null")]));
        assert!(!ok(&[("origin", "null")]));
    }

    #[test]
    fn our_cookie_among_others() {
        let h = headers(&[("cookie", "a=b; ebbmark=xyz; c=d")]);
        assert_eq!(cookie(&h).as_deref(), Some("xyz"));
        assert_eq!(cookie(&headers(&[("cookie", "myebbmark=1")])), None);
    }
}

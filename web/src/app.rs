//! What the handlers share, and which address goes to which of them.

use std::collections::VecDeque;
use std::ops::Deref;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use axum::Router;
use axum::extract::DefaultBodyLimit;
use axum::http::StatusCode;
use axum::middleware::from_fn;
use axum::routing::{get, post};
use ebbmark_store::model::{Command, Done};
use ebbmark_store::{Reader, StoreError};
use tokio::sync::Semaphore;
use tower_http::compression::CompressionLayer;
use tower_http::timeout::TimeoutLayer;

use crate::auth::guard::Guard;
use crate::fault::Fault;
use crate::{
    Handle, act, api, assets, calendar, curve, export, fault, headers, health, icon, intake, live,
    metrics, page, picture,
};

/// A form is a few short fields.
const FORM_LIMIT: usize = 64 * 1024;
/// No page takes this long; a stuck disk does.
const TIMEOUT: Duration = Duration::from_secs(30);
/// Browsers keep one stream per tab; more than this at once is not a household.
const STREAMS: usize = 64;
/// Form tokens remembered, so that a second tap finds what the first one made.
const REMEMBERED: usize = 512;

#[derive(Clone)]
pub(crate) struct App {
    shared: Arc<Shared>,
    /// What comes to this router comes over TLS.
    over_tls: bool,
}

pub(crate) struct Shared {
    pub handle: Handle,
    pub guard: Mutex<Guard>,
    /// One password is hashed at a time: each takes 19 MiB on a small board.
    pub hashing: Semaphore,
    pub streams: Arc<Semaphore>,
    /// One first password at a time.
    pub starting: tokio::sync::Mutex<()>,
    /// One look round at a time: each knocks at every server there is.
    pub looking: Semaphore,
    /// Form tokens used, with where their form led.
    used: tokio::sync::Mutex<VecDeque<(String, String)>>,
}

impl Deref for App {
    type Target = Shared;
    fn deref(&self) -> &Shared {
        &self.shared
    }
}

impl App {
    pub fn new(handle: Handle) -> App {
        App {
            shared: Arc::new(Shared {
                handle,
                guard: Mutex::new(Guard::default()),
                hashing: Semaphore::new(1),
                streams: Arc::new(Semaphore::new(STREAMS)),
                starting: tokio::sync::Mutex::new(()),
                looking: Semaphore::new(1),
                used: tokio::sync::Mutex::new(VecDeque::new()),
            }),
            over_tls: false,
        }
    }

    /// The same for what comes over TLS.
    pub fn over_tls(self) -> App {
        App {
            over_tls: true,
            ..self
        }
    }

    /// Whether the browser reaches us over TLS: the cookie says so, and addresses begin with it.
    pub fn is_secure(&self) -> bool {
        self.over_tls || self.handle.behind_tls
    }

    /// Asks the store on a blocking thread.
    pub async fn read<T: Send + 'static>(
        &self,
        ask: impl FnOnce(&Reader) -> Result<T, StoreError> + Send + 'static,
    ) -> Result<T, Fault> {
        let reader = self.handle.reader.clone();
        let answer = tokio::task::spawn_blocking(move || ask(&reader)).await;
        Ok(answer.map_err(|e| Fault::broken(format!("a store query did not finish: {e}")))??)
    }

    pub async fn command(&self, command: Command) -> Result<Done, Fault> {
        Ok(self.handle.writer.command(command).await?)
    }

    /// Where the form with this token led, if it was sent before. Waits for one that is being done.
    pub async fn led_to(&self, token: &str) -> Option<String> {
        let used = self.used.lock().await;
        let found = used.iter().find(|(seen, _)| seen == token);
        found.map(|(_, to)| to.clone())
    }

    /// Does what a form asks, once per form: the second tap on the same button waits for the
    /// first and is led to where that one went. `act` gives the address to go to.
    pub async fn once(
        &self,
        token: &str,
        act: impl Future<Output = Result<String, Fault>> + Send,
    ) -> Result<String, Fault> {
        // Held while acting, so that two taps at the same moment are told apart.
        let mut used = self.used.lock().await;
        if let Some((_, led_to)) = used.iter().find(|(seen, _)| seen == token) {
            return Ok(led_to.clone());
        }
        let led_to = act.await?;
        if !token.is_empty() {
            if used.len() == REMEMBERED {
                used.pop_front();
            }
            used.push_back((token.to_owned(), led_to.clone()));
        }
        Ok(led_to)
    }
}

pub(crate) fn router(app: App) -> Router {
    let pages = Router::new()
        .route("/", get(page::cellar::show))
        .route("/wall", get(page::cellar::wall::show))
        .route("/ebbmark.webmanifest", get(icon::manifest))
        .route("/icon-192.png", get(icon::small))
        .route("/icon-512.png", get(icon::large))
        .route("/icon-512-whole.png", get(icon::cut_to_shape))
        .route("/vessel", post(act::vessel::add))
        .route("/vessel/{id}", get(page::vessel::show))
        .route("/vessel/{id}/readings.csv", get(export::readings))
        .route("/vessel/{id}/hours.csv", get(export::hours))
        .route("/vessel/{id}/log.csv", get(export::log))
        .route("/vessel/{id}/curve.png", get(picture::show))
        .route("/vessel/{id}/read-out", get(curve::read_out::show))
        .route("/vessel/{id}/hand", post(act::log::hand))
        .route("/vessel/{id}/deed", post(act::log::deed))
        .route(
            "/vessel/{id}/line/{entry}",
            get(page::line::show).post(act::log::correct),
        )
        .route("/vessel/{id}/batch", post(act::batch::start))
        .route("/vessel/{id}/batch/{batch}", post(act::batch::edit))
        .route("/vessel/{id}/batch/{batch}/end", post(act::batch::end))
        .route(
            "/vessel/{id}/batch/{batch}/move",
            post(act::pour::to_vessel),
        )
        .route("/vessel/{id}/batch/{batch}/goods", post(act::goods::put_in))
        .route("/vessel/{id}/batch/{batch}/split", post(act::pour::split))
        .route(
            "/vessel/{id}/blend",
            get(page::blend::show).post(act::pour::blend),
        )
        .route("/vessel/{id}/label", get(page::label::show))
        .route("/vessel/{id}/facts", post(act::vessel::edit))
        .route("/vessel/{id}/retire", post(act::vessel::retire))
        .route("/mead/{id}", get(page::card::show))
        .route(
            "/mead/{id}/again",
            get(page::card::again::show).post(act::again::start),
        )
        .route("/mead/{id}/card.html", get(page::card::file))
        .route("/mead/{id}/card.json", get(page::card::json))
        .route("/mead/{id}/card.csv", get(page::card::csv))
        .route("/tasks", get(page::tasks::show))
        .route("/tasks/{batch}", post(act::task::answer))
        .route("/tasks.ics", get(calendar::feed))
        .route("/archive", get(page::archive::show))
        .route("/compare", get(page::compare::show))
        .route("/compare.csv", get(page::compare::file))
        .route("/feeds", get(page::feeds::show))
        .route("/feeds/claim", post(act::feed::claim))
        .route("/feeds/{id}/map", post(act::feed::remap))
        .route("/feeds/{id}/tilt", post(act::feed::tilt))
        .route("/feeds/{id}/move", post(act::feed::move_to))
        .route("/feeds/{id}/retire", post(act::feed::retire))
        .route("/reckon", get(page::reckon::list))
        .route("/reckon/{key}", get(page::reckon::show))
        .route("/vessel/{id}/reckon/{key}", get(page::reckon::of_vessel))
        .route("/vessel/{id}/reckon/{key}/do", post(act::reckon::act))
        .route("/notices", get(page::notices::show))
        .route("/notices/test", post(act::notice::test))
        .route("/notices/ways", get(page::ways::show).post(act::ways::save))
        .route("/notices/{id}/answer", post(act::notice::answer))
        .route(
            "/answer/{id}/{reply}",
            get(page::answer::show).post(page::answer::act),
        )
        .route(
            "/settings",
            get(page::settings::show).post(act::settings::save),
        )
        .route("/look-round", get(page::look_round::show))
        .route("/prices", get(page::prices::show).post(act::price::set))
        .route("/prices/strike", post(act::price::strike))
        .route("/prices/money", post(act::price::money))
        .route("/access", get(page::access::show))
        .route("/access/view", post(act::access::view))
        .route("/access/password", post(act::access::password))
        .route("/access/session", post(act::access::session))
        .route("/access/others", post(act::access::others))
        .route("/access/token", post(act::access::make_token))
        .route("/access/revoke", post(act::access::revoke))
        .route("/access/calendar", post(act::access::calendar))
        .route("/start", get(page::start::show).post(act::start::password))
        .route("/start/close", post(act::start::close))
        .route("/enter", get(page::enter::show).post(act::enter::enter))
        .route("/leave", post(act::enter::leave))
        .route(
            "/api/v1/vessels",
            get(api::vessels).post(api::write::vessel),
        )
        .route("/api/v1/vessels/{id}/meads", post(api::write::start))
        .route("/api/v1/vessels/{id}/log", post(api::write::log))
        .route(
            "/api/v1/vessels/{id}/reckon/{key}",
            post(api::write::reckon),
        )
        .route("/api/v1/pours", post(api::write::pour))
        .route("/api/v1/meads/{id}/move", post(api::write::move_to))
        .route("/api/v1/meads/{id}/end", post(api::write::end))
        .route("/api/v1/meads/{id}/plan", post(api::write::replan))
        .route("/api/v1/meads/{id}/tasks", post(api::write::answer))
        .route("/api/v1/tasks", get(api::write::tasks))
        .route("/api/v1/about", get(api::about))
        .route("/api/v1/vessels/{id}", get(api::vessel))
        .route("/api/v1/meads/{id}/card", get(api::card))
        .route("/api/v1/meads", get(api::archive::meads))
        .route("/api/v1/compare", get(api::archive::compare))
        .route("/api/v1/reckon", get(api::reckon::list))
        .route("/api/v1/reckon/{key}", get(api::reckon::answer))
        .route("/api/v1/openapi.json", get(api::document::openapi))
        .route("/api/v1/card.schema.json", get(api::document::card))
        .route("/metrics", get(metrics::show))
        .route("/assets/{hash}/{name}", get(assets::serve))
        .fallback(page::missing)
        .layer(DefaultBodyLimit::max(FORM_LIMIT))
        .route(
            "/intake/{*topic}",
            post(intake::take).layer(DefaultBodyLimit::max(intake::LIMIT)),
        )
        .layer(CompressionLayer::new())
        .layer(TimeoutLayer::with_status_code(
            StatusCode::SERVICE_UNAVAILABLE,
            TIMEOUT,
        ));
    pages
        .route("/live", get(live::stream))
        .layer(from_fn(fault::tell))
        // Programs read a word and a status, not the page that says what to do.
        .route("/healthz", get(health::ready))
        .route("/healthz/alive", get(health::alive))
        .layer(from_fn(headers::secure))
        .with_state(app)
}

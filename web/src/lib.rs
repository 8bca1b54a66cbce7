//! Ebbmark's pages, charts, HTTP intake and live updates.
//!
//! Pages are rendered on the server and work without JavaScript; with it they follow the
//! cellar by server-sent events. Reading goes through the store's reader on blocking threads,
//! writing through the writer's commands: nothing here touches the database otherwise, and
//! nothing here decides anything about a mead.

mod act;
mod again;
mod api;
mod app;
mod assets;
pub mod auth;
mod calendar;
mod chart;
mod compared;
mod curve;
mod export;
mod fault;
mod form;
mod found;
mod headers;
mod health;
mod icon;
mod intake;
pub mod link;
mod live;
mod metrics;
mod page;
pub mod picture;
mod reckoned;
mod show;
mod visitor;

use std::net::SocketAddr;
use std::pin::Pin;
use std::sync::Arc;

use axum::Router;
use ebbmark_core::look_round::Line;
use ebbmark_core::time::Moment;
use ebbmark_store::model::Stamp;
use ebbmark_store::{Reader, Writer};
use jiff::tz::TimeZone;
use tokio_util::sync::CancellationToken;

/// What the pages need from the daemon around them.
#[derive(Clone)]
pub struct Handle {
    pub reader: Reader,
    pub writer: Writer,
    /// The daemon's idea of now, held back to what can be believed.
    pub now: Arc<dyn Fn() -> Moment + Send + Sync>,
    /// Stamps a message that comes in over HTTP.
    pub stamp: Arc<dyn Fn() -> Stamp + Send + Sync>,
    /// Used until the maker sets another on the settings page.
    pub zone: TimeZone,
    /// Addresses floats publish to, in the clear and over TLS.
    pub intake: Vec<SocketAddr>,
    pub intake_over_tls: Vec<SocketAddr>,
    /// What whoever sets the first password on the page has to know; `None` once there is one.
    pub start_code: Option<String>,
    /// Ways out a test notice can be sent by.
    pub ways_out: Vec<WayOut>,
    /// State of the intake and of each broker, asked anew for each page.
    pub status: Arc<dyn Fn() -> Vec<StatusLine> + Send + Sync>,
    /// Looks whether all that the daemon stands on is as it should be; takes up to some twenty
    /// seconds where a server does not answer.
    pub look_round: LookRound,
    /// Ends the open event streams, which would otherwise hold up a graceful stop for ever.
    pub shutdown: CancellationToken,
    /// A proxy in front speaks TLS: the cookie is then sent over TLS only.
    pub behind_tls: bool,
}

pub type LookRound = Arc<dyn Fn() -> Pin<Box<dyn Future<Output = Vec<Line>> + Send>> + Send + Sync>;

/// A code for [`Handle::start_code`]: eight signs that are not mistaken for one another.
#[must_use]
pub fn start_code() -> String {
    auth::token::code()
}

/// One way a notice can leave.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct WayOut {
    /// As in `NewNotice::channels`.
    pub name: String,
    /// Where it goes, in words ("mail to cellar@example.org").
    pub description: String,
}

/// State of one way in.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct StatusLine {
    pub name: String,
    pub says: String,
    /// The maker should look at it.
    pub troubled: bool,
    /// What was turned away since the start, by reason, for the metrics.
    pub refused: Vec<(&'static str, u64)>,
}

pub use visitor::START_SETTING;

/// All pages and endpoints, for connections in the clear and for those over TLS. Guesses, queues and
/// limits are counted over both.
pub struct Routers {
    pub plain: Router,
    pub over_tls: Router,
}

pub fn routers(handle: Handle) -> Routers {
    let app = app::App::new(handle);
    Routers {
        plain: app::router(app.clone()),
        over_tls: app::router(app.over_tls()),
    }
}

//! The ways out for notices: the log, MQTT, mail, and web addresses to call.
//!
//! Notices are queued in the store, one delivery for each way out the maker wants for them ([`wanted`]);
//! [`run`] sends what is due, when his quiet hours let it, and in one message what belongs together.
//! A failed delivery is tried again after half a minute, then after twice that and so on up to an
//! hour, and given up after a day of trying, which the page shows.

mod back_off;
pub mod config;
mod desk;
mod dispatch;
mod html;
mod job;
mod letter;
mod mail;
pub mod mqtt;
mod secrets;
mod template;
mod trust;
mod way;
mod webhook;

#[cfg(test)]
mod delivery_tests;
#[cfg(test)]
mod sink;
#[cfg(test)]
mod tls_tests;

use std::sync::Arc;

use ebbmark_core::ids::VesselId;
use ebbmark_core::notice::Call;
use ebbmark_core::time::Moment;
use ebbmark_store::model::{Change, NewNotice};
use ebbmark_store::{Reader, StoreError, Writer};
use ebbmark_web::link::Links;
use jiff::tz::TimeZone;
use tokio::sync::broadcast;
use tokio_util::sync::CancellationToken;

pub use config::NotifyConfig;
pub use mail::{Mail, NotReached};
pub use secrets::Secrets;
pub use way::{NotReady, Publish, Way, ways};
pub use webhook::{Webhook, in_words, place, target, url};

/// A notice for the ways out the maker wants for it. `key` names what it stands for.
pub fn notice(
    reader: &Reader,
    all: &[String],
    call: Call,
    key: String,
    vessel: Option<VesselId>,
    at: Moment,
) -> Result<NewNotice, StoreError> {
    Ok(NewNotice {
        channels: reader.wishes()?.ways(call.kind, vessel, all),
        kind: call.kind,
        key,
        vessel,
        at,
        title: call.title,
        body: call.body,
        pressing: false,
    })
}

/// Sends notices as they fall due, until `shutdown`.
///
/// `outgoing_mqtt` publishes a retained message. `zone` is for days and times where the maker set none
/// on the page. `links`: of the page, where it has an address. `wake` is the store's feed of changes.
///
/// # Errors
/// At once, when the configuration is wrong.
#[expect(
    clippy::too_many_arguments,
    reason = "the parts of the daemon it touches, each once; a struct would only rename them"
)]
pub async fn run(
    config: NotifyConfig,
    reader: Reader,
    writer: Writer,
    outgoing_mqtt: impl Fn(String, Vec<u8>) + Send + Sync + 'static,
    now: impl Fn() -> Moment + Clone + Send + 'static,
    zone: TimeZone,
    links: Option<Links>,
    wake: broadcast::Receiver<Change>,
    shutdown: CancellationToken,
) -> Result<(), NotReady> {
    let ways = ways(&config, Arc::new(outgoing_mqtt))?;
    let rules = dispatch::Rules {
        give_up_after: config.give_up_after(),
        gather: config.gather(),
        zone,
        links,
    };
    dispatch::Dispatcher::new(reader, writer, now, rules, ways)
        .run(wake, shutdown)
        .await;
    Ok(())
}

//! Takes up renewed certificates while the daemon runs.

use std::sync::Arc;
use std::time::Duration;

use anyhow::{Context, Result};
use tokio::signal::unix::{SignalKind, signal};
use tokio::time::{MissedTickBehavior, interval};
use tokio_util::sync::CancellationToken;

use super::Certificate;

/// Some kilobytes are read each time; whoever renews a certificate does so days before it ends.
const LOOK: Duration = Duration::from_secs(60);

/// Looks at the files once a minute and at each SIGHUP, until `shutdown`.
///
/// # Errors
/// The signal cannot be listened for.
pub async fn keep_fresh(
    certificates: Vec<Arc<Certificate>>,
    shutdown: CancellationToken,
) -> Result<()> {
    let mut hangup = signal(SignalKind::hangup()).context("cannot listen for signals")?;
    let mut looks = interval(LOOK);
    looks.set_missed_tick_behavior(MissedTickBehavior::Delay);
    loop {
        tokio::select! {
            () = shutdown.cancelled() => return Ok(()),
            _ = looks.tick() => {}
            _ = hangup.recv() => tracing::info!("SIGHUP: the certificates are looked at"),
        }
        let certificates = certificates.clone();
        let look = move || certificates.iter().for_each(|c| c.look_again());
        tokio::task::spawn_blocking(look)
            .await
            .context("looking at the certificates broke off")?;
    }
}

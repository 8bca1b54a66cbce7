//! Tells the service manager that the daemon lives: not only that its process is there, but that the
//! event loop turns, the store's writer answers and the database is read. A manager that hears nothing
//! for the time it was set to starts the daemon afresh.

use std::time::Duration;

use anyhow::Result;
use ebbmark_store::{Reader, Writer};
use sd_notify::NotifyState;
use tokio_util::sync::CancellationToken;

/// Read for nothing but to see that it is.
const ANY_SETTING: &str = "zone";

pub struct Watchdog {
    /// The longest the service manager waits.
    patience: Duration,
    writer: Writer,
    reader: Reader,
}

impl Watchdog {
    /// `None` where nobody waits for a sign.
    pub fn wanted(writer: &Writer, reader: &Reader) -> Option<Watchdog> {
        let patience = sd_notify::watchdog_enabled().filter(|patience| !patience.is_zero())?;
        Some(Watchdog {
            patience,
            writer: writer.clone(),
            reader: reader.clone(),
        })
    }

    /// Gives signs until `shutdown`.
    ///
    /// # Errors
    /// The store's writer has stopped.
    pub async fn run(self, shutdown: CancellationToken) -> Result<()> {
        let mut beats = tokio::time::interval(self.patience / 2);
        beats.set_missed_tick_behavior(tokio::time::MissedTickBehavior::Delay);
        loop {
            tokio::select! {
                () = shutdown.cancelled() => return Ok(()),
                _ = beats.tick() => {}
            }
            tokio::select! {
                () = shutdown.cancelled() => return Ok(()),
                lives = self.lives() => lives?,
            }
            if let Err(e) = sd_notify::notify(&[NotifyState::Watchdog]) {
                tracing::warn!("the service manager does not hear that ebbmark lives: {e}");
            }
        }
    }

    /// Comes back once all have answered, however long that takes: no sign is given meanwhile.
    async fn lives(&self) -> Result<()> {
        self.writer.answers().await?;
        let reader = self.reader.clone();
        let read = tokio::task::spawn_blocking(move || reader.setting(ANY_SETTING)).await;
        // What cannot be read is told elsewhere, and no new start mends it.
        if let Err(broken) = read {
            std::panic::resume_unwind(broken.into_panic());
        }
        Ok(())
    }
}

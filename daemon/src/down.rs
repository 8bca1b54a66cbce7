//! Signs of life, and what is said after there were none for a while.

use std::time::{Duration, Instant};

use ebbmark_core::notice;
use ebbmark_core::text::Style;
use ebbmark_core::time::{Moment, Span};
use ebbmark_store::{Reader, StoreError, Writer};
use jiff::tz::TimeZone;
use tokio_util::sync::CancellationToken;

use crate::backup::fall_back::FellBack;
use crate::clock::Clock;
use crate::mark::Mark;
use crate::storing::told_and_over;

/// Between signs of life; while the clock cannot be believed it is asked this often as well.
const EVERY: Duration = Duration::from_secs(60);
const ASK_CLOCK: Duration = Duration::from_secs(2);

pub struct Living {
    pub mark: Mark,
    pub clock: Clock,
    pub writer: Writer,
    pub reader: Reader,
    pub zone: TimeZone,
    /// Ways out there are.
    pub channels: Vec<String>,
    /// No longer than this is no news.
    pub longest: Span,
    /// What came of a database that was damaged at the start.
    pub fell_back: Option<FellBack>,
}

impl Living {
    /// Leaves signs of life until `shutdown`; tells first how long there were none.
    ///
    /// # Errors
    /// The store's writer has stopped.
    pub async fn run(self, shutdown: CancellationToken) -> Result<(), StoreError> {
        let started = Instant::now();
        // Neither a sign nor a span can be dated before.
        while !self.clock.is_believable() {
            tokio::select! {
                () = shutdown.cancelled() => return Ok(()),
                () = tokio::time::sleep(ASK_CLOCK) => {}
            }
        }
        let waited = Span(i64::try_from(started.elapsed().as_millis()).unwrap_or(i64::MAX));
        let back = self.clock.now() - waited;
        if let Some(fell_back) = &self.fell_back {
            let (zone, units) = self.reader.zone_and_units(&self.zone)?;
            let (key, call) = fell_back.call(back, &Style { units, zone: &zone });
            told_and_over(&self.writer, &self.reader, call, key, back, &self.channels).await?;
        }
        if let Some(last) = self.mark.last() {
            self.tell(last, back).await?;
        }
        loop {
            self.mark.touch(self.clock.now());
            tokio::select! {
                () = shutdown.cancelled() => {
                    self.mark.touch(self.clock.now());
                    return Ok(());
                }
                () = tokio::time::sleep(EVERY) => {}
            }
        }
    }

    async fn tell(&self, last: Moment, back: Moment) -> Result<(), StoreError> {
        let (zone, units) = self.reader.zone_and_units(&self.zone)?;
        let style = Style { units, zone: &zone };
        let Some(call) = notice::on_return(last, back, self.longest, &style) else {
            return Ok(());
        };
        let key = format!("{}:{}", call.kind.key(), last.0);
        told_and_over(&self.writer, &self.reader, call, key, back, &self.channels).await?;
        Ok(())
    }
}

//! Tells open pages, and programs, what changed, as server-sent events. An event carries words for what it
//! touches ("cellar vessel-3"); a page fetches itself again when it follows one of them. A page says what had been
//! told when it was made: what changed before it began to listen, it is told first.

use std::collections::BTreeSet;
use std::convert::Infallible;
use std::time::Duration;

use axum::extract::{Query, State};
use axum::http::HeaderName;
use axum::response::sse::{Event, KeepAlive, Sse};
use axum::response::{IntoResponse, Response};
use ebbmark_store::model::Change;
use serde::Deserialize;
use tokio::sync::broadcast::{self, error::RecvError, error::TryRecvError};
use tokio::sync::{OwnedSemaphorePermit, mpsc};
use tokio_stream::wrappers::ReceiverStream;
use tokio_util::sync::CancellationToken;

use crate::api::MayRead;
use crate::app::App;
use crate::fault::Fault;

/// Changes this close together are one event: an import makes thousands.
const GATHER: Duration = Duration::from_millis(250);
/// The word that touches every page.
const EVERYTHING: &str = "all";
const KEEP_ALIVE: Duration = Duration::from_secs(20);

type Sink = mpsc::Sender<Result<Event, Infallible>>;

#[derive(Deserialize)]
pub(crate) struct Since {
    told: Option<u64>,
}

pub(crate) async fn stream(
    _: MayRead,
    State(app): State<App>,
    Query(since): Query<Since>,
) -> Result<Response, Fault> {
    let room = app
        .streams
        .clone()
        .try_acquire_owned()
        .map_err(|_| Fault::Busy {
            cause: "too many pages are open at once".to_owned(),
        })?;
    let (sink, events) = mpsc::channel(1);
    let changes = app.handle.writer.changes();
    // Looked at once it listens: what comes in between is told twice rather than not at all.
    let missed = since
        .told
        .is_some_and(|told| told != app.handle.writer.told());
    if missed {
        let first = Event::default().data(EVERYTHING);
        // There is room for one.
        let _ = sink.try_send(Ok(first));
    }
    tokio::spawn(pump(changes, sink, app.handle.shutdown.clone(), room));
    let stream =
        Sse::new(ReceiverStream::new(events)).keep_alive(KeepAlive::new().interval(KEEP_ALIVE));
    // A proxy that gathers the stream would hold the events back.
    let unbuffered = [(HeaderName::from_static("x-accel-buffering"), "no")];
    Ok((unbuffered, stream).into_response())
}

/// Ends with the daemon, with the writer, or when the page has gone.
async fn pump(
    mut changes: broadcast::Receiver<Change>,
    sink: Sink,
    shutdown: CancellationToken,
    _room: OwnedSemaphorePermit,
) {
    loop {
        let first = tokio::select! {
            () = shutdown.cancelled() => return,
            () = sink.closed() => return,
            change = changes.recv() => change,
        };
        let mut words = BTreeSet::new();
        match first {
            Ok(change) => touch(&mut words, &change),
            Err(RecvError::Lagged(_)) => missed(&mut words),
            Err(RecvError::Closed) => return,
        }
        tokio::select! {
            () = shutdown.cancelled() => return,
            () = tokio::time::sleep(GATHER) => {}
        }
        loop {
            match changes.try_recv() {
                Ok(change) => touch(&mut words, &change),
                Err(TryRecvError::Lagged(_)) => missed(&mut words),
                Err(TryRecvError::Empty | TryRecvError::Closed) => break,
            }
        }
        let words: Vec<String> = words.into_iter().collect();
        let event = Event::default().data(words.join(" "));
        if sink.send(Ok(event)).await.is_err() {
            return;
        }
    }
}

fn touch(words: &mut BTreeSet<String>, change: &Change) {
    let mut add = |word: &str| {
        words.insert(word.to_owned());
    };
    match change {
        Change::Readings { vessel, .. } => {
            add("feeds");
            if let Some(id) = vessel {
                add("cellar");
                add(&format!("vessel-{id}"));
            }
        }
        Change::Vessel(id) | Change::Verdict(id) => {
            add("cellar");
            add(&format!("vessel-{id}"));
        }
        Change::Notice(_) => add("notices"),
        Change::Feeds => {
            add("feeds");
            add("cellar");
        }
    }
}

/// Some changes were lost on the way: every page should look again.
fn missed(words: &mut BTreeSet<String>) {
    words.insert(EVERYTHING.to_owned());
}

#[cfg(test)]
mod tests {
    use ebbmark_core::ids::{FeedId, VesselId};
    use ebbmark_core::time::Moment;

    use super::*;

    #[test]
    fn a_reading_touches_its_vessel_the_cellar_and_the_feeds() {
        let mut words = BTreeSet::new();
        let mut reading = Change::Readings {
            feed: FeedId(1),
            vessel: None,
            from: Moment(0),
        };
        touch(&mut words, &reading);
        assert_eq!(
            words.iter().map(String::as_str).collect::<Vec<_>>(),
            ["feeds"]
        );
        if let Change::Readings { vessel, .. } = &mut reading {
            *vessel = Some(VesselId(3));
        }
        touch(&mut words, &reading);
        let all: Vec<&str> = words.iter().map(String::as_str).collect();
        assert_eq!(all, ["cellar", "feeds", "vessel-3"]);
    }
}

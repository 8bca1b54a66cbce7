//! The pages over a store whose clock stands still.

use std::sync::Arc;

use axum::Router;
use ebbmark_core::time::Moment;
use ebbmark_store::model::Stamp;
use ebbmark_store::{Reader, Writer};
use ebbmark_web::Handle;
use jiff::tz::TimeZone;
use tokio_util::sync::CancellationToken;

pub fn pages(reader: Reader, writer: Writer, now: Moment) -> Router {
    ebbmark_web::routers(Handle {
        reader,
        writer,
        now: Arc::new(move || now),
        stamp: Arc::new(move || Stamp {
            wall: Some(now),
            monotonic_ms: 0,
        }),
        zone: TimeZone::UTC,
        intake: vec![([127, 0, 0, 1], 1883).into()],
        intake_over_tls: Vec::new(),
        start_code: None,
        ways_out: Vec::new(),
        status: Arc::new(Vec::new),
        shutdown: CancellationToken::new(),
        look_round: Arc::new(|| Box::pin(async { Vec::new() })),
        behind_tls: false,
    })
    .plain
}

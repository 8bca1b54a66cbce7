//! The pages over a real store, asked the way a browser without scripts asks.

#[path = "pages/ask.rs"]
mod ask;
#[path = "pages/entering.rs"]
mod entering;
#[path = "pages/intake.rs"]
mod intake;
#[path = "pages/live.rs"]
mod live;
#[path = "pages/reading.rs"]
mod reading;
#[path = "pages/writing.rs"]
mod writing;

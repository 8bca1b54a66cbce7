//! The pages over a real store, asked the way a browser without scripts asks.

#[cfg(test)]
#[path = "pages/access.rs"]
mod access;
#[cfg(test)]
#[path = "pages/archive.rs"]
mod archive;
#[cfg(test)]
#[path = "pages/ask.rs"]
mod ask;
#[cfg(test)]
#[path = "pages/card.rs"]
mod card;
#[cfg(test)]
#[path = "pages/curve.rs"]
mod curve;
#[cfg(test)]
#[path = "pages/doubt.rs"]
mod doubt;
#[cfg(test)]
#[path = "pages/entering.rs"]
mod entering;
#[cfg(test)]
#[path = "pages/glance.rs"]
mod glance;
#[cfg(test)]
#[path = "pages/health.rs"]
mod health;
#[cfg(test)]
#[path = "pages/intake.rs"]
mod intake;
#[cfg(test)]
#[path = "pages/jar.rs"]
mod jar;
#[cfg(test)]
#[path = "pages/live.rs"]
mod live;
#[cfg(test)]
#[path = "pages/notices.rs"]
mod notices;
#[cfg(test)]
#[path = "pages/openapi.rs"]
mod openapi;
#[cfg(test)]
#[path = "pages/picture.rs"]
mod picture;
#[cfg(test)]
#[path = "pages/pouring.rs"]
mod pouring;
#[cfg(test)]
#[path = "pages/programs.rs"]
mod programs;
#[cfg(test)]
#[path = "pages/reading.rs"]
mod reading;
#[cfg(test)]
#[path = "pages/reckon.rs"]
mod reckon;
#[cfg(test)]
#[path = "pages/tasks.rs"]
mod tasks;
#[cfg(test)]
#[path = "pages/tilt.rs"]
mod tilt;
#[cfg(test)]
#[path = "pages/writing.rs"]
mod writing;

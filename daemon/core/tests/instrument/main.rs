//! The float as an instrument, on simulated floats whose faults are known.

mod anchoring;
mod away;
mod float;
mod shifts;
mod stillness;
mod tilt;

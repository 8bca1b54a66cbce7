//! Everything in Ebbmark that thinks.
//!
//! Plain functions over plain data: decoding a payload, correcting a hydrometer, fitting a
//! curve, giving the verdict, putting it into a sentence. What is *not* here and never will be:
//! files, sockets, threads, async, a database, a clock, environment variables, logging. Time is
//! an argument. The live daemon, `ebbmark replay` and the tests run this same code.

pub mod acid;
pub mod again;
pub mod blend;
pub mod calendar;
pub mod card;
pub mod decode;
pub mod deed;
pub mod density;
pub mod feed;
pub mod files;
pub mod fit;
pub mod gas;
mod grid;
pub mod heat;
pub mod hours;
pub mod ids;
pub mod instrument;
pub mod keep;
pub mod learn;
pub mod limits;
pub mod line;
pub mod lineage;
pub mod liquid;
pub mod look_round;
pub mod measure;
pub mod molar;
pub mod must;
pub mod notice;
pub mod nutrient;
pub mod plan;
pub mod price;
pub mod reading;
pub mod reckon;
pub mod refraction;
pub mod replay;
pub mod review;
mod root;
pub mod share;
pub mod show;
pub mod sorbate;
pub mod stock;
pub mod strength;
pub mod sulphite;
pub mod sweeten;
pub mod tasks;
pub mod text;
pub mod time;
pub mod topic;
pub mod units;
pub mod verdict;
pub mod watch;
pub mod words;

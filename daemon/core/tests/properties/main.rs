//! What must hold of every verdict, whatever the record. `PROPTEST_CASES=200 PROPTEST_RNG_SEED=7` looks longer and
//! elsewhere.

mod constant;
mod gap;
mod made;
mod order;
mod resume;
mod scale;
mod wild;

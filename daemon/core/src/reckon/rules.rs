//! The choice of rules whose limits are kept.

use super::{Choice, Field, Given};
use crate::limits::{RULES, Rules, rules};

const KEY: &str = "rules";

static CHOICES: [Choice; RULES.len()] = {
    let mut choices = [const { Choice { key: "", label: "" } }; RULES.len()];
    let mut i = 0;
    while i < RULES.len() {
        choices[i] = Choice {
            key: RULES[i].key,
            label: RULES[i].name,
        };
        i += 1;
    }
    choices
};

pub(super) const fn field() -> Field {
    Field::choice(KEY, "Limits of", &CHOICES)
        .hint("Mead may fall under other rules than wine of grapes: check where you make and sell.")
}

pub(super) fn chosen(given: &Given) -> &'static Rules {
    rules(given.choice(KEY)).unwrap_or(&RULES[0])
}

//! What a reckoning asks.

use super::known::Fact;
use crate::measure::Measure;
use crate::units::Quantity;

#[derive(Debug)]
pub struct Field {
    /// Its name in forms, commands and JSON.
    pub key: &'static str,
    pub label: &'static str,
    pub kind: Kind,
    pub need: Need,
    /// A few words below the field; may be empty.
    pub hint: &'static str,
    /// What of a vessel's record it is filled with.
    pub fill: Option<Fact>,
}

#[derive(Debug)]
pub enum Kind {
    Number(&'static Measure),
    Choice(&'static [Choice]),
    Words,
    /// Date and time.
    When,
    /// Rows of further fields, such as the parts of a blend.
    Rows {
        of: &'static [Field],
        least: usize,
        most: usize,
    },
}

#[derive(Clone, Copy, Debug)]
pub struct Choice {
    pub key: &'static str,
    pub label: &'static str,
}

/// The first is usual.
pub(super) const NO_OR_YES: &[Choice] = &[
    Choice {
        key: "no",
        label: "no",
    },
    Choice {
        key: "yes",
        label: "yes",
    },
];

#[derive(Debug)]
pub enum Need {
    Needed,
    MayBeLeft,
    /// Taken when nothing is typed and nothing is on record; as typed, so with its unit.
    Usual(&'static str),
}

impl Field {
    const fn of(key: &'static str, label: &'static str, kind: Kind) -> Field {
        Field {
            key,
            label,
            kind,
            need: Need::Needed,
            hint: "",
            fill: None,
        }
    }

    /// A quantity; needed unless said otherwise.
    pub const fn number<Q: Quantity>(key: &'static str, label: &'static str) -> Field {
        Field::of(key, label, Kind::Number(Q::MEASURE))
    }

    /// The first is usual.
    pub const fn choice(key: &'static str, label: &'static str, of: &'static [Choice]) -> Field {
        let mut field = Field::of(key, label, Kind::Choice(of));
        field.need = Need::Usual(of[0].key);
        field
    }

    /// May be left empty.
    pub const fn words(key: &'static str, label: &'static str) -> Field {
        Field::of(key, label, Kind::Words).may_be_left()
    }

    pub const fn when(key: &'static str, label: &'static str) -> Field {
        Field::of(key, label, Kind::When)
    }

    /// Needed where there is at least one.
    pub const fn rows(
        key: &'static str,
        label: &'static str,
        of: &'static [Field],
        least: usize,
        most: usize,
    ) -> Field {
        let mut field = Field::of(key, label, Kind::Rows { of, least, most });
        if least == 0 {
            field.need = Need::MayBeLeft;
        }
        field
    }

    pub const fn may_be_left(mut self) -> Field {
        self.need = Need::MayBeLeft;
        self
    }

    pub const fn usual(mut self, text: &'static str) -> Field {
        self.need = Need::Usual(text);
        self
    }

    /// Called otherwise here; the key stays.
    pub const fn label(mut self, label: &'static str) -> Field {
        self.label = label;
        self
    }

    pub const fn hint(mut self, hint: &'static str) -> Field {
        self.hint = hint;
        self
    }

    pub const fn fill(mut self, fact: Fact) -> Field {
        self.fill = Some(fact);
        self
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::reckon::ALL;

    #[test]
    fn rows_are_needed_where_one_is() {
        for field in ALL.iter().flat_map(|r| r.fields) {
            if let Kind::Rows { least, .. } = field.kind {
                assert_eq!(
                    matches!(field.need, Need::Needed),
                    least > 0,
                    "{}",
                    field.key
                );
            }
        }
    }
}

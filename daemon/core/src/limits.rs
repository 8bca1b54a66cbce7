//! What the law allows at most, by region, as far as it was read.
//!
//! Data, not advice: each figure says where it stands, the date of what was read and how sure it is.
//! Mead is not wine of grapes; which rules hold for it is for the maker's own authority to say.

use crate::units::MgPerLitre;

/// How a figure came here.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Sure {
    /// In the rule's own text, or a copy of it.
    Read,
    /// As quoted by somebody else.
    Quoted,
    /// From memory: not to be relied on.
    NotConfirmed,
}

/// The most that is allowed of one thing.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Limit {
    pub most: MgPerLitre,
    pub rule: &'static str,
    /// Of the text the figure was taken from.
    pub date: &'static str,
    pub sure: Sure,
}

/// One set of rules to choose.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Rules {
    pub key: &'static str,
    pub name: &'static str,
    /// Total sulphur dioxide, as SO₂.
    pub sulphur_dioxide: Limit,
    /// As sorbic acid.
    pub sorbic_acid: Limit,
    /// Diammonium phosphate, as the salt; none where none is known.
    pub diammonium_phosphate: Option<Limit>,
}

impl Limit {
    /// "350 mg/L, 27 CFR 4.22(b)(1) (2004)", with what is doubtful about it.
    pub fn told(&self) -> String {
        let doubt = match self.sure {
            Sure::Read => "",
            Sure::Quoted => ", as quoted by others",
            Sure::NotConfirmed => ", not confirmed; check",
        };
        format!(
            "{} mg/L, {} ({}{doubt})",
            self.most.get(),
            self.rule,
            self.date
        )
    }
}

const fn limit(most: f64, rule: &'static str, date: &'static str, sure: Sure) -> Limit {
    Limit {
        most: MgPerLitre::computed(most),
        rule,
        date,
        sure,
    }
}

/// Regulation (EU) 2019/934, Annex I Part B: by sugar, below or from 5 g/L of glucose and fructose.
const fn eu_wine(key: &'static str, name: &'static str, sulphur_dioxide: f64) -> Rules {
    Rules {
        key,
        name,
        sulphur_dioxide: limit(
            sulphur_dioxide,
            "Regulation (EU) 2019/934, Annex I Part B",
            "2019",
            Sure::Read,
        ),
        sorbic_acid: limit(200.0, "European Union, wine", "2019", Sure::Quoted),
        diammonium_phosphate: Some(limit(
            1000.0,
            "Regulation (EC) 606/2009, Annex I A",
            "2009",
            Sure::Read,
        )),
    }
}

/// Resolution OENO 9/98: by reducing matter, to or above 4 g/L.
const fn oiv_wine(key: &'static str, name: &'static str, sulphur_dioxide: f64) -> Rules {
    Rules {
        key,
        name,
        sulphur_dioxide: limit(
            sulphur_dioxide,
            "OIV resolution OENO 9/98",
            "1998",
            Sure::Read,
        ),
        sorbic_acid: limit(
            200.0,
            "OIV Code of Oenological Practices II.3.4.5",
            "undated page",
            Sure::Read,
        ),
        diammonium_phosphate: Some(limit(
            300.0,
            "OIV Code of Oenological Practices, annex A.1",
            "2015",
            Sure::Read,
        )),
    }
}

const EUROPEAN_WHITE: Rules = eu_wine(
    "eu-white-dry",
    "European Union, white grape wine below 5 g/L sugar",
    200.0,
);

/// The first is usual: mead is likest to white wine, and its figures were read.
pub static RULES: [Rules; 9] = [
    EUROPEAN_WHITE,
    Rules {
        key: "us",
        name: "United States, wine and mead",
        sulphur_dioxide: limit(350.0, "27 CFR 4.22(b)(1)", "2004 edition", Sure::Read),
        sorbic_acid: limit(300.0, "27 CFR 24.246", "undated", Sure::Quoted),
        // 8 lb in 1000 US gallons is 0.9586 g/L; the rule's own rounding, 0.96, lies above it.
        diammonium_phosphate: Some(limit(958.0, "27 CFR 24.246", "undated", Sure::Quoted)),
    },
    Rules {
        key: "eu-mead",
        name: "European Union, mead",
        sulphur_dioxide: limit(
            200.0,
            "Regulation (EC) 1333/2008, category 14.2.5",
            "from memory",
            Sure::NotConfirmed,
        ),
        sorbic_acid: limit(
            200.0,
            "Regulation (EC) 1333/2008, category 14.2.5",
            "from memory",
            Sure::NotConfirmed,
        ),
        diammonium_phosphate: None,
    },
    eu_wine(
        "eu-red-dry",
        "European Union, red grape wine below 5 g/L sugar",
        150.0,
    ),
    eu_wine(
        "eu-red-sweet",
        "European Union, red grape wine from 5 g/L sugar",
        200.0,
    ),
    eu_wine(
        "eu-white-sweet",
        "European Union, white grape wine from 5 g/L sugar",
        250.0,
    ),
    oiv_wine(
        "oiv-red-dry",
        "OIV, red grape wine up to 4 g/L sugar",
        150.0,
    ),
    oiv_wine(
        "oiv-white-dry",
        "OIV, white grape wine up to 4 g/L sugar",
        200.0,
    ),
    oiv_wine("oiv-sweet", "OIV, grape wine above 4 g/L sugar", 300.0),
];

/// The rules with this key.
pub fn rules(key: &str) -> Option<&'static Rules> {
    RULES.iter().find(|r| r.key == key)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn keys_are_distinct() {
        for (i, r) in RULES.iter().enumerate() {
            assert!(
                RULES[..i].iter().all(|other| other.key != r.key),
                "{}",
                r.key
            );
            assert_eq!(rules(r.key), Some(r));
        }
        assert_eq!(rules("atlantis"), None);
    }

    #[test]
    fn what_is_from_memory_says_so() {
        let mead = rules("eu-mead").unwrap();
        assert!(mead.sulphur_dioxide.told().contains("not confirmed"));
        assert_eq!(
            rules("us").unwrap().sulphur_dioxide.told(),
            "350 mg/L, 27 CFR 4.22(b)(1) (2004 edition)"
        );
    }
}

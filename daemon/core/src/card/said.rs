//! What has to be said to whoever drinks it.
//!
//! Sulphites: in the United States wine with 10 ppm or more of total sulphur dioxide has to declare
//! them (27 CFR 4.32(e)); in the European Union what has more than 10 mg/L (Regulation (EU)
//! 1169/2011, annex II, as quoted by safefood, "Allergy and intolerance"). The stricter reading is
//! taken: from 10 mg/L on.

use super::Sulphites;
use crate::deed::{Deed, What};
use crate::lineage::{Book, sulphur_dioxide};
use crate::units::MgPerLitre;

/// From so much total sulphur dioxide on sulphites are declared.
const DECLARED: MgPerLitre = MgPerLitre::computed(10.0);
/// Yeast alone can make more than what has to be declared.
const YEAST: &str =
    "Yeast makes some of its own, at times more than 10 mg/L: only a laboratory's figure decides.";

pub(super) fn sulphites(book: &Book) -> Sulphites {
    let added = book.given_per_litre(sulphur_dioxide);
    let none = added.is_some_and(|a| a.get() == 0.0)
        || book.given(sulphur_dioxide).is_some_and(|g| g.get() == 0.0);
    let says = match added {
        _ if none => format!("No sulphite was added, as the log says. {YEAST}"),
        Some(a) if a.get() >= DECLARED.get() => {
            format!(
                "Contains sulphites: {:.0} mg/L of sulphur dioxide were added in all. They can bring on \
                 serious reactions, above all in asthma. {YEAST}",
                a.get()
            )
        }
        Some(a) => format!(
            "{:.0} mg/L of sulphur dioxide were added in all, which is below the 10 mg/L from which \
             sulphites have to be declared. {YEAST}",
            a.get()
        ),
        None => format!(
            "How much sulphite is in it cannot be told: a volume is missing. Say that it contains \
             sulphites. {YEAST}"
        ),
    };
    Sulphites {
        added_mg_per_l: if none {
            Some(MgPerLitre::computed(0.0))
        } else {
            added
        },
        says,
    }
}

/// What it was fined with, and then what to look for.
pub(super) fn allergens(deeds: &[Deed]) -> Vec<String> {
    let fined = deeds.iter().filter(|d| d.what == What::Fine);
    let mut says: Vec<String> = fined
        .map(|d| match d.note.trim() {
            "" => "Fined with something that is not named.".to_owned(),
            note => format!("Fined: {note}."),
        })
        .collect();
    if !says.is_empty() {
        says.push(
            "Milk, egg and fish are in some finings and have to be told where your law lists them: \
             look at the packet."
                .to_owned(),
        );
    }
    says
}

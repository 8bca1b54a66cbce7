//! What has to be said to whoever drinks it.
//!
//! Sulphites: in the United States wine with 10 ppm or more of total sulphur dioxide has to declare
//! them (27 CFR 4.32(e)); in the European Union what has more than 10 mg/L (Regulation (EU)
//! 1169/2011, annex II, as quoted by safefood, "Allergy and intolerance"). The stricter reading is
//! taken: from 10 mg/L on.

use super::Sulphites;
use crate::deed::{Deed, What};
use crate::lineage::{Book, Goods, sulphur_dioxide};
use crate::units::MgPerLitre;

/// From so much total sulphur dioxide on sulphites are declared.
const DECLARED: MgPerLitre = MgPerLitre::computed(10.0);
/// Yeast alone can make more than what has to be declared.
const YEAST: &str =
    "Yeast makes some of its own, at times more than 10 mg/L: only a laboratory's figure decides.";

pub(super) fn sulphites(book: &Book) -> Sulphites {
    let given = |goods: &Goods| goods.given(sulphur_dioxide).get();
    // Asked of what ever went in: of a mead that is all poured out nothing is left in it.
    let none = given(&book.came) + given(&book.received) == 0.0;
    let added = if none {
        Some(MgPerLitre::computed(0.0))
    } else {
        per_litre(book)
    };
    let says = match added.map(MgPerLitre::get) {
        _ if none => format!("No sulphite was added, as the log says. {YEAST}"),
        Some(mg) if mg >= DECLARED.get() => format!(
            "Contains sulphites: {mg:.0} mg/L of sulphur dioxide were added in all. They can bring on \
             serious reactions, above all in asthma. {YEAST}"
        ),
        Some(mg) => format!(
            "{mg:.1} mg/L of sulphur dioxide were added in all, which is below the 10 mg/L from which \
             sulphites have to be declared. {YEAST}"
        ),
        None => format!(
            "How much sulphite is in it cannot be told: a volume is missing. Say that it contains \
             sulphites. {YEAST}"
        ),
    };
    Sulphites {
        added_mg_per_l: added,
        says,
    }
}

/// In what there is of it, or was when it was poured.
fn per_litre(book: &Book) -> Option<MgPerLitre> {
    let goods = drink(book);
    let litres = goods.liquid.volume().ok()?.get();
    let known = book.sure.volume && book.sure.shares && litres > 0.0;
    let mg = goods.given(sulphur_dioxide).get() * 1e6;
    known.then(|| MgPerLitre::computed(mg / litres))
}

/// What there is of a mead; of one that was all poured into others, that.
pub(super) fn drink(book: &Book) -> &Goods {
    if all_gone(book) {
        &book.poured
    } else {
        &book.holds
    }
}

pub(super) fn all_gone(book: &Book) -> bool {
    // Pouring leaves a last bit of a number behind: less than a milligram is nothing.
    book.holds.liquid.mass().get() < 1e-6
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

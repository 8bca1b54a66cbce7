//! Titratable acidity, and how to raise or lower it.
//!
//! | what | formula | unit |
//! |---|---|---|
//! | acidity | `lye N · lye mL / sample mL · 75.04` | g/L as tartaric acid |
//! | as another acid | `g/L · equivalent of the other / equivalent of the one` | g/L |
//! | to raise | `grams = rise · litres · equivalent / 75.04 / purity` | g |
//! | to lower | `grams = fall · litres · equivalent / 75.04`, less where cream of tartar falls out | g |
//!
//! An equivalent is the mass that gives or takes one mole of hydrogen ions (molar mass over their
//! number). What an addition does to the pH depends on what else is in the mead and is not reckoned.

use crate::molar;
use crate::units::{GramsPerLitre, Kilograms, Litres, Millilitres, Normality, Percent};

/// An acid to weigh in, or to express an acidity as.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Acid {
    Tartaric,
    Malic,
    Citric,
    CitricMonohydrate,
    Lactic,
    Acetic,
    Sulphuric,
}

impl Acid {
    /// Grams that give one mole of hydrogen ions to lye.
    pub fn equivalent(self) -> f64 {
        match self {
            Acid::Tartaric => molar::TARTARIC_ACID / 2.0,
            Acid::Malic => molar::MALIC_ACID / 2.0,
            Acid::Citric => molar::CITRIC_ACID / 3.0,
            Acid::CitricMonohydrate => molar::CITRIC_ACID_MONOHYDRATE / 3.0,
            Acid::Lactic => molar::LACTIC_ACID,
            Acid::Acetic => molar::ACETIC_ACID,
            Acid::Sulphuric => molar::SULPHURIC_ACID / 2.0,
        }
    }
}

/// A salt that takes acid away, giving off carbon dioxide.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Carbonate {
    PotassiumBicarbonate,
    PotassiumCarbonate,
    Calcium,
}

impl Carbonate {
    /// Grams that take up one mole of hydrogen ions.
    pub fn equivalent(self) -> f64 {
        match self {
            Carbonate::PotassiumBicarbonate => molar::POTASSIUM_BICARBONATE,
            Carbonate::PotassiumCarbonate => molar::POTASSIUM_CARBONATE / 2.0,
            Carbonate::Calcium => molar::CALCIUM_CARBONATE / 2.0,
        }
    }

    fn potassium(self) -> bool {
        self != Carbonate::Calcium
    }
}

/// Acidity to the end point of a titration with lye of this strength, as tartaric acid.
/// `None` for a sample of nothing.
pub fn titrated(
    sample: Millilitres,
    strength: Normality,
    lye: Millilitres,
) -> Option<GramsPerLitre> {
    let acidity = strength.get() * lye.get() / sample.get() * Acid::Tartaric.equivalent();
    acidity
        .is_finite()
        .then(|| GramsPerLitre::computed(acidity))
}

/// The same acidity said as another acid.
pub fn expressed(acidity: GramsPerLitre, of: Acid, to: Acid) -> GramsPerLitre {
    GramsPerLitre::computed(acidity.get() * to.equivalent() / of.equivalent())
}

/// Acidity in thousandths of a mole of hydrogen ions a litre.
pub fn milliequivalents(acidity: GramsPerLitre, of: Acid) -> f64 {
    acidity.get() * 1000.0 / of.equivalent()
}

/// All of it is something else than acid.
#[derive(Clone, Copy, Debug, PartialEq, Eq, thiserror::Error)]
#[error("none of it is acid")]
pub struct NoAcid;

/// Acid to weigh in to raise the acidity, as tartaric, by `rise`.
///
/// # Errors
/// A purity of nothing.
pub fn to_raise(
    rise: GramsPerLitre,
    volume: Litres,
    acid: Acid,
    purity: Percent,
) -> Result<Kilograms, NoAcid> {
    if purity.get() <= 0.0 {
        return Err(NoAcid);
    }
    let pure = expressed(rise, Acid::Tartaric, acid).get() * volume.get() / 1000.0;
    Ok(Kilograms::computed(pure * 100.0 / purity.get()))
}

/// Rise of acidity, as tartaric, from this much acid; infinite in no volume.
pub fn raised_by(mass: Kilograms, volume: Litres, acid: Acid, purity: Percent) -> GramsPerLitre {
    let pure = GramsPerLitre::computed(mass.get() * 10.0 * purity.get() / volume.get());
    expressed(pure, acid, Acid::Tartaric)
}

/// What to weigh in to lower the acidity.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Lowering {
    /// Where every ion of potassium falls out as cream of tartar, which takes a hydrogen ion with it:
    /// half of [`Lowering::most`]. Only in a mead with enough tartaric acid, and after a cold rest. The
    /// same as `most` for calcium carbonate, whose tartrate takes none.
    pub least: Kilograms,
    /// Where it only takes up hydrogen ions; honey's own acids leave it at that.
    pub most: Kilograms,
}

/// Carbonate to weigh in to lower the acidity, as tartaric, by `fall`.
pub fn to_lower(fall: GramsPerLitre, volume: Litres, with: Carbonate) -> Lowering {
    let most = fall.get() / Acid::Tartaric.equivalent() * with.equivalent() * volume.get() / 1000.0;
    let least = if with.potassium() { most / 2.0 } else { most };
    Lowering {
        least: Kilograms::computed(least),
        most: Kilograms::computed(most),
    }
}

/// Fall of acidity, as tartaric, from this much carbonate that only takes up hydrogen ions;
/// infinite in no volume.
pub fn lowered_by(mass: Kilograms, volume: Litres, with: Carbonate) -> GramsPerLitre {
    let moles = mass.get() * 1000.0 / with.equivalent() / volume.get();
    GramsPerLitre::computed(moles * Acid::Tartaric.equivalent())
}

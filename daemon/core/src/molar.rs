//! Molar masses of what is weighed out in a cellar, g/mol.
//!
//! Summed from IUPAC's abridged standard atomic weights (2021); checked against a general library
//! in `tests/additives.rs`.

const H: f64 = 1.008;
const C: f64 = 12.011;
const N: f64 = 14.007;
const O: f64 = 15.999;
const NA: f64 = 22.990;
const P: f64 = 30.974;
const S: f64 = 32.06;
const K: f64 = 39.098;
const CA: f64 = 40.078;

pub const NITROGEN: f64 = N;
pub const WATER: f64 = 2.0 * H + O;
pub const CARBON_DIOXIDE: f64 = C + 2.0 * O;
/// C₂H₆O.
pub const ETHANOL: f64 = 2.0 * C + 6.0 * H + O;
/// C₆H₁₂O₆: glucose, fructose.
pub const HEXOSE: f64 = 6.0 * C + 12.0 * H + 6.0 * O;
/// C₁₂H₂₂O₁₁.
pub const SUCROSE: f64 = 12.0 * C + 22.0 * H + 11.0 * O;
/// C₆H₁₂O₆·H₂O.
pub const GLUCOSE_MONOHYDRATE: f64 = HEXOSE + WATER;
pub const SULPHUR_DIOXIDE: f64 = S + 2.0 * O;
/// K₂S₂O₅.
pub const POTASSIUM_METABISULPHITE: f64 = 2.0 * K + 2.0 * S + 5.0 * O;
/// Na₂S₂O₅.
pub const SODIUM_METABISULPHITE: f64 = 2.0 * NA + 2.0 * S + 5.0 * O;
/// C₆H₈O₂.
pub const SORBIC_ACID: f64 = 6.0 * C + 8.0 * H + 2.0 * O;
/// C₆H₇KO₂.
pub const POTASSIUM_SORBATE: f64 = 6.0 * C + 7.0 * H + K + 2.0 * O;
/// (NH₄)₂HPO₄.
pub const DIAMMONIUM_PHOSPHATE: f64 = 2.0 * N + 9.0 * H + P + 4.0 * O;
/// C₄H₆O₆.
pub const TARTARIC_ACID: f64 = 4.0 * C + 6.0 * H + 6.0 * O;
/// C₄H₆O₅.
pub const MALIC_ACID: f64 = 4.0 * C + 6.0 * H + 5.0 * O;
/// C₆H₈O₇, without water of crystallisation.
pub const CITRIC_ACID: f64 = 6.0 * C + 8.0 * H + 7.0 * O;
/// C₆H₈O₇·H₂O, as it is mostly sold.
pub const CITRIC_ACID_MONOHYDRATE: f64 = CITRIC_ACID + 2.0 * H + O;
/// C₃H₆O₃.
pub const LACTIC_ACID: f64 = 3.0 * C + 6.0 * H + 3.0 * O;
/// C₂H₄O₂.
pub const ACETIC_ACID: f64 = 2.0 * C + 4.0 * H + 2.0 * O;
/// H₂SO₄.
pub const SULPHURIC_ACID: f64 = 2.0 * H + S + 4.0 * O;
/// KHCO₃.
pub const POTASSIUM_BICARBONATE: f64 = K + H + C + 3.0 * O;
/// K₂CO₃.
pub const POTASSIUM_CARBONATE: f64 = 2.0 * K + C + 3.0 * O;
/// CaCO₃.
pub const CALCIUM_CARBONATE: f64 = CA + C + 3.0 * O;

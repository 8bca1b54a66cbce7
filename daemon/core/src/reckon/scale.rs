//! What a kitchen scale can weigh, and how a quantity stands in a sentence.

use super::Given;
use crate::units::Quantity;

/// "20.00 L", "1.4 g", as the maker likes it.
pub(super) fn shown<Q: Quantity>(given: &Given, value: Q) -> String {
    Q::MEASURE.show(value.get(), given.asker.style.units)
}

//! The air's own pressure.

use crate::units::{BarAbsolute, Metres};

/// The standard atmosphere at sea level, bar.
pub const SEA_LEVEL: BarAbsolute = BarAbsolute::computed(1.013_25);

/// Pressure of the standard atmosphere at a height above the sea (ISO 2533, troposphere:
/// 6.5 K less for each kilometre, 288.15 K at the sea). Weather moves it by about 3 %.
pub fn at_height(height: Metres) -> BarAbsolute {
    let lapse = 0.0065 * height.get() / 288.15;
    BarAbsolute::computed(SEA_LEVEL.get() * (1.0 - lapse).powf(5.255_88))
}

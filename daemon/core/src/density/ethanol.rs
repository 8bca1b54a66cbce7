//! Ethanol in water.

/// OIML R 22 (1975), International Alcoholometric Tables: general formula; also the annex of
/// Council Directive 76/766/EEC.
const A: [f64; 12] = [
    9.982012300e2,
    -1.929769495e2,
    3.891238958e2,
    -1.668103923e3,
    1.352215441e4,
    -8.829278388e4,
    3.062874042e5,
    -6.138381234e5,
    7.470172998e5,
    -5.478461354e5,
    2.234460334e5,
    -3.903285426e4,
];
const B: [f64; 6] = [
    -2.0618513e-1,
    -5.2682542e-3,
    3.6130013e-5,
    -3.8957702e-7,
    7.1693540e-9,
    -9.9739231e-11,
];
const C1: [f64; 11] = [
    1.693443461530087e-1,
    -1.046914743455169e1,
    7.196353469546523e1,
    -7.047478054272792e2,
    3.924090430035045e3,
    -1.210164659068747e4,
    2.248646550400788e4,
    -2.605562982188164e4,
    1.852373922069467e4,
    -7.420201433430137e3,
    1.285617841998974e3,
];
const C2: [f64; 10] = [
    -1.19301300505701e-2,
    2.517399633803461e-1,
    -2.170575700536993,
    1.353034988843029e1,
    -5.029988758547014e1,
    1.09635566657757e2,
    -1.422753946421155e2,
    1.08043594285623e2,
    -4.414153236817392e1,
    7.442971530188783,
];
const C3: [f64; 9] = [
    -6.802995733503803e-4,
    1.876837790289664e-2,
    -2.002561813734156e-1,
    1.02299296671922,
    -2.895696483903638,
    4.810060584300675,
    -4.672147440794683,
    2.458043105903461,
    -5.411227621436812e-1,
];
const C4: [f64; 4] = [
    4.075376675622027e-6,
    -8.76305857347111e-6,
    6.515031360099368e-6,
    -1.51578483698721e-6,
];
const C5: [f64; 2] = [-2.788074354782409e-8, 1.345612883493354e-8];

/// Σ cᵢ·x^i for i from 1.
fn polynomial(c: &[f64], x: f64) -> f64 {
    c.iter().rev().fold(0.0, |sum, c| (sum + c) * x)
}

/// Density in kg/m³ of `mass_percent` ethanol in water at `t` °C (-20 to 40).
pub fn density(mass_percent: f64, t: f64) -> f64 {
    let p = mass_percent / 100.0;
    let d = t - 20.0;
    let mixed = [
        polynomial(&C1, p),
        polynomial(&C2, p),
        polynomial(&C3, p),
        polynomial(&C4, p),
        polynomial(&C5, p),
    ];
    A[0] + polynomial(&A[1..], p) + polynomial(&B, d) + polynomial(&mixed, d)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// USP 29 alcoholometric table (from NBS Bulletin vol. 9, pp 424-425): per cent by mass,
    /// SG 25/25 and SG 60/60 °F. Checks the temperature terms.
    #[test]
    fn usp_table_off_20() {
        use crate::density::water;
        let f60 = 5.0 / 9.0 * 28.0;
        for (mass, sg25, sg60) in [
            (4.00, 0.9927, 0.9928),
            (8.05, 0.9862, 0.9866),
            (9.68, 0.9838, 0.9843),
            (12.14, 0.9802, 0.9810),
            (16.27, 0.9744, 0.9759),
            (24.67, 0.9622, 0.9653),
        ] {
            let ours25 = density(mass, 25.0) / water::density(25.0);
            let ours60 = density(mass, f60) / water::density(f60);
            assert!(
                (ours25 - sg25).abs() < 1.2e-4,
                "{mass} %: {ours25} against {sg25}"
            );
            assert!(
                (ours60 - sg60).abs() < 1.2e-4,
                "{mass} %: {ours60} against {sg60}"
            );
        }
    }
}

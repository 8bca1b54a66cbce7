//! What a fit is given, checked and put in order.

use super::{Point, Prior, Refusal};

/// Readings at different times below which no curve is drawn.
const FEWEST: usize = 4;

/// Checked and in time order, so that the order given never shows in the answer.
pub(super) fn sorted(points: &[Point], prior: &Prior) -> Result<Vec<Point>, Refusal> {
    let nonsense = |text: String| Err(Refusal::Nonsense(text));
    for (i, p) in points.iter().enumerate() {
        if !p.days.is_finite() || p.days.abs() > 1e5 {
            return nonsense(format!(
                "reading {}: its time, {} days, is not a time",
                i + 1,
                p.days
            ));
        }
        if !(0.9..=1.3).contains(&p.gravity) {
            return nonsense(format!(
                "reading {}: gravity {} is not a gravity",
                i + 1,
                p.gravity
            ));
        }
        if !(1e-6..=0.1).contains(&p.sd) {
            return nonsense(format!("reading {}: noise {} is not a noise", i + 1, p.sd));
        }
    }
    for (name, g) in [
        ("original gravity", prior.original),
        ("expected final gravity", prior.last),
    ] {
        if !(0.9..=1.3).contains(&g.mean) || !(1e-5..=1.0).contains(&g.sd) {
            return nonsense(format!("{name} {} ± {} is not usable", g.mean, g.sd));
        }
    }
    if !(prior.ln_rate.mean.abs() < 20.0 && prior.ln_rate.sd > 1e-3 && prior.ln_rate.sd < 10.0) {
        return nonsense("the expected pace is not usable".to_owned());
    }
    if prior.last.mean >= prior.original.mean {
        return nonsense(format!(
            "the expected final gravity {:.4} is not below the original gravity {:.4}",
            prior.last.mean, prior.original.mean
        ));
    }
    let mut points: Vec<Point> = points
        .iter()
        .map(|p| Point {
            days: p.days.max(0.0),
            ..*p
        })
        .collect();
    points.sort_unstable_by(|a, b| {
        let key = |p: &Point| [p.days, p.gravity, p.sd];
        let (a, b) = (key(a), key(b));
        a[0].total_cmp(&b[0])
            .then(a[1].total_cmp(&b[1]))
            .then(a[2].total_cmp(&b[2]))
    });
    let times = 1 + points.windows(2).filter(|w| w[1].days > w[0].days).count();
    if points.is_empty() || times < FEWEST {
        return Err(Refusal::TooFew {
            have: times.min(points.len()),
            need: FEWEST,
        });
    }
    Ok(points)
}

//! A vessel's name as one level of a topic: small letters and digits, other characters as single
//! hyphens. Letters of every script stay: MQTT topics are UTF-8.
//!
//! Where two vessels' names come out the same, the one made later has its number added, so that
//! neither's verdict stands where the other's is looked for.

use std::collections::HashMap;

use ebbmark_core::ids::VesselId;
use ebbmark_store::model::Vessel;

/// The slug of every vessel in use.
pub fn slugs(vessels: &[Vessel]) -> HashMap<VesselId, String> {
    let mut in_use: Vec<&Vessel> = vessels.iter().filter(|v| !v.retired).collect();
    in_use.sort_unstable_by_key(|v| v.id);
    let mut out: HashMap<VesselId, String> = HashMap::new();
    for vessel in in_use {
        let mut slug = plain(&vessel.facts.name);
        while out.values().any(|taken| *taken == slug) {
            slug = format!("{slug}-{}", vessel.id);
        }
        out.insert(vessel.id, slug);
    }
    out
}

fn plain(name: &str) -> String {
    let mut out = String::new();
    for c in name.to_lowercase().chars() {
        if c.is_alphanumeric() {
            out.push(c);
        } else if !out.ends_with('-') && !out.is_empty() {
            out.push('-');
        }
    }
    let trimmed = out.trim_end_matches('-');
    if trimmed.is_empty() {
        "unnamed".to_owned()
    } else {
        trimmed.to_owned()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use ebbmark_store::model::VesselFacts;

    #[test]
    fn slugs_are_one_topic_level() {
        for (name, expected) in [
            ("North cask", "north-cask"),
            ("  No. 3 / left # ", "no-3-left"),
            ("Fässchen +", "fässchen"),
            ("#+/", "unnamed"),
        ] {
            assert_eq!(plain(name), expected);
        }
    }

    #[test]
    fn no_two_vessels_share_one() {
        let vessel = |id, name: &str, retired| Vessel {
            id: VesselId(id),
            facts: VesselFacts {
                name: name.into(),
                capacity: None,
                temperature_low: None,
                temperature_high: None,
                tare: None,
                place: String::new(),
            },
            retired,
            batch: None,
        };
        let mut vessels = [
            vessel(7, "Jar 4", false),
            vessel(4, "Jar!", false),
            vessel(3, "Jar", false),
            vessel(1, "jar", true),
        ];
        let of = |vessels: &[Vessel]| {
            let slugs = slugs(vessels);
            [3, 4, 7].map(|id| slugs.get(&VesselId(id)).cloned().unwrap_or_default())
        };
        assert_eq!(of(&vessels), ["jar", "jar-4", "jar-4-7"]);
        vessels[2].retired = true;
        assert_eq!(of(&vessels), ["", "jar", "jar-4"]);
    }
}

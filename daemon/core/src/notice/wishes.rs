//! What the maker wants told, by which way, and when.

use std::collections::{BTreeMap, BTreeSet};

use serde::{Deserialize, Serialize};

use super::NoticeKind;
use super::quiet::Quiet;
use super::summary::Schedule;
use crate::ids::VesselId;

/// What he chose. The default is everything by every way at any hour, and no summary.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(default, rename_all = "kebab-case")]
pub struct Wishes {
    /// By way: the kinds that are not sent by it. What is left out, not what is chosen, so that a way
    /// set up later, or a kind that comes with a later version, is on until he says otherwise.
    pub without: BTreeMap<String, BTreeSet<NoticeKind>>,
    /// Vessels that are not as the cellar.
    pub vessels: BTreeMap<VesselId, OfVessel>,
    pub quiet: Option<Quiet>,
    pub summary: Option<Schedule>,
}

/// A vessel that deviates.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum OfVessel {
    /// What the cellar sends, by these ways only.
    Only(BTreeSet<String>),
    /// Its notices stand on the page and nowhere else.
    None,
}

impl Wishes {
    /// Which of all the ways a notice goes by.
    pub fn ways(&self, kind: NoticeKind, vessel: Option<VesselId>, all: &[String]) -> Vec<String> {
        let deviates = vessel.and_then(|id| self.vessels.get(&id));
        all.iter()
            .filter(|way| self.sends(kind, way))
            .filter(|way| match deviates {
                None => true,
                Some(OfVessel::Only(ways)) => ways.contains(*way),
                Some(OfVessel::None) => false,
            })
            .cloned()
            .collect()
    }

    /// Whether the cellar sends this kind by this way.
    pub fn sends(&self, kind: NoticeKind, way: &str) -> bool {
        !self
            .without
            .get(way)
            .is_some_and(|kinds| kinds.contains(&kind))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn everything_everywhere_until_he_says_otherwise() {
        let all = ["log", "mail", "bell"].map(str::to_owned);
        let jar = Some(VesselId(3));
        let mut wishes = Wishes::default();
        let ways = |w: &Wishes, kind, vessel| w.ways(kind, vessel, &all);
        for kind in NoticeKind::ALL {
            assert_eq!(ways(&wishes, kind, jar), all);
        }
        let bell = BTreeSet::from([NoticeKind::Settled]);
        wishes.without.insert("bell".to_owned(), bell);
        assert_eq!(ways(&wishes, NoticeKind::Settled, jar), ["log", "mail"]);
        assert_eq!(ways(&wishes, NoticeKind::Stuck, None), all);
        // Of what the cellar sends, by these only.
        let only = OfVessel::Only(BTreeSet::from(["bell".to_owned()]));
        wishes.vessels.insert(VesselId(3), only);
        assert_eq!(ways(&wishes, NoticeKind::Stuck, jar), ["bell"]);
        assert!(ways(&wishes, NoticeKind::Settled, jar).is_empty());
        assert_eq!(ways(&wishes, NoticeKind::Stuck, Some(VesselId(4))), all);
        wishes.vessels.insert(VesselId(3), OfVessel::None);
        assert!(ways(&wishes, NoticeKind::Stuck, jar).is_empty());

        let kept = serde_json::to_string(&wishes).unwrap();
        assert_eq!(serde_json::from_str::<Wishes>(&kept).unwrap(), wishes);
        assert_eq!(
            serde_json::from_str::<Wishes>("{}").unwrap(),
            Wishes::default()
        );
    }
}

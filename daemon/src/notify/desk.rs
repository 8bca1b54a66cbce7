//! Where letters are put together from notices: what is known of their vessels, and the pictures.

use std::collections::{BTreeSet, HashMap};

use ebbmark_core::ids::VesselId;
use ebbmark_core::notice::NoticeKind;
use ebbmark_core::text::Style;
use ebbmark_core::time::Moment;
use ebbmark_core::units::Preferences;
use ebbmark_store::model::{DueDelivery, Notice};
use ebbmark_store::{Reader, StoreError};
use ebbmark_web::link::Links;
use ebbmark_web::picture;
use jiff::tz::TimeZone;

use super::letter::{About, Curve, Desk, Letter, one_line};
use crate::slug;

/// Pictures in one letter: more would be no help, and a mail server has its limit.
const PICTURES: usize = 3;

/// What letters are made from, besides the notices.
pub struct Means<'a> {
    pub reader: &'a Reader,
    pub links: Option<&'a Links>,
    pub now: Moment,
    pub zone: &'a TimeZone,
    pub units: Preferences,
    pub pictures: bool,
}

impl Means<'_> {
    /// One letter for each message. Blocks: pictures take a moment.
    ///
    /// # Errors
    /// The store could not be read.
    pub fn letters(
        &self,
        messages: Vec<Vec<DueDelivery>>,
    ) -> Result<Vec<(Letter, Vec<DueDelivery>)>, StoreError> {
        let desk = Desk {
            now: self.now,
            style: Style {
                units: self.units,
                zone: self.zone,
            },
            links: self.links,
        };
        let about = self.about(&messages)?;
        let mut letters = Vec::with_capacity(messages.len());
        for deliveries in messages {
            let mut shown = BTreeSet::new();
            let mut each = Vec::with_capacity(deliveries.len());
            for delivery in &deliveries {
                let notice = &delivery.notice;
                let about = notice.vessel.and_then(|id| about.get(&id));
                let curves = self.curves(notice, &mut shown)?;
                each.push(Letter::new(notice, about, curves, &desk));
            }
            let letter = match <[Letter; 1]>::try_from(each) {
                Ok([one]) => one,
                Err(several) => Letter::several(several, &desk),
            };
            letters.push((letter, deliveries));
        }
        Ok(letters)
    }

    fn about(&self, messages: &[Vec<DueDelivery>]) -> Result<HashMap<VesselId, About>, StoreError> {
        let wanted: BTreeSet<VesselId> = messages
            .iter()
            .flatten()
            .filter_map(|d| d.notice.vessel)
            .collect();
        let vessels = self.reader.vessels()?;
        let slugs = slug::slugs(&vessels);
        let mut about = HashMap::new();
        for vessel in vessels.into_iter().filter(|v| wanted.contains(&v.id)) {
            let Some(slug) = slugs.get(&vessel.id).cloned() else {
                continue;
            };
            let judged = self.reader.verdict(vessel.id)?;
            let of_this_mead =
                judged.filter(|j| vessel.batch.as_ref().is_some_and(|b| b.id == j.batch));
            let name = one_line(&vessel.facts.name);
            let gravity = of_this_mead.and_then(|j| j.verdict.gravity);
            about.insert(
                vessel.id,
                About {
                    name,
                    slug,
                    gravity,
                },
            );
        }
        Ok(about)
    }

    /// Pictures for this notice, of vessels that are not `shown` in its letter yet.
    fn curves(
        &self,
        notice: &Notice,
        shown: &mut BTreeSet<VesselId>,
    ) -> Result<Vec<Curve>, StoreError> {
        if !self.pictures {
            return Ok(Vec::new());
        }
        let vessels = match (notice.kind, notice.vessel) {
            (NoticeKind::Summary, _) => self.wanting_something()?,
            (kind, Some(vessel)) if kind.is_about_the_curve() => vec![vessel],
            _ => Vec::new(),
        };
        let mut curves = Vec::new();
        for vessel in vessels {
            if shown.len() >= PICTURES || !shown.insert(vessel) {
                continue;
            }
            match picture::of_vessel(self.reader, vessel, self.now, self.zone, self.units) {
                Ok(Some(picture)) => curves.push(Curve {
                    png: picture.png.into(),
                    says: one_line(&picture.says),
                    width: picture.width,
                }),
                Ok(None) => {}
                // Words without the picture are better than none.
                Err(error) => tracing::warn!(%vessel, %error, "no picture for a notice"),
            }
        }
        Ok(curves)
    }

    /// Vessels with a notice that stands unanswered, then those with something to do now.
    fn wanting_something(&self) -> Result<Vec<VesselId>, StoreError> {
        let standing = self.reader.standing()?.into_iter();
        let mut vessels: Vec<VesselId> = standing
            .filter(|n| n.seen.is_none() && n.kind.lasts())
            .filter_map(|n| n.vessel)
            .collect();
        let style = Style {
            units: self.units,
            zone: self.zone,
        };
        for one in self.reader.to_do(self.now, &style)? {
            if one.tasks.iter().any(|t| t.is_due(self.now)) {
                vessels.push(one.vessel.id);
            }
        }
        Ok(vessels)
    }
}

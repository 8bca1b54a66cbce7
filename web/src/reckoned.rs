//! What page, form and programs share of a reckoning: which one is meant, for which vessel, with
//! which fields, and what is on record to fill the rest.

use ebbmark_core::ids::VesselId;
use ebbmark_core::reckon::{self, Asked, Asker, Known, Reckoning, Refusal, Told, Which};
use ebbmark_core::text::Style;
use ebbmark_core::time::Moment;
use ebbmark_core::units::Preferences;
use ebbmark_store::Reader;
use ebbmark_store::StoreError;
use ebbmark_store::model::Vessel;
use jiff::tz::TimeZone;

use crate::app::App;
use crate::fault::Fault;
use crate::visitor::Visitor;

/// A reckoning as somebody asks for it.
pub(crate) struct Wanted {
    pub reckoning: &'static Reckoning,
    pub vessel: Option<Vessel>,
    pub known: Known,
    pub asked: Asked,
    pub despite: String,
    pub by: By,
}

/// Who asks: whose units and clock.
#[derive(Clone)]
pub(crate) struct By {
    pub now: Moment,
    pub units: Preferences,
    pub zone: TimeZone,
}

impl By {
    pub fn visitor(visitor: &Visitor) -> By {
        By {
            now: visitor.now,
            units: visitor.prefs,
            zone: visitor.zone.clone(),
        }
    }

    /// Whatever the maker prefers on the page, so that an answer does not change with a setting.
    pub fn program(visitor: &Visitor) -> By {
        By {
            units: Preferences::USUAL,
            ..By::visitor(visitor)
        }
    }

    pub fn asker(&self) -> Asker<'_> {
        Asker {
            now: self.now,
            style: Style {
                units: self.units,
                zone: &self.zone,
            },
        }
    }
}

impl Wanted {
    /// # Errors
    /// There is no such reckoning or vessel, or the store broke.
    pub async fn load(
        app: &App,
        key: &str,
        vessel: Option<VesselId>,
        fields: Vec<(String, String)>,
        by: By,
    ) -> Result<Wanted, Fault> {
        let reckoning = reckon::find(key).ok_or_else(|| Fault::missing("reckoning"))?;
        let (vessel, known) = match vessel {
            None => (None, Known::default()),
            Some(id) => {
                let by = by.clone();
                let found = app.read(move |reader| on_record(reader, id, &by)).await?;
                let (vessel, known) = found.ok_or_else(|| Fault::missing("vessel"))?;
                (Some(vessel), known)
            }
        };
        let (mut despite, mut asked) = (String::new(), Vec::new());
        for (name, text) in fields {
            if name == reckon::DESPITE {
                despite = text;
            } else {
                asked.push((name, text));
            }
        }
        Ok(Wanted {
            reckoning,
            vessel,
            known,
            asked: Asked::new(asked),
            despite,
            by,
        })
    }

    pub fn reckon(&self) -> Result<Told, Refusal> {
        let asker = self.by.asker();
        reckon::reckon(
            self.reckoning,
            &self.asked,
            &self.despite,
            &self.known,
            &asker,
        )
    }

    /// The gate in its way, with why it is shut.
    pub fn shut(&self) -> Option<(Which, &str)> {
        let which = self.reckoning.gate?;
        let gate = which.of(self.known.gates.as_ref()?);
        (!gate.open).then_some((which, gate.why.as_str()))
    }
}

fn on_record(
    reader: &Reader,
    id: VesselId,
    by: &By,
) -> Result<Option<(Vessel, Known)>, StoreError> {
    let Some(vessel) = reader.vessel(id)? else {
        return Ok(None);
    };
    let known = reader.known(id, &by.asker())?;
    Ok(Some((vessel, known)))
}

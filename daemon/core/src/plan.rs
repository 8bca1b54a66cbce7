//! What the maker means to make. All of it may be left open; what is said asks for tasks
//! ([`crate::tasks`]).

use serde::{Deserialize, Serialize};

use crate::units::{AbvPercent, Gravity};
use crate::words::{self, LONGEST_NAME};

/// Most nutrient steps that can be planned.
pub const MOST_STEPS: u8 = 6;
/// Most fruits and spices that go in and come out again.
pub const MOST_STEEPS: usize = 2;
/// Nothing steeps for longer than two years, or is left floating for longer than two months.
pub const MOST_DAYS: u16 = 730;
pub const MOST_PUSH: u8 = 60;
/// Days between two times the fruit is pushed down, where nothing else is said: what floats dries
/// out and moulds within days. Common practice, no source.
pub const PUSH_EVERY: u8 = 2;

#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case", default)]
pub struct Plan {
    /// Gravity it is to have in the glass.
    pub gravity: Option<Gravity>,
    pub strength: Option<AbvPercent>,
    /// In the maker's own words.
    pub style: String,
    pub nutrient: Option<Nutrient>,
    /// Stir the gas out each day at the beginning.
    pub rouse: bool,
    /// Fruit or spice that goes in and comes out again.
    pub steeps: Vec<Steep>,
    pub finish: Option<Finish>,
    /// Clear it with something that is stirred in.
    pub fine: bool,
    pub pack: Option<Pack>,
    pub sparkling: bool,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Nutrient {
    /// 1 to [`MOST_STEPS`].
    pub steps: u8,
    pub by: By,
}

/// What tells when the next nutrient is due.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum By {
    /// The share of the sugar that is used up.
    Sugar,
    /// Hours after the pitch.
    Hours,
}

#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Steep {
    /// As the line of the log names it when it goes in.
    pub name: String,
    /// Days it stays in; without them nobody is told to take it out.
    pub days: Option<u16>,
    /// Days between two times it is pushed down; 0 for what does not float.
    pub push_every: u8,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Finish {
    /// As it comes out of the fall.
    Dry,
    /// Stabilised, and sweetened after the wait.
    Sweetened,
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Pack {
    Keg,
    Bottle,
}

impl Plan {
    /// Of a plan that did not come through the form.
    ///
    /// # Errors
    /// What in it cannot be meant, and where.
    pub fn check(&self) -> Result<(), String> {
        self.gravity
            .map_or(Ok(()), |g| Gravity::new(g.get()).map(drop))
            .map_err(|e| format!("gravity: {e}"))?;
        self.strength
            .map_or(Ok(()), |s| AbvPercent::new(s.get()).map(drop))
            .map_err(|e| format!("strength: {e}"))?;
        let is_fit = |words: &str, most| words::kept(words, most).is_ok_and(|kept| kept == words);
        if !is_fit(&self.style, LONGEST_NAME) {
            return Err(format!("style: at most {LONGEST_NAME} plain characters"));
        }
        if let Some(nutrient) = self.nutrient
            && !(1..=MOST_STEPS).contains(&nutrient.steps)
        {
            return Err(format!("nutrient/steps: 1 to {MOST_STEPS}"));
        }
        if self.steeps.len() > MOST_STEEPS {
            return Err(format!("steeps: at most {MOST_STEEPS}"));
        }
        for (n, steep) in self.steeps.iter().enumerate() {
            if steep.name.trim().is_empty() || !is_fit(&steep.name, LONGEST_NAME) {
                return Err(format!(
                    "steeps/{n}/name: 1 to {LONGEST_NAME} plain characters"
                ));
            }
            if steep.days.is_some_and(|d| !(1..=MOST_DAYS).contains(&d)) {
                return Err(format!("steeps/{n}/days: 1 to {MOST_DAYS}"));
            }
            if steep.push_every > MOST_PUSH {
                return Err(format!("steeps/{n}/push-every: 0 to {MOST_PUSH}"));
            }
        }
        Ok(())
    }

    pub fn is_empty(&self) -> bool {
        *self == Plan::default()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_an_earlier_program_wrote_can_be_read() {
        let plan: Plan = serde_json::from_str("{}").unwrap();
        assert!(plan.is_empty());
        let text = r#"{"style":"dry, on figs","nutrient":{"steps":2,"by":"sugar"},
            "steeps":[{"name":"figs","days":21,"push-every":2}],"finish":"dry","pack":"keg"}"#;
        let plan: Plan = serde_json::from_str(text).unwrap();
        assert_eq!(plan.steeps[0].days, Some(21));
        assert_eq!(plan.pack, Some(Pack::Keg));
        let again: Plan = serde_json::from_str(&serde_json::to_string(&plan).unwrap()).unwrap();
        assert_eq!(again, plan);
    }

    #[test]
    fn a_plan_from_elsewhere_says_what_cannot_be_meant() {
        let refused = |text: &str| {
            let plan: Plan = serde_json::from_str(text).unwrap();
            plan.check().unwrap_err()
        };
        assert!(refused(r#"{"gravity": 4}"#).starts_with("gravity: "));
        assert!(refused(r#"{"strength": -1}"#).starts_with("strength: "));
        assert!(refused(r#"{"nutrient": {"steps": 0, "by": "sugar"}}"#).contains("1 to 6"));
        let figs = |rest: &str| format!(r#"{{"steeps": [{{"name": "figs", {rest}}}]}}"#);
        assert!(refused(&figs(r#""days": 0, "push-every": 2"#)).starts_with("steeps/0/days"));
        assert!(refused(&figs(r#""push-every": 61"#)).starts_with("steeps/0/push-every"));
        let plan: Plan = serde_json::from_str(&figs(r#""push-every": 0"#)).unwrap();
        assert_eq!(plan.check(), Ok(()));
    }
}

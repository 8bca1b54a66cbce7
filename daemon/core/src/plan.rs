//! What the maker means to make. All of it may be left open; what is said asks for tasks
//! ([`crate::tasks`]).

use serde::{Deserialize, Serialize};

use crate::deed::{Deed, Dose, What};
use crate::units::{AbvPercent, Gravity, Kilograms, MassPercent};
use crate::words::{self, LONGEST_NAME};

/// Most nutrient steps that can be planned.
pub const MOST_STEPS: u8 = 6;
/// Most fruits and spices that go in and come out again.
pub const MOST_STEEPS: usize = 6;
/// Most things that are planned to go in.
pub const MOST_GOODS: usize = 60;
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
    /// What is to be weighed in.
    #[serde(skip_serializing_if = "Vec::is_empty")]
    pub goods: Vec<Planned>,
}

/// The steps at which something can be planned to go in.
pub const GOES_IN: [What; 6] = [
    What::Pitch,
    What::Nutrient,
    What::Addition,
    What::Sweeten,
    What::Fine,
    What::Carbonate,
];

/// Something to be weighed in, and at which step.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub struct Planned {
    /// One of [`GOES_IN`].
    pub with: What,
    #[serde(flatten)]
    pub dose: Dose,
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
        if self.goods.len() > MOST_GOODS {
            return Err(format!("goods: at most {MOST_GOODS}"));
        }
        for (n, good) in self.goods.iter().enumerate() {
            if !GOES_IN.contains(&good.with) {
                let all = GOES_IN.map(What::key).join(", ");
                return Err(format!("goods/{n}/with: one of {all}"));
            }
            if !is_fit(&good.dose.name, LONGEST_NAME) {
                return Err(format!(
                    "goods/{n}/name: at most {LONGEST_NAME} plain characters"
                ));
            }
            Kilograms::new(good.dose.mass.get()).map_err(|e| format!("goods/{n}/mass: {e}"))?;
            good.dose
                .extract
                .map_or(Ok(()), |e| MassPercent::new(e.get()).map(drop))
                .map_err(|e| format!("goods/{n}/extract: {e}"))?;
        }
        Ok(())
    }

    pub fn is_empty(&self) -> bool {
        *self == Plan::default()
    }

    /// What has not gone in yet as far as the log tells, by step: all that goes in with the yeast
    /// until something did, nutrient one dose after the other, of the rest each thing that is not
    /// in.
    pub fn to_go_in(&self, deeds: &[Deed]) -> Vec<(What, Vec<Dose>)> {
        let left = |with: What| {
            let planned = self.goods.iter().filter(|g| g.with == with);
            let planned: Vec<&Dose> = planned.map(|g| &g.dose).collect();
            let done = deeds.iter().filter(|d| d.what == with);
            let given: Vec<&Dose> = done.flat_map(|d| &d.doses).collect();
            match with {
                What::Pitch if given.is_empty() => planned,
                What::Pitch => Vec::new(),
                What::Nutrient => planned.into_iter().skip(given.len()).take(1).collect(),
                _ => {
                    let is_in = |dose: &Dose| given.iter().any(|g| same(g, dose));
                    planned.into_iter().filter(|d| !is_in(d)).collect()
                }
            }
        };
        let steps = GOES_IN.map(|with| (with, left(with).into_iter().cloned().collect()));
        steps
            .into_iter()
            .filter(|(_, d): &(What, Vec<Dose>)| !d.is_empty())
            .collect()
    }
}

fn same(a: &Dose, b: &Dose) -> bool {
    a.of == b.of && a.name.trim().to_lowercase() == b.name.trim().to_lowercase()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::deed::Substance;
    use crate::time::Moment;

    #[test]
    fn what_an_earlier_program_wrote_can_be_read() {
        let plan: Plan = serde_json::from_str("{}").unwrap();
        assert!(plan.is_empty());
        let text = r#"{"style":"dry, on figs","nutrient":{"steps":2,"by":"sugar"},
            "steeps":[{"name":"figs","days":21,"push-every":2}],"finish":"dry","pack":"keg"}"#;
        let plan: Plan = serde_json::from_str(text).unwrap();
        assert_eq!(plan.steeps[0].days, Some(21));
        assert_eq!(plan.pack, Some(Pack::Keg));
        assert!(plan.goods.is_empty());
        let again: Plan = serde_json::from_str(&serde_json::to_string(&plan).unwrap()).unwrap();
        assert_eq!(again, plan);
    }

    #[test]
    fn goods_read_back() {
        let text = r#"{"goods":[{"with":"pitch","of":"honey","mass":6.2,"name":"linden","extract":82.0},
            {"with":"nutrient","of":"nutrient","mass":0.005}]}"#;
        let plan: Plan = serde_json::from_str(text).unwrap();
        assert_eq!(plan.goods[0].dose.name, "linden");
        assert_eq!(plan.goods[1].with, What::Nutrient);
        let again: Plan = serde_json::from_str(&serde_json::to_string(&plan).unwrap()).unwrap();
        assert_eq!(again, plan);
    }

    #[test]
    fn what_has_not_gone_in_yet() {
        let kg = crate::units::Kilograms::computed;
        let dose = |of, name: &str, mass| Dose {
            name: name.to_owned(),
            ..Dose::of(of, kg(mass))
        };
        let planned = |with, dose| Planned { with, dose };
        let honey = dose(Substance::Honey, "linden", 6.0);
        let fig = dose(Substance::Fruit, "Fig", 1.2);
        let cherry = dose(Substance::Fruit, "cherry", 2.0);
        let [first, second] = [0.004, 0.006].map(|m| Dose::of(Substance::Nutrient, kg(m)));
        let plan = Plan {
            goods: vec![
                planned(What::Pitch, honey.clone()),
                planned(What::Pitch, Dose::of(Substance::Water, kg(15.0))),
                planned(What::Nutrient, first.clone()),
                planned(What::Nutrient, second.clone()),
                planned(What::Addition, fig.clone()),
                planned(What::Addition, cherry.clone()),
            ],
            ..Plan::default()
        };
        let did = |what, doses: &[&Dose]| Deed {
            doses: doses.iter().copied().cloned().collect(),
            ..Deed::new(Moment(0), what)
        };
        let left = |deeds: &[Deed]| {
            let left = plan.to_go_in(deeds).into_iter();
            left.map(|(with, doses)| (with, doses.len()))
                .collect::<Vec<_>>()
        };
        // Pitched without a word of what went in: it is still asked.
        let mut deeds = vec![did(What::Pitch, &[])];
        assert_eq!(
            left(&deeds),
            [(What::Pitch, 2), (What::Nutrient, 1), (What::Addition, 2)]
        );
        deeds.push(did(What::Pitch, &[&honey]));
        deeds.push(did(What::Nutrient, &[&first]));
        deeds.push(did(What::Addition, &[&dose(Substance::Fruit, " fig", 1.0)]));
        assert_eq!(
            plan.to_go_in(&deeds),
            [
                (What::Nutrient, vec![second.clone()]),
                (What::Addition, vec![cherry.clone()])
            ]
        );
        deeds.push(did(What::Nutrient, &[&second]));
        deeds.push(did(What::Addition, &[&cherry]));
        assert_eq!(plan.to_go_in(&deeds), []);
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
        let good = |rest: &str| format!(r#"{{"goods": [{{"of": "honey", {rest}}}]}}"#);
        assert!(refused(&good(r#""with": "rack", "mass": 1"#)).starts_with("goods/0/with"));
        assert!(refused(&good(r#""with": "pitch", "mass": -1"#)).starts_with("goods/0/mass"));
        let sweet = good(r#""with": "pitch", "mass": 1, "extract": 101"#);
        assert!(refused(&sweet).starts_with("goods/0/extract"));
        let plan: Plan = serde_json::from_str(&figs(r#""push-every": 0"#)).unwrap();
        assert_eq!(plan.check(), Ok(()));
    }
}

//! What things cost the maker: a list of prices, each valid from a day on, so that the card of last
//! year's mead stays what it was when honey gets dearer.
//!
//! Money is a plain number in the maker's own; nothing is converted.

use crate::deed::{Dose, Substance};
use crate::time::Moment;
use crate::units::Litres;

/// Something that is bought.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Good {
    /// By weight.
    Given(Substance),
    /// By the piece, with what closes it.
    Bottle,
}

impl Good {
    const BOTTLE: &'static str = "bottle";

    pub fn key(self) -> &'static str {
        match self {
            Good::Given(of) => of.key(),
            Good::Bottle => Good::BOTTLE,
        }
    }

    pub fn from_key(key: &str) -> Option<Good> {
        if key == Good::BOTTLE {
            return Some(Good::Bottle);
        }
        Substance::from_key(key).map(Good::Given)
    }

    pub fn label(self) -> &'static str {
        match self {
            Good::Given(of) => of.label(),
            Good::Bottle => Good::BOTTLE,
        }
    }
}

/// What was paid, as it stands on the bill.
#[derive(Clone, Debug, PartialEq)]
pub struct Price {
    pub of: Good,
    /// Whose price it is among its kind ("linden"); empty for all that have none of their own.
    pub name: String,
    pub paid: f64,
    /// For so much: kilograms, or pieces of what is counted. Above nothing.
    pub amount: f64,
    /// Valid for what was put in from then on.
    pub since: Moment,
}

impl Price {
    fn each(&self) -> f64 {
        self.paid / self.amount
    }
}

/// The maker's money and the prices in it.
#[derive(Clone, Debug, PartialEq)]
pub struct Prices {
    /// What the money is called; empty until the maker said.
    pub money: String,
    /// What goes into one bottle.
    pub bottle: Litres,
    /// In any order.
    pub list: Vec<Price>,
}

/// The usual wine bottle.
pub const USUAL_BOTTLE: Litres = Litres::computed(0.75);

impl Default for Prices {
    fn default() -> Self {
        Prices {
            money: String::new(),
            bottle: USUAL_BOTTLE,
            list: Vec::new(),
        }
    }
}

impl Prices {
    /// What a dose cost that was put in at this time; `None` where the list has no price of it from
    /// before. Water costs nothing unless the list says so.
    pub fn of(&self, dose: &Dose, at: Moment) -> Option<f64> {
        let good = Good::Given(dose.of);
        let own = self.latest(good, &dose.name, at);
        let price = own.or_else(|| self.latest(good, "", at));
        match price {
            Some(price) => Some(price.each() * dose.mass.get()),
            None => (dose.of == Substance::Water).then_some(0.0),
        }
    }

    /// Of one bottle.
    pub fn of_bottle(&self, at: Moment) -> Option<f64> {
        self.latest(Good::Bottle, "", at).map(Price::each)
    }

    fn latest(&self, of: Good, name: &str, at: Moment) -> Option<&Price> {
        let name = name.trim().to_lowercase();
        let fits = |p: &&Price| p.of == of && p.name.trim().to_lowercase() == name && p.since <= at;
        self.list.iter().filter(fits).max_by_key(|p| p.since)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::time::Span;
    use crate::units::Kilograms;

    const DAY: Moment = Moment(1_772_000_000_000);

    fn price(of: Good, name: &str, paid: f64, amount: f64, days: i64) -> Price {
        Price {
            of,
            name: name.to_owned(),
            paid,
            amount,
            since: DAY + Span::days(days),
        }
    }

    fn dose(of: Substance, name: &str, kg: f64) -> Dose {
        Dose {
            name: name.to_owned(),
            ..Dose::of(of, Kilograms::new(kg).unwrap())
        }
    }

    /// Invented prices.
    #[test]
    fn the_price_of_its_day_and_name() {
        let honey = Good::Given(Substance::Honey);
        let prices = Prices {
            list: vec![
                price(honey, "", 30.0, 5.0, 0),
                price(honey, "Linden", 45.0, 5.0, 0),
                price(honey, "linden", 60.0, 5.0, 10),
                price(Good::Bottle, "", 12.0, 24.0, 0),
            ],
            ..Prices::default()
        };
        let linden = dose(Substance::Honey, " linden", 2.0);
        let cost = |dose: &Dose, days| prices.of(dose, DAY + Span::days(days));
        assert_eq!(cost(&linden, -1), None);
        assert_eq!(cost(&linden, 0), Some(18.0));
        assert_eq!(cost(&linden, 9), Some(18.0));
        assert_eq!(cost(&linden, 10), Some(24.0));
        assert_eq!(
            cost(&dose(Substance::Honey, "heather", 2.0), 10),
            Some(12.0)
        );
        assert_eq!(cost(&dose(Substance::Fruit, "figs", 2.0), 10), None);
        assert_eq!(cost(&dose(Substance::Water, "", 9.0), 10), Some(0.0));
        assert_eq!(prices.of_bottle(DAY), Some(0.5));
    }

    #[test]
    fn keys_read_back() {
        let all = Substance::ALL.map(Good::Given);
        for good in all.into_iter().chain([Good::Bottle]) {
            assert_eq!(Good::from_key(good.key()), Some(good));
        }
    }
}

//! What things cost the maker.

use ebbmark_core::price::{Prices, USUAL_BOTTLE};
use ebbmark_core::units::Litres;
use rusqlite::Connection;

use crate::error::StoreError;
use crate::reader::setting;
use crate::{Reader, rows};

/// What the maker's money is called.
pub const MONEY_SETTING: &str = "money";
/// What goes into one of the maker's bottles, litres.
pub const BOTTLE_SETTING: &str = "bottle";

impl Reader {
    /// The maker's money, his bottle and the list of prices, in order of what they are for, the
    /// latest first.
    pub fn prices(&self) -> Result<Prices, StoreError> {
        self.with(|conn| all(conn))
    }
}

pub fn all(conn: &Connection) -> rusqlite::Result<Prices> {
    let bottle = setting(conn, BOTTLE_SETTING)?.and_then(|text| text.parse().ok());
    let list = conn
        .prepare_cached(&format!(
            "SELECT {} FROM price ORDER BY good, name, since DESC",
            rows::PRICE
        ))?
        .query_map([], rows::price)?
        .collect::<rusqlite::Result<_>>()?;
    Ok(Prices {
        money: setting(conn, MONEY_SETTING)?.unwrap_or_default(),
        bottle: bottle
            .and_then(|litres| Litres::new(litres).ok())
            .unwrap_or(USUAL_BOTTLE),
        list,
    })
}

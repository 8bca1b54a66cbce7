//! The list of prices.

use ebbmark_core::price::{Good, Price};
use ebbmark_core::time::Moment;
use rusqlite::params;

use super::{Tx, refuse};
use crate::error::StoreError;
use crate::model::Done;

/// One of the same day stands in place of the one before.
pub fn set(tx: &Tx<'_>, price: &Price) -> Result<Done, StoreError> {
    if !(price.paid >= 0.0 && price.paid.is_finite()) {
        return refuse("what was paid has to be a number, and not below nothing");
    }
    if !(price.amount > 0.0 && price.amount.is_finite()) {
        return refuse("a price is for an amount above nothing");
    }
    tx.conn
        .prepare_cached(
            "INSERT INTO price (good, name, since, paid, amount) VALUES (?1, ?2, ?3, ?4, ?5) \
             ON CONFLICT DO UPDATE SET paid = excluded.paid, amount = excluded.amount",
        )?
        .execute(params![
            price.of.key(),
            price.name.trim(),
            price.since.0,
            price.paid,
            price.amount
        ])?;
    Ok(Done::Nothing)
}

pub fn strike(tx: &Tx<'_>, of: Good, name: &str, since: Moment) -> Result<Done, StoreError> {
    tx.conn
        .prepare_cached("DELETE FROM price WHERE good = ?1 AND name = ?2 AND since = ?3")?
        .execute(params![of.key(), name, since.0])?;
    Ok(Done::Nothing)
}

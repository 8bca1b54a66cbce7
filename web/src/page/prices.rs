//! What honey, fruit and bottles cost: what the cost on a mead's card is reckoned from.

use axum::extract::{Query, State};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use ebbmark_core::deed::Substance;
use ebbmark_core::price::{Good, Price, Prices};
use ebbmark_core::units::Kilograms;
use maud::{Markup, html};

use super::field::Sheet;
use super::{Asked, Here, done, shell, why_no_forms};
use crate::app::App;
use crate::fault::Fault;
use crate::form::{Draft, local_text};
use crate::show::as_heading;
use crate::visitor::{Looking, Visitor};

pub(crate) const PRICE_FORM: &str = "price";
pub(crate) const MONEY_FORM: &str = "money";
const STRIKE_FORM: &str = "strike";

pub(crate) async fn show(
    State(app): State<App>,
    Looking(visitor): Looking,
    Query(asked): Query<Asked>,
) -> Result<Markup, Fault> {
    page(&app, &visitor, None, asked.done.as_deref()).await
}

pub(crate) async fn again(app: &App, visitor: &Visitor, draft: &Draft) -> Result<Response, Fault> {
    let markup = page(app, visitor, Some(draft), None).await?;
    Ok((StatusCode::UNPROCESSABLE_ENTITY, markup).into_response())
}

async fn page(
    app: &App,
    visitor: &Visitor,
    draft: Option<&Draft>,
    done_key: Option<&str>,
) -> Result<Markup, Fault> {
    let prices = app.read(|reader| reader.prices()).await?;
    let body = html! {
        (done(done_key))
        h1 { "Prices" }
        p.aside {
            "What a mead's card says of its cost is reckoned from this list. What was put in costs what it "
            "did on its day: a new price changes no older card."
        }
        div.leaf.even {
            section {
                h2 { "The list" }
                (list(visitor, &prices))
            }
            section {
                @if let Some(why) = why_no_forms(visitor) { h2 { "A price" } (why) }
                @if let Some(sheet) = Sheet::new(visitor, PRICE_FORM, draft) {
                    h2 { "Note a price" }
                    (sheet.form("/prices", "Note the price", fields(&sheet, visitor)))
                }
            }
            section {
                @if let Some(sheet) = Sheet::new(visitor, MONEY_FORM, draft) {
                    h2 { "Money and bottle" }
                    (sheet.form("/prices/money", "Save", html! {
                        div.fields {
                            (sheet.text("money", "Your money is called", &prices.money, "As it is to stand after a number."))
                            (sheet.number("bottle", "A bottle holds, L", &prices.bottle.get().to_string(), ""))
                        }
                    }))
                }
            }
        }
    };
    Ok(shell(visitor, Here::Settings, "Prices", "", body))
}

fn list(visitor: &Visitor, prices: &Prices) -> Markup {
    if prices.list.is_empty() {
        return html! { p { "No price is noted yet." } };
    }
    let money = |v: f64| format!("{v:.2} {}", prices.money).trim_end().to_owned();
    html! {
        ul.plain {
            @for price in &prices.list {
                li.way.price {
                    p {
                        b { (as_heading(&named(price))) }
                        ": " (money(price.paid)) " for " (amount(visitor, price))
                        ", from " (visitor.date(price.since)) " on"
                    }
                    @if let Some(sheet) = Sheet::new(visitor, STRIKE_FORM, None) {
                        (sheet.bare_form("/prices/strike", html! {
                            (sheet.hidden("of", price.of.key()))
                            (sheet.hidden("name", &price.name))
                            (sheet.hidden("since", &price.since.0.to_string()))
                            button.quiet type="submit" { "Strike" span.hidden { " the price of " (named(price)) } }
                        }))
                    }
                }
            }
        }
    }
}

/// "linden honey", "any fruit", "bottle".
fn named(price: &Price) -> String {
    match price.of {
        Good::Given(of) if price.name.trim().is_empty() => format!("any {}", of.label()),
        Good::Given(of) => ebbmark_core::card::called(of, &price.name),
        Good::Bottle => price.of.label().to_owned(),
    }
}

fn amount(visitor: &Visitor, price: &Price) -> String {
    match price.of {
        Good::Given(_) => visitor.mass(Kilograms::computed(price.amount)),
        Good::Bottle => format!("{:.0}", price.amount),
    }
}

fn fields(sheet: &Sheet, visitor: &Visitor) -> Markup {
    let goods = Substance::ALL.map(Good::Given);
    let goods: Vec<(String, String)> = goods
        .into_iter()
        .chain([Good::Bottle])
        .map(|g| (g.key().to_owned(), g.label().to_owned()))
        .collect();
    let today = local_text(visitor.now, &visitor.zone);
    let today = today.split('T').next().unwrap_or_default();
    html! {
        div.fields {
            (sheet.select("of", "What", &goods, Substance::Honey.key()))
            (sheet.text("name", "Its name", "", "As in the book. Left empty: all of its kind without a price of their own."))
            (sheet.number("paid", "Paid", "", "As it stands on the bill."))
            (sheet.number("amount", &format!("For so much, {}; of bottles how many", visitor.mass_unit()), "", "\"500 g\" is read too."))
            (sheet.date("since", "For what goes in from", today, "Set it back for what is in already."))
        }
    }
}

//! The list of prices.

use axum::extract::State;
use axum::response::Response;
use ebbmark_core::measure;
use ebbmark_core::price::{Good, Price};
use ebbmark_core::time::Moment;
use ebbmark_core::units::{Count, Kilograms};
use ebbmark_store::model::Command;
use ebbmark_store::prices::{BOTTLE_SETTING, MONEY_SETTING};

use super::{run, see};
use crate::app::App;
use crate::fault::Fault;
use crate::form::{Complaint, Take};
use crate::page::prices::{self, MONEY_FORM, PRICE_FORM};
use crate::visitor::Posted;

const DONE: &str = "/prices?done=price";

pub(crate) async fn set(State(app): State<App>, posted: Posted) -> Result<Response, Fault> {
    match read(&posted) {
        Ok(price) => {
            let command = Command::SetPrice(price);
            run(&app, &posted.once(), command, DONE.to_owned()).await
        }
        Err(complaints) => refused(&app, posted, PRICE_FORM, complaints).await,
    }
}

pub(crate) async fn strike(State(app): State<App>, posted: Posted) -> Result<Response, Fault> {
    let of = Good::from_key(posted.fields.get("of"));
    let since = posted.fields.get("since").parse().ok().map(Moment);
    let (Some(of), Some(since)) = (of, since) else {
        return Err(Fault::missing("price"));
    };
    let name = posted.fields.get("name").to_owned();
    let command = Command::StrikePrice { of, name, since };
    run(&app, &posted.once(), command, DONE.to_owned()).await
}

pub(crate) async fn money(State(app): State<App>, posted: Posted) -> Result<Response, Fault> {
    let mut take = Take::new(&posted.fields, &posted.visitor);
    let money = take.line("money", "Your money is called");
    let bottle = take.need("bottle", "A bottle holds", Take::volume);
    let (money, bottle) = match take.finish(money.zip(bottle)) {
        Ok(read) => read,
        Err(complaints) => return refused(&app, posted, MONEY_FORM, complaints).await,
    };
    let act = async {
        let bottle = bottle.get().to_string();
        for (key, value) in [(MONEY_SETTING, money), (BOTTLE_SETTING, bottle)] {
            let key = key.to_owned();
            let value = Some(value).filter(|v| !v.is_empty());
            app.command(Command::SetSetting { key, value }).await?;
        }
        Ok("/prices?done=settings".to_owned())
    };
    app.once(&posted.once(), act).await.map(|to| see(&to))
}

async fn refused(
    app: &App,
    posted: Posted,
    form: &str,
    complaints: Vec<Complaint>,
) -> Result<Response, Fault> {
    let (visitor, draft) = posted.draft(form, complaints);
    prices::again(app, &visitor, &draft).await
}

fn read(posted: &Posted) -> Result<Price, Vec<Complaint>> {
    let mut take = Take::new(&posted.fields, &posted.visitor);
    let of = take.choice("of", "What", Good::from_key);
    let name = take.line("name", "Its name");
    let paid = take.need("paid", "Paid", |take, field, label| {
        let read = measure::split(posted.fields.get(field));
        match read {
            Ok((paid, _)) if (0.0..1e9).contains(&paid) => Some(paid),
            Ok((paid, _)) => {
                take.complain(field, format!("{label}: {paid} is no price"));
                None
            }
            Err(why) => {
                take.complain(field, format!("{label}: {why}"));
                None
            }
        }
    });
    let amount = take.need("amount", "For so much", |take, field, label| match of {
        Some(Good::Bottle) => take.quantity::<Count>(field, label).map(Count::get),
        _ => take.quantity::<Kilograms>(field, label).map(Kilograms::get),
    });
    if amount == Some(0.0) {
        take.complain("amount", "For so much: it has to be more than nothing");
    }
    let since = take.day("since", "For what goes in from");
    let (Some(of), Some(name), Some(paid), Some(amount), Some(since)) =
        (of, name, paid, amount, since)
    else {
        return take.finish(None);
    };
    take.finish(Some(Price {
        of,
        name,
        paid,
        amount,
        since,
    }))
}

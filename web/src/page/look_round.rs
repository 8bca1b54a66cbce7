//! Whether all that the daemon stands on is as it should be.

use axum::extract::State;
use ebbmark_core::look_round::{Line, State as How, worst};
use maud::{Markup, html};

use super::{Here, shell};
use crate::app::App;
use crate::fault::Fault;
use crate::visitor::{Looking, Standing};

pub(crate) async fn show(
    State(app): State<App>,
    Looking(visitor): Looking,
) -> Result<Markup, Fault> {
    // It knocks at servers and names them: not for everybody who passes.
    if visitor.standing == Standing::Guest {
        return Err(Fault::SignIn { then: visitor.path });
    }
    let turn = app.looking.acquire().await;
    let turn = turn.map_err(|e| Fault::broken(format!("no turn for a look round: {e}")))?;
    let mut lines = (app.handle.look_round)().await;
    drop(turn);
    // What needs doing first; else in the order it was looked at.
    lines.sort_by_key(|line| std::cmp::Reverse(line.state));
    let body = html! {
        h1 { "A look round" }
        p.aside {
            @match worst(&lines) {
                How::Good => "All is as it should be.",
                How::LookAt => "It works. What is marked is worth a look.",
                How::Broken => "Something does not work.",
            }
            " Looked at just now; reload the page to look again. On the board: " code { "ebbmark look-round" } "."
        }
        ul.plain { @for line in &lines { (one(line)) } }
    };
    Ok(shell(&visitor, Here::Settings, "A look round", "", body))
}

fn one(line: &Line) -> Markup {
    let class = if line.state == How::Broken {
        "notice trouble"
    } else {
        "notice"
    };
    html! {
        li class=(class) {
            span { (line.state.label()) }
            div {
                h3 { (line.name) }
                p { (line.says) }
                @if let Some(remedy) = &line.remedy { p { b { (remedy) } } }
            }
        }
    }
}

//! A test ferment: how it is noted, what is refused, and what the pages say of it. Names and numbers are
//! invented.

use axum::http::StatusCode;
use ebbmark_core::deed::{Deed, What};
use ebbmark_core::ids::VesselId;
use ebbmark_core::time::{Moment, Span};
use ebbmark_core::units::Gravity;
use ebbmark_core::verdict::jar::{Tells, TestFerment};
use ebbmark_core::verdict::outcome::Phase;
use ebbmark_store::model::{Command, LogLine};
use serde_json::json;

use crate::ask::{Cellar, cellar, noon};
use crate::programs::Program;

fn lines(cellar: &Cellar, vessel: VesselId) -> Vec<LogLine> {
    let all = cellar
        .reader
        .log(vessel, Moment(0), noon() + Span::days(1))
        .unwrap();
    all.into_iter()
        .filter(|l| l.replaced_by.is_none())
        .collect()
}

async fn done(cellar: &Cellar, vessel: VesselId, what: What, days_ago: i64) {
    let at = noon() - Span::days(days_ago);
    let command = Command::Log {
        vessel,
        deed: Deed::new(at, what),
        hand: None,
        once: None,
        made_at: at,
    };
    cellar.writer.command(command).await.unwrap();
}

#[tokio::test]
async fn a_jar_is_noted_with_its_gravity_and_nothing_of_the_vessel() {
    let cellar = cellar().await;
    let vessel = cellar.vessel("Cask").await;
    cellar.mead(vessel, "Linden", 20).await;
    let maker = cellar.enter().await;
    let page = format!("/vessel/{vessel}");
    let to = format!("{page}/deed");
    for (fields, words) in [
        (
            "",
            "Gravity after it: a test ferment is noted with the gravity",
        ),
        (
            "&gravity=0.996&volume=0.5",
            "Volume after it: this does not go with a test ferment",
        ),
        (
            "&gravity=0.996&ph=3.4",
            "pH after it: this does not go with a test ferment",
        ),
        (
            "&gravity=0.996&of=nutrient&mass=1+g",
            "Put in: this does not go with a test ferment",
        ),
    ] {
        let refused = maker
            .send(&page, &to, &format!("what=test-ferment&at={fields}"))
            .await;
        assert_eq!(refused.status, StatusCode::UNPROCESSABLE_ENTITY, "{fields}");
        assert!(refused.text.contains(words), "{words}: {}", refused.text);
    }
    assert!(lines(&cellar, vessel).is_empty());
    let noted = maker
        .send(&page, &to, "what=test-ferment&at=&gravity=0,996&note=clear")
        .await;
    assert_eq!(noted.status, StatusCode::SEE_OTHER, "{}", noted.text);
    let shown = maker.get(noted.header("location")).await.text;
    assert!(
        shown.contains("Noted: test ferment: 0.9960 in the jar: clear"),
        "{shown}"
    );

    let line = format!("{page}/line/{}", lines(&cellar, vessel)[0].id);
    let form = maker.get(&line).await.text;
    assert!(form.contains("value=\"test-ferment\" selected"), "{form}");
    let bad = maker
        .send(&line, &line, "what=test-ferment&at=&gravity=&note=")
        .await;
    assert_eq!(bad.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(
        bad.text
            .contains("a test ferment is noted with the gravity")
    );
    let mended = maker
        .send(&line, &line, "what=test-ferment&at=&gravity=0.998")
        .await;
    assert_eq!(mended.status, StatusCode::SEE_OTHER, "{}", mended.text);
    assert_eq!(lines(&cellar, vessel)[0].deed.gravity.unwrap().get(), 0.998);
}

/// What was weighed into another line does not follow it into a jar.
#[tokio::test]
async fn a_line_with_doses_does_not_become_a_jar() {
    let cellar = cellar().await;
    let vessel = cellar.vessel("Cask").await;
    let maker = cellar.enter().await;
    let page = format!("/vessel/{vessel}");
    let fields = "what=addition&at=&of=honey&mass=1";
    maker.send(&page, &format!("{page}/deed"), fields).await;
    let line = format!("{page}/line/{}", lines(&cellar, vessel)[0].id);
    let jar = "what=test-ferment&at=&gravity=0.996&dose-1=";
    let refused = maker.send(&line, &line, &format!("{jar}1")).await;
    assert_eq!(refused.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(
        refused
            .text
            .contains("Put in: this does not go with a test ferment")
    );
    let emptied = maker.send(&line, &line, jar).await;
    assert_eq!(emptied.status, StatusCode::SEE_OTHER, "{}", emptied.text);
    assert!(lines(&cellar, vessel)[0].deed.doses.is_empty());
}

#[tokio::test]
async fn a_program_is_told_what_is_wrong_with_a_jar() {
    let cellar = cellar().await;
    let vessel = cellar.vessel("Cask").await;
    let program = Program::of(&cellar).await;
    let to = format!("vessels/{vessel}/log");
    for (body, words) in [
        (json!({ "what": "test-ferment" }), "gravity: a test ferment"),
        (
            json!({ "what": "test-ferment", "gravity": 0.996, "volume": null }),
            "volume: this does not go",
        ),
        (
            json!({ "what": "test-ferment", "gravity": 0.996, "despite": "x" }),
            "despite: this does not go",
        ),
    ] {
        let refused = program.post(&to, &body).await;
        assert_eq!(refused.status, StatusCode::UNPROCESSABLE_ENTITY, "{body}");
        assert!(refused.text.contains(words), "{body}: {}", refused.text);
    }
    assert!(lines(&cellar, vessel).is_empty());
}

/// How far down the words at the line of the expected end stand.
fn expected_line(page: &str) -> f64 {
    let (before, _) = page.split_once("expected end").unwrap();
    let (_, text) = before.rsplit_once("<text ").unwrap();
    let (_, y) = text.split_once(" y=\"").unwrap();
    y.split('"').next().unwrap().parse().unwrap()
}

#[tokio::test]
async fn the_page_says_how_it_is_done_until_it_has_told() {
    let cellar = cellar().await;
    let vessel = cellar.vessel("Cask").await;
    let mead = cellar.mead(vessel, "Linden", 40).await;
    cellar.readings(vessel, 40, Span::hours(6)).await;
    let page = format!("/vessel/{vessel}");
    let maker = cellar.enter().await;
    let judge = async |tells: Option<Tells>, open: bool| {
        cellar
            .judge_as(vessel, mead, Phase::Slowing, "It slows.", |v| {
                v.expected_end = Some(Gravity::computed(1.0071));
                v.gates.stabilise.open = open;
                v.test_ferment = tells.map(|tells| TestFerment {
                    gravity: Gravity::computed(1.0071),
                    tells,
                });
            })
            .await;
        maker.get(&page).await.text
    };
    let how = "How to ferment a jar of it out";
    let caution = "Never close the jar tight";
    let shown = judge(None, false).await;
    assert!(shown.contains(how) && shown.contains(caution));
    assert!(shown.contains("It should end near 1.0071"));
    let shown = judge(Some(Tells::ReadOnce), false).await;
    assert!(shown.contains(how) && shown.contains("stands at 1.0071 by one reading"));
    assert!(shown.contains("1.0071, does not count"));
    let makers = expected_line(&shown);
    let shown = judge(Some(Tells::TheEnd), false).await;
    assert!(!shown.contains(how) && !shown.contains("does not count"));
    assert!(shown.contains("By its test ferment it should end near 1.0071"));
    let jars = expected_line(&shown);
    assert!((jars - makers).abs() > 0.5, "{jars} is where {makers} was");
    // Nothing is left to tell, or nothing can be told any more.
    assert!(!judge(None, true).await.contains(how));
    done(&cellar, vessel, What::Stabilise, 1).await;
    assert!(!judge(None, false).await.contains(how));
}

#[tokio::test]
async fn the_curve_bears_a_mark_and_no_reading_of_it() {
    let cellar = cellar().await;
    let vessel = cellar.vessel("Cask").await;
    let mead = cellar.mead(vessel, "Linden", 20).await;
    cellar.readings(vessel, 20, Span::hours(6)).await;
    let maker = cellar.enter().await;
    let log = async |what| {
        let at = noon() - Span::days(3);
        let deed = Deed {
            gravity: Gravity::new(0.996).ok(),
            ..Deed::new(at, what)
        };
        let command = Command::Log {
            vessel,
            deed,
            hand: None,
            once: None,
            made_at: at,
        };
        cellar.writer.command(command).await.unwrap();
        let page = maker.get(&format!("/vessel/{vessel}")).await.text;
        let card = maker.get(&format!("/mead/{mead}")).await.text;
        assert!(card.contains("<svg"));
        let by_hand = [&page, &card].map(|text| text.contains("class=\"f-hand\""));
        (page, by_hand)
    };
    let (page, by_hand) = log(What::TestFerment).await;
    assert!(page.contains("test ferment: 0.9960 in the jar"), "{page}");
    assert_eq!(by_hand, [false; 2]);
    assert_eq!(log(What::HandReading).await.1, [true; 2]);
}

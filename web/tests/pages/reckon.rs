use axum::http::StatusCode;
use ebbmark_core::deed::{Deed, Substance, What};
use ebbmark_core::ids::VesselId;
use ebbmark_core::reckon::{self, Kind, Told};
use ebbmark_core::time::{Moment, Span};
use ebbmark_core::units::{AbvPercent, Celsius, Gravity, GravityScale, Litres, Ph, Preferences};
use ebbmark_core::verdict::outcome::{Phase, Verdict};
use ebbmark_store::model::{BatchFacts, Command, Done};
use serde_json::Value;

use crate::ask::{Cellar, Maker, cellar, noon};

fn open_gates(verdict: &mut Verdict) {
    for gate in [
        &mut verdict.gates.rack,
        &mut verdict.gates.stabilise,
        &mut verdict.gates.seal,
    ] {
        gate.open = true;
        "it is still".clone_into(&mut gate.why);
    }
}

/// A settled mead of 19 L, 1.1 to 1.01, whose pH was measured.
async fn settled(cellar: &Cellar, more: impl FnOnce(&mut Verdict)) -> VesselId {
    let vessel = cellar.vessel("Cask").await;
    let facts = BatchFacts {
        name: "Linden".to_owned(),
        started: noon() - Span::days(60),
        original_gravity: Gravity::new(1.1).ok(),
        expected_final: Gravity::new(1.01).ok(),
        tolerance: AbvPercent::new(14.0).ok(),
        volume: Litres::new(19.0).ok(),
        yeast: String::new(),
        honey: String::new(),
        note: String::new(),
        origin: None,
    };
    let start = Command::StartBatch { vessel, facts };
    let Done::Batch(batch) = cellar.writer.command(start).await.unwrap() else {
        panic!()
    };
    let measured = Deed {
        gravity: Gravity::new(1.01).ok(),
        ph: Ph::new(3.4).ok(),
        ..Deed::new(noon() - Span::days(2), What::HandReading)
    };
    let log = Command::Log {
        vessel,
        deed: measured,
        hand: None,
        once: None,
        made_at: noon(),
    };
    cellar.writer.command(log).await.unwrap();
    cellar
        .judge_as(vessel, batch, Phase::Settled, "It is still.", |v| {
            v.temperature = Celsius::new(18.5).ok();
            more(v);
        })
        .await;
    vessel
}

fn deeds(cellar: &Cellar, vessel: VesselId) -> Vec<Deed> {
    let lines = cellar
        .reader
        .log(vessel, Moment(0), noon() + Span::days(30))
        .unwrap();
    lines.into_iter().map(|l| l.deed).collect()
}

fn json(text: &str) -> Value {
    serde_json::from_str(text).unwrap_or_else(|e| panic!("{e}: {text}"))
}

#[tokio::test]
async fn every_reckoning_opens_with_and_without_a_vessel() {
    let cellar = cellar().await;
    let vessel = settled(&cellar, open_gates).await;
    let empty = cellar.vessel("Jar").await;
    let list = cellar.get("/reckon").await;
    for reckoning in reckon::ALL {
        let key = reckoning.key;
        assert!(
            list.text.contains(&format!("href=\"/reckon/{key}\"")),
            "{key}"
        );
        for path in [
            format!("/reckon/{key}"),
            format!("/vessel/{vessel}/reckon/{key}"),
            format!("/vessel/{empty}/reckon/{key}"),
        ] {
            let page = cellar.get(&path).await;
            assert_eq!(page.status, StatusCode::OK, "{path}: {}", page.text);
            for field in reckoning.fields {
                let name = match &field.kind {
                    Kind::Rows { of, .. } => format!("{}.1.{}", field.key, of[0].key),
                    _ => field.key.to_owned(),
                };
                let named = format!("name=\"{name}\"");
                assert!(page.text.contains(&named), "{path}: {name}");
            }
            assert!(!page.text.contains("<script>"), "no script in the page");
            // Nobody is signed in.
            assert!(!page.text.contains("method=\"post\""), "{path}");
        }
        // Names that the page and the interface use for themselves.
        for taken in ["vessel", "despite", "mark", "once"] {
            assert!(reckoning.fields.iter().all(|f| f.key != taken), "{key}");
        }
    }
    for path in ["/reckon/nothing", "/vessel/77/reckon/gravity"] {
        assert_eq!(cellar.get(path).await.status, StatusCode::NOT_FOUND);
    }
}

#[tokio::test]
async fn an_address_is_an_answer() {
    let cellar = cellar().await;
    let opened = cellar.get("/reckon/gravity").await.text;
    assert!(opened.contains("Still needed: Gravity."), "{opened}");
    assert!(!opened.contains("aria-invalid"), "nothing is wrong yet");

    let answer = cellar.get("/reckon/gravity?gravity=1%2C080").await.text;
    assert!(answer.contains("19.34 °P"), "{answer}");
    assert!(answer.contains("value=\"1,080\""), "stands as typed");
    assert!(answer.contains("ICUMSA"), "with its source");

    let wrong = cellar.get("/reckon/gravity?gravity=%3Cb%3E9").await;
    assert_eq!(wrong.status, StatusCode::OK);
    assert!(wrong.text.contains("aria-invalid=\"true\""));
    assert!(
        wrong.text.contains("value=\"&lt;b&gt;9\""),
        "{}",
        wrong.text
    );
    assert_eq!(
        wrong.text.matches("is not a number").count(),
        3,
        "in the sentence, in the list and at the field"
    );
}

#[tokio::test]
async fn fields_say_where_their_numbers_come_from() {
    let cellar = cellar().await;
    let vessel = settled(&cellar, open_gates).await;
    let path = format!("/vessel/{vessel}/reckon/stabilise");
    let page = cellar.get(&path).await.text;
    for (value, from) in [
        ("19", "From the facts of this mead."),
        ("3.4", "From measured Fri 27 Feb."),
        ("18.5", "From its readings up to"),
    ] {
        assert!(page.contains(&format!("value=\"{value}\"")), "{value}");
        assert!(page.contains(from), "{from}: {page}");
    }
    let prefilled = reading(&page, "potassium metabisulphite for");
    let changed = cellar.get(&format!("{path}?ph=3.6")).await.text;
    assert!(changed.contains("value=\"3.6\""));
    assert!(
        changed.contains("From the facts of this mead."),
        "the others stay as they were"
    );
    let more = reading(&changed, "potassium metabisulphite for");
    assert!(more > prefilled, "{more} against {prefilled}");
}

/// The number in front of "g" and these words.
fn reading(page: &str, words: &str) -> f64 {
    let before = page.split(&format!(" g {words}")).next().unwrap();
    let digits = before.rsplit(|c: char| !(c.is_ascii_digit() || c == '.'));
    digits.into_iter().next().unwrap().parse().unwrap()
}

async fn stabilise(maker: &Maker<'_>, vessel: VesselId, fields: &str) -> String {
    let page = format!("/vessel/{vessel}/reckon/stabilise?{fields}");
    let to = format!("/vessel/{vessel}/reckon/stabilise/do");
    let once = maker.get(&page).await.field("once");
    let first = maker.send_once(&page, &to, fields, &once).await;
    assert_eq!(first.status, StatusCode::SEE_OTHER, "{}", first.text);
    let again = maker.send_once(&page, &to, fields, &once).await;
    assert_eq!(again.header("location"), first.header("location"));
    first.header("location").to_owned()
}

#[tokio::test]
async fn doing_it_writes_doses_and_starts_the_wait() {
    let cellar = cellar().await;
    let vessel = settled(&cellar, open_gates).await;
    let maker = cellar.enter().await;
    let page = format!("/vessel/{vessel}/reckon/stabilise");
    let offered = maker.get(&page).await.text;
    assert!(offered.contains("before sweetening"), "{offered}");
    // What stands in the fields is sent, so that what is written is what was read.
    assert!(offered.contains("type=\"hidden\" name=\"ph\" value=\"3.4\""));

    let led_to = stabilise(&maker, vessel, "ph=3.3").await;
    let all = deeds(&cellar, vessel);
    let done: Vec<&Deed> = all.iter().filter(|d| d.what == What::Stabilise).collect();
    assert_eq!(done.len(), 1, "a double tap is one line");
    let of = |substance| {
        let doses = done[0].doses.iter();
        let found: Vec<f64> = doses
            .filter(|d| d.of == substance)
            .map(|d| d.mass.get() * 1000.0)
            .collect();
        found
    };
    assert!((0.5..3.0).contains(&of(Substance::PotassiumMetabisulphite)[0]));
    assert!((1.0..5.0).contains(&of(Substance::PotassiumSorbate)[0]));
    assert_eq!((done[0].at, done[0].despite.as_str()), (noon(), ""));

    let shown = maker.get(&led_to).await.text;
    assert!(shown.contains("Noted: stabilised: "), "{shown}");
    let waits = "Stabilised: wait until Mon 2 Mar 13:00 before sweetening.";
    assert!(shown.contains(waits), "{shown}");
    let cellar_says = |text: &str, when: &str| {
        let line = format!("<a href=\"/tasks\">Sweeten it</a>: {when}</p>");
        assert!(text.contains(&line), "{line}: {text}");
    };
    cellar_says(&maker.get("/").await.text, "Mon 2 Mar 13:00");

    cellar.later(Span::hours(24));
    let over = "The wait after stabilising is over";
    assert!(maker.get(&led_to).await.text.contains(over));
    cellar_says(&maker.get("/").await.text, "since today 13:00");
    let vessel_page = format!("/vessel/{vessel}");
    let sweetened = maker
        .send(
            &vessel_page,
            &format!("{vessel_page}/deed"),
            "what=sweeten&note=honey",
        )
        .await;
    assert_eq!(sweetened.status, StatusCode::SEE_OTHER);
    let done = maker.get(&vessel_page).await.text;
    assert!(!done.contains(over) && !done.contains(waits), "{done}");
}

#[tokio::test]
async fn a_shut_gate_says_why_and_is_passed_only_with_a_reason() {
    let cellar = cellar().await;
    let vessel = settled(&cellar, |_| {}).await;
    let maker = cellar.enter().await;
    let page = format!("/vessel/{vessel}/reckon/stabilise");
    let shut = maker.get(&page).await.text;
    assert!(shut.contains("Still falling."), "{shut}");
    assert!(shut.contains("Why do it all the same"));
    assert!(!shut.contains("Do it</button>"));
    let to = format!("{page}/do");
    // Without the page's own form, the mark of another.
    let vessel_page = format!("/vessel/{vessel}");
    let refused = maker.send(&vessel_page, &to, "ph=3.4").await;
    assert_eq!(refused.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(refused.text.contains("Still falling."));
    assert_eq!(deeds(&cellar, vessel).len(), 1);

    let fields = "ph=3.4&despite=a+trial+jar";
    let answered = maker.get(&format!("{page}?{fields}")).await.text;
    assert!(answered.contains("Do it</button>"), "{answered}");
    stabilise(&maker, vessel, fields).await;
    let all = deeds(&cellar, vessel);
    let despite = &all.last().unwrap().despite;
    assert_eq!(despite, "a trial jar (the gate was shut: still falling)");
    let log = maker.get(&vessel_page).await.text;
    assert!(log.contains("Done all the same: a trial jar"), "{log}");
}

#[tokio::test]
async fn what_cannot_be_is_not_done() {
    let cellar = cellar().await;
    let vessel = settled(&cellar, open_gates).await;
    let maker = cellar.enter().await;
    let page = format!("/vessel/{vessel}/reckon/stabilise");
    let refused = maker.send(&page, &format!("{page}/do"), "ph=12").await;
    assert_eq!(refused.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(refused.text.contains("pH 12 is outside 2.5 to 7"));
    // A reckoning from which no step follows.
    let to = format!("/vessel/{vessel}/reckon/gravity/do");
    let refused = maker.send(&page, &to, "gravity=1.05").await;
    assert_eq!(refused.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(refused.text.contains("nothing was written"));
    assert_eq!(deeds(&cellar, vessel).len(), 1);
}

#[tokio::test]
async fn programs_are_told_what_can_be_reckoned_and_get_the_same_answer() {
    let cellar = cellar().await;
    let vessel = settled(&cellar, open_gates).await;
    let list = json(&cellar.get("/api/v1/reckon").await.text);
    let keys: Vec<&str> = list
        .as_array()
        .unwrap()
        .iter()
        .map(|r| r["key"].as_str().unwrap())
        .collect();
    let all: Vec<&str> = reckon::ALL.iter().map(|r| r.key).collect();
    assert_eq!(keys, all);
    let of = |key: &str| {
        let at = keys.iter().position(|k| *k == key).unwrap();
        list[at].clone()
    };
    let gravity = &of("gravity")["fields"][0];
    assert_eq!(gravity["kind"], "number");
    assert_eq!(gravity["unit"], "SG");
    assert_eq!(
        (gravity["low"].as_f64(), gravity["high"].as_f64()),
        (Some(0.95), Some(1.25))
    );
    assert_eq!(gravity["from-record"], true);
    let stabilise = of("stabilise");
    let volume = &stabilise["fields"][0];
    assert_eq!(
        (&volume["key"], &volume["needed"]),
        (&"volume".into(), &true.into())
    );
    // Nothing need have been added on the way.
    let strength = of("strength");
    let fields = strength["fields"].as_array().unwrap();
    let added = fields.iter().find(|f| f["kind"] == "rows").unwrap();
    assert_eq!(
        (&added["needed"], &added["least"]),
        (&false.into(), &0.into())
    );
    assert_eq!(stabilise["gate"], "stabilise");

    // The maker's own units change nothing for a program.
    let units = Preferences {
        gravity: GravityScale::Plato,
        ..Preferences::default()
    };
    cellar
        .set("units", &serde_json::to_string(&units).unwrap())
        .await;
    let answer = cellar.get("/api/v1/reckon/gravity?gravity=1.08").await;
    assert_eq!(answer.status, StatusCode::OK, "{}", answer.text);
    let told: Told = serde_json::from_str(&answer.text).unwrap();
    assert_eq!(told.inputs[0].value, Some(1.08));
    assert_eq!(told.inputs[0].text, "1.0800");
    let known = cellar
        .get(&format!("/api/v1/reckon/stabilise?vessel={vessel}"))
        .await;
    let told: Told = serde_json::from_str(&known.text).unwrap();
    let ph = told.inputs.iter().find(|i| i.path == "ph").unwrap();
    assert_eq!(
        (ph.value, ph.from.as_str()),
        (Some(3.4), "measured Fri 27 Feb")
    );
    assert!(told.step.is_some());
}

#[tokio::test]
async fn programs_are_told_what_is_wrong_where() {
    let cellar = cellar().await;
    let vessel = settled(&cellar, |_| {}).await;
    let complaints = |text: &str| -> Vec<(String, String)> {
        let all = json(text)["complaints"].as_array().unwrap().clone();
        let text = |v: &Value| v.as_str().unwrap().to_owned();
        all.iter()
            .map(|c| (text(&c["path"]), text(&c["say"])))
            .collect()
    };
    for (query, path, say) in [
        (
            "gravity=9",
            "gravity",
            "Gravity: gravity 9 is outside 0.95 to 1.25 SG",
        ),
        ("", "gravity", "Gravity: this is needed"),
        (
            "gravity=1.05&colour=red",
            "colour",
            "colour: this is not asked; /api/v1/reckon lists what is",
        ),
    ] {
        let answer = cellar.get(&format!("/api/v1/reckon/gravity?{query}")).await;
        assert_eq!(answer.status, StatusCode::UNPROCESSABLE_ENTITY, "{query}");
        assert_eq!(
            complaints(&answer.text),
            [(path.to_owned(), say.to_owned())]
        );
    }
    let path = format!("/api/v1/reckon/stabilise?vessel={vessel}");
    let shut = cellar.get(&path).await;
    assert_eq!(shut.status, StatusCode::CONFLICT);
    let told = json(&shut.text);
    assert_eq!(
        (&told["gate"], &told["why"]),
        (&"stabilise".into(), &"still falling".into())
    );
    let passed = cellar.get(&format!("{path}&despite=a+trial")).await;
    assert_eq!(passed.status, StatusCode::OK, "{}", passed.text);

    let bad = cellar
        .get("/api/v1/reckon/gravity?gravity=1.05&vessel=cask")
        .await;
    assert_eq!(bad.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(json(&bad.text)["error"].as_str().unwrap().contains("cask"));
    for path in ["/api/v1/reckon/nothing", "/api/v1/reckon/gravity?vessel=77"] {
        let missing = cellar.get(path).await;
        assert_eq!(missing.status, StatusCode::NOT_FOUND);
        assert!(json(&missing.text)["error"].is_string());
    }
    cellar.lock().await;
    for path in ["/api/v1/reckon", "/api/v1/reckon/gravity?gravity=1.05"] {
        assert_eq!(cellar.get(path).await.status, StatusCode::UNAUTHORIZED);
    }
}

#[tokio::test]
async fn forms_take_ph_and_volume_and_a_correction_keeps_what_was_weighed() {
    let cellar = cellar().await;
    let vessel = settled(&cellar, open_gates).await;
    let maker = cellar.enter().await;
    let page = format!("/vessel/{vessel}");
    let hand = "read=1.010&sample=20&reference=20&ph=3%2C35&at=&note=";
    maker.send(&page, &format!("{page}/hand"), hand).await;
    let racked = "what=rack&ph=3.5&volume=17%2C5&note=";
    maker.send(&page, &format!("{page}/deed"), racked).await;
    stabilise(&maker, vessel, "ph=3.3").await;
    let all = deeds(&cellar, vessel);
    assert_eq!(all[1].ph, Ph::new(3.35).ok());
    assert_eq!(
        (all[2].ph, all[2].volume),
        (Ph::new(3.5).ok(), Litres::new(17.5).ok())
    );
    let wrong = maker
        .send(&page, &format!("{page}/deed"), "what=rack&ph=9")
        .await;
    assert!(wrong.text.contains("pH after it: pH 9 is outside 2.5 to 7"));
    let shown = maker.get(&page).await.text;
    assert!(
        shown.contains("racked, pH 3.50, 17.5 L in the vessel after it"),
        "{shown}"
    );

    let line = cellar
        .reader
        .log(vessel, Moment(0), noon() + Span::days(1))
        .unwrap()
        .pop()
        .unwrap();
    let form = format!("{page}/line/{}", line.id);
    let dose = maker.get(&form).await.text;
    assert!(
        dose.contains("name=\"dose-1\"") && dose.contains("Potassium sorbate"),
        "{dose}"
    );
    let sorbate = line.deed.doses[1].clone();
    let fields = "what=stabilise&at=&note=less&dose-1=1.2+g&dose-2=";
    let refused = maker.send(&form, &form, "what=stabilise&dose-1=much").await;
    assert!(
        refused
            .text
            .contains("Potassium metabisulphite: &quot;much&quot; is not a number"),
        "{}",
        refused.text
    );
    maker.send(&form, &form, fields).await;
    let corrected = deeds(&cellar, vessel).pop().unwrap();
    assert_eq!(corrected.doses.len(), 1, "{sorbate:?} was taken out");
    assert!((corrected.doses[0].mass.get() - 0.0012).abs() < 1e-12);
}

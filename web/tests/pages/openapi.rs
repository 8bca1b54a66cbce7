//! The OpenAPI document against the routes there are, the ranges and names of the core, and the
//! answers of a filled cellar.

use std::collections::BTreeSet;

use axum::body::Body;
use axum::http::{Method, Request, StatusCode, header};
use ebbmark_core::deed::{Substance, What};
use ebbmark_core::ids::{BatchId, VesselId};
use ebbmark_core::reckon;
use ebbmark_core::time::Span;
use ebbmark_core::units::{
    AbvPercent, Celsius, Gravity, Kilograms, Litres, MassPercent, Ph, Quantity,
};
use ebbmark_core::verdict::jar::{Tells, TestFerment};
use ebbmark_core::verdict::outcome::{Memory, Phase};
use jsonschema::{Draft, Registry, RegistryBuilder, Validator};
use serde_json::{Value, json};

use crate::archive::{keep, seven};
use crate::ask::{Answer, Cellar, cellar, noon};
use crate::programs::Program;

const DOCUMENT: &str = "/api/v1/openapi.json";
const CARD: &str = "/api/v1/card.schema.json";
/// Where the document is said to lie, so that what it refers to by a relative address is found.
const BASE: &str = "http://cellar.example";

async fn served(cellar: &Cellar, path: &str) -> Value {
    let answer = cellar.get(path).await;
    assert_eq!(answer.status, StatusCode::OK, "{path}");
    serde_json::from_str(&answer.text).unwrap()
}

/// What the document says, as validators ask for it.
struct Document {
    whole: Value,
    card: Value,
}

impl Document {
    async fn of(cellar: &Cellar) -> Document {
        Document {
            whole: served(cellar, DOCUMENT).await,
            card: served(cellar, CARD).await,
        }
    }

    /// Of a place in it.
    fn validator(&self, pointer: &str) -> Validator {
        let registry = Registry::new()
            .add(format!("{BASE}{DOCUMENT}"), &self.whole)
            .and_then(|r| r.add(format!("{BASE}{CARD}"), &self.card))
            .and_then(RegistryBuilder::prepare)
            .expect("both are readable");
        // Braces are no characters of an address.
        let place = pointer.replace('{', "%7B").replace('}', "%7D");
        let here = json!({ "$ref": format!("{BASE}{DOCUMENT}#{place}") });
        jsonschema::options()
            .with_draft(Draft::Draft202012)
            .should_validate_formats(true)
            .with_registry(&registry)
            .build(&here)
            .unwrap_or_else(|e| panic!("{pointer}: {e}"))
    }

    /// Where the response to an operation is described: references within the document followed.
    fn response(&self, path: &str, method: &str, status: StatusCode) -> String {
        let key = path.replace('~', "~0").replace('/', "~1");
        let at = format!("/paths/{key}/{method}/responses/{}", status.as_u16());
        let found = self.whole.pointer(&at);
        let found = found.unwrap_or_else(|| panic!("{method} {path} may not answer {status}"));
        match found["$ref"].as_str() {
            Some(there) => there.trim_start_matches('#').to_owned(),
            None => at,
        }
    }

    /// Panics where the answer is none the document knows.
    fn check(&self, path: &str, method: &str, answer: &Answer) {
        let at = self.response(path, method, answer.status);
        let kind = answer.header("content-type").split(';').next().unwrap();
        let content = &self.whole.pointer(&at).unwrap()["content"];
        if content.is_null() {
            assert_eq!(answer.text, "", "{method} {path}");
            return;
        }
        assert!(content.get(kind).is_some(), "{method} {path} is {kind}");
        let value = if kind.ends_with("json") {
            serde_json::from_str(&answer.text).unwrap()
        } else {
            Value::from(answer.text.as_str())
        };
        let kind = kind.replace('/', "~1");
        let validator = self.validator(&format!("{at}/content/{kind}/schema"));
        let faults: Vec<String> = validator
            .iter_errors(&value)
            .map(|e| format!("{e} at {}", e.instance_path()))
            .collect();
        assert!(faults.is_empty(), "{method} {path}: {faults:#?}");
    }

    fn schema(&self, name: &str) -> &Value {
        &self.whole["components"]["schemas"][name]
    }
}

/// What programs are spoken to at: everything that is neither a page, a form nor an asset. axum
/// does not list its routes, so they are read where they are written.
fn routes() -> BTreeSet<String> {
    let written = include_str!("../../src/app.rs");
    let after = written.split(".route(").skip(1);
    let paths = after.map(|rest| rest.split('"').nth(1).unwrap());
    let spoken = |path: &&str| {
        if path.starts_with("/icon-") {
            return false;
        }
        path.starts_with("/api/")
            || path.starts_with("/intake/")
            || [".csv", ".json", ".ics", ".png"]
                .iter()
                .any(|e| path.ends_with(e))
            || ["/metrics", "/healthz", "/healthz/alive", "/live"].contains(path)
    };
    paths
        .filter(spoken)
        .map(|path| path.replace("{*", "{"))
        .collect()
}

#[tokio::test]
async fn every_route_for_programs_is_in_it_and_no_other() {
    let cellar = cellar().await;
    let document = Document::of(&cellar).await;
    let paths = document.whole["paths"].as_object().unwrap();
    let told: BTreeSet<String> = paths.keys().cloned().collect();
    assert_eq!(told, routes());
    for (path, operations) in paths {
        // The router itself says which methods an address takes.
        let address = path.replace("{id}", "1").replace("{key}", "must");
        let address = address.replace("{topic}", "shelf/1");
        let request = Request::builder().method(Method::DELETE).uri(&address);
        let answer = cellar.ask(request.body(Body::empty()).unwrap()).await;
        assert_eq!(answer.status, StatusCode::METHOD_NOT_ALLOWED, "{path}");
        let takes: BTreeSet<String> = answer
            .header(header::ALLOW.as_str())
            .split(',')
            .map(|m| m.trim().to_lowercase())
            // It comes with each get.
            .filter(|m| m != "head")
            .collect();
        let told: BTreeSet<String> = operations.as_object().unwrap().keys().cloned().collect();
        assert_eq!(told, takes, "{path}");
    }
}

#[tokio::test]
async fn its_names_and_ranges_are_those_of_the_core() {
    let cellar = cellar().await;
    let document = Document::of(&cellar).await;
    let names = |of: &Value| -> Vec<String> {
        let all = of["enum"].as_array().unwrap().iter();
        all.map(|v| v.as_str().unwrap().to_owned()).collect()
    };
    assert_eq!(names(document.schema("What")), What::ALL.map(What::key));
    let deeds = &document.schema("DeedLine")["properties"]["what"];
    let own = [What::HandReading, What::TestFerment];
    let others = What::ALL.into_iter().filter(|w| !own.contains(w));
    let others: Vec<&str> = others.map(What::key).collect();
    assert_eq!(names(deeds), others);
    for (of, what) in ["HandLine", "JarLine"].into_iter().zip(own) {
        let is = &document.schema(of)["properties"]["what"]["const"];
        assert_eq!(*is, what.key());
    }
    let tells = &document.schema("Verdict")["properties"]["test_ferment"]["properties"]["tells"];
    let all = Tells::ALL.map(|t| serde_json::to_value(t).unwrap());
    assert_eq!(names(tells), all.map(|t| t.as_str().unwrap().to_owned()));
    let goes_in = &document.schema("PlannedGood")["properties"]["with"];
    assert_eq!(names(goes_in), ebbmark_core::plan::GOES_IN.map(What::key));
    let substances = Substance::ALL.map(Substance::key);
    assert_eq!(names(document.schema("Substance")), substances);
    assert_eq!(names(document.schema("Phase")), Phase::ALL.map(Phase::key));
    let key = &document.whole["components"]["parameters"]["Reckoning"]["schema"];
    let reckonings: Vec<&str> = reckon::ALL.iter().map(|r| r.key).collect();
    assert_eq!(names(key), reckonings);
    for (name, measure) in [
        ("Gravity", Gravity::MEASURE),
        ("Celsius", Celsius::MEASURE),
        ("Litres", Litres::MEASURE),
        ("Kilograms", Kilograms::MEASURE),
        ("AbvPercent", AbvPercent::MEASURE),
        ("MassPercent", MassPercent::MEASURE),
        ("Ph", Ph::MEASURE),
    ] {
        let schema = document.schema(name);
        assert_eq!(schema["minimum"].as_f64(), Some(measure.low), "{name}");
        assert_eq!(schema["maximum"].as_f64(), Some(measure.high), "{name}");
    }
}

/// Every schema is one, whether an answer of the tests uses it or not.
#[tokio::test]
async fn all_that_it_refers_to_is_there() {
    fn walk(value: &Value, at: &str, found: &mut Vec<(String, String)>) {
        match value {
            Value::Object(object) => {
                for (key, inner) in object {
                    match inner.as_str() {
                        Some(there) if key == "$ref" => {
                            found.push((at.to_owned(), there.to_owned()));
                        }
                        _ => walk(inner, &format!("{at}/{key}"), found),
                    }
                }
            }
            Value::Array(list) => {
                for (n, inner) in list.iter().enumerate() {
                    walk(inner, &format!("{at}/{n}"), found);
                }
            }
            _ => {}
        }
    }
    let cellar = cellar().await;
    let document = Document::of(&cellar).await;
    let mut all = Vec::new();
    walk(&document.whole, "", &mut all);
    for (at, there) in &all {
        match there.strip_prefix('#') {
            Some(pointer) => {
                assert!(document.whole.pointer(pointer).is_some(), "{at}: {there}");
            }
            None => assert_eq!(there, "card.schema.json", "{at}"),
        }
    }
    let components = document.whole["components"].as_object().unwrap();
    for (kind, named) in components.iter().filter(|(k, _)| *k != "securitySchemes") {
        for name in named.as_object().unwrap().keys() {
            let there = format!("#/components/{kind}/{name}");
            assert!(all.iter().any(|(_, t)| *t == there), "{there} is not used");
            if kind == "schemas" {
                document.validator(&format!("/components/schemas/{name}"));
            }
        }
    }
}

#[tokio::test]
async fn answers_of_a_filled_cellar_are_as_it_says() {
    let (cellar, meads) = seven().await;
    let document = Document::of(&cellar).await;
    let program = Program::of(&cellar).await;
    let check = |path: &str, method: &str, answer: &Answer, status: StatusCode| {
        assert_eq!(answer.status, status, "{path}: {}", answer.text);
        document.check(path, method, answer);
    };
    let created = |path: &str, answer: &Answer| {
        check(path, "post", answer, StatusCode::CREATED);
        serde_json::from_str::<Value>(&answer.text).unwrap()
    };

    let body = json!({ "name": "Cask", "capacity": 30, "temperature-low": "64 °F", "tare": null });
    let made = program.post("vessels", &body).await;
    let cask = created("/api/v1/vessels", &made)["vessel"].clone();
    let plan = json!({
        "gravity": 1.01, "rouse": true, "nutrient": { "steps": 2, "by": "hours" },
        "steeps": [{ "name": "figs", "days": 9, "push-every": 2 }], "finish": "sweetened",
        "goods": [{ "with": "pitch", "of": "honey", "mass": 6 }]
    });
    let body = json!({ "name": "Linden", "at": "2026-02-20T11:00:00Z", "original-gravity": 1.1,
        "volume": 20, "plan": plan });
    let made = program.post(&format!("vessels/{cask}/meads"), &body).await;
    let mead = created("/api/v1/vessels/{id}/meads", &made)["mead"].clone();
    for body in [
        json!({ "what": "hand-reading", "gravity": 1.06, "temperature": 17 }),
        json!({ "what": "addition", "doses": [{ "of": "fruit", "mass": "900 g", "name": "figs" }] }),
        json!({ "what": "test-ferment", "gravity": 0.996, "temperature": 20, "note": "clear of gas" }),
    ] {
        let made = program.post(&format!("vessels/{cask}/log"), &body).await;
        created("/api/v1/vessels/{id}/log", &made);
    }
    let vessel = VesselId(cask.as_i64().unwrap());
    let batch = BatchId(mead.as_i64().unwrap());
    cellar.readings(vessel, 5, Span::hours(1)).await;
    keep(&cellar).await;
    cellar
        .judge_as(vessel, batch, Phase::Active, "It falls.", |v| {
            v.gates.rack.open = true;
            v.gates.rack.since = Some(noon());
            v.test_ferment = Some(TestFerment {
                gravity: Gravity::new(0.996).unwrap(),
                tells: Tells::ReadOnce,
            });
            v.memory = Some(Memory {
                phase: Phase::Active,
                since: noon(),
                stretch: noon(),
                stopped_at: None,
                flat_from: None,
                creeping: false,
                restarted_at: None,
                suspected_since: None,
                sure_since: Some(noon()),
            });
        })
        .await;
    let many = format!("?mead={}&mead={}&by=", meads[0], meads[6]);
    let compare = |by: &str| format!("/api/v1/compare{many}{by}");
    let reads = [
        ("/api/v1/vessels", "/api/v1/vessels".to_owned()),
        ("/api/v1/vessels/{id}", format!("/api/v1/vessels/{cask}")),
        ("/api/v1/meads", "/api/v1/meads".to_owned()),
        (
            "/api/v1/meads",
            "/api/v1/meads?state=finished&page=0&from=".to_owned(),
        ),
        (
            "/api/v1/meads/{id}/card",
            format!("/api/v1/meads/{mead}/card"),
        ),
        (
            "/api/v1/meads/{id}/card",
            format!("/api/v1/meads/{}/card", meads[6]),
        ),
        ("/api/v1/compare", compare("time")),
        ("/api/v1/compare", compare("sugar")),
        ("/api/v1/compare", compare("gravity")),
        ("/api/v1/tasks", "/api/v1/tasks".to_owned()),
        ("/api/v1/reckon", "/api/v1/reckon".to_owned()),
        (
            "/api/v1/reckon/{key}",
            "/api/v1/reckon/gravity?gravity=1.05".to_owned(),
        ),
        (
            "/api/v1/reckon/{key}",
            format!("/api/v1/reckon/nutrient?vessel={cask}"),
        ),
        (
            "/api/v1/reckon/{key}",
            format!("/api/v1/reckon/stabilise?vessel={cask}&ph=3.4&despite=a+trial+jar"),
        ),
        ("/metrics", "/metrics".to_owned()),
        ("/healthz", "/healthz".to_owned()),
        ("/healthz/alive", "/healthz/alive".to_owned()),
        ("/api/v1/about", "/api/v1/about".to_owned()),
        (DOCUMENT, DOCUMENT.to_owned()),
        (CARD, CARD.to_owned()),
        (
            "/vessel/{id}/readings.csv",
            format!("/vessel/{cask}/readings.csv"),
        ),
        (
            "/vessel/{id}/hours.csv",
            format!("/vessel/{cask}/hours.csv"),
        ),
        ("/vessel/{id}/log.csv", format!("/vessel/{cask}/log.csv")),
        (
            "/vessel/{id}/curve.png",
            format!("/vessel/{cask}/curve.png?span=all"),
        ),
        ("/mead/{id}/card.csv", format!("/mead/{mead}/card.csv")),
        ("/mead/{id}/card.json", format!("/mead/{mead}/card.json")),
        ("/compare.csv", format!("/compare.csv{many}time")),
    ];
    for (path, address) in &reads {
        check(path, "get", &program.ask(address).await, StatusCode::OK);
    }
    // Told apart from nothing: what was checked had something in it.
    let tasks = program.get("tasks").await;
    let task = tasks[0]["task"].clone();
    assert!(task.is_string(), "there is something to do: {tasks}");
    let state = program.get(&format!("vessels/{cask}")).await;
    assert!(state["verdict"].is_object() && state["plan"].is_object());
    let hours = program.ask(&format!("/vessel/{cask}/hours.csv")).await.text;
    assert_eq!(hours.lines().count(), 1 + 5 * 24, "{hours}");

    for (path, address, status) in [
        (
            "/api/v1/vessels/{id}",
            "/api/v1/vessels/99",
            StatusCode::NOT_FOUND,
        ),
        (
            "/api/v1/vessels/{id}",
            "/api/v1/vessels/first",
            StatusCode::BAD_REQUEST,
        ),
        (
            "/api/v1/meads",
            "/api/v1/meads?page=second",
            StatusCode::UNPROCESSABLE_ENTITY,
        ),
        (
            "/api/v1/reckon/{key}",
            "/api/v1/reckon/must",
            StatusCode::UNPROCESSABLE_ENTITY,
        ),
        (
            "/vessel/{id}/log.csv",
            "/vessel/99/log.csv",
            StatusCode::NOT_FOUND,
        ),
        (
            "/vessel/{id}/curve.png",
            "/vessel/99/curve.png",
            StatusCode::NOT_FOUND,
        ),
        ("/tasks.ics", "/tasks.ics?key=none", StatusCode::FORBIDDEN),
    ] {
        check(path, "get", &program.ask(address).await, status);
    }
    for (path, address) in reads.iter().filter(|(p, _)| p.starts_with("/api/")) {
        if ![DOCUMENT, CARD].contains(path) {
            check(
                path,
                "get",
                &cellar.get(address).await,
                StatusCode::UNAUTHORIZED,
            );
        }
    }
    for path in ["/metrics", "/live"] {
        check(
            path,
            "get",
            &cellar.get(path).await,
            StatusCode::UNAUTHORIZED,
        );
    }
    let stranger = cellar.get(&format!("/vessel/{cask}/log.csv")).await;
    check(
        "/vessel/{id}/log.csv",
        "get",
        &stranger,
        StatusCode::SEE_OTHER,
    );

    let tasks = format!("meads/{mead}/tasks");
    let path = "/api/v1/meads/{id}/tasks";
    let later = json!({ "task": task, "answer": "later", "until": "2026-03-02T08:00:00Z" });
    created(path, &program.post(&tasks, &later).await);
    let refused = program
        .post(&tasks, &json!({ "task": "x", "answer": "done" }))
        .await;
    check(path, "post", &refused, StatusCode::UNPROCESSABLE_ENTITY);
    let stabilise = format!("vessels/{cask}/reckon/stabilise");
    let path = "/api/v1/vessels/{id}/reckon/{key}";
    let shut = program.post(&stabilise, &json!({ "ph": 3.4 })).await;
    check(path, "post", &shut, StatusCode::CONFLICT);
    let despite = json!({ "ph": 3.4, "despite": "a trial jar" });
    created(path, &program.post(&stabilise, &despite).await);
    let answer = program.post(&stabilise, &json!({ "colour": "red" })).await;
    check(path, "post", &answer, StatusCode::UNPROCESSABLE_ENTITY);

    let made = program.post("vessels", &json!({ "name": "Keg" })).await;
    let keg = created("/api/v1/vessels", &made)["vessel"].clone();
    let part = json!({ "mead": mead, "volume": 5 });
    let at = "2026-03-01T08:00:00Z";
    let body = json!({ "into": keg, "name": "Part", "at": at, "parts": [part] });
    let made = program.post("pours", &body).await;
    let other = created("/api/v1/pours", &made)["mead"].clone();
    let made = program
        .post(&format!("meads/{other}/plan"), &json!({ "plan": {} }))
        .await;
    created("/api/v1/meads/{id}/plan", &made);
    let made = program
        .post("vessels", &json!({ "name": "Demijohn" }))
        .await;
    let third = created("/api/v1/vessels", &made)["vessel"].clone();
    let made = program
        .post(&format!("meads/{other}/move"), &json!({ "into": third }))
        .await;
    created("/api/v1/meads/{id}/move", &made);
    let made = program
        .post(&format!("meads/{other}/end"), &json!({}))
        .await;
    created("/api/v1/meads/{id}/end", &made);
}

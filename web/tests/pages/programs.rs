//! What a program may do with the API's token.

use axum::body::Body;
use axum::http::{Request, StatusCode, header};
use ebbmark_core::files::{ON_RECORD, events};
use ebbmark_core::ids::VesselId;
use ebbmark_core::time::Moment;
use ebbmark_store::model::LogLine;
use serde_json::{Value, json};

use crate::ask::{Answer, Cellar, cellar};

pub struct Program<'a> {
    cellar: &'a Cellar,
    token: String,
}

impl<'a> Program<'a> {
    pub async fn of(cellar: &'a Cellar) -> Program<'a> {
        let token = cellar.token(&["write"]).await;
        Program { cellar, token }
    }

    async fn post_with(&self, path: &str, key: Option<&str>, body: &Value) -> Answer {
        let mut request = Request::post(format!("/api/v1/{path}"))
            .header(header::AUTHORIZATION, format!("Bearer {}", self.token));
        if let Some(key) = key {
            request = request.header("idempotency-key", key);
        }
        let body = Body::from(body.to_string());
        self.cellar.ask(request.body(body).unwrap()).await
    }

    pub async fn post(&self, path: &str, body: &Value) -> Answer {
        self.post_with(path, None, body).await
    }

    /// The number of what was made.
    async fn made(&self, path: &str, body: &Value, what: &str) -> i64 {
        let answer = self.post(path, body).await;
        assert_eq!(answer.status, StatusCode::CREATED, "{}", answer.text);
        let value: Value = serde_json::from_str(&answer.text).unwrap();
        value[what].as_i64().unwrap()
    }

    async fn cask(&self) -> i64 {
        let body = json!({ "name": "Cask" });
        self.made("vessels", &body, "vessel").await
    }

    async fn refused(&self, path: &str, body: &Value) -> String {
        let answer = self.post(path, body).await;
        assert_eq!(
            answer.status,
            StatusCode::UNPROCESSABLE_ENTITY,
            "{}",
            answer.text
        );
        let value: Value = serde_json::from_str(&answer.text).unwrap();
        value["error"].as_str().unwrap().to_owned()
    }

    /// Whatever comes of it.
    pub async fn ask(&self, address: &str) -> Answer {
        let request =
            Request::get(address).header(header::AUTHORIZATION, format!("Bearer {}", self.token));
        self.cellar.ask(request.body(Body::empty()).unwrap()).await
    }

    pub async fn get(&self, path: &str) -> Value {
        let answer = self.ask(&format!("/api/v1/{path}")).await;
        assert_eq!(answer.status, StatusCode::OK, "{}", answer.text);
        serde_json::from_str(&answer.text).unwrap()
    }

    fn lines(&self, vessel: i64) -> usize {
        let all = (Moment(i64::MIN), Moment(i64::MAX));
        let log = self.cellar.reader.log(VesselId(vessel), all.0, all.1);
        log.unwrap().len()
    }
}

#[tokio::test]
async fn only_with_the_token_or_a_session_on_our_own_page() {
    let cellar = cellar().await;
    let program = Program::of(&cellar).await;
    let body = json!({ "name": "Cask" });
    let post = |with: &[(&str, &str)]| {
        let mut request = Request::post("/api/v1/vessels");
        for (name, value) in with {
            request = request.header(*name, *value);
        }
        cellar.ask(request.body(Body::from(body.to_string())).unwrap())
    };
    let maker = cellar.enter().await;
    let (cookie, json) = (
        ("cookie", maker.cookie.as_str()),
        ("content-type", "application/json"),
    );
    let wrong = format!("Bearer {}", &program.token[1..]);
    for (with, status) in [
        (vec![json], StatusCode::UNAUTHORIZED),
        (
            vec![json, ("authorization", &wrong)],
            StatusCode::UNAUTHORIZED,
        ),
        // What a form of another site could send.
        (vec![cookie], StatusCode::UNSUPPORTED_MEDIA_TYPE),
        (
            vec![
                cookie,
                json,
                ("host", "cellar"),
                ("origin", "http://elsewhere"),
            ],
            StatusCode::FORBIDDEN,
        ),
    ] {
        assert_eq!(post(&with).await.status, status, "{with:?}");
    }
    assert!(cellar.reader.vessels().unwrap().is_empty());
    assert_eq!(post(&[cookie, json]).await.status, StatusCode::CREATED);

    // Reading goes with it, and not without.
    assert_eq!(
        cellar.get("/api/v1/vessels").await.status,
        StatusCode::UNAUTHORIZED
    );
    assert_eq!(program.get("vessels").await[0]["name"], "Cask");
    // One that may send readings, and one that may read, write nothing.
    for scope in ["send", "look"] {
        let other = format!("Bearer {}", cellar.token(&[scope]).await);
        assert_eq!(
            post(&[("authorization", &other)]).await.status,
            StatusCode::FORBIDDEN
        );
    }
}

#[tokio::test]
async fn what_is_wrong_is_named_and_nothing_is_written() {
    let cellar = cellar().await;
    let program = Program::of(&cellar).await;
    let cask = program.cask().await;
    let meads = format!("vessels/{cask}/meads");
    let log = format!("vessels/{cask}/log");
    for (path, body, words) in [
        ("vessels", json!({}), "name: this is needed"),
        ("vessels", json!([]), "a JSON object is needed"),
        (
            "vessels",
            json!({ "name": "A", "colour": "red" }),
            "colour: this is not read",
        ),
        (
            "vessels",
            json!({ "name": "A", "capacity": "some" }),
            "capacity: ",
        ),
        (
            "vessels",
            json!({ "name": "A", "temperature-low": 20, "temperature-high": 10 }),
            "temperature-high: has to be above",
        ),
        (
            &meads,
            json!({ "name": "A", "at": "2027-01-01T00:00:00Z" }),
            "still to come",
        ),
        (
            &meads,
            json!({ "name": "A", "original-gravity": 9 }),
            "original-gravity: ",
        ),
        (
            &meads,
            json!({ "name": "A", "original-gravity": 1.09, "expected-final": 1.1 }),
            "expected-final: has to be below",
        ),
        (
            &meads,
            json!({ "name": "A", "plan": { "finish": "fried" } }),
            "plan: ",
        ),
        (
            &meads,
            json!({ "name": "A", "plan": { "steeps": [{ "name": "figs", "weeks": 2, "push-every": 2 }] } }),
            "plan/steeps/0/weeks: this is not read",
        ),
        (
            &meads,
            json!({ "name": "A", "plan": { "nutrient": { "steps": 9, "by": "hours" } } }),
            "plan/nutrient/steps: 1 to 6",
        ),
        (&log, json!({ "what": "rack", "volume": -1 }), "volume: "),
        (
            "pours",
            json!({ "into": cask, "name": "A", "parts": [] }),
            "parts: at least one",
        ),
        (
            "pours",
            json!({ "into": cask, "name": "A", "parts": [{}] }),
            "parts/0/mead",
        ),
    ] {
        let said = program.refused(path, &body).await;
        assert!(said.contains(words), "{path} {body}: {said}");
    }
    assert_eq!(cellar.reader.vessels().unwrap().len(), 1);
    assert_eq!(program.lines(cask), 0);
    let answer = program.post("meads/99/end", &json!({})).await;
    assert_eq!(answer.status, StatusCode::NOT_FOUND, "{}", answer.text);
}

#[tokio::test]
async fn the_same_request_twice_is_done_once() {
    let cellar = cellar().await;
    let program = Program::of(&cellar).await;
    let cask = program.cask().await;
    let log = format!("vessels/{cask}/log");
    let rouse = json!({ "what": "rouse" });
    let first = program.post_with(&log, Some("rouse-1"), &rouse).await;
    let again = program.post_with(&log, Some("rouse-1"), &rouse).await;
    assert_eq!(first.text, again.text);
    assert_eq!(program.lines(cask), 1);
    program.post_with(&log, Some("rouse-2"), &rouse).await;
    program.post(&log, &rouse).await;
    assert_eq!(program.lines(cask), 3);
    // A key is of one address: what it made elsewhere is no answer here.
    let cask = json!({ "name": "Keg" });
    let other = program.post_with("vessels", Some("rouse-1"), &cask).await;
    assert!(other.text.contains("vessel"), "{}", other.text);
    let blank = program.post_with(&log, Some("rouse 1"), &rouse).await;
    assert_eq!(blank.status, StatusCode::BAD_REQUEST);
    let long = "x".repeat(65);
    let answer = program.post_with(&log, Some(&long), &rouse).await;
    assert_eq!(answer.status, StatusCode::BAD_REQUEST);
}

#[tokio::test]
async fn a_task_is_answered_and_a_step_that_does_not_follow_is_refused() {
    let cellar = cellar().await;
    let program = Program::of(&cellar).await;
    let cask = program.cask().await;
    let plan = json!({ "rouse": true, "nutrient": { "steps": 1, "by": "hours" } });
    let body = json!({ "name": "Linden", "at": "2026-02-28T11:00:00Z", "plan": plan });
    let mead = program
        .made(&format!("vessels/{cask}/meads"), &body, "mead")
        .await;
    let all = program.get("tasks").await;
    let key = |kind: &str| {
        let found = all.as_array().unwrap().iter().find(|t| t["kind"] == kind);
        found.unwrap_or_else(|| panic!("no {kind} in {all}"))["task"].clone()
    };
    let tasks = format!("meads/{mead}/tasks");
    for (answer, words) in [
        (
            json!({ "task": "rouse:0", "answer": "done" }),
            "not to be done",
        ),
        (
            json!({ "task": key("rouse"), "answer": "perhaps" }),
            "one of done",
        ),
        (json!({ "task": key("rouse"), "answer": "later" }), "until"),
        (
            json!({ "task": key("rouse"), "answer": "later", "until": "2026-02-01T00:00:00Z" }),
            "until: is past",
        ),
    ] {
        let said = program.refused(&tasks, &answer).await;
        assert!(said.contains(words), "{answer}: {said}");
    }
    let done = json!({ "task": key("rouse"), "answer": "done" });
    program.made(&tasks, &done, "line").await;
    assert_eq!(program.lines(cask), 1);

    // Without a volume nothing can be weighed.
    let said = program
        .refused(&format!("vessels/{cask}/reckon/nutrient"), &json!({}))
        .await;
    assert!(said.contains("Volume"), "{said}");
    let said = program
        .refused(
            &format!("vessels/{cask}/reckon/nutrient"),
            &json!({ "colour": "red" }),
        )
        .await;
    assert!(said.contains("colour: this is not asked"), "{said}");
}

#[tokio::test]
async fn the_log_as_a_file_reads_back_as_what_stands() {
    let cellar = cellar().await;
    let program = Program::of(&cellar).await;
    let cask = program.cask().await;
    let log = format!("vessels/{cask}/log");
    let dose = json!({ "of": "fruit", "mass": 1.25, "name": "figs, \"dried\"" });
    for body in [
        json!({ "what": "addition", "at": "2026-02-20T08:00:00Z", "gravity": 1.0521,
            "doses": [dose], "note": "off the tree,\nscalded" }),
        json!({ "what": "rack", "at": "2026-02-21T08:00:00Z", "volume": 18.5 }),
    ] {
        program.made(&log, &body, "line").await;
    }
    let file = format!("/vessel/{cask}/log.csv");
    let answer = program.ask(&file).await;
    assert_eq!(answer.header("content-type"), "text/csv; charset=utf-8");
    let (deeds, bad) = events(&answer.text, &ON_RECORD).unwrap();
    assert_eq!(bad.len(), 0);
    let lines = cellar
        .reader
        .log(VesselId(cask), Moment(i64::MIN), Moment(i64::MAX));
    assert_eq!(deeds, LogLine::standing(lines.unwrap()));
    assert_eq!(deeds.len(), 2);

    // A person without a session is led to sign in; a program is told.
    assert_eq!(cellar.get(&file).await.status, StatusCode::SEE_OTHER);
    let wrong = Request::get(&file).header(header::AUTHORIZATION, "Bearer none");
    let wrong = cellar.ask(wrong.body(Body::empty()).unwrap()).await;
    assert_eq!(wrong.status, StatusCode::UNAUTHORIZED);
    assert_eq!(wrong.header("www-authenticate"), "Bearer");
}

//! Who gets in, and the first steps.

use axum::http::{Request, StatusCode, header};
use ebbmark_core::ids::VesselId;
use ebbmark_core::time::Span;
use ebbmark_store::model::Scopes;

use crate::ask::{Answer, Cellar, FORM, PASSWORD, cellar};

const CODE: &str = "7K3F-2M9Q";
const TYPED: &str = PASSWORD;

fn encoded(text: &str) -> String {
    text.replace(' ', "+")
}

async fn start(cellar: &Cellar, code: &str, password: &str) -> Answer {
    let form = format!("code={code}&password={}", encoded(password));
    cellar.post("/start", &form).await
}

#[tokio::test]
async fn the_first_password_wants_the_code_of_the_start() {
    let cellar = cellar().await;
    let page = cellar.get("/start").await;
    assert!(page.text.contains("name=\"code\""));
    assert!(!page.text.contains(CODE), "the page does not tell it");
    let answer = start(&cellar, "7K3F-2M9X", TYPED).await;
    assert_eq!(answer.status, StatusCode::FORBIDDEN);
    let answer = start(&cellar, CODE, "short").await;
    assert_eq!(answer.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(answer.text.contains("at least 8"), "{}", answer.text);
    assert!(cellar.reader.setting("password-hash").unwrap().is_none());

    let answer = start(&cellar, "7k3f+2m9q", TYPED).await;
    assert_eq!(answer.header("location"), "/start");
    let cookie = answer
        .header("set-cookie")
        .split(';')
        .next()
        .unwrap()
        .to_owned();
    let request = |path: &str| {
        let request = Request::get(path).header(header::COOKIE, &cookie);
        cellar.ask(request.body(axum::body::Body::empty()).unwrap())
    };
    let steps = request("/start").await;
    assert_eq!(steps.status, StatusCode::OK, "signed in at once");
    assert!(steps.text.contains("Your scales and clock"));
    assert!(request("/").await.text.contains("First steps: go on"));

    // Once there is one, the code opens nothing.
    let answer = start(&cellar, CODE, "another password").await;
    assert_eq!(answer.header("location"), "/start");
    assert_eq!(answer.header("set-cookie"), "");
    assert_eq!(request("/").await.status, StatusCode::OK, "it is unchanged");
}

#[tokio::test]
async fn guesses_at_the_code_are_slowed_down() {
    let cellar = cellar().await;
    for _ in 0..5 {
        let answer = start(&cellar, "AAAA-AAAA", TYPED).await;
        assert_eq!(answer.status, StatusCode::FORBIDDEN);
    }
    let answer = start(&cellar, CODE, TYPED).await;
    assert_eq!(answer.status, StatusCode::TOO_MANY_REQUESTS);
    assert!(cellar.reader.setting("password-hash").unwrap().is_none());
}

#[tokio::test]
async fn the_first_password_is_not_set_from_another_site() {
    let cellar = cellar().await;
    let request = Request::post("/start")
        .header(header::CONTENT_TYPE, FORM)
        .header("host", "127.0.0.1:8420")
        .header("origin", "http://elsewhere.example");
    let form = format!("code={CODE}&password={}", encoded(TYPED));
    let answer = cellar.ask(request.body(form.into()).unwrap()).await;
    assert_eq!(answer.status, StatusCode::FORBIDDEN);
    assert!(cellar.reader.setting("password-hash").unwrap().is_none());
}

#[tokio::test]
async fn the_steps_follow_the_record_until_they_are_left() {
    let cellar = cellar().await;
    let maker = cellar.enter().await;
    let next = async || {
        let text = maker.get("/start").await.text;
        let at = text.find("aria-current=\"step\"").map(|at| &text[at..]);
        let title = at.and_then(|t| t.split("<h2>").nth(1));
        title.map(|t| t.split('<').next().unwrap().to_owned())
    };
    assert_eq!(next().await.as_deref(), Some("Your scales and clock"));
    let units = "gravity=plato&temperature=celsius&volume=litres&mass=kilograms&pressure=bar&dates=day-month&clock=twenty-four&zone=";
    maker.send("/settings", "/settings", units).await;
    assert_eq!(next().await.as_deref(), Some("A vessel"));
    let added = maker.send("/start", "/vessel", "name=Cask").await;
    assert_eq!(added.header("location"), "/vessel/1");
    assert_eq!(next().await.as_deref(), Some("A mead in it"));
    cellar.mead(VesselId(1), "Linden", 3).await;
    assert_eq!(next().await.as_deref(), Some("Readings"));
    let token = cellar.token(&["send"]).await;
    let float =
        Request::post("/intake/float").header(header::AUTHORIZATION, format!("Bearer {token}"));
    cellar.ask(float.body("1.05".into()).unwrap()).await;
    assert!(maker.get("/start").await.text.contains("claim it"));
    let hand = "read=20&sample=20&reference=20&at=2026-03-01T12%3A00";
    let noted = maker.send("/vessel/1", "/vessel/1/hand", hand).await;
    assert_eq!(noted.status, StatusCode::SEE_OTHER, "{}", noted.text);
    assert_eq!(next().await.as_deref(), Some("Notices that reach you"));
    maker.send("/start", "/start/close", "").await;
    assert!(!maker.get("/").await.text.contains("First steps"));
}

#[tokio::test]
async fn a_new_password_signs_everybody_else_out() {
    let cellar = cellar().await;
    let maker = cellar.enter().await;
    let wrong = "now=nonsense&new=a+longer+one";
    let answer = maker.send("/access", "/access/password", wrong).await;
    assert_eq!(answer.status, StatusCode::UNPROCESSABLE_ENTITY);
    assert!(answer.text.contains("that is not it"));
    let short = format!("now={}&new=short", encoded(PASSWORD));
    let answer = maker.send("/access", "/access/password", &short).await;
    assert!(answer.text.contains("at least 8"), "{}", answer.text);
    assert!(!answer.text.contains("short\""), "never filled in again");
    let right = format!("now={}&new=a+longer+one", encoded(PASSWORD));
    let answer = maker.send("/access", "/access/password", &right).await;
    assert_eq!(answer.header("location"), "/access?done=password");
    assert!(answer.header("set-cookie").starts_with("ebbmark="));
    assert_eq!(
        maker.get("/").await.status,
        StatusCode::SEE_OTHER,
        "the old one ended"
    );
    let entered = cellar.post("/enter", "password=a+longer+one&then=/").await;
    assert_eq!(entered.header("location"), "/");
}

#[tokio::test]
async fn sessions_are_listed_and_ended_one_by_one() {
    let cellar = cellar().await;
    cellar.lock().await;
    let phone = cellar
        .sign_in("Mozilla/5.0 (Android 16) Firefox/140.0")
        .await;
    let desk = cellar.sign_in("<b>script</b>").await;
    let page = desk.get("/access").await.text;
    assert!(page.contains("Firefox on Android"));
    assert!(page.contains("&lt;b&gt;script&lt;/b&gt;") && !page.contains("<b>script"));
    let id = page.split("name=\"session\" value=\"").nth(1).unwrap();
    let id = id.split('"').next().unwrap().to_owned();
    desk.send("/access", "/access/session", &format!("session={id}"))
        .await;
    assert_eq!(phone.get("/").await.status, StatusCode::SEE_OTHER);
    assert_eq!(desk.get("/").await.status, StatusCode::OK);

    let other = cellar.sign_in("other").await;
    desk.send("/access", "/access/others", "").await;
    assert_eq!(other.get("/").await.status, StatusCode::SEE_OTHER);
    assert_eq!(desk.get("/").await.status, StatusCode::OK);
}

#[tokio::test]
async fn a_token_does_what_it_may_and_no_more_and_ends_when_revoked() {
    let cellar = cellar().await;
    let look = cellar.token(&["look"]).await;
    let ask = |path: &str, token: &str| {
        let request = Request::get(path).header(header::AUTHORIZATION, format!("Bearer {token}"));
        cellar.ask(request.body(axum::body::Body::empty()).unwrap())
    };
    assert_eq!(ask("/api/v1/vessels", &look).await.status, StatusCode::OK);
    assert_eq!(ask("/metrics", &look).await.status, StatusCode::OK);
    let send = cellar.token(&["send"]).await;
    assert_eq!(
        ask("/api/v1/vessels", &send).await.status,
        StatusCode::FORBIDDEN
    );
    let float = Request::post("/intake/f").header(header::AUTHORIZATION, format!("Bearer {look}"));
    let answer = cellar.ask(float.body("1.05".into()).unwrap()).await;
    assert_eq!(answer.status, StatusCode::FORBIDDEN);

    let tokens = cellar.reader.tokens().unwrap();
    let of_look = &tokens[0];
    assert_eq!(
        of_look.scopes,
        Scopes {
            look: true,
            ..Scopes::default()
        }
    );
    assert_eq!(of_look.used_at, Some(crate::ask::noon()));
    cellar.later(Span::hours(3));
    ask("/metrics", &look).await;
    assert_eq!(
        cellar.reader.tokens().unwrap()[0].used_at,
        Some(crate::ask::noon()),
        "noted once a day"
    );

    let maker = cellar.enter().await;
    let page = maker.get("/access").await.text;
    assert!(!page.contains(&look), "shown once");
    maker
        .send(
            "/access",
            "/access/revoke",
            &format!("token={}", of_look.id),
        )
        .await;
    assert_eq!(
        ask("/metrics", &look).await.status,
        StatusCode::UNAUTHORIZED
    );
    assert_eq!(cellar.reader.tokens().unwrap().len(), 1);
}

#[tokio::test]
async fn a_token_needs_a_name_and_something_to_do() {
    let cellar = cellar().await;
    let maker = cellar.enter().await;
    let answer = maker
        .send("/access", "/access/token", "name=&look=yes")
        .await;
    assert_eq!(answer.status, StatusCode::UNPROCESSABLE_ENTITY);
    let answer = maker.send("/access", "/access/token", "name=Shelf").await;
    assert!(answer.text.contains("tick at least one"), "{}", answer.text);
    assert!(cellar.reader.tokens().unwrap().is_empty());
}

#[tokio::test]
async fn whoever_looks_without_the_password_sees_neither_browsers_nor_programs() {
    let cellar = cellar().await;
    cellar.token(&["look"]).await;
    cellar.set("public-view", "yes").await;
    let page = cellar.get("/access").await;
    assert_eq!(page.status, StatusCode::OK);
    assert!(!page.text.contains("Somebody"));
    assert!(!page.text.contains("Signed in"));
}

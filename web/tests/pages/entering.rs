use axum::body::Body;
use axum::http::{Request, StatusCode, header};
use ebbmark_core::time::Span;

use crate::ask::{PASSWORD, cellar};

#[tokio::test]
async fn without_a_password_everything_can_be_read_and_nothing_written() {
    let cellar = cellar().await;
    for page in ["/", "/feeds", "/notices", "/settings"] {
        let answer = cellar.get(page).await;
        assert_eq!(answer.status, StatusCode::OK, "{page}");
        assert!(!answer.text.contains("<form"), "{page} has no form");
    }
    assert!(cellar.get("/access").await.text.contains("first steps"));
    let answer = cellar.post("/vessel", "name=Cask").await;
    assert_eq!(answer.status, StatusCode::FORBIDDEN);
    assert!(answer.text.contains("ebbmark password"), "{}", answer.text);
    assert!(cellar.reader.vessels().unwrap().is_empty());
    assert_eq!(cellar.get("/enter").await.header("location"), "/start");
}

#[tokio::test]
async fn with_a_password_reading_needs_it_unless_the_view_is_public() {
    let cellar = cellar().await;
    cellar.lock().await;
    let answer = cellar.get("/vessel/1?span=all").await;
    assert_eq!(answer.status, StatusCode::SEE_OTHER);
    assert_eq!(
        answer.header("location"),
        "/enter?then=%2Fvessel%2F1%3Fspan%3Dall"
    );
    for path in ["/api/v1/vessels", "/live"] {
        assert_eq!(
            cellar.get(path).await.status,
            StatusCode::UNAUTHORIZED,
            "{path}"
        );
    }
    assert_eq!(cellar.get("/healthz").await.text, "ok");

    cellar.set("public-view", "yes").await;
    let answer = cellar.get("/").await;
    assert_eq!(answer.status, StatusCode::OK);
    assert!(answer.text.contains("Sign in"));
    let answer = cellar.post("/vessel", "name=Cask").await;
    assert_eq!(
        answer.status,
        StatusCode::SEE_OTHER,
        "writing still needs it"
    );
    assert!(cellar.reader.vessels().unwrap().is_empty());
}

#[tokio::test]
async fn the_cookie_is_kept_from_scripts_and_other_sites() {
    let cellar = cellar().await;
    cellar.lock().await;
    let form = format!("password={}&then=%2Ffeeds", PASSWORD.replace(' ', "+"));
    let answer = cellar.post("/enter", &form).await;
    assert_eq!(answer.header("location"), "/feeds");
    let cookie = answer.header("set-cookie");
    assert!(cookie.starts_with("ebbmark="), "{cookie}");
    for part in [
        "; Path=/",
        "; Max-Age=34560000",
        "; HttpOnly",
        "; SameSite=Lax",
    ] {
        assert!(cookie.contains(part), "{cookie} lacks {part}");
    }
    assert!(!cookie.contains("Secure"));
    let elsewhere = form.replace("%2Ffeeds", "%2F%2Felsewhere.example");
    assert_eq!(
        cellar.post("/enter", &elsewhere).await.header("location"),
        "/"
    );
}

#[tokio::test]
async fn sessions_end_by_leaving_by_time_and_by_a_new_password() {
    let cellar = cellar().await;
    let maker = cellar.enter().await;
    assert_eq!(maker.get("/").await.status, StatusCode::OK);
    let left = maker.send("/access", "/leave", "").await;
    assert!(left.header("set-cookie").contains("Max-Age=0"));
    assert_eq!(maker.get("/").await.status, StatusCode::SEE_OTHER, "left");

    let maker = cellar.enter().await;
    cellar.later(Span::days(29));
    assert_eq!(maker.get("/").await.status, StatusCode::OK);
    cellar.later(Span::days(29));
    assert_eq!(
        maker.get("/").await.status,
        StatusCode::OK,
        "seen meanwhile"
    );
    cellar.later(Span::days(31));
    assert_eq!(
        maker.get("/").await.status,
        StatusCode::SEE_OTHER,
        "run out"
    );

    let maker = cellar.enter().await;
    cellar.lock().await;
    assert_eq!(
        maker.get("/").await.status,
        StatusCode::SEE_OTHER,
        "new password"
    );
}

#[tokio::test]
async fn guesses_are_slowed_down() {
    let cellar = cellar().await;
    cellar.lock().await;
    for _ in 0..5 {
        let answer = cellar.post("/enter", "password=guess&then=%2Ffeeds").await;
        assert_eq!(answer.status, StatusCode::FORBIDDEN);
        assert!(answer.text.contains("not the password"));
        assert_eq!(answer.field("then"), "/feeds");
    }
    let right = format!("password={}", PASSWORD.replace(' ', "+"));
    let answer = cellar.post("/enter", &right).await;
    assert_eq!(
        answer.status,
        StatusCode::TOO_MANY_REQUESTS,
        "even with the right one"
    );
    assert!(!answer.header("retry-after").is_empty());
    assert!(answer.text.contains("Wait"));
}

#[tokio::test]
async fn a_form_without_the_sessions_mark_or_from_another_site_is_refused() {
    let cellar = cellar().await;
    let maker = cellar.enter().await;
    let mark = maker.get("/").await.field("mark");

    let unmarked = maker.send_raw("/vessel", "name=Cask", |r| r).await;
    assert_eq!(unmarked.status, StatusCode::FORBIDDEN);
    let wrong = maker
        .send_raw(
            "/vessel",
            &format!("name=Cask&mark={}", "0".repeat(64)),
            |r| r,
        )
        .await;
    assert_eq!(wrong.status, StatusCode::FORBIDDEN);

    let form = format!("name=Cask&mark={mark}");
    let foreign = |origin: &'static str| {
        maker.send_raw("/vessel", &form, move |r| {
            r.header(header::HOST, "cellar:8080")
                .header(header::ORIGIN, origin)
        })
    };
    assert_eq!(
        foreign("http://elsewhere").await.status,
        StatusCode::FORBIDDEN
    );
    assert_eq!(foreign("null").await.status, StatusCode::FORBIDDEN);
    assert!(
        cellar.reader.vessels().unwrap().is_empty(),
        "nothing got through"
    );
    assert_eq!(
        foreign("http://cellar:8080").await.status,
        StatusCode::SEE_OTHER
    );
    assert_eq!(cellar.reader.vessels().unwrap().len(), 1);

    let other = cellar.enter().await;
    assert_ne!(
        other.get("/").await.field("mark"),
        mark,
        "each session has its own"
    );
}

#[tokio::test]
async fn signing_in_from_another_site_is_refused() {
    let cellar = cellar().await;
    cellar.lock().await;
    let request = Request::post("/enter")
        .header(header::HOST, "cellar:8080")
        .header(header::ORIGIN, "http://elsewhere")
        .header(header::CONTENT_TYPE, crate::ask::FORM)
        .body(Body::from(format!(
            "password={}",
            PASSWORD.replace(' ', "+")
        )))
        .unwrap();
    let answer = cellar.ask(request).await;
    assert_eq!(answer.status, StatusCode::FORBIDDEN);
    assert!(answer.headers.get(header::SET_COOKIE).is_none());
}

#[tokio::test]
async fn a_look_round_names_servers_and_is_not_for_guests() {
    let cellar = cellar().await;
    // This board only, as long as there is no password.
    let answer = cellar.get("/look-round").await;
    assert!(answer.text.contains("a &lt;test&gt;"), "{}", answer.text);
    let maker = cellar.enter().await;
    let answer = maker.get("/look-round").await;
    assert!(
        answer.text.contains("Something does not work"),
        "{}",
        answer.text
    );
    assert!(answer.text.contains("Put right what is named there"));
    cellar.set("public-view", "yes").await;
    assert_eq!(cellar.get("/notices").await.status, StatusCode::OK);
    let answer = cellar.get("/look-round").await;
    assert_eq!(answer.status, StatusCode::SEE_OTHER);
    assert_eq!(answer.header("location"), "/enter?then=%2Flook-round");
}

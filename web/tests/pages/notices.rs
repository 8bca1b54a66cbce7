use axum::http::StatusCode;
use ebbmark_core::ids::{NoticeId, VesselId};
use ebbmark_core::notice::NoticeKind;
use ebbmark_core::notice::again::Reply;
use ebbmark_core::notice::wishes::OfVessel;
use ebbmark_core::time::{Moment, Span};
use ebbmark_store::model::{Command, DeliveryState, Done, NewNotice, Notice};
use ebbmark_web::link::{KEY_SETTING, Links};

use crate::ask::{Cellar, cellar, noon};

const KEY: &str = "invented key";

async fn told(cellar: &Cellar, title: &str) -> Notice {
    cellar.set(KEY_SETTING, KEY).await;
    let notice = NewNotice {
        kind: NoticeKind::Restarted,
        key: "restarted:1".to_owned(),
        vessel: None,
        at: noon(),
        title: title.to_owned(),
        body: "It falls.".to_owned(),
        pressing: false,
        channels: vec!["mail".to_owned()],
    };
    let Done::Notices(ids) = cellar
        .writer
        .command(Command::Notify(vec![notice]))
        .await
        .unwrap()
    else {
        panic!("a notice was to be made");
    };
    cellar.reader.notice(ids[0]).unwrap().unwrap()
}

fn link(notice: &Notice, reply: Reply) -> String {
    let links = Links::new("", KEY.to_owned());
    links.reply(notice, reply, noon())
}

fn as_it_is(cellar: &Cellar, id: NoticeId) -> Notice {
    cellar.reader.notice(id).unwrap().unwrap()
}

#[tokio::test]
async fn a_signed_address_answers_without_signing_in_and_only_when_its_button_is_pressed() {
    let cellar = cellar().await;
    cellar.lock().await;
    let notice = told(&cellar, "<b>Cask</b> & jar: it is falling again").await;
    let seen = link(&notice, Reply::Seen);
    for _ in 0..2 {
        let page = cellar.get(&seen).await;
        assert_eq!(page.status, StatusCode::OK);
        assert!(
            page.text.contains("&lt;b&gt;Cask&lt;/b&gt; &amp; jar"),
            "{}",
            page.text
        );
        assert_eq!(page.text.matches("<button").count(), 1);
        assert_eq!(
            as_it_is(&cellar, notice.id),
            notice,
            "opening it changes nothing"
        );
    }
    let done = cellar.post(&seen, "").await;
    assert_eq!(done.status, StatusCode::OK);
    assert!(
        done.text.contains("not told of this again"),
        "{}",
        done.text
    );
    let answered = as_it_is(&cellar, notice.id);
    assert_eq!((answered.seen, answered.again), (Some(noon()), None));
    let state = answered.deliveries[0].state;
    assert_eq!(state, DeliveryState::Withdrawn { at: noon() });

    // The other answers, each by its own address; tomorrow is Warsaw's morning.
    let later = cellar.post(&link(&notice, Reply::InFourHours), "").await;
    assert!(later.text.contains("17:00"), "{}", later.text);
    let again = as_it_is(&cellar, notice.id).again;
    assert_eq!(again, Some(noon() + Span::hours(4)));
    cellar.post(&link(&notice, Reply::Tomorrow), "").await;
    let again = as_it_is(&cellar, notice.id).again;
    assert_eq!(again, Moment::parse_rfc3339("2026-03-02T07:00:00Z").ok());
}

#[tokio::test]
async fn an_address_that_was_changed_or_is_too_old_says_so_and_does_nothing() {
    let cellar = cellar().await;
    cellar.lock().await;
    let notice = told(&cellar, "Cask: it is falling again").await;
    let good = link(&notice, Reply::Seen);
    let (path, query) = good.split_once('?').unwrap();
    let (until, sign) = query.split_once('&').unwrap();
    let longer = format!("until={}", (noon() + Span::days(365)).0);
    let altered = [
        good.replace("/seen", "/tomorrow"),
        good.replace("/seen", "/burn"),
        good.replace("/answer/1/", "/answer/2/"),
        good.replace("/answer/1/", "/answer/x/"),
        format!("{path}?{longer}&{sign}"),
        format!("{path}?until=soon&{sign}"),
        format!("{path}?{until}"),
        format!("{path}?{until}&sign="),
        path.to_owned(),
        good[..good.len() - 1].to_owned(),
    ];
    for address in &altered {
        for answer in [cellar.get(address).await, cellar.post(address, "").await] {
            assert_eq!(answer.status, StatusCode::FORBIDDEN, "{address}");
            assert!(answer.text.contains("not whole"), "{}", answer.text);
        }
    }
    cellar.later(Span::days(7));
    assert_eq!(cellar.get(&good).await.status, StatusCode::OK);
    cellar.later(Span(1));
    for answer in [cellar.get(&good).await, cellar.post(&good, "").await] {
        assert_eq!(answer.status, StatusCode::GONE);
        assert!(
            answer.text.contains("too old") && answer.text.contains("Sign in"),
            "{}",
            answer.text
        );
    }
    assert_eq!(as_it_is(&cellar, notice.id), notice);
}

#[tokio::test]
async fn what_is_over_needs_no_answer() {
    let cellar = cellar().await;
    let notice = told(&cellar, "Cask: it is falling again").await;
    let clear = Command::Clear {
        key: notice.key.clone(),
        at: noon(),
    };
    cellar.writer.command(clear).await.unwrap();
    let seen = link(&notice, Reply::Seen);
    for page in [cellar.get(&seen).await, cellar.post(&seen, "").await] {
        assert!(
            page.text.contains("It is over") && !page.text.contains("<button"),
            "{}",
            page.text
        );
    }
    assert_eq!(as_it_is(&cellar, notice.id).seen, None);
}

#[tokio::test]
async fn an_answer_from_the_notices_page() {
    let cellar = cellar().await;
    let notice = told(&cellar, "Cask: it is falling again").await;
    let maker = cellar.enter().await;
    let to = format!("/notices/{}/answer", notice.id);
    let page = maker.get("/notices").await.text;
    assert!(page.contains(&to) && page.contains("Told again"), "{page}");
    assert_eq!(
        maker.send("/notices", &to, "reply=burn").await.status,
        StatusCode::UNPROCESSABLE_ENTITY
    );
    // Not without signing in.
    assert_ne!(cellar.post(&to, "reply=seen").await.status, StatusCode::OK);
    assert_eq!(as_it_is(&cellar, notice.id).seen, None);
    maker.send("/notices", &to, "reply=in-4-hours").await;
    assert_eq!(
        as_it_is(&cellar, notice.id).again,
        Some(noon() + Span::hours(4))
    );
    maker.send("/notices", &to, "reply=seen").await;
    let page = maker.get("/notices").await.text;
    assert!(
        page.contains("Seen Today 13:00") || page.contains("Seen today 13:00"),
        "{page}"
    );
    assert!(!page.contains(&to), "{page}");
}

#[tokio::test]
async fn what_is_told_how_is_kept_as_it_was_ticked() {
    let cellar = cellar().await;
    let cask = cellar.vessel("<Cask> & \"jar\"").await;
    let jar = cellar.vessel("Jar").await;
    let maker = cellar.enter().await;
    let page = maker.get("/notices/ways").await.text;
    assert!(
        page.contains("&lt;Cask&gt; &amp; &quot;jar&quot;"),
        "{page}"
    );
    // Everything by every way to begin with; no quiet hours, no summary.
    let rows = NoticeKind::ALL.len() - 1;
    let ticked = |page: &str, field: &str| {
        let input = page
            .split("<input")
            .find(|i| i.contains(&format!("name=\"{field}\"")));
        input
            .unwrap_or_else(|| panic!("{field}"))
            .split('>')
            .next()
            .unwrap()
            .contains(" checked")
    };
    let kinds = NoticeKind::ALL
        .into_iter()
        .filter(|k| *k != NoticeKind::Test);
    assert_eq!(
        kinds
            .filter(|k| ticked(&page, &format!("{}.mail", k.key())))
            .count(),
        rows
    );
    assert!(ticked(&page, "break.pressing") && !ticked(&page, "break.float-stuck"));

    let form = format!(
        "settled.mail=yes&restarted.mail=yes&vessel-{cask}=only&vessel-{cask}.mail=yes&vessel-{jar}=none\
         &quiet-from=22%3A00&quiet-until=07%3A00&break.pressing=yes&break.temperature=yes\
         &summary=monday&summary-at=08%3A30"
    );
    let saved = maker.send("/notices/ways", "/notices/ways", &form).await;
    assert_eq!(
        saved.header("location"),
        "/notices/ways?done=ways",
        "{}",
        saved.text
    );
    let all = ["mail".to_owned()];
    let wishes = cellar.reader.wishes().unwrap();
    let by = |kind, vessel: VesselId| wishes.ways(kind, Some(vessel), &all);
    assert_eq!(by(NoticeKind::Settled, cask), all);
    assert!(by(NoticeKind::Stuck, cask).is_empty() && by(NoticeKind::Settled, jar).is_empty());
    assert_eq!(wishes.vessels[&jar], OfVessel::None);
    let quiet = wishes.quiet.clone().unwrap();
    let midnight = noon() + Span::hours(11);
    let zone = jiff::tz::TimeZone::get("Europe/Warsaw").unwrap();
    assert_eq!(quiet.ends(midnight, &zone), Some(noon() + Span::hours(18)));
    assert_eq!(
        quiet.holds(NoticeKind::Temperature, false, midnight, &zone),
        None
    );
    assert_eq!(wishes.summary.clone().unwrap().since, noon());
    let page = maker.get("/notices/ways").await.text;
    assert!(
        ticked(&page, "settled.mail")
            && !ticked(&page, "stuck.mail")
            && page.contains("value=\"22:00\"")
    );

    // Saved again as it stands, the summary is not begun anew.
    cellar.later(Span::hours(1));
    maker.send("/notices/ways", "/notices/ways", &form).await;
    assert_eq!(cellar.reader.wishes().unwrap(), wishes);

    // What cannot be is said, and nothing is changed.
    for (wrong, said) in [
        ("quiet-from=25%3A00&quiet-until=07%3A00", "25:00"),
        ("quiet-from=22%3A00", "Quiet until"),
        (
            "quiet-from=22%3A00&quiet-until=22%3A00",
            "ends when it begins",
        ),
        ("summary=someday&summary-at=08%3A00", "A summary"),
        ("summary=monday&summary-at=", "A summary at"),
    ] {
        let refused = maker.send("/notices/ways", "/notices/ways", wrong).await;
        assert_eq!(refused.status, StatusCode::UNPROCESSABLE_ENTITY, "{wrong}");
        assert!(refused.text.contains(said), "{wrong}: {}", refused.text);
    }
    assert_eq!(cellar.reader.wishes().unwrap(), wishes);
}

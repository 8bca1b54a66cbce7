//! Notices from the store to real sockets and back.

use std::sync::atomic::{AtomicI64, Ordering};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use ebbmark_core::ids::NoticeId;
use ebbmark_core::notice::NoticeKind;
use ebbmark_core::notice::quiet::{Quiet, TimeOfDay};
use ebbmark_core::notice::wishes::Wishes;
use ebbmark_core::text::Style;
use ebbmark_core::time::{Moment, Span};
use ebbmark_core::units::Litres;
use ebbmark_core::units::Preferences;
use ebbmark_store::model::{
    Change, Command, DeliveryState, Done, NewNotice, Notice, NoticeDelivery, VesselFacts,
};
use ebbmark_store::reader::WISHES_SETTING;
use ebbmark_store::{Options, Reader, Writer};
use ebbmark_web::link::Links;
use jiff::tz::TimeZone;
use tokio::sync::broadcast;
use tokio::task::JoinHandle;
use tokio_util::sync::CancellationToken;

use super::job::Job;
use super::letter::{Desk, Letter};
use super::sink::{self, Sink};
use super::{NotReady, NotifyConfig};

const START: Moment = Moment(1_790_000_000_000);

/// Longest retry wait after a first failure, with its spread.
const FIRST_RETRY: Span = Span::seconds(37);

/// A hung test fails instead of hanging; nothing is measured with it.
const HUNG: Duration = Duration::from_secs(120);

type Published = Arc<Mutex<Vec<(String, Vec<u8>)>>>;

struct Bench {
    _dir: tempfile::TempDir,
    writer: Writer,
    reader: Reader,
    clock: Arc<AtomicI64>,
    wake: broadcast::Sender<Change>,
    published: Published,
    shutdown: CancellationToken,
    run: JoinHandle<Result<(), NotReady>>,
}

impl Bench {
    /// Nothing waits for others: that is told apart in the core.
    fn new(config: &str) -> Bench {
        Bench::gathering(&format!("gather-minutes = 0\n{config}"))
    }

    fn gathering(config: &str) -> Bench {
        let dir = tempfile::tempdir().unwrap();
        let (writer, reader) =
            ebbmark_store::open(&dir.path().join("cellar.db"), Options::default()).unwrap();
        let clock = Arc::new(AtomicI64::new(START.0));
        let (wake, _) = broadcast::channel(100);
        let published = Published::default();
        let shutdown = CancellationToken::new();
        // The store's own word of changes, and room for ours.
        let (mut changes, forward) = (writer.changes(), wake.clone());
        tokio::spawn(async move {
            while let Ok(change) = changes.recv().await {
                let _ = forward.send(change);
            }
        });
        let config: NotifyConfig = toml::from_str(config).unwrap();
        let (time, out) = (Arc::clone(&clock), Arc::clone(&published));
        let run = tokio::spawn(super::run(
            config,
            reader.clone(),
            writer.clone(),
            move |topic, payload| out.lock().unwrap().push((topic, payload)),
            move || Moment(time.load(Ordering::SeqCst)),
            jiff::tz::TimeZone::UTC,
            Some(Links::new("https://cellar.example", "key".to_owned())),
            wake.subscribe(),
            shutdown.clone(),
        ));
        Bench {
            _dir: dir,
            writer,
            reader,
            clock,
            wake,
            published,
            shutdown,
            run,
        }
    }

    async fn notify(&self, keys: &[&str], channels: &[&str]) {
        let at = Moment(self.clock.load(Ordering::SeqCst));
        let notices = keys
            .iter()
            .map(|key| NewNotice {
                kind: NoticeKind::Settled,
                key: (*key).to_owned(),
                vessel: None,
                at,
                title: format!("title of {key}"),
                body: format!("body of {key}"),
                pressing: false,
                channels: channels.iter().map(|c| (*c).to_owned()).collect(),
            })
            .collect();
        self.writer.command(Command::Notify(notices)).await.unwrap();
    }

    fn advance(&self, by: Span) {
        self.clock.fetch_add(by.0, Ordering::SeqCst);
        self.poke();
    }

    /// The loop looks at once instead of at the end of its pause.
    fn poke(&self) {
        self.wake.send(Change::Notice(NoticeId(0))).unwrap();
    }

    /// Waits until the deliveries of the notice are as asked for.
    async fn until(&self, key: &str, what: impl Fn(&[NoticeDelivery]) -> bool) -> Notice {
        let mut changes = self.wake.subscribe();
        let seen = async {
            loop {
                let notices = self.reader.notices(100).unwrap();
                let notice = notices.into_iter().find(|n| n.key == key).unwrap();
                if what(&notice.deliveries) {
                    return notice;
                }
                changes.recv().await.unwrap();
            }
        };
        tokio::time::timeout(HUNG, seen).await.unwrap()
    }

    async fn until_sent(&self, key: &str) -> Notice {
        self.until(key, |d| d.iter().all(sent)).await
    }

    async fn until_tried(&self, key: &str, attempts: u32) -> Notice {
        self.until(key, |d| d.iter().all(|d| d.attempts >= attempts))
            .await
    }

    async fn stop(self) {
        self.shutdown.cancel();
        self.run.await.unwrap().unwrap();
        self.writer.close().await;
    }
}

fn sent(d: &NoticeDelivery) -> bool {
    matches!(d.state, DeliveryState::Sent { .. })
}

fn hook(name: &str, port: u16) -> String {
    format!("[webhook.{name}]\nurl = \"http://127.0.0.1:{port}/\"\n")
}

fn mail(port: u16) -> String {
    format!(
        "[mail]\nhost = \"127.0.0.1\"\nport = {port}\nsecurity = \"none\"\nfrom = \"cellar@example.org\"\nto = [\"maker@example.org\"]\n"
    )
}

async fn came(sink: &mut Sink) -> String {
    let came = tokio::time::timeout(HUNG, sink.came.recv()).await.unwrap();
    came.unwrap().body
}

#[tokio::test]
async fn every_way_gets_it_once() {
    let (mut web, mut smtp) = (sink::http(0).await, sink::smtp(0).await);
    let bench = Bench::new(&format!(
        "mqtt = true\n{}{}",
        mail(smtp.port),
        hook("phone", web.port)
    ));
    let facts = VesselFacts {
        name: "North cask".to_owned(),
        capacity: Some(Litres::computed(60.0)),
        temperature_low: None,
        temperature_high: None,
        tare: None,
        place: String::new(),
    };
    let done = bench.writer.command(Command::AddVessel(facts)).await;
    let Done::Vessel(vessel) = done.unwrap() else {
        panic!("a vessel was to be made");
    };
    let notice = NewNotice {
        kind: NoticeKind::Stuck,
        key: "stuck:1".to_owned(),
        vessel: Some(vessel),
        at: START,
        title: "North cask is stuck".to_owned(),
        body: "Too cold.".to_owned(),
        pressing: false,
        channels: ["log", "mqtt", "mail", "phone"].map(str::to_owned).to_vec(),
    };
    let command = Command::Notify(vec![notice]);
    bench.writer.command(command).await.unwrap();

    let notice = bench.until_sent("stuck:1").await;
    assert_eq!(notice.deliveries.len(), 4);
    assert!(notice.deliveries.iter().all(|d| d.attempts == 1));
    let body: serde_json::Value = serde_json::from_str(&came(&mut web).await).unwrap();
    assert_eq!(body["vessel"], "North cask");
    assert!(
        came(&mut smtp)
            .await
            .contains("Subject: North cask is stuck")
    );
    let topics: Vec<String> = bench
        .published
        .lock()
        .unwrap()
        .iter()
        .map(|(topic, _)| topic.clone())
        .collect();
    assert_eq!(
        topics,
        ["ebbmark/notice/stuck", "ebbmark/vessel/north-cask/notice"]
    );

    // Another one goes all the way round; had the first gone twice, it would be seen before it.
    bench.notify(&["next"], &["phone", "mail"]).await;
    bench.until_sent("next").await;
    assert!(came(&mut web).await.contains("title of next"));
    assert!(came(&mut smtp).await.contains("title of next"));
    assert!(web.came.try_recv().is_err() && smtp.came.try_recv().is_err());
    bench.stop().await;
}

#[tokio::test]
async fn a_way_that_hangs_holds_up_no_other() {
    // Takes connections and never answers.
    let silent = tokio::net::TcpListener::bind("127.0.0.1:0").await.unwrap();
    let mut web = sink::http(0).await;
    let port = silent.local_addr().unwrap().port();
    let bench = Bench::new(&format!(
        "{}{}",
        hook("slow", port),
        hook("quick", web.port)
    ));
    bench.notify(&["a"], &["slow", "quick"]).await;
    let (held, _) = silent.accept().await.unwrap();
    bench.notify(&["b"], &["slow", "quick"]).await;
    for key in ["a", "b"] {
        let quick = |d: &[NoticeDelivery]| d.iter().any(|d| d.channel == "quick" && sent(d));
        let notice = bench.until(key, quick).await;
        let slow = notice.deliveries.iter().find(|d| d.channel == "slow");
        assert_eq!(slow.unwrap().attempts, 0);
    }
    assert!(came(&mut web).await.contains("title of a"));
    assert!(came(&mut web).await.contains("title of b"));
    drop((held, silent));
    bench.stop().await;
}

#[tokio::test]
async fn tried_again_then_sent_and_never_after() {
    let mut web = sink::http(0).await;
    web.answer(&["503 Busy"]);
    let bench = Bench::new(&hook("phone", web.port));
    bench.notify(&["a"], &["phone"]).await;
    let notice = bench.until_tried("a", 1).await;
    let delivery = &notice.deliveries[0];
    let DeliveryState::Queued { next } = delivery.state else {
        panic!("to be tried again: {delivery:?}");
    };
    let wait = next.since(START).0;
    assert!((24_000..=36_000).contains(&wait), "{wait}");
    assert!(delivery.last_error.as_ref().unwrap().contains("503"));

    bench.advance(FIRST_RETRY);
    bench.until_sent("a").await;
    bench.advance(Span::days(2));
    bench.notify(&["b"], &["phone"]).await;
    bench.until_sent("b").await;
    for title in ["title of a", "title of a", "title of b"] {
        assert!(came(&mut web).await.contains(title));
    }
    assert!(web.came.try_recv().is_err());
    bench.stop().await;
}

#[tokio::test]
async fn a_mail_put_off_or_refused_is_tried_again() {
    let mut smtp = sink::smtp(0).await;
    smtp.answer(&["451 greylisted", "550 no such user"]);
    let bench = Bench::new(&mail(smtp.port));
    bench.notify(&["a"], &["mail"]).await;
    let first = bench.until_tried("a", 1).await;
    let error = first.deliveries[0].last_error.clone().unwrap();
    assert!(error.contains("greylisted"), "{error}");
    bench.advance(FIRST_RETRY);
    let second = bench.until_tried("a", 2).await;
    let error = second.deliveries[0].last_error.clone().unwrap();
    assert!(error.contains("no such user"), "{error}");
    bench.advance(Span::minutes(2));
    assert_eq!(bench.until_sent("a").await.deliveries[0].attempts, 3);
    // The same mail each time: the same name on it.
    let mut ids = Vec::new();
    for _ in 0..3 {
        let mail = came(&mut smtp).await;
        let id = mail.lines().find(|l| l.starts_with("Message-ID:")).unwrap();
        ids.push(id.to_owned());
    }
    ids.dedup();
    assert_eq!(ids.len(), 1, "{ids:?}");
    bench.stop().await;
}

#[tokio::test]
async fn given_up_in_the_end_and_shown_so() {
    let mut web = sink::http(0).await;
    web.answer(&["500 No"; 20]);
    let bench = Bench::new(&format!(
        "give-up-after-hours = 1\n{}",
        hook("phone", web.port)
    ));
    bench.notify(&["a"], &["phone"]).await;
    // 30 s doubling to 960 s is 1890 s of waiting; with 1920 s more it would be past the hour.
    let mut tries = 0;
    let last = loop {
        tries += 1;
        let notice = bench.until_tried("a", tries).await;
        let delivery = notice.deliveries[0].clone();
        match delivery.state {
            DeliveryState::Queued { next } => {
                let now = Moment(bench.clock.load(Ordering::SeqCst));
                bench.advance(next.since(now));
            }
            DeliveryState::GivenUp { .. } => break delivery,
            DeliveryState::Sent { .. } | DeliveryState::Withdrawn { .. } => {
                panic!("it was refused, and nobody answered it")
            }
        }
    };
    assert_eq!(tries, 7);
    assert!(last.last_error.unwrap().contains("500"));
    bench.advance(Span::days(2));
    web.answers.lock().unwrap().clear();
    bench.notify(&["b"], &["phone"]).await;
    bench.until_sent("b").await;
    for _ in 0..7 {
        assert!(came(&mut web).await.contains("title of a"));
    }
    assert!(came(&mut web).await.contains("title of b"));
    assert!(web.came.try_recv().is_err());
    bench.stop().await;
}

#[tokio::test]
async fn many_at_once_are_one_message() {
    let (mut web, mut smtp) = (sink::http(0).await, sink::smtp(0).await);
    let bench = Bench::new(&format!(
        "mqtt = true\n{}{}",
        mail(smtp.port),
        hook("phone", web.port)
    ));
    let keys = ["a", "b", "c", "d", "e", "f"];
    bench.notify(&keys, &["mail", "phone", "mqtt"]).await;
    for key in keys {
        bench.until_sent(key).await;
    }
    let body: serde_json::Value = serde_json::from_str(&came(&mut web).await).unwrap();
    assert_eq!(body["title"], "6 notices from the cellar");
    assert_eq!(body["kind"], "several");
    let mail = came(&mut smtp).await;
    for key in keys {
        assert!(
            body["body"]
                .as_str()
                .unwrap()
                .contains(&format!("body of {key}"))
        );
        assert!(mail.contains(&format!("title of {key}")), "{mail}");
    }
    assert!(web.came.try_recv().is_err() && smtp.came.try_recv().is_err());
    assert_eq!(bench.published.lock().unwrap().len(), 6);
    bench.stop().await;
}

#[tokio::test]
async fn when_a_way_is_back_what_waited_goes_at_once() {
    let port = sink::free_port().await;
    let bench = Bench::new(&hook("phone", port));
    // Six, one after the other, each refused by a dead port: each has a wait of its own.
    let keys = ["a", "b", "c", "d", "e", "f"];
    for key in keys {
        bench.notify(&[key], &["phone"]).await;
        let notice = bench.until_tried(key, 1).await;
        let error = notice.deliveries[0].last_error.clone().unwrap();
        assert!(error.contains("no connection"), "{error}");
    }
    let mut web = sink::http(port).await;
    // Time stands still: none of the six is due. A new one gets through and takes them along.
    bench.notify(&["new"], &["phone"]).await;
    for key in keys {
        assert_eq!(bench.until_sent(key).await.deliveries[0].attempts, 2);
    }
    assert!(came(&mut web).await.contains("title of new"));
    assert!(came(&mut web).await.contains("6 notices from the cellar"));
    assert!(web.came.try_recv().is_err());
    bench.stop().await;
}

#[tokio::test]
async fn a_way_that_left_the_configuration_is_given_up() {
    let bench = Bench::new("");
    bench.notify(&["a"], &["pigeon", "log"]).await;
    let settled = |d: &[NoticeDelivery]| {
        d.iter()
            .all(|d| !matches!(d.state, DeliveryState::Queued { .. }))
    };
    let notice = bench.until("a", settled).await;
    let pigeon = notice.deliveries.iter().find(|d| d.channel == "pigeon");
    let error = pigeon.unwrap().last_error.clone().unwrap();
    assert!(error.contains("\"pigeon\""), "{error}");
    assert!(
        notice
            .deliveries
            .iter()
            .any(|d| d.channel == "log" && sent(d))
    );
    bench.stop().await;
}

#[tokio::test]
async fn a_wrong_configuration_is_told_at_the_start() {
    let bench = Bench::new("[webhook.a]\nurl = \"nowhere\"");
    let problems = bench.run.await.unwrap().unwrap_err().to_string();
    assert!(problems.contains("notify.webhook.a.url"), "{problems}");
}

#[tokio::test]
async fn what_the_store_was_not_told_is_not_sent_again() {
    let mut web = sink::http(0).await;
    let bench = Bench::new("");
    bench.shutdown.cancel();
    bench.notify(&["a"], &["phone"]).await;
    let due = bench.reader.due(START, 10).unwrap();
    assert_eq!(due.len(), 1);
    let config: NotifyConfig = toml::from_str(&hook("phone", web.port)).unwrap();
    let ways = super::ways(&config, Arc::new(|_, _| {})).unwrap();
    let (_, way) = ways.into_iter().find(|(name, _)| name == "phone").unwrap();
    let utc = TimeZone::UTC;
    let desk = Desk {
        now: START,
        style: Style::usual(&utc),
        links: None,
    };
    let job = |unreported| Job {
        name: "phone".to_owned(),
        way: way.clone(),
        messages: due
            .iter()
            .map(|d| {
                let letter = Letter::new(&d.notice, None, Vec::new(), &desk);
                (letter, vec![d.clone()])
            })
            .collect(),
        unreported,
        failing: false,
        writer: bench.writer.clone(),
        give_up_after: Span::hours(24),
        units: Preferences::USUAL,
        zone: TimeZone::UTC,
    };
    // Sent, and the store is gone before it can be told.
    bench.writer.close().await;
    let first = job(Vec::new()).run(|| START).await;
    assert_eq!(first.unreported.len(), 1);
    let second = job(first.unreported).run(|| START).await;
    assert_eq!(second.unreported.len(), 1);
    assert!(came(&mut web).await.contains("title of a"));
    assert!(web.came.try_recv().is_err());
}

/// A test goes the same way as a notice.
#[tokio::test]
async fn a_test_tells_at_once_whether_it_went() {
    let mut web = sink::http(0).await;
    web.answer(&["401 Unauthorized"]);
    let config: NotifyConfig = toml::from_str(&hook("phone", web.port)).unwrap();
    let ways = super::ways(&config, Arc::new(|_, _| {})).unwrap();
    let (_, way) = ways.into_iter().find(|(name, _)| name == "phone").unwrap();
    assert!(way.test(START).await.unwrap_err().contains("401"));
    assert_eq!(way.test(START).await, Ok(()));
    assert!(came(&mut web).await.contains("\"kind\":\"test\""));
}

/// START is at 14:13 in UTC.
async fn quiet_until_three(bench: &Bench) {
    let wishes = Wishes {
        quiet: Some(Quiet {
            from: TimeOfDay::new(14, 0).unwrap(),
            until: TimeOfDay::new(15, 0).unwrap(),
            broken_by: Default::default(),
            broken_by_pressing: true,
        }),
        ..Wishes::default()
    };
    let set = Command::SetSetting {
        key: WISHES_SETTING.to_owned(),
        value: Some(serde_json::to_string(&wishes).unwrap()),
    };
    bench.writer.command(set).await.unwrap();
}

#[tokio::test]
async fn what_comes_in_quiet_hours_goes_as_one_after_them_and_says_what_is_over() {
    let mut web = sink::http(0).await;
    let bench = Bench::new(&format!("mqtt = true\n{}", hook("phone", web.port)));
    quiet_until_three(&bench).await;
    bench.notify(&["a", "b"], &["phone", "log", "mqtt"]).await;
    let pressing = NewNotice {
        kind: NoticeKind::Restarted,
        key: "restarted".to_owned(),
        vessel: None,
        at: START,
        title: "Keg: it is falling again".to_owned(),
        body: "Relieve it with care.".to_owned(),
        pressing: true,
        channels: vec!["phone".to_owned()],
    };
    let command = Command::Notify(vec![pressing]);
    bench.writer.command(command).await.unwrap();
    // What presses comes at once; the log and the topics do not wait either.
    bench.until_sent("restarted").await;
    let body: serde_json::Value = serde_json::from_str(&came(&mut web).await).unwrap();
    assert_eq!(body["kind"], "restarted");
    assert!(
        body["answer"]
            .as_str()
            .unwrap()
            .starts_with("https://cellar.example/answer/")
    );
    let at_once = |d: &[NoticeDelivery]| d.iter().filter(|d| sent(d)).count() == 2;
    for key in ["a", "b"] {
        bench.until(key, at_once).await;
    }
    let clear = Command::Clear {
        key: "a".to_owned(),
        at: START + Span::minutes(10),
    };
    bench.writer.command(clear).await.unwrap();
    bench.advance(Span::minutes(46));
    bench.notify(&["c"], &["phone", "log"]).await;
    bench.until("c", |d| d.iter().any(sent)).await;
    assert!(web.came.try_recv().is_err(), "14:59 is within them");
    bench.advance(Span::minutes(1));
    for key in ["a", "b", "c"] {
        bench.until_sent(key).await;
    }
    let body: serde_json::Value = serde_json::from_str(&came(&mut web).await).unwrap();
    assert_eq!(body["title"], "3 notices from the cellar");
    let said = body["body"].as_str().unwrap();
    assert!(
        said.contains("Over again: title of a") && said.contains("since today 14:23"),
        "{said}"
    );
    assert!(said.contains(": title of b\nbody of b"), "{said}");
    assert!(web.came.try_recv().is_err());
    bench.stop().await;
}

#[tokio::test]
async fn what_comes_of_one_cause_is_gathered() {
    let mut web = sink::http(0).await;
    let bench = Bench::gathering(&hook("phone", web.port));
    bench.notify(&["a"], &["phone"]).await;
    bench.advance(Span::minutes(1));
    bench.notify(&["b"], &["phone", "log"]).await;
    bench.advance(Span::minutes(2));
    bench.until_sent("a").await;
    bench.until_sent("b").await;
    let body: serde_json::Value = serde_json::from_str(&came(&mut web).await).unwrap();
    assert_eq!(body["title"], "2 notices from the cellar");
    assert!(web.came.try_recv().is_err());
    bench.stop().await;
}

#[tokio::test]
async fn an_unanswered_restart_is_told_again_and_an_answered_one_is_not() {
    let mut smtp = sink::smtp(0).await;
    let bench = Bench::new(&mail(smtp.port));
    let restarted = |key: &str| NewNotice {
        kind: NoticeKind::Restarted,
        key: key.to_owned(),
        vessel: None,
        at: START,
        title: format!("{key}: it is falling again"),
        body: "Look at it.".to_owned(),
        pressing: true,
        channels: vec!["mail".to_owned()],
    };
    let command = Command::Notify(vec![restarted("keg"), restarted("jar")]);
    let Done::Notices(ids) = bench.writer.command(command).await.unwrap() else {
        panic!("two notices were to be made");
    };
    for key in ["keg", "jar"] {
        bench.until_sent(key).await;
        assert!(came(&mut smtp).await.contains("falling again"));
    }
    let seen = Command::AnswerNotice {
        notice: ids[1],
        again: None,
        at: START + Span::minutes(5),
    };
    bench.writer.command(seen).await.unwrap();
    for (hours, times) in [(4, 1), (24, 2), (24, 3)] {
        bench.advance(Span::hours(hours));
        let told = bench.until("keg", |d| d.iter().all(|d| sent(d) && d.attempts == 1));
        let mail = came(&mut smtp).await;
        assert!(
            mail.contains("Subject: Still so: keg: it is falling again"),
            "{mail}"
        );
        assert!(mail.contains(&format!("-{times}@example.org>")), "{mail}");
        told.await;
    }
    let clear = Command::Clear {
        key: "keg".to_owned(),
        at: START + Span::hours(60),
    };
    bench.writer.command(clear).await.unwrap();
    bench.advance(Span::days(3));
    bench.notify(&["last"], &["mail"]).await;
    bench.until_sent("last").await;
    assert!(came(&mut smtp).await.contains("title of last"));
    assert!(smtp.came.try_recv().is_err());
    bench.stop().await;
}

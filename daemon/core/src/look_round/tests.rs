use super::*;
use jiff::tz::TimeZone;

const NOW: Moment = Moment(1_795_600_000_000);

fn utc() -> TimeZone {
    TimeZone::UTC
}

fn fine() -> Found {
    Found {
        now: NOW,
        latest: Some(NOW - Span::minutes(1)),
        zone: Some("Europe/Vienna".into()),
        folder: Folder::Ready {
            path: "/data".into(),
            free: 8_000_000_000,
        },
        database: Database::Open {
            schema: 7,
            bytes: 1_000_000,
            sound: Soundness::Sound,
        },
        backups: Backups::Made {
            path: "/mnt/stick".into(),
            every: Span::hours(24),
            last: Some(Last {
                at: NOW - Span::hours(20),
                bytes: 1_000_000,
            }),
            count: 3,
            same_disk: Some(false),
        },
        aside: Vec::new(),
        daemon_runs: true,
        password_files: vec![PasswordFile {
            of: "password of mail".into(),
            path: "/etc/mail-password".into(),
            permissions: Permissions::Mode(0o600),
        }],
        certificates: vec![Certificate {
            of: "page",
            found: InFiles::Pair {
                from: NOW - Span::days(30),
                until: NOW + Span::days(60),
            },
        }],
        address: Some(Address::At("https://cellar.example".into())),
        doors: vec![Door {
            of: "intake",
            address: "127.0.0.1:1883".into(),
            port: Port::Taken,
        }],
        errands: vec![Errand {
            to: To::Broker,
            name: "house".into(),
            address: "broker.example.org:8883".into(),
            outcome: Ok(()),
        }],
        told: Some(Told {
            has_password: true,
            feeds: vec![Heard {
                name: "north float".into(),
                last: Some(NOW - Span::minutes(20)),
                limit: Span::minutes(90),
            }],
            unclaimed: Vec::new(),
        }),
    }
}

/// The one line that is not good.
fn one_bad(change: impl FnOnce(&mut Found)) -> Line {
    let mut found = fine();
    change(&mut found);
    let mut bad = lines(&found, &Style::usual(&utc()));
    bad.retain(|line| line.state != State::Good);
    assert_eq!(bad.len(), 1, "{bad:?}");
    let line = bad.remove(0);
    let remedy = line.remedy.as_deref().unwrap_or_default();
    assert!(!remedy.is_empty() && !line.says.is_empty(), "{line:?}");
    line
}

#[test]
fn a_house_in_order_needs_no_remedy() {
    let all = lines(&fine(), &Style::usual(&utc()));
    assert_eq!(worst(&all), State::Good, "{all:?}");
    assert!(all.iter().all(|l| l.remedy.is_none()), "{all:?}");
    let what: Vec<&str> = all.iter().map(|l| l.what).collect();
    assert_eq!(
        what,
        [
            "clock",
            "zone",
            "folder",
            "database",
            "backup",
            "daemon",
            "password-file",
            "certificate",
            "port",
            "broker",
            "address",
            "password",
            "feed",
            "topics"
        ]
    );
}

#[test]
fn the_clock() {
    let none = one_bad(|f| {
        f.now = Moment(0);
        f.latest = None;
        f.told = None;
    });
    assert_eq!((none.what, none.state), ("clock", State::Broken));
    let behind = one_bad(|f| f.latest = Some(NOW + Span::minutes(11)));
    assert_eq!((behind.what, behind.state), ("clock", State::Broken));
    let adjusted = Found {
        latest: Some(NOW + Span::minutes(9)),
        ..fine()
    };
    assert_eq!(worst(&lines(&adjusted, &Style::usual(&utc()))), State::Good);
}

#[test]
fn disk_and_database() {
    let free = |free| {
        one_bad(|f| {
            f.folder = Folder::Ready {
                path: "/data".into(),
                free,
            }
        })
    };
    assert_eq!(free(400 << 20).state, State::LookAt);
    assert_eq!(free(40 << 20).state, State::Broken);
    assert!(
        free(40 << 20).says.contains("42 MB"),
        "{:?}",
        free(40 << 20)
    );
    let read_only = one_bad(|f| {
        f.folder = Folder::NotWritable {
            path: "/data".into(),
            why: "read-only file system".into(),
        }
    });
    assert_eq!((read_only.what, read_only.state), ("folder", State::Broken));
    let damaged = one_bad(|f| {
        f.database = Database::Open {
            schema: 7,
            bytes: 1,
            sound: Soundness::Damaged("row 3 missing".into()),
        }
    });
    assert_eq!((damaged.what, damaged.state), ("database", State::Broken));
    assert!(damaged.says.contains("row 3 missing"));
}

#[test]
fn backups() {
    let made = |hours, disk| {
        one_bad(|f| {
            if let Backups::Made {
                last, same_disk, ..
            } = &mut f.backups
            {
                *last = last.map(|last| Last {
                    at: NOW - Span::hours(hours),
                    ..last
                });
                *same_disk = disk;
            }
        })
    };
    let same = made(20, Some(true));
    assert_eq!((same.what, same.state), ("backup", State::LookAt));
    assert!(same.says.contains("20 hours ago"), "{same:?}");
    assert!(same.says.contains("2 older ones"), "{same:?}");
    let overdue = made(49, Some(false));
    assert_eq!((overdue.what, overdue.state), ("backup", State::Broken));
    let late = Found {
        backups: Backups::Made {
            path: "/mnt/stick".into(),
            every: Span::hours(24),
            last: Some(Last {
                at: NOW - Span::hours(47),
                bytes: 1,
            }),
            count: 1,
            same_disk: None,
        },
        ..fine()
    };
    assert_eq!(worst(&lines(&late, &Style::usual(&utc()))), State::Good);
    for (backups, state) in [
        (Backups::Off, State::LookAt),
        (
            Backups::NoFolder {
                path: "/mnt/stick".into(),
                why: "no such folder".into(),
            },
            State::Broken,
        ),
        (
            Backups::Made {
                path: "/mnt/stick".into(),
                every: Span::hours(24),
                last: None,
                count: 0,
                same_disk: None,
            },
            State::LookAt,
        ),
    ] {
        let line = one_bad(|f| f.backups = backups);
        assert_eq!((line.what, line.state), ("backup", state), "{line:?}");
    }
}

#[test]
fn a_database_that_was_moved_aside() {
    let line = one_bad(|f| f.aside.push("/data/old".into()));
    assert_eq!((line.what, line.state), ("aside", State::LookAt));
    assert!(line.says.contains("/data/old"));
}

#[test]
fn password_files_are_for_their_owner() {
    let with = |path: &str, permissions| {
        one_bad(|f| {
            f.password_files[0].path = path.into();
            f.password_files[0].permissions = permissions;
        })
    };
    for mode in [0o640, 0o604, 0o620, 0o644] {
        let line = with("/etc/mail-password", Permissions::Mode(mode));
        assert_eq!(line.state, State::LookAt, "{mode:o}");
        assert_eq!(line.remedy.as_deref(), Some("chmod 600 /etc/mail-password"));
    }
    let gone = |path| with(path, Permissions::Unreadable("no such file".into())).state;
    assert_eq!(gone("/etc/mail-password"), State::Broken);
    // The service sees it, whoever looks round by hand does not.
    let handed = "/run/credentials/ebbmark.service/mail-password";
    assert_eq!(gone(handed), State::LookAt);
    let not_here = with("credential:mail-password", Permissions::NotHere);
    assert_eq!(not_here.state, State::LookAt);
    let mut found = fine();
    found.password_files[0].permissions = Permissions::HandedOver;
    assert_eq!(worst(&lines(&found, &Style::usual(&utc()))), State::Good);
}

#[test]
fn a_certificate_is_told_of_before_it_ends() {
    let with = |from: i64, until: i64| {
        let mut found = fine();
        let (from, until) = (NOW + Span::days(from), NOW + Span::days(until));
        found.certificates[0].found = InFiles::Pair { from, until };
        let all = lines(&found, &Style::usual(&utc()));
        all.into_iter().find(|l| l.what == "certificate").unwrap()
    };
    let good = with(-30, 60);
    assert_eq!(good.state, State::Good);
    assert!(good.says.contains("60 days"), "{}", good.says);
    assert_eq!(with(-81, 9).state, State::LookAt);
    // Made for six days: four are plenty, one is not.
    assert_eq!(with(-2, 4).state, State::Good);
    assert_eq!(with(-5, 1).state, State::LookAt);
    assert_eq!(with(-90, -1).state, State::Broken);
    assert_eq!(with(1, 90).state, State::Broken);
    let unusable = one_bad(|f| {
        f.certificates[0].found = InFiles::Unusable("/etc/key.pem has no private key in it".into());
    });
    assert_eq!(unusable.state, State::Broken);
    assert!(unusable.remedy.unwrap().contains("[page.tls]"));
}

#[test]
fn a_taken_port_is_right_only_while_the_daemon_runs() {
    let state = |port: Port, runs| {
        let mut found = fine();
        found.doors[0].port = port;
        found.daemon_runs = runs;
        let all = lines(&found, &Style::usual(&utc()));
        all.iter().find(|l| l.what == "port").map(|l| l.state)
    };
    assert_eq!(state(Port::Taken, true), Some(State::Good));
    assert_eq!(state(Port::Free, false), Some(State::Good));
    assert_eq!(state(Port::Taken, false), Some(State::Broken));
    assert_eq!(state(Port::Free, true), Some(State::LookAt));
    let refused = Port::Refused("permission denied".into());
    assert_eq!(state(refused, false), Some(State::Broken));
}

#[test]
fn each_trouble_outside_names_its_place() {
    for (to, place) in [
        (To::Broker, "[[broker]] house"),
        (To::Mail, "[notify.mail]"),
        (To::Call, "[notify.webhook.house]"),
        (To::Heartbeat, "[heartbeat]"),
    ] {
        for trouble in [
            Trouble::Setup,
            Trouble::Unknown,
            Trouble::Refused,
            Trouble::Silent,
            Trouble::Login,
            Trouble::Other,
        ] {
            let line = one_bad(|f| {
                f.errands[0].to = to;
                f.errands[0].outcome = Err((trouble, "it went wrong".into()));
            });
            assert_eq!(line.state, State::Broken);
            assert!(line.says.contains("it went wrong"), "{line:?}");
            let remedy = line.remedy.unwrap_or_default();
            assert!(remedy.contains(place), "{remedy}");
        }
    }
}

#[test]
fn feeds_and_topics() {
    let quiet = one_bad(|f| {
        if let Some(told) = &mut f.told {
            told.feeds[0].last = Some(NOW - Span::minutes(91));
        }
    });
    assert_eq!((quiet.what, quiet.state), ("feed", State::LookAt));
    assert!(quiet.says.contains("2 hours ago"), "{quiet:?}");
    let topics = |n: usize| {
        one_bad(|f| {
            if let Some(told) = &mut f.told {
                told.unclaimed = (1..=n).map(|i| format!("loft/{i}")).collect();
            }
        })
        .says
    };
    assert!(topics(1).contains("loft/1"));
    let many = topics(9);
    assert!(
        many.starts_with('9') && many.contains("loft/3") && !many.contains("loft/4"),
        "{many}"
    );
}

#[test]
fn where_links_in_notices_lead() {
    let missing = one_bad(|f| f.address = Some(Address::NotSaid));
    assert_eq!((missing.what, missing.state), ("address", State::LookAt));
    assert!(missing.remedy.unwrap().contains("[page]"));
    // Where nothing is sent there is nothing to say.
    let nothing = Found {
        address: None,
        ..fine()
    };
    assert!(
        lines(&nothing, &Style::usual(&utc()))
            .iter()
            .all(|l| l.what != "address")
    );
}

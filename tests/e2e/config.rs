//! The configuration is read strictly, and says what is wrong with it.

use std::path::Path;
use std::process::Output;

use ebbmark_tests::cellar::{Cellar, with_config};
use ebbmark_tests::tools::root;

use crate::common::errors;

fn check(file: &Path) -> Output {
    with_config(file)
        .arg("check-config")
        .output()
        .expect("the built program starts")
}

#[test]
fn the_examples_are_sound() {
    let Ok(folder) = std::fs::read_dir(root().join("config")) else {
        panic!("config/ holds the example configuration");
    };
    let files: Vec<_> = folder
        .map(|entry| entry.unwrap().path())
        .filter(|path| path.extension().is_some_and(|e| e == "toml"))
        .collect();
    assert!(!files.is_empty(), "config/ holds the example configuration");
    let cellar = Cellar::new();
    for file in files {
        let text = std::fs::read_to_string(&file).expect("one of ours");
        // What it names beside itself is looked at too, and has to be there.
        let here = cellar.path("").display().to_string();
        let mut text = text;
        // Where a board keeps them, and where a container is given them.
        for place in ["/etc/ebbmark/", "/run/secrets/"] {
            for name in text.split(place).skip(1) {
                let name = name.split('"').next().unwrap_or_default();
                cellar.file(name, "an invented secret\n");
            }
            text = text.replace(place, &here);
        }
        let example = cellar.file("example.toml", text);
        let output = check(&example);
        assert!(output.status.success(), "{}: {output:?}", file.display());
    }
    // One of them with a file that is not: what should stand there is named, with what needs it.
    let gone = root().join("config/notices.toml");
    let said = errors(&check(&gone));
    assert!(
        said.contains("password of mail") && said.contains("/etc/ebbmark/mail-password"),
        "{said}"
    );
}

#[test]
fn slips_are_named() {
    let cellar = Cellar::new();
    for (text, named) in [
        ("paeg = 1", "paeg"),
        (
            "[page]\nlisten = [\"127.0.0.1:1\"]\nbehind-tsl = true",
            "behind-tsl",
        ),
        ("[page]\naddress = \"cellar\"", "page: address"),
        ("[page]\naddress = \"ftp://cellar\"", "page: address"),
        ("[intake]\nlsiten = []", "lsiten"),
        (
            "[notify.webhook.phone]\nurl = \"https://a.example\"\nheaders = { x = \"{{smell}}\" }",
            "notify.webhook.phone.headers.x",
        ),
        ("[intake.limits]\npayload-byte = 3", "payload-byte"),
        ("[notify.mail]\nhost = \"a\"\nform = \"b\"", "form"),
        ("[store]\ncommit-messages = 0", "commit-messages"),
        ("[page]\nlisten = [\"cellar\"]", "cellar"),
        ("zone = \"Europe/Nowhere\"", "Europe/Nowhere"),
        ("[page\n", "line 1"),
        (
            "[notify.webhook.phone]\nurl = \"ftp://a\"",
            "notify.webhook.phone.url",
        ),
        (
            "[heartbeat]\nurl = \"https://a.example\"\nevery-minutes = 0",
            "every-minutes",
        ),
        ("[heartbeat]\nurl = \"a.example\"", "heartbeat: url"),
        ("[backup]\nevery-hours = 0", "every-hours"),
        ("[backup]\nfolder = \"stick\"", "whole path"),
        ("[backup]\nafter = [\"carry\"]", "whole path"),
        ("[backup]\nwekly = 1", "wekly"),
    ] {
        let file = cellar.file("slip.toml", text);
        let output = check(&file);
        assert!(!output.status.success(), "{text}");
        let said = errors(&output);
        assert!(
            said.contains(named) && said.contains("slip.toml"),
            "{text}: {said}"
        );
        assert!(!said.contains("panicked"), "{said}");
    }
    let output = check(&cellar.path("missing.toml"));
    assert!(!output.status.success());
    assert!(errors(&output).contains("missing.toml"));
}

/// Anyone in the house could otherwise write into the book.
#[test]
fn an_open_intake_is_refused_with_the_remedy() {
    let cellar = Cellar::new();
    let file = cellar.file(
        "open.toml",
        format!(
            "data-folder = {:?}\n[page]\nlisten = [\"127.0.0.1:{}\"]\n[intake]\nlisten = [\"0.0.0.0:{}\"]\n",
            cellar.path("data"),
            cellar.page_port,
            cellar.intake_port
        ),
    );
    let output = with_config(&file).arg("run").output().unwrap();
    assert!(!output.status.success());
    assert!(errors(&output).contains("user and password"), "{output:?}");
}

/// Without a password the page opens on loopback only, and says how to change that.
#[test]
fn an_open_page_waits_for_a_password() {
    let cellar = Cellar::new();
    let file = cellar.file(
        "open.toml",
        format!(
            "data-folder = {:?}\n[page]\nlisten = [\"0.0.0.0:{}\"]\n[intake]\nlisten = []\n",
            cellar.path("data"),
            cellar.page_port,
        ),
    );
    let output = with_config(&file).arg("run").output().unwrap();
    assert!(!output.status.success());
    assert!(errors(&output).contains("ebbmark password"), "{output:?}");
}

#[test]
fn a_database_of_a_newer_version_is_left_alone() {
    let cellar = Cellar::new();
    cellar.set_password();
    let path = cellar.database_path();
    {
        let connection = rusqlite::Connection::open(&path).unwrap();
        connection
            .pragma_update(None, "user_version", 9999)
            .unwrap();
    }
    let output = cellar.ebbmark(&["run"]);
    assert!(!output.status.success());
    let said = errors(&output);
    assert!(said.contains("9999") && said.contains("newer"), "{said}");

    // And a file that is something else is not touched.
    std::fs::write(
        &path,
        "not a database, but long enough to be taken for one".repeat(100),
    )
    .unwrap();
    let before = std::fs::read(&path).unwrap();
    let output = cellar.ebbmark(&["run"]);
    assert!(!output.status.success(), "{output:?}");
    assert_eq!(std::fs::read(&path).unwrap(), before);
    assert!(!errors(&output).contains("panicked"), "{output:?}");
}

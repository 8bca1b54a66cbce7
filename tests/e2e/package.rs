//! The Debian package in a clean Debian: installed, used, upgraded, removed, purged, installed again.
//! What was written stays through all of it.
//!
//! There is no systemd in there: the daemon is started as a user of its own, and the unit is looked at from
//! outside. `EBBMARK_PROGRAM` names another program than the one built for tests, and
//! `EBBMARK_WRITE=1` writes what was done and said to `deploy/INSTALLED.md`.

use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

use ebbmark_tests::cellar::{Daemon, PASSWORD};
use ebbmark_tests::page::Visitor;
use ebbmark_tests::{ports, tools};
use tempfile::TempDir;

use crate::common::{message, publish};

/// The service's user, as systemd would make one.
const USER: &str = "61184";
const CONFIG: &str = "/etc/ebbmark/cellar.toml";
const DATA: &str = "/var/lib/ebbmark";
const ROW: &str = "1.0421";

/// This machine's Debian, against whose libraries the program is linked: the one to try it in.
fn codename() -> String {
    let text = std::fs::read_to_string("/etc/os-release").expect("every Debian has it");
    let name = text
        .lines()
        .find_map(|line| line.strip_prefix("VERSION_CODENAME="));
    name.expect("/etc/os-release says VERSION_CODENAME")
        .trim_matches('"')
        .to_owned()
}

/// The package of a program that is built already.
fn package(version: &str, to: &Path) -> PathBuf {
    let program = std::env::var_os("EBBMARK_PROGRAM").map(|p| tools::root().join(p));
    let made = Command::new(tools::root().join("deploy/package"))
        .args(["--packed", "gzip", "--version", version, "--program"])
        .arg(program.unwrap_or_else(|| tools::built("ebbmark")))
        .arg("--to")
        .arg(to)
        .output()
        .expect("the script starts");
    assert!(made.status.success(), "{made:?}");
    PathBuf::from(String::from_utf8_lossy(&made.stdout).trim())
}

/// The same package with another version and another configuration file.
fn with_new_settings(package: &Path, version: &str, to: &Path) -> PathBuf {
    let tree = to.join("tree");
    let made = |command: &mut Command| assert!(command.status().expect("dpkg-deb").success());
    made(Command::new("dpkg-deb").arg("-R").args([package, &tree]));
    let append = |name: &str, edit: &dyn Fn(String) -> String| {
        let path = tree.join(name);
        let text = std::fs::read_to_string(&path).expect("it was just unpacked");
        std::fs::write(&path, edit(text)).expect("a temporary folder");
    };
    append("etc/ebbmark/cellar.toml", &|text| {
        text + "# A setting of the next version.\n"
    });
    append("DEBIAN/control", &|text| {
        let lines = text.lines().map(|line| match line.split_once(": ") {
            Some(("Version", _)) => format!("Version: {version}\n"),
            _ => format!("{line}\n"),
        });
        lines.collect()
    });
    let path = to.join(format!("ebbmark_{version}_amd64.deb"));
    made(
        Command::new("dpkg-deb")
            .args(["--root-owner-group", "-Zgzip", "-z1", "-b"])
            .args([&tree, &path])
            .stdout(Stdio::null()),
    );
    path
}

/// A Debian of its own, and what was done in it.
struct Debian {
    folder: TempDir,
    told: String,
}

impl Debian {
    fn unpack() -> Debian {
        let folder = TempDir::with_prefix("ebbmark-debian-").expect("a temporary folder");
        let unpacked = Command::new("tar")
            .arg("-xf")
            .arg(tools::tool(&format!("debian-{}.tar", codename())))
            .arg("-C")
            .arg(folder.path())
            .status();
        assert!(unpacked.expect("tar").success());
        Debian {
            folder,
            told: String::new(),
        }
    }

    fn path(&self, inside: &str) -> PathBuf {
        self.folder.path().join(inside.trim_start_matches('/'))
    }

    fn command(&self, user: &str, words: &[&str]) -> Command {
        let mut command = Command::new("chroot");
        command
            .arg(format!("--userspec={user}:{user}"))
            .arg(self.folder.path())
            .args(words)
            .env_clear()
            .env("PATH", "/usr/sbin:/usr/bin:/sbin:/bin")
            .env("DEBIAN_FRONTEND", "noninteractive")
            .env("LC_ALL", "C.UTF-8");
        command
    }

    /// Runs it to its end as root; it must end well.
    fn run(&mut self, words: &[&str]) -> String {
        let output = self.command("0", words).output().expect("chroot");
        let said = self.keep(words, &output);
        assert!(output.status.success(), "{words:?}: {output:?}");
        said
    }

    fn keep(&mut self, words: &[&str], output: &Output) -> String {
        let both = [&output.stdout[..], &output.stderr[..]].concat();
        let said = String::from_utf8_lossy(&both).into_owned();
        let _ = writeln!(self.told, "\n    # {}", words.join(" "));
        for line in said.lines().filter(|line| worth_keeping(line)) {
            let _ = writeln!(self.told, "    {line}");
        }
        said
    }

    fn install(&mut self, package: &Path) {
        let name = package
            .file_name()
            .expect("a package")
            .to_string_lossy()
            .into_owned();
        let inside = self.path(&name);
        std::fs::copy(package, inside).expect("we are root, or asked it");
        let given = format!("/{name}");
        self.run(&[
            "apt-get",
            "install",
            "-y",
            "--no-install-recommends",
            "-o",
            "Dpkg::Options::=--force-confold",
            &given,
        ]);
    }

    fn version(&mut self) -> String {
        self.run(&["dpkg-query", "-W", "-f", "${Version} ${Status}", "ebbmark"])
    }

    fn start(&mut self) -> (Daemon, Visitor) {
        let words = ["ebbmark", "--config", CONFIG, "run"];
        let daemon = Daemon::start(&mut self.command(USER, &words));
        let visitor = Visitor::signed_in(&daemon.page);
        (daemon, visitor)
    }

    fn note(&mut self, what: &str) {
        let _ = writeln!(self.told, "\n{what}");
    }
}

/// Without what differs from run to run, or is apt's own.
fn worth_keeping(line: &str) -> bool {
    let line = line.trim();
    !line.is_empty()
        && ![
            "(Reading",
            "Get:",
            "Need to",
            "Fetched",
            "debconf",
            "After this",
            "W: ",
            "N: ",
            // There is no terminal in there.
            "E: Can not write log",
        ]
        .iter()
        .any(|part| line.starts_with(part))
        && !line.contains("unsandboxed")
}

/// What was written before is there.
fn is_there(visitor: &Visitor) {
    let token = visitor.api_token();
    let vessels = visitor.api_get("vessels", &token);
    assert_eq!(vessels[0]["name"], "Loft carboy");
    let rows = visitor.page("/vessel/1/readings.csv");
    assert!(rows.contains(ROW), "{rows}");
}

#[test]
fn as_root_installed_used_upgraded_removed_purged_and_installed_again() {
    tools::needs_root("fills a Debian of its own and works in it by chroot");
    let packages = TempDir::with_prefix("ebbmark-packages-").unwrap();
    let first = package("0.1.0", packages.path());
    let second = package("0.1.0+2", packages.path());
    let third = with_new_settings(&second, "0.1.0+3", packages.path());
    let mut debian = Debian::unpack();

    debian.note("Installed. What it depends on is checked by apt.");
    debian.install(&first);
    assert_eq!(debian.version(), "0.1.0 install ok installed");
    debian.run(&["ebbmark", "--version"]);
    debian.run(&["ebbmark", "--config", CONFIG, "check-config"]);
    let files = debian.run(&["dpkg-query", "-L", "ebbmark"]);
    for file in [
        "/usr/bin/ebbmark",
        "/usr/lib/systemd/system/ebbmark.service",
        CONFIG,
        "/usr/share/doc/ebbmark/copyright",
        "/usr/share/man/man1/ebbmark.1.gz",
    ] {
        assert!(files.lines().any(|line| line == file), "{file}: {files}");
    }
    assert!(
        debian
            .path("/etc/systemd/system/multi-user.target.wants/ebbmark.service")
            .is_symlink()
    );

    debian.note("The maker changes the configuration; systemd would make the folder of the data.");
    let settings = std::fs::read_to_string(debian.path(CONFIG)).unwrap();
    let changed = settings
        .replace(":8420", &format!(":{}", ports::free()))
        .replace(":1883", &format!(":{}", ports::free()));
    assert_ne!(settings, changed);
    std::fs::write(debian.path(CONFIG), &changed).unwrap();
    debian.run(&["install", "-d", "-m", "700", "-o", USER, "-g", USER, DATA]);
    let mut password = debian
        .command(USER, &["ebbmark", "--config", CONFIG, "password"])
        .stdin(Stdio::piped())
        .spawn()
        .unwrap();
    std::io::Write::write_all(
        &mut password.stdin.take().unwrap(),
        format!("{PASSWORD}\n").as_bytes(),
    )
    .unwrap();
    assert!(password.wait().unwrap().success());

    let (mut daemon, visitor) = debian.start();
    publish(daemon.intake_port, &[], &[message("loft/float", ROW, 1)]);
    let vessel = visitor.add_vessel("Loft carboy");
    visitor.claim("intake", "loft/float", Some(&vessel));
    is_there(&visitor);
    daemon.stop();

    debian.note("A newer version.");
    debian.install(&second);
    assert_eq!(debian.version(), "0.1.0+2 install ok installed");
    let (mut daemon, visitor) = debian.start();
    is_there(&visitor);
    daemon.stop();

    debian.note("One that brings other settings: the maker's stay, the new ones lie beside them.");
    debian.install(&third);
    assert_eq!(
        std::fs::read_to_string(debian.path(CONFIG)).unwrap(),
        changed
    );
    let beside = debian.path(&format!("{CONFIG}.dpkg-dist"));
    let beside = std::fs::read_to_string(beside).unwrap();
    assert!(beside.contains("A setting of the next version"), "{beside}");
    let (mut daemon, visitor) = debian.start();
    is_there(&visitor);
    daemon.stop();

    debian.note("Removed: program and unit are gone, configuration and data are not.");
    debian.run(&["apt-get", "remove", "-y", "ebbmark"]);
    assert!(!debian.path("/usr/bin/ebbmark").exists());
    assert!(
        !debian
            .path("/usr/lib/systemd/system/ebbmark.service")
            .exists()
    );
    assert_eq!(
        std::fs::read_to_string(debian.path(CONFIG)).unwrap(),
        changed
    );
    debian.run(&["ls", DATA]);

    debian.note("Purged: the configuration is gone, the data are not.");
    let said = debian.run(&["apt-get", "purge", "-y", "ebbmark"]);
    assert!(
        said.contains("records are kept in /var/lib/ebbmark"),
        "{said}"
    );
    assert!(!debian.path(CONFIG).exists());
    assert!(
        !debian
            .path("/etc/systemd/system/multi-user.target.wants/ebbmark.service")
            .is_symlink()
    );
    let files = debian.run(&["ls", DATA]);
    assert!(files.contains("ebbmark.sqlite3"), "{files}");

    debian.note("Installed again: it goes on from the data that stayed.");
    debian.install(&second);
    std::fs::write(debian.path(CONFIG), &changed).unwrap();
    let (mut daemon, visitor) = debian.start();
    is_there(&visitor);
    daemon.stop();

    if std::env::var_os("EBBMARK_WRITE").is_some() {
        let text = format!(
            "# The package in a clean Debian\n\nWritten by `EBBMARK_PROGRAM=target/release/ebbmark EBBMARK_WRITE=1 \
             cargo test -p ebbmark-tests --test e2e package`: what was done as root in a fresh Debian 12 and what was said, without apt's own words.\n{}",
            debian.told
        );
        std::fs::write(tools::root().join("deploy/INSTALLED.md"), text).unwrap();
    }
}

/// As the service manager would read it; what it names has to be there.
#[test]
fn the_unit() {
    let folder = TempDir::with_prefix("ebbmark-unit-").unwrap();
    let unit = tools::root().join("deploy/ebbmark.service");
    let text = std::fs::read_to_string(&unit).unwrap();
    // The program need not be installed on the machine that tests.
    let copy = folder.path().join("ebbmark.service");
    let program = tools::built("ebbmark");
    std::fs::write(
        &copy,
        text.replace("/usr/bin/ebbmark", &program.display().to_string()),
    )
    .unwrap();
    let verified = Command::new("systemd-analyze")
        .arg("verify")
        .arg(&copy)
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&verified.stderr);
    let ours: Vec<&str> = said.lines().filter(|l| l.contains("ebbmark")).collect();
    // A page of the manual is there once it is installed.
    assert!(verified.status.success() && ours.is_empty(), "{ours:?}");
    let looked = Command::new("systemd-analyze")
        .args(["security", "--offline=true", "--threshold=15"])
        .arg(&copy)
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&looked.stdout);
    let overall = said.lines().last().unwrap_or_default();
    assert!(looked.status.success(), "more exposed than 1.5: {overall}");
    for setting in [
        "Type=notify",
        "WatchdogSec=",
        "StateDirectory=ebbmark",
        "DynamicUser=yes",
    ] {
        assert!(
            text.lines().any(|line| line.starts_with(setting)),
            "{setting}"
        );
    }
}

/// Each command stands in the page of the manual.
#[test]
fn the_manual_names_every_command() {
    let manual = std::fs::read_to_string(tools::root().join("deploy/debian/ebbmark.1")).unwrap();
    let help = Command::new(tools::built("ebbmark"))
        .arg("--help")
        .output()
        .unwrap();
    let help = String::from_utf8_lossy(&help.stdout).into_owned();
    let commands: Vec<&str> = help
        .lines()
        .skip_while(|line| *line != "Commands:")
        .skip(1)
        .take_while(|line| !line.trim().is_empty())
        .filter_map(|line| line.split_whitespace().next())
        .filter(|command| *command != "help")
        .collect();
    assert!(commands.len() > 10, "{help}");
    for command in commands {
        let named = format!(".B {}", command.replace('-', "\\-"));
        assert!(manual.lines().any(|line| line == named), "{command}");
    }
}

/// No container is run here: what is looked at is that it builds from what there is, that the program
/// takes its settings, and that its question after the daemon's health tells life from death.
#[test]
fn the_container_file() {
    let text = std::fs::read_to_string(tools::root().join("deploy/Containerfile")).unwrap();
    let lines = || text.lines().filter(|line| !line.starts_with('#'));
    for line in lines().filter_map(|l| l.strip_prefix("COPY ")) {
        if line.starts_with("--from") {
            continue;
        }
        let mut words: Vec<&str> = line.split_whitespace().collect();
        words.pop();
        for from in words {
            assert!(tools::root().join(from).exists(), "{from}");
        }
    }
    let list = |word: &str| -> Vec<String> {
        let line = lines().find_map(|l| l.split_once(word)).unwrap().1;
        serde_json::from_str(line).unwrap()
    };
    let entry = list("ENTRYPOINT ");
    assert_eq!(entry[1..], ["--config", CONFIG]);

    let cellar = ebbmark_tests::cellar::Cellar::new();
    cellar.set_password();
    let mut daemon = cellar.start();
    let health = list("HEALTHCHECK --interval=60s --timeout=10s --start-period=40m CMD ");
    let healthy = || {
        let script = health[2].replace("/8420", &format!("/{}", cellar.page_port));
        assert_ne!(script, health[2]);
        Command::new(&health[0])
            .args([&health[1], &script])
            .stderr(Stdio::null())
            .status()
            .unwrap()
            .success()
    };
    assert!(healthy());
    daemon.stop();
    assert!(!healthy());
}

/// The program of a package for arm64, under qemu: it says what this machine's says to the last byte, and a
/// float's message goes through it.
#[test]
#[ignore = "wants EBBMARK_ARM64, a package that deploy/package --arch arm64 made, and qemu-user-static"]
fn arm64_under_qemu() {
    let package = std::env::var_os("EBBMARK_ARM64").expect("EBBMARK_ARM64 names the package");
    let folder = TempDir::with_prefix("ebbmark-arm64-").unwrap();
    let unpacked = Command::new("dpkg-deb")
        .arg("-x")
        .arg(&package)
        .arg(folder.path())
        .status();
    assert!(unpacked.unwrap().success());
    let architecture = Command::new("dpkg-deb")
        .arg("-f")
        .arg(&package)
        .arg("Architecture")
        .output()
        .unwrap();
    assert_eq!(architecture.stdout, b"arm64\n");
    let emulated = || {
        let mut command = Command::new("qemu-aarch64-static");
        command
            .args(["-L", "/usr/aarch64-linux-gnu"])
            .arg(folder.path().join("usr/bin/ebbmark"));
        command
    };
    let native = || Command::new(tools::built("ebbmark"));
    let both = |words: &[&str]| {
        let [there, here] = [emulated(), native()].map(|mut c| c.args(words).output().unwrap());
        assert!(there.status.success(), "{words:?}: {there:?}");
        assert_eq!(
            String::from_utf8_lossy(&there.stdout),
            String::from_utf8_lossy(&here.stdout),
            "{words:?}"
        );
        assert!(!there.stdout.is_empty());
    };
    both(&["--version"]);
    let settings = folder.path().join("etc/ebbmark/cellar.toml");
    both(&["--config", &settings.to_string_lossy(), "check-config"]);
    let batch = folder.path().join("invented.csv");
    std::fs::write(&batch, crate::common::series("dry", 30, "60")).unwrap();
    for form in [&[][..], &["--json"]] {
        let words = [
            "replay",
            &batch.to_string_lossy(),
            "--original-gravity",
            "1.094",
        ];
        both(&[&words[..], form].concat());
    }

    let cellar = ebbmark_tests::cellar::Cellar::new();
    cellar.set_password();
    let mut command = emulated();
    command
        .arg("--config")
        .arg(cellar.path("ebbmark.toml"))
        .arg("run");
    let mut daemon = Daemon::start(&mut command);
    let visitor = Visitor::signed_in(&daemon.page);
    publish(daemon.intake_port, &[], &[message("loft/float", ROW, 1)]);
    let vessel = visitor.add_vessel("Loft carboy");
    visitor.claim("intake", "loft/float", Some(&vessel));
    is_there(&visitor);
    daemon.stop();
}

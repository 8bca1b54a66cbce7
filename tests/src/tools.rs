//! Where the built programs and the test tools are.

use std::io::Write;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

use serde_json::Value;

/// `target/debug`: the folder above the one this test runs from.
fn profile_folder() -> PathBuf {
    let me = std::env::current_exe().expect("a running program has a path");
    me.ancestors()
        .nth(2)
        .expect("tests run from target/<profile>/deps")
        .to_owned()
}

/// A program of this workspace.
///
/// # Panics
/// It was not built.
pub fn built(program: &str) -> PathBuf {
    let path = profile_folder().join(program);
    assert!(
        path.is_file(),
        "{} is not built; run `cargo build --workspace` first, or tests/run",
        path.display()
    );
    path
}

/// What `tests/run` installed.
///
/// # Panics
/// It did not.
pub fn tool(path: &str) -> PathBuf {
    let profile = profile_folder();
    let target = profile.parent().unwrap_or(&profile);
    let path = target.join("test-tools").join(path);
    assert!(
        path.exists(),
        "{} is not there; tests/run installs it",
        path.display()
    );
    path
}

/// A program of the system.
///
/// # Panics
/// It is not installed.
pub fn system(program: &str) -> PathBuf {
    let paths = std::env::var_os("PATH").unwrap_or_default();
    std::env::split_paths(&paths)
        .chain(["/usr/sbin".into()])
        .map(|folder| folder.join(program))
        .find(|path| path.is_file())
        .unwrap_or_else(|| panic!("{program} is not installed; tests/run installs it"))
}

/// To be called first by a test that only root can run. Its name begins with `as_root`, by which
/// `tests/run` finds it when it runs as somebody else.
///
/// # Panics
/// We are not root.
pub fn needs_root(why: &str) {
    let id = Command::new(system("id"))
        .arg("-u")
        .output()
        .expect("id starts");
    assert!(
        id.stdout == b"0\n",
        "this test {why} and has to be root: `sudo {} as_root`, or tests/run, which does that; \
         all others: `cargo test -p ebbmark-tests -- --skip as_root`",
        std::env::current_exe()
            .expect("a running program has a path")
            .display()
    );
}

/// The root of the repository.
pub fn root() -> &'static Path {
    let tests = Path::new(env!("CARGO_MANIFEST_DIR"));
    tests.parent().unwrap_or(tests)
}

/// One of the scripts in `tests/clients`, ready to be run.
pub fn client(script: &str) -> Command {
    let mut command = Command::new(tool("venv/bin/python"));
    command
        .arg("-u")
        .arg(root().join("tests/clients").join(script));
    command
}

/// What one of the scripts says, as JSON, of what it is given to read.
///
/// # Panics
/// It does not take it.
pub fn told(script: &str, text: &str) -> Value {
    let mut child = client(script)
        .stdin(Stdio::piped())
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .expect("python starts");
    let mut input = child.stdin.take().expect("stdin is piped");
    input.write_all(text.as_bytes()).expect("it reads");
    drop(input);
    let output = child.wait_with_output().expect("it ends");
    assert!(output.status.success(), "{output:?}\n{text}");
    serde_json::from_slice(&output.stdout).expect("it says JSON")
}

//! Programs the tests need from the outside.

use std::ffi::OsStr;
use std::path::PathBuf;
use std::process::{Command, Output};

/// Where a program is, or a failure that says what to do.
pub fn find(program: &str) -> PathBuf {
    let paths = std::env::var_os("PATH").unwrap_or_default();
    std::env::split_paths(&paths)
        .chain(["/usr/sbin".into(), "/usr/local/sbin".into()])
        .map(|folder| folder.join(program))
        .find(|path| path.is_file())
        .unwrap_or_else(|| {
            panic!("{program} is not installed, and these tests need it; run tests/run, which installs what is missing")
        })
}

/// Runs a program to its end without holding up the runtime.
pub async fn run<I, S>(program: &str, arguments: I) -> Output
where
    I: IntoIterator<Item = S>,
    S: AsRef<OsStr>,
{
    let mut command = Command::new(find(program));
    command.args(arguments);
    tokio::task::spawn_blocking(move || command.output().unwrap())
        .await
        .unwrap()
}

/// Runs a program that must succeed.
pub async fn must_run<I, S>(program: &str, arguments: I) -> String
where
    I: IntoIterator<Item = S>,
    S: AsRef<OsStr>,
{
    let output = run(program, arguments).await;
    assert!(output.status.success(), "{program}: {output:?}");
    String::from_utf8(output.stdout).unwrap()
}

//! An authority and certificates of its making, by `openssl`, for servers that speak TLS.

use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::{Command, Output, Stdio};

const NEW_KEY: &str = "-newkey ec -pkeyopt ec_paramgen_curve:prime256v1 -nodes";

/// Its certificate is `ca.pem` in its folder.
pub struct Authority {
    folder: PathBuf,
}

impl Authority {
    pub fn new(folder: &Path) -> Authority {
        let authority = Authority {
            folder: folder.to_owned(),
        };
        authority.openssl(&format!(
            "req -x509 {NEW_KEY} -days 9 -subj /CN=authority -keyout ca-key.pem -out ca.pem"
        ));
        authority
    }

    /// Runs `openssl` in the folder; no argument may have a space in it.
    ///
    /// # Panics
    /// It fails.
    pub fn openssl(&self, arguments: &str) -> Output {
        let output = Command::new("openssl")
            .current_dir(&self.folder)
            .args(arguments.split(' '))
            .stdin(Stdio::null())
            .output()
            .expect("openssl is installed; tests/run installs it");
        assert!(output.status.success(), "{arguments}: {output:?}");
        output
    }

    /// Makes `NAME.pem` and `NAME-key.pem`, which its owner alone may read, for names such as
    /// `DNS:localhost,IP:127.0.0.1`.
    pub fn make(&self, name: &str, names: &str, days: u32) {
        self.openssl(&format!(
            "req -x509 {NEW_KEY} -days {days} -subj /CN={name} -addext subjectAltName={names} -addext basicConstraints=critical,CA:FALSE -CA ca.pem -CAkey ca-key.pem -keyout {name}-key.pem -out {name}.pem"
        ));
        self.mode(&format!("{name}-key.pem"), 0o600);
    }

    /// For a server that is no longer root when it reads its key.
    pub fn open(&self, name: &str) {
        for end in [".pem", "-key.pem"] {
            self.mode(&format!("{name}{end}"), 0o644);
        }
    }

    pub fn path(&self, file: &str) -> PathBuf {
        self.folder.join(file)
    }

    fn mode(&self, file: &str, mode: u32) {
        let mode = PermissionsExt::from_mode(mode);
        fs::set_permissions(self.path(file), mode).expect("a file of ours");
    }
}

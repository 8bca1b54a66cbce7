//! An authority and a certificate of its making, by `openssl`, for servers that speak TLS.

use std::path::{Path, PathBuf};
use std::process::Command;

pub struct Certificate {
    pub authority: PathBuf,
    pub chain: PathBuf,
    pub key: PathBuf,
}

impl Certificate {
    /// For these names, such as `DNS:localhost,IP:127.0.0.1`.
    ///
    /// # Panics
    /// `openssl` does not make it.
    pub fn make(folder: &Path, names: &str) -> Certificate {
        let path = |name: &str| folder.join(name);
        let made = Certificate {
            authority: path("ca.pem"),
            chain: path("server.pem"),
            key: path("server.key"),
        };
        let key = [
            "-newkey",
            "ec",
            "-pkeyopt",
            "ec_paramgen_curve:P-256",
            "-nodes",
        ];
        let ca_key = path("ca.key");
        openssl(
            Command::new("openssl")
                .args([
                    "req",
                    "-x509",
                    "-days",
                    "2",
                    "-subj",
                    "/CN=An invented authority",
                ])
                .args(key)
                .args(["-addext", "keyUsage=critical,keyCertSign"])
                .args([
                    Path::new("-keyout"),
                    &ca_key,
                    Path::new("-out"),
                    &made.authority,
                ]),
        );
        let request = path("server.csr");
        openssl(
            Command::new("openssl")
                .args(["req", "-subj", "/CN=invented"])
                .args(key)
                .args([Path::new("-keyout"), &made.key, Path::new("-out"), &request]),
        );
        let extensions = path("extensions");
        std::fs::write(&extensions, format!("subjectAltName={names}\n"))
            .expect("a temporary folder");
        openssl(
            Command::new("openssl")
                .args(["x509", "-req", "-days", "2", "-CAcreateserial"])
                .args([Path::new("-in"), &request, Path::new("-out"), &made.chain])
                .args([
                    Path::new("-CA"),
                    &made.authority,
                    Path::new("-CAkey"),
                    &ca_key,
                ])
                .args([Path::new("-extfile"), &extensions]),
        );
        // The server may give up being root before it reads them.
        for file in [&made.authority, &made.chain, &made.key] {
            let all = std::os::unix::fs::PermissionsExt::from_mode(0o644);
            std::fs::set_permissions(file, all).expect("a file of ours");
        }
        made
    }
}

fn openssl(command: &mut Command) {
    let output = command
        .output()
        .expect("openssl is installed; tests/run installs it");
    assert!(output.status.success(), "{output:?}");
}

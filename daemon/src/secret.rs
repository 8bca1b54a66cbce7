//! What may not stand in the configuration itself: passwords, tokens, keys. Each is in a file of its
//! own, or handed over by systemd (`LoadCredential=`).

use std::fmt;
use std::io::{self, ErrorKind};
use std::path::{Path, PathBuf};

use serde::Deserialize;

/// What stands before the name of one that systemd hands over.
const HANDED_OVER: &str = "credential:";
/// Set by systemd: the folder it hands them over in.
const FOLDER: &str = "CREDENTIALS_DIRECTORY";

/// Where a secret is: a path, or `credential:NAME` as in `LoadCredential=NAME:…`.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(try_from = "String")]
pub enum SecretFile {
    At(PathBuf),
    HandedOver(String),
}

#[derive(Debug, thiserror::Error)]
pub enum SecretError {
    #[error(
        "{HANDED_OVER}{0} is handed over by systemd, but systemd did not start this program with credentials ({FOLDER} is not set); say LoadCredential={0}:/path/of/its/file in the unit, or name a file here"
    )]
    NotByService(String),
    #[error(
        "systemd hands over no credential \"{0}\"; say LoadCredential={0}:/path/of/its/file in the unit"
    )]
    NotHandedOver(String),
    #[error("{path} cannot be read: {cause}")]
    Unreadable { path: PathBuf, cause: io::Error },
    #[error("the first line of {0} is empty; the secret belongs there")]
    Empty(SecretFile),
}

impl SecretFile {
    /// # Errors
    /// Systemd would hand it over, but has not started this program, or not with any.
    pub fn path(&self) -> Result<PathBuf, SecretError> {
        self.path_in(std::env::var_os(FOLDER).map(PathBuf::from).as_deref())
    }

    fn path_in(&self, folder: Option<&Path>) -> Result<PathBuf, SecretError> {
        match (self, folder) {
            (SecretFile::At(path), _) => Ok(path.clone()),
            (SecretFile::HandedOver(name), Some(folder)) => Ok(folder.join(name)),
            (SecretFile::HandedOver(name), None) => Err(SecretError::NotByService(name.clone())),
        }
    }

    /// The whole file.
    ///
    /// # Errors
    /// As [`SecretFile::path`], or it cannot be read.
    pub fn read(&self) -> Result<Vec<u8>, SecretError> {
        let path = self.path()?;
        std::fs::read(&path).map_err(|cause| self.unreadable(path, cause))
    }

    /// Its first line: a password, a token.
    ///
    /// # Errors
    /// As [`SecretFile::read`], or that line is empty.
    pub fn first_line(&self) -> Result<String, SecretError> {
        let path = self.path()?;
        let text = std::fs::read_to_string(&path).map_err(|cause| self.unreadable(path, cause))?;
        match text.lines().next() {
            Some(line) if !line.is_empty() => Ok(line.to_owned()),
            _ => Err(SecretError::Empty(self.clone())),
        }
    }

    fn unreadable(&self, path: PathBuf, cause: io::Error) -> SecretError {
        match self {
            SecretFile::HandedOver(name) if cause.kind() == ErrorKind::NotFound => {
                SecretError::NotHandedOver(name.clone())
            }
            _ => SecretError::Unreadable { path, cause },
        }
    }
}

impl TryFrom<String> for SecretFile {
    type Error = String;

    fn try_from(text: String) -> Result<SecretFile, String> {
        let Some(name) = text.strip_prefix(HANDED_OVER) else {
            return Ok(SecretFile::At(text.into()));
        };
        // It must not lead out of systemd's folder.
        let plain = |c: char| c.is_ascii_alphanumeric() || "-_.".contains(c);
        if name.is_empty() || name.starts_with('.') || !name.chars().all(plain) {
            return Err(format!(
                "\"{text}\": the name of a credential is made of letters, digits, - _ and ."
            ));
        }
        Ok(SecretFile::HandedOver(name.to_owned()))
    }
}

impl From<PathBuf> for SecretFile {
    fn from(path: PathBuf) -> SecretFile {
        SecretFile::At(path)
    }
}

impl From<&Path> for SecretFile {
    fn from(path: &Path) -> SecretFile {
        SecretFile::At(path.to_owned())
    }
}

impl fmt::Display for SecretFile {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            SecretFile::At(path) => path.display().fmt(f),
            SecretFile::HandedOver(name) => write!(f, "{HANDED_OVER}{name}"),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn file(text: &str) -> SecretFile {
        text.to_owned().try_into().unwrap()
    }

    #[test]
    fn a_path_or_what_systemd_hands_over() {
        assert_eq!(
            file("/etc/ebbmark/mail-password"),
            Path::new("/etc/ebbmark/mail-password").into()
        );
        let handed = file("credential:mail-password");
        assert_eq!(handed.to_string(), "credential:mail-password");
        let folder = Path::new("/run/credentials/ebbmark.service");
        assert_eq!(
            handed.path_in(Some(folder)).unwrap(),
            folder.join("mail-password")
        );
        let error = handed.path_in(None).unwrap_err().to_string();
        assert!(error.contains("LoadCredential=mail-password:"), "{error}");
        let gone = handed.unreadable(folder.join("mail-password"), ErrorKind::NotFound.into());
        assert!(
            gone.to_string()
                .starts_with("systemd hands over no credential \"mail-password\"")
        );
    }

    #[test]
    fn a_name_does_not_lead_out_of_the_folder() {
        for name in ["", "..", "../shadow", "a/b", ".", "a b"] {
            let text = format!("credential:{name}");
            assert!(SecretFile::try_from(text.clone()).is_err(), "{text}");
        }
    }

    #[test]
    fn the_first_line_is_the_secret() {
        let written = tempfile::NamedTempFile::new().unwrap();
        let kept = SecretFile::from(written.path());
        std::fs::write(
            written.path(),
            "linden blossom\nand what else stands there\n",
        )
        .unwrap();
        assert_eq!(kept.first_line().unwrap(), "linden blossom");
        std::fs::write(written.path(), "\nlinden").unwrap();
        assert!(matches!(kept.first_line(), Err(SecretError::Empty(_))));
        let gone = file("/nonexistent/password").first_line().unwrap_err();
        assert!(
            gone.to_string()
                .starts_with("/nonexistent/password cannot be read")
        );
    }
}

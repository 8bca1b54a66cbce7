//! A user name and a password, the password written down or kept in a file of its own.

use std::fmt;

use serde::Deserialize;

use crate::secret::{SecretError, SecretFile};

/// As written in the configuration. Exactly one of `password` and `password-file` is given.
#[derive(Clone, Deserialize, PartialEq, Eq)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct Credentials {
    pub user: String,
    #[serde(default)]
    pub password: Option<String>,
    /// The first line of this file is the password.
    #[serde(default)]
    pub password_file: Option<SecretFile>,
}

/// Ready for use.
#[derive(Clone, PartialEq, Eq)]
pub struct Secret {
    pub user: String,
    pub password: String,
}

#[derive(Debug, thiserror::Error)]
pub enum CredentialsError {
    #[error("user {0:?} has neither password nor password-file; give one of them")]
    NoPassword(String),
    #[error("user {0:?} has both password and password-file; give only one of them")]
    TwoPasswords(String),
    #[error("user name or password is empty; give both")]
    Empty,
    #[error("password-file: {0}")]
    File(#[from] SecretError),
}

impl Credentials {
    /// Reads the password file if there is one.
    ///
    /// # Errors
    /// The configuration contradicts itself, or the file cannot be read.
    pub fn resolve(&self) -> Result<Secret, CredentialsError> {
        let password = match (&self.password, &self.password_file) {
            (Some(password), None) => password.clone(),
            (None, Some(path)) => path.first_line()?,
            (None, None) => return Err(CredentialsError::NoPassword(self.user.clone())),
            (Some(_), Some(_)) => return Err(CredentialsError::TwoPasswords(self.user.clone())),
        };
        if self.user.is_empty() || password.is_empty() {
            return Err(CredentialsError::Empty);
        }
        Ok(Secret {
            user: self.user.clone(),
            password,
        })
    }
}

// Passwords must not reach a log through `{:?}`.
impl fmt::Debug for Credentials {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Credentials")
            .field("user", &self.user)
            .field("password_file", &self.password_file)
            .finish_non_exhaustive()
    }
}

impl fmt::Debug for Secret {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Secret")
            .field("user", &self.user)
            .finish_non_exhaustive()
    }
}

#[cfg(test)]
mod tests {
    use std::path::Path;

    use super::*;

    fn credentials(password: Option<&str>, file: Option<SecretFile>) -> Credentials {
        Credentials {
            user: "cellar".into(),
            password: password.map(str::to_owned),
            password_file: file,
        }
    }

    #[test]
    fn the_first_line_of_the_file_is_the_password() {
        let file = tempfile::NamedTempFile::new().unwrap();
        std::fs::write(file.path(), "linden blossom\n").unwrap();
        let secret = credentials(None, Some(file.path().into()))
            .resolve()
            .unwrap();
        assert_eq!(secret.password, "linden blossom");
    }

    #[test]
    fn contradictions_are_refused() {
        assert!(matches!(
            credentials(None, None).resolve(),
            Err(CredentialsError::NoPassword(_))
        ));
        assert!(matches!(
            credentials(Some("a"), Some(Path::new("b").into())).resolve(),
            Err(CredentialsError::TwoPasswords(_))
        ));
        assert!(matches!(
            credentials(Some(""), None).resolve(),
            Err(CredentialsError::Empty)
        ));
        let gone = credentials(None, Some(Path::new("/nonexistent/password").into()))
            .resolve()
            .unwrap_err();
        assert!(gone.to_string().contains("/nonexistent/password"));
    }

    #[test]
    fn debug_output_hides_the_password() {
        let shown = format!("{:?}", credentials(Some("linden"), None));
        assert!(!shown.contains("linden"), "{shown}");
    }
}

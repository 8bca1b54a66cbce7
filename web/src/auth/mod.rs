//! Who may read and write: one password for the cellar, sessions, and what keeps guesses slow.

pub(crate) mod bearer;
pub(crate) mod check;
pub mod guard;
pub(crate) mod session;
pub(crate) mod token;

use argon2::password_hash::phc::PasswordHash;
use argon2::password_hash::{PasswordHasher, PasswordVerifier};
use argon2::{Algorithm, Argon2, Params, Version};

/// Setting under which the hash is kept.
pub const PASSWORD_SETTING: &str = "password-hash";

const SHORTEST: usize = 8;
const LONGEST: usize = 1024;
/// 19 MiB, two passes, one lane: OWASP's smaller Argon2id setting (from memory), which a
/// single-board computer bears.
const MEMORY_KIB: u32 = 19 * 1024;
const PASSES: u32 = 2;

#[derive(Debug, thiserror::Error)]
pub enum PasswordError {
    #[error("the password needs at least {SHORTEST} characters")]
    TooShort,
    #[error("the password is longer than {LONGEST} bytes")]
    TooLong,
    #[error("the password could not be hashed: {0}")]
    Hash(String),
}

/// Hashes a password for [`PASSWORD_SETTING`]. Takes a noticeable moment and 19 MiB: call it
/// from a thread that may block.
///
/// # Errors
/// The password is shorter than 8 characters or absurdly long.
pub fn hash_password(password: &str) -> Result<String, PasswordError> {
    if password.chars().count() < SHORTEST {
        return Err(PasswordError::TooShort);
    }
    if password.len() > LONGEST {
        return Err(PasswordError::TooLong);
    }
    let params =
        Params::new(MEMORY_KIB, PASSES, 1, None).map_err(|e| PasswordError::Hash(e.to_string()))?;
    Argon2::new(Algorithm::Argon2id, Version::V0x13, params)
        .hash_password(password.as_bytes())
        .map(|hash: PasswordHash| hash.to_string())
        .map_err(|e| PasswordError::Hash(e.to_string()))
}

/// Whether `password` is the one `stored` was made from.
pub(crate) fn is_password(password: &str, stored: &str) -> Result<bool, PasswordError> {
    if password.len() > LONGEST {
        return Ok(false);
    }
    let hash = PasswordHash::new(stored).map_err(|e| PasswordError::Hash(e.to_string()))?;
    match Argon2::default().verify_password(password.as_bytes(), &hash) {
        Ok(()) => Ok(true),
        Err(argon2::password_hash::Error::PasswordInvalid) => Ok(false),
        Err(e) => Err(PasswordError::Hash(e.to_string())),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_the_password_itself_opens() {
        let stored = hash_password("drei Fässer im Keller").unwrap();
        assert!(
            stored.starts_with("$argon2id$v=19$m=19456,t=2,p=1$"),
            "{stored}"
        );
        assert!(is_password("drei Fässer im Keller", &stored).unwrap());
        assert!(!is_password("drei Fässer im keller", &stored).unwrap());
        assert!(!is_password("", &stored).unwrap());
        assert!(is_password("x", "not a hash").is_err());
        assert_ne!(
            stored,
            hash_password("drei Fässer im Keller").unwrap(),
            "salted"
        );
    }

    #[test]
    fn short_and_absurd_passwords_are_refused() {
        assert!(matches!(
            hash_password("1234567"),
            Err(PasswordError::TooShort)
        ));
        assert!(matches!(
            hash_password(&"x".repeat(2000)),
            Err(PasswordError::TooLong)
        ));
    }
}

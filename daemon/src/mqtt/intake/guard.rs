//! Checks a user name and password without telling by its timing how nearly right they were.

use sha2::{Digest as _, Sha256};
use subtle::ConstantTimeEq as _;

use crate::mqtt::credentials::Secret;

/// Holds digests: they all have one length, so comparing them does not give the length away.
pub struct Guard {
    user: [u8; 32],
    password: [u8; 32],
}

impl Guard {
    pub fn new(secret: &Secret) -> Guard {
        Guard {
            user: digest(secret.user.as_bytes()),
            password: digest(secret.password.as_bytes()),
        }
    }

    pub fn admits(&self, user: &str, password: &[u8]) -> bool {
        let user = self.user.ct_eq(&digest(user.as_bytes()));
        let password = self.password.ct_eq(&digest(password));
        (user & password).into()
    }
}

fn digest(bytes: &[u8]) -> [u8; 32] {
    Sha256::digest(bytes).into()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn only_the_right_pair_is_admitted() {
        let guard = Guard::new(&Secret {
            user: "cellar".into(),
            password: "linden".into(),
        });
        assert!(guard.admits("cellar", b"linden"));
        for (user, password) in [("cellar", "Linden"), ("Cellar", "linden"), ("", "")] {
            assert!(
                !guard.admits(user, password.as_bytes()),
                "{user} {password}"
            );
        }
    }
}

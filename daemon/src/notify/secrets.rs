//! What stands for `{{secret.NAME}}` in the address, the headers and the body of a call.

use std::collections::BTreeMap;
use std::fmt;

use crate::secret::SecretFile;

/// Never shown.
#[derive(Clone, PartialEq, Eq)]
pub struct Hidden(String);

impl Hidden {
    pub fn show(&self) -> &str {
        &self.0
    }
}

impl fmt::Debug for Hidden {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str("(hidden)")
    }
}

#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Secrets(BTreeMap<String, Hidden>);

impl Secrets {
    /// # Errors
    /// A file cannot be read; names which.
    pub fn read(files: &BTreeMap<String, SecretFile>) -> Result<Secrets, String> {
        let each = files.iter().map(|(name, file)| {
            let secret = file.first_line();
            let secret = secret.map_err(|e| format!("secrets.{name}: {e}"))?;
            Ok((name.clone(), Hidden(secret)))
        });
        each.collect::<Result<_, _>>().map(Secrets)
    }

    /// The names alone, to look through what is made with them.
    pub fn unread(files: &BTreeMap<String, SecretFile>) -> Secrets {
        let names = files
            .keys()
            .map(|name| (name.clone(), Hidden("x".to_owned())));
        Secrets(names.collect())
    }

    pub fn get(&self, name: &str) -> Option<&Hidden> {
        self.0.get(name)
    }

    pub fn names(&self) -> impl Iterator<Item = &str> {
        self.0.keys().map(String::as_str)
    }

    /// What somebody else said, without what we told them.
    pub fn kept_out_of(&self, said: String) -> String {
        let all = self.0.values();
        all.fold(said, |said, secret| said.replace(secret.show(), "…"))
    }
}

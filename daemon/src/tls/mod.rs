//! TLS at our own doors: the page and the intake, each with its certificate.

mod accept;
mod certificate;
mod fresh;
mod pair;
#[cfg(test)]
mod tests;

use std::net::SocketAddr;
use std::sync::Arc;

use rustls::ServerConfig;
use serde::Deserialize;

use crate::secret::SecretFile;

pub use accept::{NoTls, greet};
pub use certificate::Certificate;
pub use fresh::keep_fresh;
pub use pair::{Pair, TlsError, Validity};

/// What TLS is served with on an address; `None`: in the clear.
pub type Tls = Option<Arc<ServerConfig>>;

/// All addresses, those in the clear first.
pub fn addresses<'a>(
    plain: &'a [SocketAddr],
    tls: Option<&'a TlsConfig>,
) -> impl Iterator<Item = &'a SocketAddr> {
    plain
        .iter()
        .chain(tls.into_iter().flat_map(|tls| &tls.listen))
}

#[derive(Clone, Debug, Deserialize, PartialEq, Eq)]
#[serde(deny_unknown_fields, rename_all = "kebab-case")]
pub struct TlsConfig {
    /// Addresses where TLS is spoken from the first byte.
    pub listen: Vec<SocketAddr>,
    /// The certificate, and after it those it hangs on, as PEM.
    pub certificate_file: SecretFile,
    /// Its key, as PEM.
    pub key_file: SecretFile,
}

//! The certificate of one door, taken up anew when its files change.

use std::sync::{Arc, RwLock};

use rustls::ServerConfig;
use rustls::server::{ClientHello, ResolvesServerCert};
use rustls::sign::CertifiedKey;

use super::pair::{Pair, Read, TlsError, provider};
use super::{TlsConfig, Validity};

#[derive(Debug)]
pub struct Certificate {
    /// Whose it is, in words: "the page".
    of: &'static str,
    config: TlsConfig,
    held: RwLock<Held>,
}

#[derive(Debug)]
struct Held {
    certified: Arc<CertifiedKey>,
    validity: Validity,
    read: Read,
    /// Why what stands in the files now is not used.
    refused: Option<String>,
}

impl Certificate {
    /// # Errors
    /// The pair cannot be used.
    pub fn load(of: &'static str, config: &TlsConfig) -> Result<Arc<Certificate>, TlsError> {
        let held = Held::from(Pair::load(config)?);
        Ok(Arc::new(Certificate {
            of,
            config: config.clone(),
            held: RwLock::new(held),
        }))
    }

    /// For connections; the certificate is that of the moment a connection is made. `protocols` are
    /// those offered by name, none where it is not spoken of.
    ///
    /// # Errors
    /// The provider has none of the usual ciphers.
    pub fn serve(
        self: &Arc<Self>,
        protocols: &[&[u8]],
    ) -> Result<Arc<ServerConfig>, rustls::Error> {
        let mut config = ServerConfig::builder_with_provider(Arc::new(provider()))
            .with_safe_default_protocol_versions()?
            .with_no_client_auth()
            .with_cert_resolver(self.clone());
        config.alpn_protocols = protocols.iter().map(|p| p.to_vec()).collect();
        Ok(Arc::new(config))
    }

    /// Looks at the files again. A pair that cannot be used leaves the old one in place.
    pub fn look_again(&self) {
        let read = match Read::of(&self.config) {
            Ok(read) if self.read_lock().read == read => return self.refuse(None),
            read => read,
        };
        match read.and_then(|read| Pair::made_of(read, &self.config)) {
            Ok(pair) => {
                tracing::info!(
                    "a renewed certificate of {} is used from now on; it is good until {}",
                    self.of,
                    pair.validity.until.to_rfc3339()
                );
                *self.write_lock() = Held::from(pair);
            }
            Err(e) => self.refuse(Some(e.to_string())),
        }
    }

    /// Notes why the files are not used, and logs it once.
    fn refuse(&self, why: Option<String>) {
        let mut held = self.write_lock();
        if held.refused == why {
            return;
        }
        match &why {
            Some(why) => tracing::error!(
                "the new certificate of {} is not used, the one from before stays: {why}",
                self.of
            ),
            None => tracing::info!("the files of the certificate of {} are as before", self.of),
        }
        held.refused = why;
    }

    pub fn of(&self) -> &'static str {
        self.of
    }

    pub fn validity(&self) -> Validity {
        self.read_lock().validity
    }

    /// Why what stands in the files now is not used.
    pub fn refused(&self) -> Option<String> {
        self.read_lock().refused.clone()
    }

    // Nothing in here can be left half done, so a poisoned lock is still sound.
    fn read_lock(&self) -> std::sync::RwLockReadGuard<'_, Held> {
        self.held
            .read()
            .unwrap_or_else(std::sync::PoisonError::into_inner)
    }

    fn write_lock(&self) -> std::sync::RwLockWriteGuard<'_, Held> {
        self.held
            .write()
            .unwrap_or_else(std::sync::PoisonError::into_inner)
    }
}

impl From<Pair> for Held {
    fn from(pair: Pair) -> Held {
        Held {
            certified: Arc::new(pair.certified),
            validity: pair.validity,
            read: pair.read,
            refused: None,
        }
    }
}

impl ResolvesServerCert for Certificate {
    fn resolve(&self, _: ClientHello<'_>) -> Option<Arc<CertifiedKey>> {
        Some(self.read_lock().certified.clone())
    }
}

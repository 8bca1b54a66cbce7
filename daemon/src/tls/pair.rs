//! A certificate and its key, as they stand in their files.

use std::time::Duration;

use ebbmark_core::time::Moment;
use rustls::crypto::{CryptoProvider, ring};
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer, UnixTime};
use rustls::sign::CertifiedKey;
use webpki::{EndEntityCert, KeyUsage};

use super::TlsConfig;
use crate::secret::{SecretError, SecretFile};

#[derive(Debug, thiserror::Error)]
pub enum TlsError {
    #[error(transparent)]
    File(#[from] SecretError),
    #[error("{file} is not PEM: {cause}")]
    NotPem {
        file: SecretFile,
        cause: rustls::pki_types::pem::Error,
    },
    #[error("{0} has no certificate in it")]
    NoCertificate(SecretFile),
    #[error("{0} has no private key in it")]
    NoKey(SecretFile),
    #[error("the certificate in {file} cannot be used: {cause}")]
    Certificate {
        file: SecretFile,
        cause: webpki::Error,
    },
    #[error("the key in {file} cannot be used: {cause}")]
    Key {
        file: SecretFile,
        cause: rustls::Error,
    },
    #[error(
        "the key in {key} is not that of the certificate in {certificate}; name the two that were made together"
    )]
    Mismatch {
        certificate: SecretFile,
        key: SecretFile,
    },
}

/// From when until when a certificate is good.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Validity {
    pub from: Moment,
    pub until: Moment,
}

/// Read and found to belong together.
#[derive(Debug)]
pub struct Pair {
    pub certified: CertifiedKey,
    pub validity: Validity,
    /// Both files as they were read.
    pub(super) read: Read,
}

#[derive(PartialEq, Eq)]
pub(super) struct Read {
    certificate: Vec<u8>,
    key: Vec<u8>,
}

// A key must not reach a log through `{:?}`.
impl std::fmt::Debug for Read {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Read").finish_non_exhaustive()
    }
}

impl Read {
    pub(super) fn of(config: &TlsConfig) -> Result<Read, TlsError> {
        Ok(Read {
            certificate: config.certificate_file.read()?,
            key: config.key_file.read()?,
        })
    }
}

impl Pair {
    /// # Errors
    /// A file cannot be read or used, or the two do not belong together; names the file.
    pub fn load(config: &TlsConfig) -> Result<Pair, TlsError> {
        Pair::made_of(Read::of(config)?, config)
    }

    pub(super) fn made_of(read: Read, config: &TlsConfig) -> Result<Pair, TlsError> {
        let file = || config.certificate_file.clone();
        let chain = CertificateDer::pem_slice_iter(&read.certificate)
            .collect::<Result<Vec<_>, _>>()
            .map_err(|cause| TlsError::NotPem {
                file: file(),
                cause,
            })?;
        let first = chain
            .first()
            .ok_or_else(|| TlsError::NoCertificate(file()))?;
        let validity = validity(first).map_err(|cause| TlsError::Certificate {
            file: file(),
            cause,
        })?;
        let key = key(&read.key, &config.key_file)?;
        let certified = CertifiedKey::from_der(chain, key, &provider());
        let certified = certified.map_err(|cause| match cause {
            rustls::Error::InconsistentKeys(_) => TlsError::Mismatch {
                certificate: file(),
                key: config.key_file.clone(),
            },
            cause => TlsError::Key {
                file: config.key_file.clone(),
                cause,
            },
        })?;
        Ok(Pair {
            certified,
            validity,
            read,
        })
    }
}

pub(super) fn provider() -> CryptoProvider {
    ring::default_provider()
}

fn key(pem: &[u8], file: &SecretFile) -> Result<PrivateKeyDer<'static>, TlsError> {
    use rustls::pki_types::pem::Error;
    PrivateKeyDer::from_pem_slice(pem).map_err(|cause| match cause {
        Error::NoItemsFound => TlsError::NoKey(file.clone()),
        cause => TlsError::NotPem {
            file: file.clone(),
            cause,
        },
    })
}

/// The library does not say until when a certificate is good, but it says so of one that is used too
/// early or too late, which it looks at before it asks who signed it.
fn validity(certificate: &CertificateDer<'_>) -> Result<Validity, webpki::Error> {
    /// After the latest instant a certificate can name, the end of the year 9999.
    const NEVER: Duration = Duration::from_secs(253_402_300_800);
    let certificate = EndEntityCert::try_from(certificate)?;
    let used_at = |at: Duration| {
        certificate
            .verify_for_usage(
                &[],
                &[],
                &[],
                UnixTime::since_unix_epoch(at),
                KeyUsage::server_auth(),
                None,
                None,
            )
            .err()
    };
    let until = match used_at(NEVER) {
        Some(webpki::Error::CertExpired { not_after, .. }) => moment(not_after),
        cause => return Err(cause.unwrap_or(webpki::Error::InvalidCertValidity)),
    };
    let from = match used_at(Duration::ZERO) {
        Some(webpki::Error::CertNotValidYet { not_before, .. }) => moment(not_before),
        // It is good since before 1970.
        _ => Moment(0),
    };
    Ok(Validity { from, until })
}

fn moment(time: UnixTime) -> Moment {
    Moment(i64::try_from(time.as_secs().saturating_mul(1000)).unwrap_or(i64::MAX))
}

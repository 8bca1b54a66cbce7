//! Certificates to trust besides the usual ones: for a server of the maker's own.

use std::fs;
use std::path::Path;

use rustls::pki_types::CertificateDer;
use rustls::pki_types::pem::PemObject;

/// # Errors
/// The file cannot be read or has no certificate in it; names it.
pub fn certificates(path: &Path) -> Result<Vec<CertificateDer<'static>>, String> {
    let wrong = |what: String| format!("ca-file: {}: {what}", path.display());
    let pem = fs::read(path).map_err(|e| wrong(format!("cannot be read: {e}")))?;
    let found = CertificateDer::pem_slice_iter(&pem)
        .collect::<Result<Vec<_>, _>>()
        .map_err(|e| wrong(format!("is not PEM: {e}")))?;
    if found.is_empty() {
        return Err(wrong("has no certificate in it".to_owned()));
    }
    Ok(found)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_wrong_with_the_file_is_told() {
        let error = certificates(Path::new("/nowhere/ca.pem")).unwrap_err();
        assert!(
            error.starts_with("ca-file: /nowhere/ca.pem: cannot be read"),
            "{error}"
        );
        let file = tempfile::NamedTempFile::new().unwrap();
        fs::write(file.path(), "no certificate here\n").unwrap();
        let error = certificates(file.path()).unwrap_err();
        assert!(error.ends_with("has no certificate in it"), "{error}");
        fs::write(file.path(), include_str!("testdata/ca.pem")).unwrap();
        assert_eq!(certificates(file.path()).unwrap().len(), 1);
    }
}

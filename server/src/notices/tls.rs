//! Whom the webhook and the mail server are believed to be: the system's authorities, and those of a file.

use super::sending::Fault;
use reqwest::Certificate;
use rustls::pki_types::CertificateDer;
use rustls::pki_types::pem::PemObject;
use rustls::{ClientConfig, RootCertStore};
use std::path::Path;
use std::sync::Arc;

/// The certificates of a PEM file, DER.
///
/// # Errors
/// [`Fault`] naming the file.
pub(super) fn roots(path: Option<&Path>) -> Result<Vec<CertificateDer<'static>>, Fault> {
    let Some(path) = path else { return Ok(Vec::new()) };
    let fault = |why: String| Fault::File { path: path.to_owned(), why };
    let found = CertificateDer::pem_file_iter(path)
        .and_then(Iterator::collect::<Result<Vec<_>, _>>)
        .map_err(|e| fault(e.to_string()))?;
    if found.is_empty() {
        return Err(fault("it holds no certificate".to_owned()));
    }
    // What cannot be used later is said now.
    for der in &found {
        RootCertStore::empty().add(der.clone()).map_err(|e| fault(e.to_string()))?;
        Certificate::from_der(der).map_err(|e| fault(e.to_string()))?;
    }
    Ok(found)
}

/// TLS 1.2 and 1.3 with these authorities and the system's; what of the system's cannot be read is left out.
pub(super) fn client(own: &[CertificateDer<'static>]) -> Result<ClientConfig, Fault> {
    let mut store = RootCertStore::empty();
    store.add_parsable_certificates(rustls_native_certs::load_native_certs().certs);
    store.add_parsable_certificates(own.iter().cloned());
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    Ok(ClientConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .map_err(|e| Fault::Setup { why: e.to_string() })?
        .with_root_certificates(store)
        .with_no_client_auth())
}

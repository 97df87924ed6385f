//! TLS of a load: one cipher, so that two servers do the same work.

use super::LoadError;
use rustls::crypto::ring::{self, cipher_suite::TLS13_AES_128_GCM_SHA256};
use rustls::pki_types::{CertificateDer, pem::PemObject};
use rustls::{ClientConfig, RootCertStore};
use std::path::Path;
use std::sync::Arc;

/// The cipher that is offered, and no other.
///
/// # Source
/// RFC 8446 section 9.1: the one that every implementation of TLS 1.3 must have.
pub const CIPHER: &str = "TLS_AES_128_GCM_SHA256";

/// How a server is trusted.
#[derive(Clone, Debug)]
pub enum Trust {
    /// Plain HTTP.
    Plain,
    /// TLS 1.3 with a root.
    Root(Arc<ClientConfig>),
}

impl Trust {
    /// TLS with the root certificate in this file, PEM.
    ///
    /// # Errors
    /// [`LoadError::Tls`].
    pub fn root(ca: &Path) -> Result<Self, LoadError> {
        let fault = |e: &dyn std::fmt::Display| LoadError::Tls { why: format!("{}: {e}", ca.display()) };
        let der = CertificateDer::from_pem_file(ca).map_err(|e| fault(&e))?;
        let mut roots = RootCertStore::empty();
        roots.add(der).map_err(|e| fault(&e))?;
        let mut provider = ring::default_provider();
        provider.cipher_suites = vec![TLS13_AES_128_GCM_SHA256];
        let config = ClientConfig::builder_with_provider(Arc::new(provider))
            .with_protocol_versions(&[&rustls::version::TLS13])
            .map_err(|e| fault(&e))?
            .with_root_certificates(roots)
            .with_no_client_auth();
        Ok(Self::Root(Arc::new(config)))
    }
}

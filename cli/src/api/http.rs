//! Requests over HTTP and TLS.

use super::{ApiError, Request, Response, Transport};
use reqwest::blocking;
use rustls::pki_types::CertificateDer;
use rustls::pki_types::pem::PemObject;
use std::io::Read;
use std::sync::Arc;
use std::time::Duration;
use zeroize::Zeroizing;

/// Time to connect.
const CONNECT: Duration = Duration::from_secs(10);
/// Time for a whole request; an upload of a few MiB over a weak link takes its time.
const WHOLE: Duration = Duration::from_secs(120);
/// Most bytes of an answer.
const MOST: u64 = 16 << 20;

/// Whom to trust.
#[derive(Clone, Copy, Debug)]
pub enum Trust<'a> {
    /// Plain HTTP: envelopes and check-ins are protected by themselves, the token is not.
    Plain,
    /// Only certificates of this authority, in PEM.
    Authority(&'a [u8]),
}

/// HTTP to one server.
pub struct Http {
    client: blocking::Client,
    address: String,
    token: Zeroizing<String>,
}

impl Http {
    /// For the server at `address`, such as `https://192.0.2.7:8443`.
    ///
    /// # Errors
    /// [`ApiError::Setting`] if the address or the certificate cannot be used, or if they do not
    /// fit each other.
    pub fn new(address: &str, trust: Trust<'_>, token: Zeroizing<String>) -> Result<Self, ApiError> {
        let setting = |what: String| ApiError::Setting { what };
        let address = address.trim_end_matches('/');
        match (address.split_once("://"), trust) {
            (Some(("https", _)), Trust::Authority(_)) | (Some(("http", _)), Trust::Plain) => {}
            (Some(("https", _)), Trust::Plain) => {
                return Err(setting(format!("{address} needs the certificate of the server's authority")));
            }
            (Some(("http", _)), Trust::Authority(_)) => {
                return Err(setting(format!("{address} is plain HTTP and shows no certificate")));
            }
            _ => return Err(setting(format!("`{address}` is no address such as https://192.0.2.7:8443"))),
        }
        let client = blocking::Client::builder()
            .tls_backend_preconfigured(tls(trust)?)
            .connect_timeout(CONNECT)
            .timeout(WHOLE)
            // Another server has no business with the token.
            .redirect(reqwest::redirect::Policy::none())
            .no_proxy()
            .build()
            .map_err(|e| setting(format!("the connection cannot be set up: {e}")))?;
        Ok(Self { client, address: address.to_owned(), token })
    }
}

impl Transport for Http {
    fn send(&self, request: &Request) -> Result<Response, ApiError> {
        let url = format!("{}{}", self.address, request.path);
        let method = reqwest::Method::from_bytes(request.method.as_bytes())
            .map_err(|_| ApiError::Setting { what: format!("`{}` is no method", request.method) })?;
        let mut builder = self.client.request(method, url).bearer_auth(self.token.as_str());
        if let Some(content_type) = request.content_type {
            builder = builder.header("content-type", content_type).body(request.body.clone());
        }
        let answer = builder.send().map_err(|e| self.failed(&e))?;
        let status = answer.status().as_u16();
        let mut body = Vec::new();
        answer
            .take(MOST + 1)
            .read_to_end(&mut body)
            .map_err(|e| ApiError::Down { address: self.address.clone(), cause: e.to_string() })?;
        if body.len() as u64 > MOST {
            return Err(ApiError::Unreadable {
                address: self.address.clone(),
                what: format!(
                    "its answer to {} {} has more than {} MiB",
                    request.method,
                    request.path,
                    MOST >> 20
                ),
            });
        }
        Ok(Response { status, body })
    }

    fn address(&self) -> &str {
        &self.address
    }
}

impl Http {
    fn failed(&self, error: &reqwest::Error) -> ApiError {
        let address = self.address.clone();
        match certificate_fault(error) {
            Some(cause) => ApiError::Certificate { address, cause },
            None => ApiError::Down { address, cause: innermost(error) },
        }
    }
}

/// A configuration that trusts the pinned authority and nothing else.
fn tls(trust: Trust<'_>) -> Result<rustls::ClientConfig, ApiError> {
    let setting = |what: String| ApiError::Setting { what };
    let mut roots = rustls::RootCertStore::empty();
    if let Trust::Authority(pem) = trust {
        for certificate in CertificateDer::pem_slice_iter(pem) {
            let certificate =
                certificate.map_err(|e| setting(format!("the CA file is no PEM certificate: {e}")))?;
            roots.add(certificate).map_err(|e| setting(format!("the CA file cannot be used: {e}")))?;
        }
        if roots.is_empty() {
            return Err(setting("the CA file holds no certificate".to_owned()));
        }
    }
    let provider = Arc::new(rustls::crypto::ring::default_provider());
    Ok(rustls::ClientConfig::builder_with_provider(provider)
        .with_safe_default_protocol_versions()
        .map_err(|e| setting(format!("TLS cannot be set up: {e}")))?
        .with_root_certificates(roots)
        .with_no_client_auth())
}

/// What is wrong with the certificate, if that is why it failed.
fn certificate_fault(error: &(dyn std::error::Error + 'static)) -> Option<String> {
    if let Some(rustls::Error::InvalidCertificate(fault)) = error.downcast_ref() {
        return Some(fault.to_string());
    }
    // An I/O error gives the source of what it wraps, not the wrapped error itself.
    let wrapped = error.downcast_ref::<std::io::Error>().and_then(std::io::Error::get_ref);
    let wrapped = wrapped.and_then(|e| certificate_fault(e));
    wrapped.or_else(|| error.source().and_then(certificate_fault))
}

/// The deepest cause, which says the most.
fn innermost(error: &reqwest::Error) -> String {
    let mut deepest: &dyn std::error::Error = error;
    while let Some(next) = deepest.source() {
        deepest = next;
    }
    if error.is_timeout() { "it took too long".to_owned() } else { deepest.to_string() }
}

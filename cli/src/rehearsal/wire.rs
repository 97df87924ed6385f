//! How virtual nodes reach the server: over real sockets, trusting only the certificate on their
//! starter card.

use super::record::{Exchange, Record};
use pintle_protocol::sim::OwnedRequest;
use reqwest::blocking::Client;
use reqwest::header::RANGE;
use rustls::pki_types::CertificateDer;
use std::io::Read;
use std::sync::Arc;
use std::time::Duration;

/// Most bytes that a node takes in one answer.
const MOST: u64 = 8192;

/// A node's way to the server.
pub(super) struct Wire {
    client: Client,
    record: Option<Record>,
}

impl Wire {
    /// For the root certificate (DER) on a starter card. What goes over the wire is put on `record`.
    pub(super) fn new(ca: &[u8], record: Option<Record>) -> Result<Self, String> {
        let mut roots = rustls::RootCertStore::empty();
        roots.add(CertificateDer::from(ca.to_vec())).map_err(|e| e.to_string())?;
        let provider = Arc::new(rustls::crypto::ring::default_provider());
        let tls = rustls::ClientConfig::builder_with_provider(provider)
            .with_safe_default_protocol_versions()
            .map_err(|e| e.to_string())?
            .with_root_certificates(roots)
            .with_no_client_auth();
        let client = Client::builder()
            .tls_backend_preconfigured(tls)
            .timeout(Duration::from_secs(20))
            .redirect(reqwest::redirect::Policy::none())
            .no_proxy()
            .build()
            .map_err(|e| e.to_string())?;
        Ok(Self { client, record })
    }

    /// Sends one request; status and body, or `None` if no answer came.
    pub(super) fn send(&self, base: &str, asked: &OwnedRequest) -> Option<(u16, Vec<u8>)> {
        let request = match asked {
            OwnedRequest::Claim(body) => self.client.post(format!("{base}/node/claim")).body(body.clone()),
            OwnedRequest::CheckIn(body) => {
                self.client.post(format!("{base}/node/check-in")).body(body.clone())
            }
            OwnedRequest::Envelope(digest) => self.client.get(format!("{base}/node/envelope/{digest}")),
            OwnedRequest::Payload { digest, offset, len } => self
                .client
                .get(format!("{base}/node/payload/{digest}"))
                .header(RANGE, format!("bytes={offset}-{}", u64::from(*offset) + u64::from(*len) - 1)),
        };
        let answer = request.header("content-type", "application/cbor").send().ok()?;
        let status = answer.status().as_u16();
        let mut body = Vec::new();
        answer.take(MOST).read_to_end(&mut body).ok()?;
        if let Some(record) = &self.record {
            record.put(Exchange { request: asked.clone(), status, body: body.clone() });
        }
        Some((status, body))
    }
}

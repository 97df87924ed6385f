//! Posting notices to a webhook.

use super::condition::Written;
use super::message::Posted;
use super::sending::{Fault, secret};
use super::{Webhook, tls};
use reqwest::Url;
use reqwest::blocking::Client;
use rustls::pki_types::CertificateDer;
use std::time::Duration;
use zeroize::Zeroizing;

/// Time to connect, and for the whole request: a stop waits for it.
const CONNECT: Duration = Duration::from_secs(5);
const WHOLE: Duration = Duration::from_secs(10);

/// A webhook that can be posted to.
pub(super) struct Hook {
    client: Client,
    url: Url,
    token: Option<Zeroizing<String>>,
}

impl Hook {
    pub(super) fn new(webhook: &Webhook, roots: &[CertificateDer<'static>]) -> Result<Self, Fault> {
        let client = Client::builder()
            .tls_backend_preconfigured(tls::client(roots)?)
            .connect_timeout(CONNECT)
            .timeout(WHOLE)
            // Another address has no business with the token.
            .redirect(reqwest::redirect::Policy::none())
            .no_proxy()
            .build()
            .map_err(|e| Fault::Setup { why: e.to_string() })?;
        let token = webhook.token.as_deref().map(secret).transpose()?;
        Ok(Self { client, url: webhook.url.clone(), token })
    }

    /// Posts them; taken if the answer's status is 2xx. Its body is not read.
    pub(super) fn post(&self, server: &str, notices: &[Written]) -> Result<(), Fault> {
        let mut request = self.client.post(self.url.clone()).json(&Posted::new(server, notices));
        if let Some(token) = &self.token {
            request = request.bearer_auth(token.as_str());
        }
        let refused = |why| Fault::NotSent { to: "the webhook", why };
        let answer = request.send().map_err(|e| refused(innermost(&e)))?;
        match answer.status() {
            status if status.is_success() => Ok(()),
            status => Err(refused(format!("it answered {status}"))),
        }
    }
}

/// The deepest cause, which says the most, and holds no address with what may be secret in it.
fn innermost(error: &reqwest::Error) -> String {
    let mut deepest: &dyn std::error::Error = error;
    while let Some(next) = deepest.source() {
        deepest = next;
    }
    match deepest.downcast_ref::<reqwest::Error>() {
        _ if error.is_timeout() => "it took too long".to_owned(),
        Some(_) => "the request could not be sent".to_owned(),
        None => deepest.to_string(),
    }
}

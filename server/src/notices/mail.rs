//! Sending notices by mail.

use super::condition::Written;
use super::message;
use super::sending::{Fault, secret};
use super::{Mail, Security};
use lettre::message::header::ContentType;
use lettre::transport::smtp::authentication::Credentials;
use lettre::transport::smtp::client::{Certificate, Tls, TlsParameters};
use lettre::{Message, SmtpTransport, Transport};
use rustls::pki_types::CertificateDer;
use std::time::Duration;

/// Time for each answer of the mail server: a stop waits for it.
const PATIENCE: Duration = Duration::from_secs(10);

/// A mail server that can be written to.
pub(super) struct Post {
    transport: SmtpTransport,
    mail: Mail,
}

impl Post {
    pub(super) fn new(mail: &Mail, roots: &[CertificateDer<'static>]) -> Result<Self, Fault> {
        let setup = |e: lettre::transport::smtp::Error| Fault::Setup { why: e.to_string() };
        let parameters = || {
            let mut builder = TlsParameters::builder(mail.host.clone());
            for root in roots {
                builder = builder.add_root_certificate(Certificate::from_der(root.to_vec()).map_err(setup)?);
            }
            builder.build_rustls().map_err(setup)
        };
        let tls = match mail.security {
            Security::Tls => Tls::Wrapper(parameters()?),
            Security::StartTls => Tls::Required(parameters()?),
            Security::Plain => Tls::None,
        };
        let mut builder =
            SmtpTransport::builder_dangerous(&mail.host).port(mail.port).tls(tls).timeout(Some(PATIENCE));
        if let Some((user, path)) = &mail.user {
            builder = builder.credentials(Credentials::new(user.clone(), secret(path)?.to_string()));
        }
        Ok(Self { transport: builder.build(), mail: mail.clone() })
    }

    /// Sends them in one mail to everybody; taken once the mail server says so.
    pub(super) fn send(&self, server: &str, notices: &[Written]) -> Result<(), Fault> {
        let (subject, text) = message::mail(server, notices);
        let refused = |why| Fault::NotSent { to: "the mail server", why };
        let mut builder = Message::builder().from(self.mail.from.clone()).subject(subject);
        for to in &self.mail.to {
            builder = builder.to(to.clone());
        }
        let mail = builder.header(ContentType::TEXT_PLAIN).body(text).map_err(|e| refused(e.to_string()))?;
        self.transport.send(&mail).map(drop).map_err(|e| refused(e.to_string()))
    }
}

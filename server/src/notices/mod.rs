//! Notices: telling people, by a webhook or by mail, of what needs them.
//!
//! What lasts is told once: a rollout that is held, turned back or waits for approval, a node that has fallen
//! silent, a certificate that could not be made anew. A node that is heard again is told too. Each notice is
//! stored before it is sent, and is sent until it was taken: at least once, at times twice, each with a number by
//! which that shows.
//!
//! A thread of its own does it, with connections of its own: a mail server that hangs keeps nobody waiting.
//! Without a way to tell there is neither thread nor notice.
//!
//! A notice is no alarm. It comes late or never when the network is down, which is when doors stand open.

mod condition;
mod facts;
mod mail;
mod message;
mod patience;
mod sending;
#[cfg(test)]
mod tests;
mod tls;
mod webhook;

pub use condition::{Changes, Condition, Kind, Lasting, Written};
pub use sending::{Fault, Tried, try_all};
pub(crate) use sending::{Sending, Ways};

use std::path::PathBuf;

pub use lettre::message::Mailbox;
pub use reqwest::Url;

/// The ways by which people are told; none of them is usual.
#[derive(Clone, Debug, Default)]
pub struct Notices {
    /// Posts JSON to an address.
    pub webhook: Option<Webhook>,
    /// Sends mail.
    pub mail: Option<Mail>,
    /// PEM file with certificates of authorities to trust besides those of the system.
    pub roots: Option<PathBuf>,
}

/// A webhook.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Webhook {
    /// Where notices are posted; `http` or `https`.
    pub url: Url,
    /// File with what is sent as bearer token (RFC 6750).
    pub token: Option<PathBuf>,
}

/// A mail server, and whom to write.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Mail {
    /// Name or IP address.
    pub host: String,
    /// Port.
    pub port: u16,
    /// How the connection is protected.
    pub security: Security,
    /// Who writes.
    pub from: Mailbox,
    /// Who is written to; at least one.
    pub to: Vec<Mailbox>,
    /// Name to sign in with, and the file with its password.
    pub user: Option<(String, PathBuf)>,
}

/// How the connection to a mail server is protected.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Security {
    /// TLS from the start (RFC 8314).
    Tls,
    /// TLS after STARTTLS, and nothing without it (RFC 3207).
    StartTls,
    /// None: on loopback only.
    Plain,
}

impl Notices {
    /// Whether there is any way.
    pub const fn any(&self) -> bool {
        self.webhook.is_some() || self.mail.is_some()
    }
}

impl Kind {
    /// Every kind with the word for it in the store and in messages.
    pub const WORDS: &[(Self, &str)] = &[
        (Self::RolloutHeld, "rollout_held"),
        (Self::RolloutTurnedBack, "rollout_turned_back"),
        (Self::ApprovalWanted, "approval_wanted"),
        (Self::NodeSilent, "node_silent"),
        (Self::NodeHeard, "node_heard"),
        (Self::CertificateEnds, "certificate_ends"),
        (Self::KeyAges, "key_ages"),
        (Self::Test, "test"),
    ];

    /// The word for it.
    pub fn word(self) -> &'static str {
        Self::WORDS.iter().find(|(kind, _)| *kind == self).map_or("", |(_, word)| word)
    }
}

//! Talking to the server: the operator's API, as functions that return its types.
//!
//! [`Client`] knows the routes; how a request travels is a [`Transport`]: [`http::Http`] for
//! real, the server itself in a rehearsal. The certificate's authority is pinned, and so is the
//! server's own key: another server is noticed whatever its address.

mod error;
pub mod http;
#[cfg(test)]
mod tests;

pub use error::ApiError;
pub use http::Trust;

use pintle_protocol::checkin::PROTOCOL;
use pintle_protocol::id::{Digest, NodeId, PublicKey};
use pintle_protocol::suit::peek;
use pintle_server::contract::{
    About, Admit, Approve, CheckInView, ClaimView, EnvelopeStored, ErrorBody, ExpectNode, JournalCheck,
    JournalHead, JournalPage, MOST_LISTED, MOST_ROLLOUTS, NewRollout, NodeView, Note, PayloadStored, Retire,
    RolloutView, SignInLink, SuitReportView, routes,
};
use serde::Serialize;
use serde::de::DeserializeOwned;

/// One request.
#[derive(Clone, Debug)]
pub struct Request {
    /// HTTP method.
    pub method: &'static str,
    /// Path and query.
    pub path: String,
    /// Type of the body; `None` without a body.
    pub content_type: Option<&'static str>,
    /// The body.
    pub body: Vec<u8>,
}

/// One answer.
#[derive(Clone, Debug)]
pub struct Response {
    /// HTTP status.
    pub status: u16,
    /// The body.
    pub body: Vec<u8>,
}

/// How a request travels.
pub trait Transport {
    /// Sends a request and waits for the answer.
    ///
    /// # Errors
    /// [`ApiError`] if no answer comes.
    fn send(&self, request: &Request) -> Result<Response, ApiError>;
    /// The server's base address, for error texts and links.
    fn address(&self) -> &str;
}

/// The server, as the operator's command sees it.
pub struct Client {
    transport: Box<dyn Transport>,
}

impl std::fmt::Debug for Client {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "Client({})", self.transport.address())
    }
}

impl Client {
    /// Over any transport, without asking who answers. For rehearsals, and before a server is
    /// joined.
    pub fn over(transport: impl Transport + 'static) -> Self {
        Self { transport: Box::new(transport) }
    }

    /// Over any transport, once the server has said that it speaks our version and has the key
    /// that was pinned.
    ///
    /// # Errors
    /// [`ApiError`] if it does not answer, is something else, speaks another version or has another
    /// key.
    pub fn expecting(transport: impl Transport + 'static, key: PublicKey) -> Result<Self, ApiError> {
        Self::expecting_either(transport, key, None)
    }

    /// [`Self::expecting`], while the server's key changes: `next` is good too.
    ///
    /// # Errors
    /// As there.
    pub fn expecting_either(
        transport: impl Transport + 'static,
        key: PublicKey,
        next: Option<PublicKey>,
    ) -> Result<Self, ApiError> {
        let client = Self::over(transport);
        let about = client.about()?;
        if about.server_key != key && Some(about.server_key) != next {
            let (address, theirs) = (client.address().to_owned(), about.server_key);
            return Err(ApiError::OtherKey { address, ours: key, theirs });
        }
        Ok(client)
    }

    /// The server's base address.
    pub fn address(&self) -> &str {
        self.transport.address()
    }

    /// Who answers. Refuses what is no server of ours and another version.
    ///
    /// # Errors
    /// [`ApiError`].
    pub fn about(&self) -> Result<About, ApiError> {
        let about: About = self.get(routes::ABOUT.to_owned())?;
        let address = || self.address().to_owned();
        if about.name != "pintle-server" {
            return Err(ApiError::NotOurs { address: address() });
        }
        if about.protocol != PROTOCOL {
            let (theirs, version) = (about.protocol, about.version);
            return Err(ApiError::OtherVersion { address: address(), ours: PROTOCOL, theirs, version });
        }
        Ok(about)
    }

    /// All nodes, by name.
    ///
    /// # Errors
    /// [`ApiError`].
    pub fn nodes(&self) -> Result<Vec<NodeView>, ApiError> {
        let mut all: Vec<NodeView> = Vec::new();
        loop {
            let after = all.last().map(|node| node.id);
            let page: Vec<NodeView> = self.get(routes::nodes_path(after.as_ref()))?;
            let whole = page.len() < MOST_LISTED as usize;
            for node in page {
                // Whoever gives the same once more would keep us for ever.
                if all.last().is_some_and(|last| node.id <= last.id) {
                    return Err(self.disordered("nodes"));
                }
                all.push(node);
            }
            if whole {
                all.sort_by(|a, b| (&a.name, a.id).cmp(&(&b.name, b.id)));
                return Ok(all);
            }
        }
    }

    /// One node.
    ///
    /// # Errors
    /// [`ApiError`].
    pub fn node(&self, id: &NodeId) -> Result<NodeView, ApiError> {
        self.get(routes::node_path(id))
    }

    /// A node's last check-in as the node signed it, not verified; `None` if there is none.
    ///
    /// # Errors
    /// [`ApiError`].
    pub fn check_in(&self, id: &NodeId) -> Result<Option<Vec<u8>>, ApiError> {
        let view: Option<CheckInView> = self.get_unless("no_check_in", routes::check_in_path(id))?;
        view.map(|view| self.unhexed("check-in", &view.message)).transpose()
    }

    /// A node's last SUIT_Report, and when it came; `None` if it has sent none.
    ///
    /// # Errors
    /// [`ApiError`].
    pub fn suit_report(&self, id: &NodeId) -> Result<Option<(i64, Vec<u8>)>, ApiError> {
        let view: Option<SuitReportView> = self.get_unless("no_suit_report", routes::suit_report_path(id))?;
        view.map(|view| Ok((view.at, self.unhexed("SUIT_Report", &view.report)?))).transpose()
    }

    /// An envelope as nodes read it; `None` if it is not there. What comes has this manifest digest; by
    /// whom it is signed is not looked at.
    ///
    /// # Errors
    /// [`ApiError`].
    pub fn envelope(&self, digest: &Digest) -> Result<Option<Vec<u8>>, ApiError> {
        let path = routes::node_envelope_path(digest);
        let request = Request { method: "GET", path, content_type: None, body: Vec::new() };
        let answer = self.transport.send(&request)?;
        match answer.status {
            200 if peek(&answer.body).is_ok_and(|seen| seen.digest == *digest) => Ok(Some(answer.body)),
            200 => Err(ApiError::Unreadable {
                address: self.address().to_owned(),
                what: format!("asked for envelope {digest}, it answered with another or a damaged one"),
            }),
            404 => Ok(None),
            status => Err(ApiError::Unreadable {
                address: self.address().to_owned(),
                what: format!("it answered with status {status} when asked for envelope {digest}"),
            }),
        }
    }

    /// Announces a node.
    ///
    /// # Errors
    /// [`ApiError`].
    pub fn expect_node(&self, id: &NodeId, expect: &ExpectNode) -> Result<NodeView, ApiError> {
        self.with_json("PUT", routes::node_path(id), expect)
    }

    /// The claims that wait.
    ///
    /// # Errors
    /// [`ApiError`].
    pub fn claims(&self) -> Result<Vec<ClaimView>, ApiError> {
        self.get(routes::CLAIMS.to_owned())
    }

    /// Accepts a node's own keys. The proof in the claim has been checked before.
    ///
    /// # Errors
    /// [`ApiError`].
    pub fn admit(&self, id: &NodeId, keys: &Admit) -> Result<NodeView, ApiError> {
        self.with_json("POST", routes::admit_path(id), keys)
    }

    /// Takes a node out of service.
    ///
    /// # Errors
    /// [`ApiError`].
    pub fn retire(&self, id: &NodeId, note: Option<String>) -> Result<NodeView, ApiError> {
        self.with_json("POST", routes::retire_path(id), &Retire { note })
    }

    /// Uploads a payload under its digest.
    ///
    /// # Errors
    /// [`ApiError`].
    pub fn put_payload(&self, bytes: Vec<u8>) -> Result<PayloadStored, ApiError> {
        self.put(routes::payload_path(&Digest::of(&bytes)), bytes)
    }

    /// Uploads an envelope under its manifest digest.
    ///
    /// # Errors
    /// [`ApiError`].
    pub fn put_envelope(&self, digest: &Digest, bytes: Vec<u8>) -> Result<EnvelopeStored, ApiError> {
        self.put(routes::envelope_path(digest), bytes)
    }

    /// Plans a rollout; it is ready, and offers nothing until it is started.
    ///
    /// # Errors
    /// [`ApiError`].
    pub fn new_rollout(&self, new: &NewRollout) -> Result<RolloutView, ApiError> {
        self.with_json("POST", routes::ROLLOUTS.to_owned(), new)
    }

    /// All rollouts, newest first.
    ///
    /// # Errors
    /// [`ApiError`].
    pub fn rollouts(&self) -> Result<Vec<RolloutView>, ApiError> {
        let mut all: Vec<RolloutView> = Vec::new();
        loop {
            let before = all.last().map(|rollout| rollout.id);
            let page: Vec<RolloutView> = self.get(routes::rollouts_path(before, MOST_ROLLOUTS))?;
            if page.is_empty() {
                return Ok(all);
            }
            for rollout in page {
                if all.last().is_some_and(|last| rollout.id >= last.id) {
                    return Err(self.disordered("rollouts"));
                }
                all.push(rollout);
            }
        }
    }

    /// The newest rollout, if there is any.
    ///
    /// # Errors
    /// [`ApiError`].
    pub fn newest_rollout(&self) -> Result<Option<RolloutView>, ApiError> {
        let page: Vec<RolloutView> = self.get(routes::rollouts_path(None, 1))?;
        Ok(page.into_iter().next())
    }

    fn disordered(&self, what: &str) -> ApiError {
        ApiError::Unreadable {
            address: self.address().to_owned(),
            what: format!("its list of {what} is not in order"),
        }
    }

    /// One rollout.
    ///
    /// # Errors
    /// [`ApiError`].
    pub fn rollout(&self, id: i64) -> Result<RolloutView, ApiError> {
        self.get(routes::rollout_path(id))
    }

    /// Does something to a rollout.
    ///
    /// # Errors
    /// [`ApiError`].
    pub fn act(&self, id: i64, action: Action, note: Option<String>) -> Result<RolloutView, ApiError> {
        self.with_json("POST", routes::rollout_action_path(id, action.word()), &Note { note })
    }

    /// Lets the wave open that waits for approval; `wave`: the one that is meant, counted from 1.
    ///
    /// # Errors
    /// [`ApiError`].
    pub fn approve(&self, id: i64, wave: Option<u32>, note: Option<String>) -> Result<RolloutView, ApiError> {
        self.with_json("POST", routes::rollout_action_path(id, "approve"), &Approve { note, wave })
    }

    /// Has the server check the chain of hashes of its journal.
    ///
    /// # Errors
    /// [`ApiError`].
    pub fn check_journal(&self) -> Result<JournalCheck, ApiError> {
        self.get(routes::JOURNAL_CHECK.to_owned())
    }

    /// The newest entry of its journal, signed; the signature is for the caller to verify.
    ///
    /// # Errors
    /// [`ApiError`].
    pub fn journal_head(&self) -> Result<JournalHead, ApiError> {
        self.get(routes::JOURNAL_HEAD.to_owned())
    }

    /// At most `limit` (1 to 500) entries of its journal behind number `after`.
    ///
    /// # Errors
    /// [`ApiError`].
    pub fn journal(&self, after: i64, limit: u32) -> Result<JournalPage, ApiError> {
        self.get(routes::journal_path(after, limit))
    }

    /// Makes a link that signs a browser in, once.
    ///
    /// # Errors
    /// [`ApiError`].
    pub fn sign_in_link(&self) -> Result<SignInLink, ApiError> {
        let (path, content_type) = (routes::SIGN_IN_LINKS.to_owned(), None);
        let link: SignInLink = self.ask(&Request { method: "POST", path, content_type, body: Vec::new() })?;
        // It is put behind the server's address: it must not lead to another one.
        let secret = link.path.strip_prefix("/sign-in/").unwrap_or_default();
        if secret.is_empty() || !secret.bytes().all(|b| b.is_ascii_alphanumeric() || b"-_".contains(&b)) {
            return Err(ApiError::Unreadable {
                address: self.address().to_owned(),
                what: "its sign-in link is no path on it such as `/sign-in/0123abcd`".to_owned(),
            });
        }
        Ok(link)
    }

    /// What is there, unless the server refuses with this code because it is not.
    fn get_unless<T: DeserializeOwned>(&self, absent: &str, path: String) -> Result<Option<T>, ApiError> {
        match self.get(path) {
            Err(ApiError::Refused { code, .. }) if code == absent => Ok(None),
            other => other.map(Some),
        }
    }

    fn unhexed(&self, what: &str, text: &str) -> Result<Vec<u8>, ApiError> {
        hex::decode(text).map_err(|e| ApiError::Unreadable {
            address: self.address().to_owned(),
            what: format!("its {what} is no hexadecimal text: {e}"),
        })
    }

    fn get<T: DeserializeOwned>(&self, path: String) -> Result<T, ApiError> {
        self.ask(&Request { method: "GET", path, content_type: None, body: Vec::new() })
    }

    fn put<T: DeserializeOwned>(&self, path: String, body: Vec<u8>) -> Result<T, ApiError> {
        let content_type = Some("application/octet-stream");
        self.ask(&Request { method: "PUT", path, content_type, body })
    }

    fn with_json<T: DeserializeOwned>(
        &self,
        method: &'static str,
        path: String,
        body: &impl Serialize,
    ) -> Result<T, ApiError> {
        let body = serde_json::to_vec(body).map_err(|e| ApiError::Unreadable {
            address: self.address().to_owned(),
            what: format!("the request cannot be written as JSON: {e}"),
        })?;
        self.ask(&Request { method, path, content_type: Some("application/json"), body })
    }

    fn ask<T: DeserializeOwned>(&self, request: &Request) -> Result<T, ApiError> {
        let answer = self.transport.send(request)?;
        let address = || self.address().to_owned();
        if !(200..300).contains(&answer.status) {
            return Err(match serde_json::from_slice::<ErrorBody>(&answer.body) {
                Ok(ErrorBody { error }) if answer.status == 401 => {
                    ApiError::Token { address: address(), message: error.message }
                }
                Ok(ErrorBody { error }) => ApiError::Refused {
                    address: address(),
                    status: answer.status,
                    code: error.code,
                    message: error.message,
                    hint: error.hint,
                },
                Err(_) if answer.status == 404 => ApiError::NotOurs { address: address() },
                Err(_) => ApiError::Unreadable {
                    address: address(),
                    what: format!("it answered with status {} and no reason", answer.status),
                },
            });
        }
        serde_json::from_slice(&answer.body).map_err(|e| match request.path.as_str() {
            routes::ABOUT => ApiError::NotOurs { address: address() },
            path => ApiError::Unreadable {
                address: address(),
                what: format!("its answer to {} {path} is not understood: {e}", request.method),
            },
        })
    }
}

/// What can be done to a rollout.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Action {
    /// Start one that is ready.
    Start,
    /// Stop offering.
    Hold,
    /// Go on.
    Resume,
    /// Return the nodes that kept to what they ran before.
    TurnBack,
    /// End it early; nodes stay as they are.
    End,
}

impl Action {
    /// The word in the path.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Start => "start",
            Self::Hold => "hold",
            Self::Resume => "resume",
            Self::TurnBack => "turn-back",
            Self::End => "end",
        }
    }
}

//! What virtual nodes and a pretend server say to each other, held against `docs/pintle.cddl`.

#[path = "../tests/schema/mod.rs"]
pub mod schema;

use pintle_protocol::sim::OwnedRequest;

/// Holds a claim or check-in that the pretend server takes, and its reply. Envelopes it has as tests made them.
pub fn heard(request: &OwnedRequest, status: u16, body: &[u8]) {
    let (path, asked) = match request {
        OwnedRequest::Claim(asked) => ("/node/claim", asked),
        OwnedRequest::CheckIn(asked) => ("/node/check-in", asked),
        OwnedRequest::Envelope(_) | OwnedRequest::Payload { .. } => return,
    };
    if (200..300).contains(&status) {
        schema::exchange_holds(path, Some(asked), status, body);
    }
}

//! Everything that a virtual board in this crate's tests sends, is answered and keeps, held against `docs/pintle.cddl`.

use super::board::{OwnedRequest, VirtualBoard};
use crate::agent::{Agent, Node};
use crate::board::Board;
use crate::schema::{exchange_holds, holds_each_shape, kept};

/// What a board sends, whoever hears it.
pub(super) fn sent(request: &OwnedRequest) {
    match request {
        OwnedRequest::Claim(body) => holds_each_shape("claim-message", body),
        OwnedRequest::CheckIn(body) => holds_each_shape("check-in-message", body),
        OwnedRequest::Envelope(_) | OwnedRequest::Payload { .. } => {}
    }
}

/// What the pretend server answers to a check-in that it takes. Envelopes it has as tests made them, wrong ones too.
pub(super) fn answered(request: &OwnedRequest, status: u16, body: &[u8]) {
    if let (OwnedRequest::CheckIn(asked), 200) = (request, status) {
        exchange_holds("/node/check-in", Some(asked), status, body);
    }
}

/// The card with which a board comes from the bench.
pub(super) fn card(bytes: &[u8]) {
    holds_each_shape("starter-card", bytes);
}

/// What a node has just saved.
pub(super) fn saved(agent: &Agent) {
    kept(agent);
}

/// The image that runs is the one that the record names, unless a restart is due or power has just gone.
pub(super) fn runs_what_it_should(node: &Node<VirtualBoard>, dark: bool) {
    let named = node.agent().record().net.active;
    let due = node.board.wants_restart() || dark;
    assert!(due || node.board.running() == Some(named), "it goes on with an image that it gave up");
}

/// The hook itself can fail: a record that the contract does not know is found out.
#[test]
#[should_panic(expected = "not a boot-record")]
fn what_breaks_the_contract_is_found() {
    use crate::checkin::Outcome;
    use crate::slots::BootRecord;
    let outcome = Outcome {
        envelope: crate::id::Digest([0; 32]),
        ending: crate::checkin::Ending::Refused,
        reason: 999,
        detail: 0,
    };
    crate::schema::written("boot-record", &BootRecord { outcome: Some(outcome), ..BootRecord::default() });
}

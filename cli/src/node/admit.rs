//! Admitting a node: its claim is checked here, by the yard, and not by the server.
//!
//! The server relays the claim and could have made one up. But it knows only the digest of the
//! claim code, and the HMAC in the claim takes the code itself.

use super::{NodeError, write_keys};
use crate::api::Client;
use crate::yard::{NodeKeys, NodePlan, Unlocked, Yard};
use pintle_protocol::cbor::decode_message;
use pintle_protocol::checkin::{Claim, ClaimCode, PROTOCOL, claim_is_genuine};
use pintle_protocol::cose::{AAD_CLAIM, sign1};
use pintle_server::contract::{Admit, ClaimView};

/// Checks a claim as received: signed by the key that it brings, made with the code on the
/// node's card, for this node and its class of board.
///
/// # Errors
/// [`NodeError`], the first thing wrong.
pub fn check(plan: &NodePlan, code: &ClaimCode, body: &[u8]) -> Result<NodeKeys, NodeError> {
    let node = || plan.name.clone();
    let damaged = |what: String| NodeError::Damaged { node: node(), what };
    let message = sign1::parse(body).map_err(|fault| damaged(fault.to_string()))?;
    let payload = message.unverified_payload().ok_or_else(|| damaged("it has no payload".to_owned()))?;
    let claim: Claim = decode_message(payload).map_err(|e| damaged(e.to_string()))?;
    if claim.protocol != PROTOCOL {
        return Err(damaged(format!("it speaks version {}, expected {PROTOCOL}", claim.protocol)));
    }
    message
        .verify(&claim.signing_key, AAD_CLAIM, None)
        .map_err(|fault| NodeError::Signature { node: node(), fault })?;
    if claim.node != plan.id || !claim_is_genuine(code, &claim) {
        return Err(NodeError::NotGenuine(node()));
    }
    let expected = plan.classes[0];
    if claim.class != expected {
        return Err(NodeError::OtherClass { node: node(), found: claim.class, expected });
    }
    Ok(NodeKeys { signing: claim.signing_key, sealing: claim.sealing_key })
}

/// Admits a node: fetches its claim, checks it, writes the keys into the node's file, tells the
/// server, and forgets the claim code. Broken off at any point, it can be run again.
///
/// # Errors
/// [`NodeError`].
pub fn admit(yard: &Yard, unlocked: &Unlocked, client: &Client, node: &str) -> Result<NodeKeys, NodeError> {
    let plan = yard.plan_for_card(node)?;
    let claims = client.claims()?;
    // Anybody can post a claim in a node's name: the one that was made with the code counts.
    let mut mine = claims.iter().filter(|c| c.node == plan.id).peekable();
    if mine.peek().is_none() {
        return Err(NodeError::NoClaim(node.to_owned()));
    }
    let code = unlocked.claim_code(node)?;
    let read = |claim: &ClaimView| {
        let body = hex::decode(&claim.body).map_err(|e| NodeError::Damaged {
            node: node.to_owned(),
            what: format!("it is no hexadecimal text: {e}"),
        })?;
        check(&plan, &code, &body)
    };
    let mut fault = None;
    let keys = mine.find_map(|claim| read(claim).map_err(|e| fault = Some(e)).ok());
    let Some(keys) = keys else {
        return Err(fault.unwrap_or_else(|| NodeError::NoClaim(node.to_owned())));
    };
    write_keys(yard, node, keys)?;
    client.admit(&plan.id, &Admit { signing_key: keys.signing, sealing_key: keys.sealing })?;
    unlocked.forget_claim_code(node)?;
    Ok(keys)
}

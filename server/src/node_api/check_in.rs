//! `POST /node/check-in`: the answer is a COSE_Sign1 over the node's nonce.

use super::error::{CBOR, NodeError};
use crate::app::App;
use crate::ops::check_in::{Answer, Refused, Verified};
use crate::store::{StoreFault, nodes};
use crate::{body, ops};
use actix_web::{HttpResponse, web};
use minicbor::Decoder;
use pintle_protocol::cbor::decode_message;
use pintle_protocol::checkin::{CheckIn, PROTOCOL, Reply};
use pintle_protocol::cose::{AAD_CHECK_IN, AAD_REPLY, sign1};
use pintle_protocol::id::{NodeId, Nonce, PublicKey};

pub(super) async fn take(app: web::Data<App>, payload: web::Payload) -> Result<HttpResponse, NodeError> {
    let taken = take_in(&app, payload).await;
    app.metrics.check_in(taken.as_ref().map(|(_, _, answer)| answer.offer.is_some()));
    let (node, nonce, answer) = taken?;
    reply(&app, node, nonce, answer)
}

async fn take_in(app: &App, payload: web::Payload) -> Result<(NodeId, Nonce, Answer), NodeError> {
    let bytes = body::whole(payload, app.limits.message_bytes, app.limits.body_seconds).await?;
    let message = sign1::parse(&bytes).map_err(|e| NodeError::BadMessage { why: e.to_string() })?;
    let inside = message.unverified_payload().unwrap_or_default();
    check_protocol(inside)?;
    let check_in: CheckIn =
        decode_message(inside).map_err(|e| NodeError::BadMessage { why: e.to_string() })?;
    let (node, nonce) = (check_in.node, check_in.nonce);
    let is_by = |key: &PublicKey| message.verify(key, AAD_CHECK_IN, None).is_ok();
    let signature = *message.signature();
    // The key that was right the last time most often is; where it is not, the database has the last word.
    if let Some(key) = app.keys.get(&node).filter(is_by) {
        match store(app, Verified { check_in: check_in.clone(), bytes: inside.to_vec(), signature, key })
            .await
        {
            Err(Refused::NotAdmitted) => app.keys.forget(&node),
            stored => return Ok((node, nonce, stored?)),
        }
    }
    let key = signing_key(app, node).await?;
    if !is_by(&key) {
        return Err(NodeError::BadSignature);
    }
    app.keys.remember(node, key);
    let answer = store(app, Verified { check_in, bytes: inside.to_vec(), signature, key }).await?;
    Ok((node, nonce, answer))
}

async fn store(app: &App, verified: Verified) -> Result<Answer, Refused> {
    let (intervals, now) = (app.intervals, app.now());
    app.db.write(move |conn| ops::check_in::take(conn, &verified, intervals, now)).await
}

/// A message of another protocol version may have other fields: its version is read first.
pub(super) fn check_protocol(inside: &[u8]) -> Result<(), NodeError> {
    let mut d = Decoder::new(inside);
    let is_map = d.map().is_ok();
    match (is_map, d.u8(), d.u8()) {
        (true, Ok(0), Ok(found)) if found != PROTOCOL => Err(NodeError::OtherProtocol { found }),
        _ => Ok(()),
    }
}

async fn signing_key(app: &App, node: NodeId) -> Result<PublicKey, NodeError> {
    app.db
        .read(move |conn| {
            let row = nodes::get(conn, &node)?.ok_or(NodeError::UnknownNode)?;
            if row.retired_at.is_some() {
                return Err(NodeError::Retired);
            }
            row.keys.map(|(signing, _)| signing).ok_or(NodeError::NotAdmitted)
        })
        .await
}

fn reply(app: &App, node: NodeId, nonce: Nonce, answer: Answer) -> Result<HttpResponse, NodeError> {
    let reply = Reply {
        protocol: PROTOCOL,
        nonce,
        node,
        time: u64::try_from(app.wall()).unwrap_or(0),
        next_seconds: answer.next_seconds,
        offer: answer.offer,
    };
    // A reply has at most 120 bytes, and its signature and frame 100 more.
    let mut signed = [0u8; 512];
    let plain = minicbor::to_vec(&reply).map_err(|e| odd("encoding a reply", &e))?;
    let len = sign1::sign_attached(app.online(), None, &plain, AAD_REPLY, &mut signed)
        .map_err(|e| odd("signing a reply", &e))?;
    Ok(HttpResponse::Ok().content_type(CBOR).body(signed[..len].to_vec()))
}

fn odd(what: &str, error: &dyn std::fmt::Display) -> StoreFault {
    StoreFault::Value { what: format!("{what}: {error}") }
}

//! `POST /node/claim`: 202 when the claim waits, 200 when its keys are admitted; no body.

use super::error::NodeError;
use crate::app::App;
use crate::{body, ops};
use actix_web::{HttpResponse, web};
use pintle_protocol::cbor::decode_message;
use pintle_protocol::checkin::{Claim, PROTOCOL};
use pintle_protocol::cose::{AAD_CLAIM, sign1};

pub(super) async fn take(app: web::Data<App>, payload: web::Payload) -> Result<HttpResponse, NodeError> {
    let taken = take_in(&app, payload).await;
    app.metrics.claim(taken.as_ref().map(|_| ()));
    match taken? {
        ops::claim::Taken::Waits => Ok(HttpResponse::Accepted().finish()),
        ops::claim::Taken::Admitted => Ok(HttpResponse::Ok().finish()),
    }
}

async fn take_in(app: &App, payload: web::Payload) -> Result<ops::claim::Taken, NodeError> {
    let bytes = body::whole(payload, app.limits.message_bytes, app.limits.body_seconds).await?;
    let claim = read(&bytes)?;
    let now = app.now();
    Ok(app.db.write(move |conn| ops::claim::take(conn, &claim, &bytes, now)).await?)
}

/// A claim signs itself: it shows that the sender has the private half of the key inside. Whose
/// key that is, the proof by the claim code shows, which the operator's side checks.
fn read(bytes: &[u8]) -> Result<Claim, NodeError> {
    let message = sign1::parse(bytes).map_err(|e| NodeError::BadMessage { why: e.to_string() })?;
    let inside = message.unverified_payload().unwrap_or_default();
    super::check_in::check_protocol(inside)?;
    let claim: Claim = decode_message(inside).map_err(|e| NodeError::BadMessage { why: e.to_string() })?;
    if claim.protocol != PROTOCOL {
        return Err(NodeError::OtherProtocol { found: claim.protocol });
    }
    message.verify(&claim.signing_key, AAD_CLAIM, None).map_err(|_| NodeError::BadSignature)?;
    Ok(claim)
}

//! Storing envelopes. The server cannot check signatures, for it trusts nobody in the nodes'
//! stead; it looks only at what an envelope claims, so that plans that cannot work are noticed.

use super::from_path;
use crate::app::App;
use crate::body;
use crate::contract::EnvelopeStored;
use crate::error::ApiError;
use crate::rollout::{Brings, Parcel};
use crate::store::{StoreFault, files};
use actix_web::web;
use pintle_protocol::id::{Component, Digest, NodeId};
use pintle_protocol::suit::{payload_named, peek};

/// Stores an envelope under its manifest digest.
pub(super) async fn store(
    app: web::Data<App>,
    digest: web::Path<String>,
    payload: web::Payload,
) -> Result<web::Json<EnvelopeStored>, ApiError> {
    let expected: Digest = from_path("manifest digest", &digest)?;
    let bytes = body::whole(payload, app.limits.envelope_bytes, app.limits.body_seconds).await?;
    let Looked { parcel, device, payloads } = look(&bytes)?;
    if parcel.envelope != expected {
        return Err(ApiError::DigestDiffers { expected, found: parcel.envelope });
    }
    let already = app
        .db
        .read(move |conn| {
            for payload in payloads {
                files::payload_size(conn, &payload)?.ok_or(ApiError::PayloadMissing { payload })?;
            }
            Ok::<bool, ApiError>(files::parcel(conn, &expected)?.is_some())
        })
        .await?;
    let answer = EnvelopeStored {
        digest: expected,
        size: u64::from(parcel.size),
        sequence: parcel.sequence,
        components: parcel.brings.iter().map(|b| b.component.word().to_owned()).collect(),
        already,
    };
    if !already {
        let mut incoming = app.envelopes.begin(&expected, app.next_upload())?;
        tokio::task::spawn_blocking(move || {
            incoming.take(&bytes)?;
            incoming.keep(&expected)
        })
        .await
        .map_err(|_| StoreFault::Stopped)??;
        let now = app.now();
        app.db
            .write::<_, ApiError, _>(move |conn| Ok(files::add_envelope(conn, &parcel, device, now)?))
            .await?;
    }
    Ok(web::Json(answer))
}

struct Looked {
    parcel: Parcel,
    device: Option<NodeId>,
    payloads: Vec<Digest>,
}

fn look(bytes: &[u8]) -> Result<Looked, ApiError> {
    let broken = |why: String| ApiError::EnvelopeBroken { why };
    let found = peek(bytes).map_err(|refusal| broken(refusal.to_string()))?;
    let mut payloads = Vec::new();
    for uri in &found.uris {
        payloads.push(payload_named(uri).ok_or_else(|| {
            broken(format!("it fetches `{uri}`; this server keeps `payload/<SHA-256>` only"))
        })?);
    }
    let mut brings = Vec::new();
    for word in &found.components {
        let component = Component::from_word(word).ok_or_else(|| {
            broken(format!("it changes `{}`; known are net, io, conf and keys", word.escape_ascii()))
        })?;
        brings.push(Brings { component, payload: None });
    }
    // Which payload is whose shows for a single component only; the profile writes no others.
    if let ([part], [payload]) = (brings.as_mut_slice(), payloads.as_slice()) {
        part.payload = Some(*payload);
    }
    let role = match brings.first() {
        None => return Err(broken("it changes nothing".to_owned())),
        Some(first) => first.component.writer(),
    };
    if let Some(other) = brings.iter().find(|b| b.component.writer() != role) {
        return Err(broken(format!("no one key may change both this and `{}`", other.component)));
    }
    if i64::try_from(found.sequence).is_err() {
        return Err(broken(format!("its sequence number {} is out of reach", found.sequence)));
    }
    let size = u32::try_from(bytes.len()).map_err(|_| broken("it is too large".to_owned()))?;
    let parcel = Parcel { envelope: found.digest, size, role, sequence: found.sequence, brings };
    Ok(Looked { parcel, device: found.device.map(NodeId), payloads })
}

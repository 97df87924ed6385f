//! Storing payloads.

use super::from_path;
use crate::app::App;
use crate::body;
use crate::contract::PayloadStored;
use crate::error::ApiError;
use crate::store::{StoreFault, files};
use actix_web::web::{self, Bytes};
use pintle_protocol::id::Digest;
use tokio::sync::mpsc;

/// Stores a payload under its SHA-256, hashing as it comes.
pub(super) async fn store(
    app: web::Data<App>,
    digest: web::Path<String>,
    payload: web::Payload,
) -> Result<web::Json<PayloadStored>, ApiError> {
    let expected: Digest = from_path("SHA-256", &digest)?;
    let known = app.db.read::<_, ApiError, _>(move |conn| Ok(files::payload_size(conn, &expected)?)).await?;
    if let Some(size) = known {
        // Read to its end and dropped, so that the client sees the answer.
        body::pieces(payload, app.limits.payload_bytes, app.limits.body_seconds, |_| async {
            Ok::<(), ApiError>(())
        })
        .await?;
        return Ok(web::Json(PayloadStored { digest: expected, size, already: true }));
    }
    let size = take_in(&app, payload, expected).await?;
    let now = app.now();
    app.db.write::<_, ApiError, _>(move |conn| Ok(files::add_payload(conn, &expected, size, now)?)).await?;
    Ok(web::Json(PayloadStored { digest: expected, size, already: false }))
}

/// Writes the body to a file of its own, and makes it last only if its digest is the expected
/// one; its size. Files are written on a thread that may wait.
async fn take_in(app: &App, payload: web::Payload, expected: Digest) -> Result<u64, ApiError> {
    let (pieces, mut coming) = mpsc::channel::<Bytes>(4);
    let mut incoming = app.payloads.begin(&expected, app.next_upload())?;
    let writing = tokio::task::spawn_blocking(move || {
        while let Some(bytes) = coming.blocking_recv() {
            incoming.take(&bytes)?;
        }
        Ok::<_, StoreFault>(incoming)
    });
    let (limits, sender) = (app.limits, &pieces);
    let read = body::pieces(payload, limits.payload_bytes, limits.body_seconds, move |bytes| async move {
        // If the writer has stopped, it says why below.
        let _ = sender.send(bytes).await;
        Ok::<(), ApiError>(())
    })
    .await;
    drop(pieces);
    let incoming = writing.await.map_err(|_| StoreFault::Stopped)??;
    read?;
    let (size, found) = (incoming.size(), incoming.digest());
    if found != expected {
        return Err(ApiError::DigestDiffers { expected, found });
    }
    tokio::task::spawn_blocking(move || incoming.keep(&expected))
        .await
        .map_err(|_| StoreFault::Stopped)??;
    Ok(size)
}

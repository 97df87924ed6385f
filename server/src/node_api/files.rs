//! `GET /node/envelope/{digest}` and `GET /node/payload/{digest}`. Neither is a secret: envelopes
//! are signed, bundles in them are encrypted, and images are named by their digest.

use super::error::{CBOR, NodeError};
use super::range::{Wanted, wanted};
use crate::app::App;
use crate::store::{StoreFault, files};
use actix_web::body::{BodySize, MessageBody};
use actix_web::web::Bytes;
use actix_web::{HttpRequest, HttpResponse, web};
use pintle_protocol::id::Digest;
use std::fs::File;
use std::io::{Read, Seek, SeekFrom};
use std::path::{Path, PathBuf};
use std::pin::Pin;
use std::task::{Context, Poll};
use tokio::task::JoinHandle;

pub(super) async fn envelope(
    app: web::Data<App>,
    digest: web::Path<String>,
) -> Result<HttpResponse, NodeError> {
    let digest = Digest::parse(&digest).map_err(|_| NodeError::NothingHere)?;
    let parcel = app.db.read::<_, NodeError, _>(move |conn| Ok(files::parcel(conn, &digest)?)).await?;
    let size = u64::from(parcel.ok_or(NodeError::NothingHere)?.size);
    let part = Part::open(app.envelopes.file(&digest), 0, size).await?;
    Ok(HttpResponse::Ok().content_type(CBOR).body(part))
}

pub(super) async fn payload(
    app: web::Data<App>,
    request: HttpRequest,
    digest: web::Path<String>,
) -> Result<HttpResponse, NodeError> {
    let digest = Digest::parse(&digest).map_err(|_| NodeError::NothingHere)?;
    let size = app.db.read::<_, NodeError, _>(move |conn| Ok(files::payload_size(conn, &digest)?)).await?;
    let size = size.ok_or(NodeError::NothingHere)?;
    let field = request.headers().get("Range").and_then(|f| f.to_str().ok());
    let (mut answer, first, len) = match wanted(field, size) {
        Wanted::Beyond => return Err(NodeError::BadRange { size }),
        Wanted::All => (HttpResponse::Ok(), 0, size),
        Wanted::Part { first, last } => {
            let mut answer = HttpResponse::PartialContent();
            answer.insert_header(("Content-Range", format!("bytes {first}-{last}/{size}")));
            (answer, first, last - first + 1)
        }
    };
    let path = app.payloads.file(&digest);
    let held = app.held.get(&digest, (size, len), path.clone()).await.map_err(|e| cannot_read(&path, e))?;
    let part = match held.as_ref().and_then(|bytes| span(bytes, first, len)) {
        Some(bytes) => Part { path, left: len, state: Reading::Held(bytes) },
        None => Part::open(path, first, len).await?,
    };
    answer.insert_header(("Accept-Ranges", "bytes"));
    Ok(answer.content_type("application/octet-stream").body(part))
}

fn span(bytes: &Bytes, first: u64, len: u64) -> Option<Bytes> {
    let first = usize::try_from(first).ok()?;
    let end = first.checked_add(usize::try_from(len).ok()?)?;
    (end <= bytes.len()).then(|| bytes.slice(first..end))
}

fn cannot_read(path: &Path, source: std::io::Error) -> StoreFault {
    StoreFault::File { what: format!("reading {}", path.display()), source }
}

/// Bytes read from the file at a time: bounds what one slow client holds in memory.
const PIECE: usize = 32 << 10;
/// Bytes handed over at a time of what is held for all.
const HELD_PIECE: usize = 64 << 10;

/// A part of a file as a body: held for all who fetch it, or read piece by piece on a thread that may wait.
struct Part {
    path: PathBuf,
    left: u64,
    state: Reading,
}

enum Reading {
    Held(Bytes),
    Ready(File),
    Busy(JoinHandle<std::io::Result<(File, Vec<u8>)>>),
    Ended,
}

impl Part {
    async fn open(path: PathBuf, first: u64, len: u64) -> Result<Self, StoreFault> {
        let opened = path.clone();
        let file = tokio::task::spawn_blocking(move || {
            let mut file = File::open(&opened)?;
            file.seek(SeekFrom::Start(first))?;
            Ok(file)
        })
        .await
        .map_err(|_| StoreFault::Stopped)?
        .map_err(|source| cannot_read(&path, source))?;
        Ok(Self { path, left: len, state: Reading::Ready(file) })
    }
}

impl MessageBody for Part {
    type Error = std::io::Error;

    fn size(&self) -> BodySize {
        BodySize::Sized(self.left)
    }

    fn poll_next(
        self: Pin<&mut Self>,
        context: &mut Context<'_>,
    ) -> Poll<Option<Result<Bytes, Self::Error>>> {
        let part = self.get_mut();
        loop {
            match std::mem::replace(&mut part.state, Reading::Ended) {
                Reading::Ended => return Poll::Ready(None),
                Reading::Held(mut rest) => {
                    let piece = rest.split_to(rest.len().min(HELD_PIECE));
                    if !rest.is_empty() {
                        part.state = Reading::Held(rest);
                    }
                    part.left -= piece.len() as u64;
                    return Poll::Ready(Some(Ok(piece)));
                }
                Reading::Ready(_) if part.left == 0 => return Poll::Ready(None),
                Reading::Ready(mut file) => {
                    let len = usize::try_from(part.left).unwrap_or(PIECE).min(PIECE);
                    part.state = Reading::Busy(tokio::task::spawn_blocking(move || {
                        let mut bytes = vec![0; len];
                        file.read_exact(&mut bytes)?;
                        Ok((file, bytes))
                    }));
                }
                Reading::Busy(mut reading) => match Pin::new(&mut reading).poll(context) {
                    Poll::Pending => {
                        part.state = Reading::Busy(reading);
                        return Poll::Pending;
                    }
                    Poll::Ready(Ok(Ok((file, bytes)))) => {
                        part.left -= bytes.len() as u64;
                        part.state = Reading::Ready(file);
                        return Poll::Ready(Some(Ok(bytes.into())));
                    }
                    Poll::Ready(Ok(Err(error))) => {
                        tracing::error!(path = %part.path.display(), cause = %error, "A stored file cannot be read");
                        return Poll::Ready(Some(Err(error)));
                    }
                    Poll::Ready(Err(stopped)) => {
                        return Poll::Ready(Some(Err(std::io::Error::other(stopped.to_string()))));
                    }
                },
            }
        }
    }
}

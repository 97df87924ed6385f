//! Reading bodies with a limit on size and time.

use crate::error::ApiError;
use actix_web::body::{BodyStream, MessageBody};
use actix_web::web::{Bytes, Payload};
use std::future::poll_fn;
use std::pin::{Pin, pin};
use std::time::Duration;

/// Why a body could not be read.
#[derive(Debug)]
pub(crate) enum BodyFault {
    /// More bytes than this.
    TooLarge { limit: u64 },
    /// It broke off, or came too slowly.
    Broken { why: String },
}

impl From<BodyFault> for ApiError {
    fn from(fault: BodyFault) -> Self {
        match fault {
            BodyFault::TooLarge { limit } => Self::TooLarge { limit },
            BodyFault::Broken { why } => Self::BodyBroken { why },
        }
    }
}

/// Reads a whole body of at most `limit` bytes within `seconds`.
pub(crate) async fn whole(payload: Payload, limit: usize, seconds: u64) -> Result<Bytes, BodyFault> {
    match tokio::time::timeout(Duration::from_secs(seconds), payload.to_bytes_limited(limit)).await {
        Ok(Ok(Ok(bytes))) => Ok(bytes),
        Ok(Ok(Err(error))) => Err(BodyFault::Broken { why: error.to_string() }),
        Ok(Err(_)) => Err(BodyFault::TooLarge { limit: limit as u64 }),
        Err(_) => Err(BodyFault::Broken { why: format!("it took longer than {seconds} s") }),
    }
}

/// Hands a body of at most `limit` bytes over piece by piece; each may take `seconds`.
pub(crate) async fn pieces<F, E>(
    payload: Payload,
    limit: u64,
    seconds: u64,
    mut take: impl FnMut(Bytes) -> F,
) -> Result<(), E>
where
    F: Future<Output = Result<(), E>>,
    E: From<BodyFault>,
{
    let mut stream = pin!(BodyStream::new(payload.into_inner()));
    let mut size = 0u64;
    loop {
        let next = poll_fn(|context| Pin::as_mut(&mut stream).poll_next(context));
        match tokio::time::timeout(Duration::from_secs(seconds), next).await {
            Err(_) => {
                return Err(BodyFault::Broken { why: format!("nothing came for {seconds} s") }.into());
            }
            Ok(None) => return Ok(()),
            Ok(Some(Err(error))) => return Err(BodyFault::Broken { why: error.to_string() }.into()),
            Ok(Some(Ok(bytes))) => {
                size += bytes.len() as u64;
                if size > limit {
                    return Err(BodyFault::TooLarge { limit }.into());
                }
                take(bytes).await?;
            }
        }
    }
}

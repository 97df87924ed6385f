//! Every error that nodes are told: one table of status, number and sentence.

use crate::body::BodyFault;
use crate::error::RETRY_AFTER_SECONDS;
use crate::ops::{check_in, claim};
use crate::store::{JobFault, StoreFault, Unwritable};
use actix_web::http::StatusCode;
use actix_web::{HttpResponse, ResponseError};
use minicbor::Encoder;
use pintle_protocol::checkin::PROTOCOL;
use std::convert::Infallible;

/// Why a node's request was not carried out. The body is the CBOR map `{0: number, 1: text}`.
#[derive(Debug, thiserror::Error)]
pub(crate) enum NodeError {
    #[error("the node is not known here")]
    UnknownNode,
    #[error("the node's keys are not admitted")]
    NotAdmitted,
    #[error("the signature does not verify")]
    BadSignature,
    #[error("the counter is {counter}, it must be higher than {last}")]
    Replayed { counter: u64, last: u64 },
    #[error("the message has protocol version {found}, this server speaks {PROTOCOL}")]
    OtherProtocol { found: u8 },
    #[error("the body has more than {limit} bytes")]
    TooLarge { limit: u64 },
    #[error("the message is not what it should be: {why}")]
    BadMessage { why: String },
    #[error("{why}")]
    NotExpected { why: String },
    #[error("the node was taken out of service")]
    Retired,
    #[error("there is nothing here")]
    NothingHere,
    #[error("the range is beyond the {size} bytes that there are")]
    BadRange { size: u64 },
    #[error("nothing can be written now: {0}")]
    CannotWrite(Unwritable),
    #[error("something went wrong inside the server")]
    Internal(StoreFault),
}

impl From<StoreFault> for NodeError {
    fn from(fault: StoreFault) -> Self {
        fault.unwritable().map_or(Self::Internal(fault), Self::CannotWrite)
    }
}

impl JobFault for NodeError {
    fn cannot_write(&self) -> Option<&Unwritable> {
        match self {
            Self::CannotWrite(why) => Some(why),
            _ => None,
        }
    }
}

impl NodeError {
    /// Status and stable number.
    pub(crate) const fn row(&self) -> (StatusCode, u8) {
        use StatusCode as S;
        match self {
            Self::UnknownNode => (S::NOT_FOUND, 1),
            Self::NotAdmitted => (S::FORBIDDEN, 2),
            Self::BadSignature => (S::UNAUTHORIZED, 3),
            Self::Replayed { .. } => (S::CONFLICT, 4),
            Self::OtherProtocol { .. } => (S::UPGRADE_REQUIRED, 5),
            Self::TooLarge { .. } => (S::PAYLOAD_TOO_LARGE, 6),
            Self::BadMessage { .. } => (S::BAD_REQUEST, 7),
            Self::NotExpected { .. } => (S::FORBIDDEN, 8),
            Self::Retired => (S::GONE, 9),
            Self::NothingHere => (S::NOT_FOUND, 10),
            Self::BadRange { .. } => (S::RANGE_NOT_SATISFIABLE, 11),
            Self::Internal(_) => (S::INTERNAL_SERVER_ERROR, 12),
            Self::CannotWrite(_) => (S::SERVICE_UNAVAILABLE, 13),
        }
    }
}

impl NodeError {
    /// A stable word for it, for metrics.
    pub(crate) const fn word(&self) -> &'static str {
        match self {
            Self::UnknownNode => "unknown_node",
            Self::NotAdmitted => "not_admitted",
            Self::BadSignature => "bad_signature",
            Self::Replayed { .. } => "replayed",
            Self::OtherProtocol { .. } => "other_protocol",
            Self::TooLarge { .. } => "too_large",
            Self::BadMessage { .. } => "bad_message",
            Self::NotExpected { .. } => "not_expected",
            Self::Retired => "retired",
            Self::NothingHere => "nothing_here",
            Self::BadRange { .. } => "bad_range",
            Self::CannotWrite(_) => "cannot_write",
            Self::Internal(_) => "internal",
        }
    }
}

/// Media type of everything that nodes send and get.
pub(super) const CBOR: &str = "application/cbor";

impl ResponseError for NodeError {
    fn status_code(&self) -> StatusCode {
        self.row().0
    }

    fn error_response(&self) -> HttpResponse {
        let (status, number) = self.row();
        let mut body = Encoder::new(Vec::new());
        let written: Result<_, minicbor::encode::Error<Infallible>> = (|| {
            body.map(2)?.u8(0)?.u8(number)?.u8(1)?.str(&self.to_string())?;
            Ok(())
        })();
        let mut answer = HttpResponse::build(status);
        answer.content_type(CBOR);
        if let Self::OtherProtocol { .. } = self {
            // RFC 9110 section 15.5.22 demands the field; nothing is switched on this connection.
            answer.insert_header(("Upgrade", format!("pintle-node/{PROTOCOL}")));
        }
        if let Self::BadRange { size } = self {
            answer.insert_header(("Content-Range", format!("bytes */{size}")));
        }
        if let Self::CannotWrite(_) = self {
            answer.insert_header(("Retry-After", RETRY_AFTER_SECONDS));
        }
        match written {
            Ok(()) => answer.body(body.into_writer()),
            Err(_) => answer.finish(),
        }
    }
}

impl From<BodyFault> for NodeError {
    fn from(fault: BodyFault) -> Self {
        match fault {
            BodyFault::TooLarge { limit } => Self::TooLarge { limit },
            BodyFault::Broken { why } => Self::BadMessage { why },
        }
    }
}

impl From<check_in::Refused> for NodeError {
    fn from(refused: check_in::Refused) -> Self {
        use check_in::Refused;
        match refused {
            Refused::Unknown => Self::UnknownNode,
            Refused::Retired => Self::Retired,
            Refused::NotAdmitted => Self::NotAdmitted,
            Refused::Replayed { counter, last } => Self::Replayed { counter, last },
            Refused::Counter { .. } => Self::BadMessage { why: refused.to_string() },
            Refused::Store(fault) => fault.into(),
        }
    }
}

impl From<claim::Refused> for NodeError {
    fn from(refused: claim::Refused) -> Self {
        use claim::Refused;
        match refused {
            Refused::Unknown => Self::UnknownNode,
            Refused::Retired => Self::Retired,
            Refused::NotExpected | Refused::CodeOther | Refused::ClassOther => {
                Self::NotExpected { why: refused.to_string() }
            }
            Refused::Store(fault) => fault.into(),
        }
    }
}

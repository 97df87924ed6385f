//! Every error of the operator's API: one table of status, stable code, sentence and hint.

use crate::contract::{ErrorBody, ErrorDetail, RolloutState};
use crate::rollout::Misfit;
use crate::store::{JobFault, StoreFault, Unwritable};
use actix_web::http::StatusCode;
use actix_web::{HttpResponse, ResponseError};
use pintle_protocol::id::{Digest, NodeId};

/// Why a request of the operator was not carried out. Nothing of it was done.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
#[expect(missing_docs, reason = "the sentences say what each is")]
pub enum ApiError {
    #[error("the request carries no token")]
    TokenMissing,
    #[error("the token is not one in force")]
    TokenWrong,
    #[error("the token `{name}` looks and changes nothing")]
    TokenLooksOnly { name: String },
    #[error("there is nothing at `{path}`")]
    NoSuchRoute { path: String },
    #[error("`{path}` does not take {method}")]
    WrongMethod { method: String, path: String },
    #[error("`{text}` in the path is no {what}: {why}")]
    BadPath { what: &'static str, text: String, why: String },
    #[error("the query is not understood: {why}")]
    BadQuery { why: String },
    #[error("the body is not the JSON expected here: {why}")]
    BadJson { why: String },
    #[error("`{field}`: {why}")]
    BadField { field: String, why: String },
    #[error("the body has more than {limit} bytes")]
    TooLarge { limit: u64 },
    #[error("the body did not come to its end: {why}")]
    BodyBroken { why: String },
    #[error("there is no node {node}")]
    UnknownNode { node: NodeId },
    #[error("there is no signed check-in of node {node} yet")]
    NoCheckIn { node: NodeId },
    #[error("node {node} has sent no SUIT_Report yet")]
    NoSuitReport { node: NodeId },
    #[error("there is no rollout {rollout}")]
    UnknownRollout { rollout: i64 },
    #[error("node {node} is admitted already")]
    NodeAdmitted { node: NodeId },
    #[error("node {node} is admitted with other keys")]
    KeysDiffer { node: NodeId },
    #[error("node {node} was taken out of service")]
    NodeRetired { node: NodeId },
    #[error("the body's digest is {found}, the path says {expected}")]
    DigestDiffers { expected: Digest, found: Digest },
    #[error("the body is no envelope: {why}")]
    EnvelopeBroken { why: String },
    #[error("payload {payload}, which the envelope names, is not stored")]
    PayloadMissing { payload: Digest },
    #[error("envelope {envelope} is not stored")]
    EnvelopeMissing { envelope: Digest },
    #[error("{0}")]
    WrongState(#[from] Misfit),
    #[error("rollout {other} \"{title}\" ({state}) has nodes of this one")]
    NodesBusy { other: i64, title: String, state: RolloutState },
    #[error("nothing can be written now: {0}")]
    CannotWrite(Unwritable),
    #[error("something went wrong inside the server")]
    Internal(StoreFault),
}

impl From<StoreFault> for ApiError {
    fn from(fault: StoreFault) -> Self {
        fault.unwritable().map_or(Self::Internal(fault), Self::CannotWrite)
    }
}

impl JobFault for ApiError {
    fn cannot_write(&self) -> Option<&Unwritable> {
        match self {
            Self::CannotWrite(why) => Some(why),
            _ => None,
        }
    }
}

/// After how many seconds something that could not be written is worth another try: about as often
/// as a node checks in while something is under way.
pub(crate) const RETRY_AFTER_SECONDS: u32 = 30;

impl ApiError {
    /// Status, stable code, and what to do about it.
    pub const fn row(&self) -> (StatusCode, &'static str, Option<&'static str>) {
        use StatusCode as S;
        match self {
            Self::TokenMissing => (
                S::UNAUTHORIZED,
                "token_missing",
                Some("send `Authorization: Bearer <token>`; the server printed its token at its first start"),
            ),
            Self::TokenWrong => (
                S::UNAUTHORIZED,
                "token_wrong",
                Some("make a new one with `pintle-server token add <name> --role operator --data <folder>`"),
            ),
            Self::TokenLooksOnly { .. } => (
                S::FORBIDDEN,
                "token_looks_only",
                Some("use an operator's token; `pintle-server token add` makes one"),
            ),
            Self::NoSuchRoute { .. } => (S::NOT_FOUND, "no_such_route", None),
            Self::WrongMethod { .. } => (S::METHOD_NOT_ALLOWED, "wrong_method", None),
            Self::BadPath { .. } => (S::BAD_REQUEST, "bad_path", None),
            Self::BadQuery { .. } => (
                S::BAD_REQUEST,
                "bad_query",
                Some("docs/openapi.json has what each route knows in its query"),
            ),
            Self::BadJson { .. } => (S::BAD_REQUEST, "bad_json", None),
            Self::BadField { .. } => (S::UNPROCESSABLE_ENTITY, "bad_field", None),
            Self::TooLarge { .. } => (S::PAYLOAD_TOO_LARGE, "too_large", None),
            Self::BodyBroken { .. } => (S::BAD_REQUEST, "body_broken", Some("send it again")),
            Self::UnknownNode { .. } => (S::NOT_FOUND, "unknown_node", Some("announce it first")),
            Self::NoCheckIn { .. } => (S::NOT_FOUND, "no_check_in", None),
            Self::NoSuitReport { .. } => (S::NOT_FOUND, "no_suit_report", None),
            Self::UnknownRollout { .. } => (S::NOT_FOUND, "unknown_rollout", None),
            Self::NodeAdmitted { .. } => (
                S::CONFLICT,
                "node_admitted",
                Some("to claim it anew, for a new board, send `replace: true`"),
            ),
            Self::KeysDiffer { .. } => (
                S::CONFLICT,
                "keys_differ",
                Some("announce it with `replace: true` first, if its board was replaced"),
            ),
            Self::NodeRetired { .. } => {
                (S::CONFLICT, "node_retired", Some("announce it again to bring it back"))
            }
            Self::DigestDiffers { .. } => {
                (S::UNPROCESSABLE_ENTITY, "digest_differs", Some("send it again, or check which file it is"))
            }
            Self::EnvelopeBroken { .. } => (S::UNPROCESSABLE_ENTITY, "envelope_broken", None),
            Self::PayloadMissing { .. } => {
                (S::UNPROCESSABLE_ENTITY, "payload_missing", Some("store the payload first"))
            }
            Self::EnvelopeMissing { .. } => {
                (S::UNPROCESSABLE_ENTITY, "envelope_missing", Some("store the envelope first"))
            }
            Self::WrongState(_) => (S::CONFLICT, "wrong_state", None),
            Self::NodesBusy { .. } => {
                (S::CONFLICT, "nodes_busy", Some("turn that one back first, or wait until it is done"))
            }
            Self::CannotWrite(Unwritable::Damaged { .. }) => (
                S::SERVICE_UNAVAILABLE,
                "cannot_write",
                Some(
                    "stop the server, keep a copy of its folder, and restore a backup with `pintle-server restore`",
                ),
            ),
            Self::CannotWrite(_) => (
                S::SERVICE_UNAVAILABLE,
                "cannot_write",
                Some("make room on the server's disk, or make it writable; it then goes on by itself"),
            ),
            Self::Internal(_) => (S::INTERNAL_SERVER_ERROR, "internal", Some("the server's log says more")),
        }
    }

    /// The answer's body.
    pub fn body(&self) -> ErrorBody {
        let (_, code, hint) = self.row();
        ErrorBody {
            error: ErrorDetail {
                code: code.to_owned(),
                message: self.to_string(),
                hint: hint.map(str::to_owned),
            },
        }
    }
}

impl ResponseError for ApiError {
    fn status_code(&self) -> StatusCode {
        self.row().0
    }

    fn error_response(&self) -> HttpResponse {
        let mut answer = HttpResponse::build(self.status_code());
        if self.status_code() == StatusCode::UNAUTHORIZED {
            answer.insert_header(("WWW-Authenticate", "Bearer"));
        }
        if let Self::CannotWrite(_) = self {
            answer.insert_header(("Retry-After", RETRY_AFTER_SECONDS));
        }
        answer.json(self.body())
    }
}

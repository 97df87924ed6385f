//! What nodes call: CBOR in COSE_Sign1, no token; each message proves by itself who sent it.

mod check_in;
mod claim;
mod error;
mod files;
mod range;

pub(crate) use error::NodeError;

use actix_web::{HttpRequest, HttpResponse, Route, web};

/// What answers a route of the table below `/node`.
pub(crate) fn handler(method: &str, path: &str) -> Option<Route> {
    Some(match (method, path) {
        ("POST", "/node/claim") => web::post().to(claim::take),
        ("POST", "/node/check-in") => web::post().to(check_in::take),
        ("GET", "/node/envelope/{digest}") => web::get().to(files::envelope),
        ("GET", "/node/payload/{digest}") => web::get().to(files::payload),
        _ => return None,
    })
}

pub(crate) async fn nothing(_: HttpRequest) -> Result<HttpResponse, NodeError> {
    Err(NodeError::NothingHere)
}

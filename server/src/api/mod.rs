//! The operator's API: each handler takes in, asks, shows. All of it needs a token.

mod about;
mod envelopes;
mod journal;
mod nodes;
mod payloads;
mod rollouts;
mod sign_in;

use crate::app::App;
use crate::body;
use crate::error::ApiError;
use actix_web::{HttpRequest, HttpResponse, Route, web};
use serde::de::DeserializeOwned;
use std::fmt::Display;
use std::str::FromStr;

/// What answers a route of the table below `/api/v1`.
pub(crate) fn handler(method: &str, path: &str) -> Option<Route> {
    Some(match (method, path) {
        ("GET", "/api/v1/about") => web::get().to(about::show),
        ("GET", "/api/v1/nodes") => web::get().to(nodes::list),
        ("GET", "/api/v1/nodes/{id}") => web::get().to(nodes::show),
        ("GET", "/api/v1/nodes/{id}/check-in") => web::get().to(nodes::check_in),
        ("GET", "/api/v1/nodes/{id}/suit-report") => web::get().to(nodes::suit_report),
        ("PUT", "/api/v1/nodes/{id}") => web::put().to(nodes::announce),
        ("POST", "/api/v1/nodes/{id}/admit") => web::post().to(nodes::admit),
        ("POST", "/api/v1/nodes/{id}/retire") => web::post().to(nodes::retire),
        ("GET", "/api/v1/claims") => web::get().to(nodes::claims),
        ("PUT", "/api/v1/payloads/{digest}") => web::put().to(payloads::store),
        ("PUT", "/api/v1/envelopes/{digest}") => web::put().to(envelopes::store),
        ("GET", "/api/v1/rollouts") => web::get().to(rollouts::list),
        ("POST", "/api/v1/rollouts") => web::post().to(rollouts::plan),
        ("GET", "/api/v1/rollouts/{id}") => web::get().to(rollouts::show),
        ("POST", "/api/v1/rollouts/{id}/start") => web::post().to(rollouts::start),
        ("POST", "/api/v1/rollouts/{id}/hold") => web::post().to(rollouts::hold),
        ("POST", "/api/v1/rollouts/{id}/resume") => web::post().to(rollouts::resume),
        ("POST", "/api/v1/rollouts/{id}/approve") => web::post().to(rollouts::approve),
        ("POST", "/api/v1/rollouts/{id}/end") => web::post().to(rollouts::end),
        ("POST", "/api/v1/rollouts/{id}/turn-back") => web::post().to(rollouts::turn_back),
        ("GET", "/api/v1/journal") => web::get().to(journal::page),
        ("GET", "/api/v1/journal/head") => web::get().to(journal::head),
        ("GET", "/api/v1/journal/check") => web::get().to(journal::check),
        ("POST", "/api/v1/sign-in-links") => web::post().to(sign_in::link),
        _ => return None,
    })
}

pub(crate) async fn no_such_route(request: HttpRequest) -> Result<HttpResponse, ApiError> {
    Err(ApiError::NoSuchRoute { path: request.path().to_owned() })
}

pub(crate) async fn wrong_method(request: HttpRequest) -> Result<HttpResponse, ApiError> {
    Err(ApiError::WrongMethod { method: request.method().to_string(), path: request.path().to_owned() })
}

/// Reads an identifier from the path.
fn from_path<T: FromStr<Err: Display>>(what: &'static str, text: &str) -> Result<T, ApiError> {
    text.parse().map_err(|e: T::Err| ApiError::BadPath { what, text: text.to_owned(), why: e.to_string() })
}

/// Reads the query of a request.
fn query<T: DeserializeOwned>(request: &HttpRequest) -> Result<T, ApiError> {
    let read = web::Query::<T>::from_query(request.query_string());
    Ok(read.map_err(|e| ApiError::BadQuery { why: e.to_string() })?.into_inner())
}

/// Checks how many a request asks for.
fn within(limit: u32, most: u32) -> Result<u32, ApiError> {
    if (1..=most).contains(&limit) {
        Ok(limit)
    } else {
        Err(ApiError::BadQuery { why: format!("`limit` is {limit}; take 1 to {most}") })
    }
}

/// Reads a JSON body.
async fn json<T: DeserializeOwned>(app: &App, payload: web::Payload) -> Result<T, ApiError> {
    let bytes = body::whole(payload, app.limits.json_bytes, app.limits.body_seconds).await?;
    serde_json::from_slice(&bytes).map_err(|e| ApiError::BadJson { why: e.to_string() })
}

/// Reads a JSON body that may be left out.
async fn maybe_json<T: DeserializeOwned + Default>(app: &App, payload: web::Payload) -> Result<T, ApiError> {
    let bytes = body::whole(payload, app.limits.json_bytes, app.limits.body_seconds).await?;
    if bytes.is_empty() {
        return Ok(T::default());
    }
    serde_json::from_slice(&bytes).map_err(|e| ApiError::BadJson { why: e.to_string() })
}

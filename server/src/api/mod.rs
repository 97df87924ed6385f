//! The operator's API: each handler takes in, asks, shows. All of it needs the operator's token.

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
use crate::store::who;
use actix_web::body::BoxBody;
use actix_web::dev::{ServiceRequest, ServiceResponse};
use actix_web::middleware::Next;
use actix_web::{HttpRequest, HttpResponse, ResponseError, Route, web};
use pintle_protocol::id::Digest;
use serde::de::DeserializeOwned;
use std::fmt::Display;
use std::str::FromStr;

/// Every route below `/api/v1`.
pub(crate) fn configure(at: &mut web::ServiceConfig) {
    let on = |path: &str, routes: Vec<Route>| {
        let resource = web::resource(path).default_service(web::to(wrong_method));
        routes.into_iter().fold(resource, actix_web::Resource::route)
    };
    at.service(on("/about", vec![web::get().to(about::show)]))
        .service(on("/nodes", vec![web::get().to(nodes::list)]))
        .service(on("/nodes/{id}", vec![web::get().to(nodes::show), web::put().to(nodes::announce)]))
        .service(on("/nodes/{id}/suit-report", vec![web::get().to(nodes::suit_report)]))
        .service(on("/nodes/{id}/admit", vec![web::post().to(nodes::admit)]))
        .service(on("/nodes/{id}/retire", vec![web::post().to(nodes::retire)]))
        .service(on("/claims", vec![web::get().to(nodes::claims)]))
        .service(on("/payloads/{digest}", vec![web::put().to(payloads::store)]))
        .service(on("/envelopes/{digest}", vec![web::put().to(envelopes::store)]))
        .service(on("/rollouts", vec![web::get().to(rollouts::list), web::post().to(rollouts::plan)]))
        .service(on("/rollouts/{id}", vec![web::get().to(rollouts::show)]))
        .service(on("/rollouts/{id}/start", vec![web::post().to(rollouts::start)]))
        .service(on("/rollouts/{id}/hold", vec![web::post().to(rollouts::hold)]))
        .service(on("/rollouts/{id}/resume", vec![web::post().to(rollouts::resume)]))
        .service(on("/rollouts/{id}/approve", vec![web::post().to(rollouts::approve)]))
        .service(on("/rollouts/{id}/end", vec![web::post().to(rollouts::end)]))
        .service(on("/rollouts/{id}/turn-back", vec![web::post().to(rollouts::turn_back)]))
        .service(on("/journal", vec![web::get().to(journal::page)]))
        .service(on("/journal/head", vec![web::get().to(journal::head)]))
        .service(on("/journal/check", vec![web::get().to(journal::check)]))
        .service(on("/sign-in-links", vec![web::post().to(sign_in::link)]))
        .default_service(web::to(no_such_route));
}

/// Lets a request through only with a token in force. It comes before anything is read or found,
/// so that without a token nothing can be told apart.
pub(crate) async fn require_token(
    request: ServiceRequest,
    next: Next<BoxBody>,
) -> Result<ServiceResponse<BoxBody>, actix_web::Error> {
    match check_token(request.request()).await {
        Ok(()) => next.call(request).await,
        Err(error) => Ok(request.into_response(error.error_response())),
    }
}

async fn check_token(request: &HttpRequest) -> Result<(), ApiError> {
    let given = request.headers().get("Authorization").ok_or(ApiError::TokenMissing)?;
    let token =
        given.to_str().ok().and_then(|text| text.strip_prefix("Bearer ")).ok_or(ApiError::TokenMissing)?;
    let hash = Digest::of(token.trim().as_bytes());
    let app = request.app_data::<web::Data<App>>().ok_or(ApiError::TokenWrong)?;
    let known = app.db.read::<_, ApiError, _>(move |conn| Ok(who::is_token(conn, &hash)?)).await?;
    if known { Ok(()) } else { Err(ApiError::TokenWrong) }
}

async fn no_such_route(request: HttpRequest) -> Result<HttpResponse, ApiError> {
    Err(ApiError::NoSuchRoute { path: request.path().to_owned() })
}

async fn wrong_method(request: HttpRequest) -> Result<HttpResponse, ApiError> {
    Err(ApiError::WrongMethod { method: request.method().to_string(), path: request.path().to_owned() })
}

/// Reads an identifier from the path.
fn from_path<T: FromStr<Err: Display>>(what: &'static str, text: &str) -> Result<T, ApiError> {
    text.parse().map_err(|e: T::Err| ApiError::BadPath { what, text: text.to_owned(), why: e.to_string() })
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

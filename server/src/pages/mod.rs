//! Pages for the phone in the shed: they look and change nothing. Signed in by a link.

mod answers;
mod csp;
mod journal;
mod nodes;
mod overview;
mod rollouts;
mod session;
mod wifi;

pub(crate) use answers::{PageError, nothing_here};
pub(crate) use csp::Headers;

use actix_web::{Route, web};

/// What answers a page of the table of routes.
pub(crate) fn handler(method: &str, path: &str) -> Option<Route> {
    Some(match (method, path) {
        ("GET", "/") => web::get().to(overview::show),
        ("GET", "/nodes/{id}") => web::get().to(nodes::show),
        ("GET", "/rollouts/{id}") => web::get().to(rollouts::show),
        ("GET", "/journal") => web::get().to(journal::show),
        ("GET", "/sign-in/{secret}") => web::get().to(session::ask),
        ("POST", "/sign-in/{secret}") => web::post().to(session::begin),
        ("POST", "/sign-out") => web::post().to(session::end),
        _ => return None,
    })
}

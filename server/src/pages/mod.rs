//! Pages for the phone in the shed: they look and change nothing. Signed in by a link.

mod answers;
mod csp;
mod journal;
mod nodes;
mod overview;
mod rollouts;
mod session;

pub(crate) use csp::Headers;

use actix_web::web;

/// Every page.
pub(crate) fn configure(at: &mut web::ServiceConfig) {
    at.route("/", web::get().to(overview::show))
        .route("/nodes/{id}", web::get().to(nodes::show))
        .route("/rollouts/{id}", web::get().to(rollouts::show))
        .route("/journal", web::get().to(journal::show))
        .route("/sign-in/{secret}", web::get().to(session::ask))
        .route("/sign-in/{secret}", web::post().to(session::begin))
        .route("/sign-out", web::post().to(session::end))
        .default_service(web::to(answers::nothing_here));
}

//! The contents page of the server: what answers where.

use crate::app::App;
use crate::pages::Headers;
use crate::{api, node_api, pages};
use actix_web::middleware::{DefaultHeaders, from_fn};
use actix_web::web;

/// `/api/v1` for the operator, `/node` for nodes, pages for everybody who was signed in.
pub(crate) fn configure(app: App) -> impl FnOnce(&mut web::ServiceConfig) {
    move |at| {
        at.app_data(web::Data::new(app))
            .service(web::scope("/api/v1").wrap(from_fn(api::require_token)).configure(api::configure))
            .service(web::scope("/node").configure(node_api::configure))
            .configure(pages::configure);
    }
}

/// Headers on every answer.
pub(crate) fn headers() -> DefaultHeaders {
    Headers::new().all().into_iter().fold(DefaultHeaders::new(), DefaultHeaders::add)
}

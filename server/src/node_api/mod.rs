//! What nodes call: CBOR in COSE_Sign1, no token; each message proves by itself who sent it.

mod check_in;
mod claim;
mod error;
mod files;
mod range;

pub(crate) use error::NodeError;

use actix_web::{HttpRequest, HttpResponse, web};

/// Every route below `/node`.
pub(crate) fn configure(at: &mut web::ServiceConfig) {
    at.service(web::resource("/claim").route(web::post().to(claim::take)).default_service(web::to(nothing)))
        .service(
            web::resource("/check-in")
                .route(web::post().to(check_in::take))
                .default_service(web::to(nothing)),
        )
        .service(web::resource("/envelope/{digest}").route(web::get().to(files::envelope)))
        .service(web::resource("/payload/{digest}").route(web::get().to(files::payload)))
        .default_service(web::to(nothing));
}

async fn nothing(_: HttpRequest) -> Result<HttpResponse, NodeError> {
    Err(NodeError::NothingHere)
}

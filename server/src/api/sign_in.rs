//! Links that sign a browser in.

use crate::app::App;
use crate::contract::{Seconds, SignInLink};
use crate::error::ApiError;
use crate::keys::{self, Secret};
use crate::store::tokens::Caller;
use crate::store::{StoreFault, who};
use actix_web::{HttpResponse, web};

/// How long a link works.
const LINK_SECONDS: Seconds = 600;

/// Makes a link that signs a browser in, once.
pub(super) async fn link(
    app: web::Data<App>,
    caller: web::ReqData<Caller>,
) -> Result<HttpResponse, ApiError> {
    let bytes = keys::random()
        .map_err(|source| StoreFault::File { what: "reading random bytes".to_owned(), source })?;
    let Secret { text, hash } = Secret::from_bytes(bytes);
    let now = app.now();
    let expires_at = now + LINK_SECONDS;
    let token = caller.id;
    app.db
        .write::<_, ApiError, _>(move |conn| Ok(who::add_link(conn, token, &hash, expires_at, now)?))
        .await?;
    let expires_at = app.wall().saturating_add(LINK_SECONDS);
    Ok(HttpResponse::Created().json(SignInLink { path: format!("/sign-in/{text}"), expires_at }))
}

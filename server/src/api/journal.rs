//! The journal.

use super::{query, within};
use crate::app::App;
use crate::contract::{JournalCheck, JournalHead, JournalPage, MOST_ENTRIES, USUAL_ENTRIES};
use crate::error::ApiError;
use crate::journal::head::sign;
use crate::store::{self, StoreFault};
use actix_web::{HttpRequest, web};
use serde::Deserialize;

/// What of the journal is wanted.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Wanted {
    #[serde(default)]
    after: i64,
    #[serde(default = "usual")]
    limit: u32,
}

const fn usual() -> u32 {
    USUAL_ENTRIES
}

/// Reads the journal, oldest first.
pub(super) async fn page(
    app: web::Data<App>,
    request: HttpRequest,
) -> Result<web::Json<JournalPage>, ApiError> {
    let Wanted { after, limit } = query(&request)?;
    let limit = within(limit, MOST_ENTRIES)?;
    let page =
        app.db.read::<_, ApiError, _>(move |conn| Ok(store::journal::page(conn, after, limit)?)).await?;
    Ok(web::Json(page))
}

/// Signs the newest entry.
pub(super) async fn head(app: web::Data<App>) -> Result<web::Json<JournalHead>, ApiError> {
    let (number, hash) = app.db.read::<_, ApiError, _>(|conn| Ok(store::journal::end(conn)?)).await?;
    let signed = sign(app.online(), number, hash, app.wall());
    let odd = |why| StoreFault::Value { what: format!("a head of the journal that cannot be signed: {why}") };
    Ok(web::Json(signed.map_err(odd)?))
}

/// Checks the whole chain.
pub(super) async fn check(app: web::Data<App>) -> Result<web::Json<JournalCheck>, ApiError> {
    let found = app.db.read::<_, ApiError, _>(|conn| Ok(store::journal::check(conn)?)).await?;
    Ok(web::Json(found))
}

//! Nodes and claims.

use super::{from_path, json, maybe_json, query, within};
use crate::app::App;
use crate::contract::{
    Admit, CheckInView, ClaimView, ExpectNode, MOST_LISTED, NodeView, Retire, SuitReportView,
};
use crate::error::ApiError;
use crate::store::StoreFault;
use crate::{ops, store, views};
use actix_web::{HttpRequest, web};
use pintle_protocol::cose::sign1;
use pintle_protocol::id::NodeId;
use serde::Deserialize;

/// Bytes that a COSE_Sign1 has around its payload, at most.
const FRAME: usize = 128;

/// Which nodes are wanted.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Wanted {
    after: Option<String>,
    #[serde(default = "most")]
    limit: u32,
}

const fn most() -> u32 {
    MOST_LISTED
}

/// Lists nodes by their identifiers.
pub(super) async fn list(
    app: web::Data<App>,
    request: HttpRequest,
) -> Result<web::Json<Vec<NodeView>>, ApiError> {
    let Wanted { after, limit } = query(&request)?;
    let limit = within(limit, MOST_LISTED)?;
    let after: Option<NodeId> = after
        .map(|text| text.parse().map_err(|e| ApiError::BadQuery { why: format!("`after` is `{text}`: {e}") }))
        .transpose()?;
    let (intervals, now) = (app.intervals, app.now());
    let nodes = app.db.read::<_, ApiError, _>(move |conn| {
        let rows = store::nodes::page(conn, after.as_ref(), limit)?;
        Ok(views::node_views(conn, rows, intervals, now)?)
    });
    Ok(web::Json(nodes.await?))
}

/// Shows one node.
pub(super) async fn show(
    app: web::Data<App>,
    id: web::Path<String>,
) -> Result<web::Json<NodeView>, ApiError> {
    view(&app, from_path("node", &id)?).await
}

/// Shows what a node said last, as it signed it.
pub(super) async fn check_in(
    app: web::Data<App>,
    id: web::Path<String>,
) -> Result<web::Json<CheckInView>, ApiError> {
    let node = from_path("node", &id)?;
    let view = app
        .db
        .read(move |conn| {
            store::nodes::get(conn, &node)?.ok_or(ApiError::UnknownNode { node })?;
            let (at, said, signature) =
                store::nodes::signed_check_in(conn, &node)?.ok_or(ApiError::NoCheckIn { node })?;
            let mut message = vec![0; said.len() + FRAME];
            let len = sign1::assemble(&said, &signature, &mut message)
                .map_err(|e| StoreFault::Value { what: format!("putting a check-in together: {e}") })?;
            let message = hex::encode(message.get(..len).unwrap_or_default());
            Ok(CheckInView { at: store::clock::wall(conn, at)?, message })
        })
        .await;
    view.map(web::Json)
}

/// Shows what a node reported of the last manifest that it carried out or stopped at.
pub(super) async fn suit_report(
    app: web::Data<App>,
    id: web::Path<String>,
) -> Result<web::Json<SuitReportView>, ApiError> {
    let node = from_path("node", &id)?;
    let view = app
        .db
        .read(move |conn| {
            store::nodes::get(conn, &node)?.ok_or(ApiError::UnknownNode { node })?;
            let (at, report) =
                store::nodes::suit_report(conn, &node)?.ok_or(ApiError::NoSuitReport { node })?;
            Ok(SuitReportView { at: store::clock::wall(conn, at)?, report: hex::encode(report) })
        })
        .await;
    view.map(web::Json)
}

/// Announces a node.
pub(super) async fn announce(
    app: web::Data<App>,
    id: web::Path<String>,
    payload: web::Payload,
) -> Result<web::Json<NodeView>, ApiError> {
    let node = from_path("node", &id)?;
    let wish: ExpectNode = json(&app, payload).await?;
    let now = app.now();
    app.db.write(move |conn| ops::nodes::announce(conn, node, wish, now)).await?;
    view(&app, node).await
}

/// Accepts a node's keys.
pub(super) async fn admit(
    app: web::Data<App>,
    id: web::Path<String>,
    payload: web::Payload,
) -> Result<web::Json<NodeView>, ApiError> {
    let node = from_path("node", &id)?;
    let keys: Admit = json(&app, payload).await?;
    let now = app.now();
    app.db.write(move |conn| ops::nodes::admit(conn, node, &keys, now)).await?;
    view(&app, node).await
}

/// Takes a node out of service.
pub(super) async fn retire(
    app: web::Data<App>,
    id: web::Path<String>,
    payload: web::Payload,
) -> Result<web::Json<NodeView>, ApiError> {
    let node = from_path("node", &id)?;
    let Retire { note } = maybe_json(&app, payload).await?;
    ops::nodes::check_note(note.as_ref())?;
    let now = app.now();
    app.db.write(move |conn| ops::nodes::retire(conn, node, note, now)).await?;
    view(&app, node).await
}

/// Lists the claims that wait.
pub(super) async fn claims(app: web::Data<App>) -> Result<web::Json<Vec<ClaimView>>, ApiError> {
    let claims = app.db.read::<_, ApiError, _>(|conn| Ok(store::nodes::claims(conn)?)).await?;
    Ok(web::Json(claims))
}

async fn view(app: &App, node: NodeId) -> Result<web::Json<NodeView>, ApiError> {
    let (intervals, now) = (app.intervals, app.now());
    let view = app
        .db
        .read(move |conn| {
            let row = store::nodes::get(conn, &node)?.ok_or(ApiError::UnknownNode { node })?;
            Ok(views::node_view(conn, row, intervals, now)?)
        })
        .await;
    view.map(web::Json)
}

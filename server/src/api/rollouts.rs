//! Rollouts.

use super::{from_path, json, maybe_json, query, within};
use crate::app::App;
use crate::contract::{Approve, MOST_NODES_LISTED, MOST_ROLLOUTS, NewRollout, Note, RolloutView};
use crate::error::ApiError;
use crate::ops::rollouts::Action;
use crate::store::rollouts as rows;
use crate::{ops, views};
use actix_web::{HttpRequest, HttpResponse, web};
use serde::Deserialize;

/// Plans a rollout.
pub(super) async fn plan(app: web::Data<App>, payload: web::Payload) -> Result<HttpResponse, ApiError> {
    let wish: NewRollout = json(&app, payload).await?;
    let (intervals, now) = (app.intervals, app.now());
    let number = app.db.write(move |conn| ops::planning::plan(conn, &wish, intervals, now)).await?;
    let view = view(&app, number).await?;
    Ok(HttpResponse::Created().json(view))
}

/// Which rollouts are wanted.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Wanted {
    before: Option<i64>,
    #[serde(default = "most")]
    limit: u32,
}

const fn most() -> u32 {
    MOST_ROLLOUTS
}

/// Lists rollouts, newest first.
pub(super) async fn list(
    app: web::Data<App>,
    request: HttpRequest,
) -> Result<web::Json<Vec<RolloutView>>, ApiError> {
    let Wanted { before, limit } = query(&request)?;
    let (before, limit) = (before.unwrap_or(i64::MAX), within(limit, MOST_ROLLOUTS)?);
    let now = app.now();
    let list = app
        .db
        .read(move |conn| {
            let (mut views, mut together) = (Vec::new(), 0_usize);
            for (number, nodes) in rows::page(conn, before, limit)? {
                together = together.saturating_add(nodes);
                if !views.is_empty() && together > MOST_NODES_LISTED {
                    break;
                }
                if let Some(stored) = rows::get(conn, number)? {
                    views.push(views::rollout_view(conn, &stored, now)?);
                }
            }
            Ok::<_, ApiError>(views)
        })
        .await?;
    Ok(web::Json(list))
}

/// Shows one rollout.
pub(super) async fn show(
    app: web::Data<App>,
    id: web::Path<String>,
) -> Result<web::Json<RolloutView>, ApiError> {
    Ok(web::Json(view(&app, from_path("rollout", &id)?).await?))
}

/// Starts it.
pub(super) async fn start(
    app: web::Data<App>,
    id: web::Path<String>,
    payload: web::Payload,
) -> Result<web::Json<RolloutView>, ApiError> {
    act(&app, &id, Action::Start, payload).await
}

/// Stops offering.
pub(super) async fn hold(
    app: web::Data<App>,
    id: web::Path<String>,
    payload: web::Payload,
) -> Result<web::Json<RolloutView>, ApiError> {
    act(&app, &id, Action::Hold, payload).await
}

/// Goes on.
pub(super) async fn resume(
    app: web::Data<App>,
    id: web::Path<String>,
    payload: web::Payload,
) -> Result<web::Json<RolloutView>, ApiError> {
    act(&app, &id, Action::Resume, payload).await
}

/// Returns the nodes that kept.
pub(super) async fn turn_back(
    app: web::Data<App>,
    id: web::Path<String>,
    payload: web::Payload,
) -> Result<web::Json<RolloutView>, ApiError> {
    act(&app, &id, Action::TurnBack, payload).await
}

/// Ends it early.
pub(super) async fn end(
    app: web::Data<App>,
    id: web::Path<String>,
    payload: web::Payload,
) -> Result<web::Json<RolloutView>, ApiError> {
    act(&app, &id, Action::End, payload).await
}

/// Lets the wave open that waits for approval.
pub(super) async fn approve(
    app: web::Data<App>,
    id: web::Path<String>,
    payload: web::Payload,
) -> Result<web::Json<RolloutView>, ApiError> {
    let number = from_path("rollout", &id)?;
    let Approve { note, wave } = maybe_json(&app, payload).await?;
    act_noted(&app, number, Action::Approve(wave), note).await
}

async fn act(
    app: &App,
    id: &str,
    action: Action,
    payload: web::Payload,
) -> Result<web::Json<RolloutView>, ApiError> {
    let number = from_path("rollout", id)?;
    let Note { note } = maybe_json(app, payload).await?;
    act_noted(app, number, action, note).await
}

async fn act_noted(
    app: &App,
    number: i64,
    action: Action,
    note: Option<String>,
) -> Result<web::Json<RolloutView>, ApiError> {
    ops::nodes::check_note(note.as_ref())?;
    let now = app.now();
    let view = app
        .db
        .write(move |conn| {
            let stored = ops::rollouts::act(conn, number, action, note, now)?;
            Ok::<_, ApiError>(views::rollout_view(conn, &stored, now)?)
        })
        .await?;
    Ok(web::Json(view))
}

async fn view(app: &App, rollout: i64) -> Result<RolloutView, ApiError> {
    let now = app.now();
    app.db
        .read(move |conn| {
            let stored = rows::get(conn, rollout)?.ok_or(ApiError::UnknownRollout { rollout })?;
            Ok(views::rollout_view(conn, &stored, now)?)
        })
        .await
}

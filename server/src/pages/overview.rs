//! The first page: doors, rollouts, the last entries of the journal.

use super::answers::{Frame, PageError, page};
use super::journal::Line;
use super::nodes::Door;
use super::rollouts::Summary;
use super::session::SignedIn;
use crate::app::App;
use crate::error::ApiError;
use crate::store::{journal, nodes, rollouts as rows};
use crate::views;
use actix_web::{HttpRequest, HttpResponse, web};
use askama::Template;
use pintle_protocol::id::NodeId;
use serde::Deserialize;

/// Doors shown on one page.
const DOORS: u32 = 200;
/// Rollouts shown on the first page.
const ROLLOUTS: u32 = 6;
/// Entries of the journal shown there.
const ENTRIES: u32 = 12;

#[derive(Template)]
#[template(path = "overview.html")]
struct Overview {
    frame: Frame,
    nodes: Vec<Door>,
    /// The last door shown, if there are more behind it.
    after: Option<String>,
    rollouts: Vec<Summary>,
    journal: Vec<Line>,
}

/// Which doors are wanted.
#[derive(Deserialize)]
struct Wanted {
    after: Option<String>,
}

pub(super) async fn show(
    _who: SignedIn,
    app: web::Data<App>,
    request: HttpRequest,
) -> Result<HttpResponse, PageError> {
    // What is no node leads to the first doors.
    let wanted = web::Query::<Wanted>::from_query(request.query_string());
    let behind: Option<NodeId> = wanted.ok().and_then(|wanted| wanted.after.as_ref()?.parse().ok());
    let (intervals, now, own) = (app.intervals, app.wall(), app.now());
    let trouble = app.db.trouble();
    let overview = app
        .db
        .read(move |conn| {
            let mut doors = nodes::named_page(conn, behind.as_ref(), DOORS + 1)?;
            let more = doors.len() > DOORS as usize;
            doors.truncate(DOORS as usize);
            let after = doors.last().filter(|_| more).map(|door| door.id.to_string());
            let nodes = views::node_views(conn, doors, intervals, own)?;
            let mut rollouts = Vec::new();
            for number in rows::page(conn, i64::MAX, ROLLOUTS)?.into_iter().map(|(number, _)| number) {
                if let Some(stored) = rows::get(conn, number)? {
                    rollouts.push(Summary::new(&views::rollout_view(conn, &stored, own)?));
                }
            }
            let journal = journal::newest(conn, ENTRIES)?;
            Ok::<_, ApiError>(Overview {
                frame: Frame::new(now, true).with(trouble),
                nodes: nodes.iter().map(|node| Door::new(node, now)).collect(),
                after,
                rollouts,
                journal: journal.into_iter().map(Line::new).collect(),
            })
        })
        .await?;
    page(&overview)
}

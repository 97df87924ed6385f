//! The first page: doors, rollouts, the last entries of the journal.

use super::answers::{Frame, PageError, page};
use super::journal::Line;
use super::nodes::Door;
use super::rollouts::Summary;
use super::session::SignedIn;
use crate::app::App;
use crate::error::ApiError;
use crate::store::{journal, rollouts as rows};
use crate::views;
use actix_web::{HttpResponse, web};
use askama::Template;

/// Rollouts shown on the first page.
const ROLLOUTS: usize = 6;
/// Entries of the journal shown there.
const ENTRIES: u32 = 12;

#[derive(Template)]
#[template(path = "overview.html")]
struct Overview {
    frame: Frame,
    nodes: Vec<Door>,
    rollouts: Vec<Summary>,
    journal: Vec<Line>,
}

pub(super) async fn show(_who: SignedIn, app: web::Data<App>) -> Result<HttpResponse, PageError> {
    let (intervals, now, own) = (app.intervals, app.wall(), app.now());
    let trouble = app.db.trouble();
    let overview = app
        .db
        .read(move |conn| {
            let nodes = views::all_node_views(conn, intervals, own)?;
            let mut rollouts = Vec::new();
            for number in rows::list(conn)?.into_iter().take(ROLLOUTS) {
                if let Some(stored) = rows::get(conn, number)? {
                    rollouts.push(Summary::new(&views::rollout_view(conn, &stored, own)?));
                }
            }
            let journal = journal::newest(conn, ENTRIES)?;
            Ok::<_, ApiError>(Overview {
                frame: Frame::new(now, true).with(trouble),
                nodes: nodes.iter().map(|node| Door::new(node, now)).collect(),
                rollouts,
                journal: journal.into_iter().map(Line::new).collect(),
            })
        })
        .await?;
    page(&overview)
}

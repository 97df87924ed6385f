//! The newest entries of the journal.

use super::answers::{Frame, PageError, page};
use super::session::SignedIn;
use crate::app::App;
use crate::contract::JournalEntry;
use crate::error::ApiError;
use crate::store::journal;
use crate::words::utc;
use actix_web::{HttpResponse, web};
use askama::Template;

const ENTRIES: u32 = 200;

/// An entry as shown.
pub(super) struct Line {
    pub(super) number: i64,
    pub(super) at: String,
    pub(super) sentence: String,
}

impl Line {
    pub(super) fn new(entry: JournalEntry) -> Self {
        Self { number: entry.number, at: utc(entry.at), sentence: entry.sentence }
    }
}

#[derive(Template)]
#[template(path = "journal.html")]
struct Journal {
    frame: Frame,
    journal: Vec<Line>,
}

pub(super) async fn show(_who: SignedIn, app: web::Data<App>) -> Result<HttpResponse, PageError> {
    let entries = app.db.read::<_, ApiError, _>(|conn| Ok(journal::newest(conn, ENTRIES)?)).await?;
    page(&Journal {
        frame: Frame::new(app.wall(), true).with(app.db.trouble()),
        journal: entries.into_iter().map(Line::new).collect(),
    })
}

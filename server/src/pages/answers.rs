//! Pages as answers, and the few that say why there is no page.

use super::csp::CSS;
use crate::app::App;
use crate::contract::Seconds;
use crate::error::ApiError;
use crate::store::{JobFault, StoreFault, Unwritable};
use crate::words::utc;
use actix_web::http::StatusCode;
use actix_web::{HttpRequest, HttpResponse, ResponseError, web};
use askama::Template;

/// What stands around every page.
pub(super) struct Frame {
    pub(super) css: &'static str,
    pub(super) now: String,
    pub(super) signed_in: bool,
    /// Why nothing can be written, if that is so.
    pub(super) trouble: Option<Unwritable>,
}

impl Frame {
    pub(super) fn new(now: Seconds, signed_in: bool) -> Self {
        Self { css: CSS, now: utc(now), signed_in, trouble: None }
    }

    /// Whether that will not pass by itself.
    pub(super) const fn is_damaged(&self) -> bool {
        matches!(self.trouble, Some(Unwritable::Damaged { .. }))
    }

    /// With a warning if nothing can be written.
    pub(super) fn with(self, trouble: Option<Unwritable>) -> Self {
        Self { trouble, ..self }
    }
}

/// Why there is no page.
#[derive(Debug, thiserror::Error)]
pub(crate) enum PageError {
    #[error("signed out")]
    SignedOut { now: Seconds },
    #[error("the link does not work")]
    LinkSpent { now: Seconds },
    #[error("nothing here")]
    NothingHere { now: Seconds },
    #[error("nothing can be written: {0}")]
    CannotWrite(Unwritable),
    #[error("inside the server")]
    Internal(StoreFault),
    #[error("the page could not be made: {0}")]
    Template(#[from] askama::Error),
}

impl From<StoreFault> for PageError {
    fn from(fault: StoreFault) -> Self {
        fault.unwritable().map_or(Self::Internal(fault), Self::CannotWrite)
    }
}

impl JobFault for PageError {
    fn cannot_write(&self) -> Option<&Unwritable> {
        match self {
            Self::CannotWrite(why) => Some(why),
            _ => None,
        }
    }
}

impl From<ApiError> for PageError {
    fn from(error: ApiError) -> Self {
        match error {
            ApiError::CannotWrite(why) => Self::CannotWrite(why),
            ApiError::Internal(fault) => Self::Internal(fault),
            other => Self::Internal(StoreFault::Value { what: other.to_string() }),
        }
    }
}

#[derive(Template)]
#[template(path = "message.html")]
struct Message {
    frame: Frame,
    title: &'static str,
    text: &'static str,
}

impl PageError {
    const fn words(&self) -> (StatusCode, &'static str, &'static str) {
        match self {
            Self::SignedOut { .. } => (
                StatusCode::UNAUTHORIZED,
                "Not signed in",
                "Run `pintle server link` in the yard's folder, and open the link that it prints on this device. It works once, for ten minutes.",
            ),
            Self::LinkSpent { .. } => (
                StatusCode::GONE,
                "This link no longer works",
                "A sign-in link works once, for ten minutes. `pintle server link` makes a new one.",
            ),
            Self::NothingHere { .. } => {
                (StatusCode::NOT_FOUND, "Nothing here", "There is no such page on this server.")
            }
            Self::CannotWrite(Unwritable::Damaged { .. }) => (
                StatusCode::SERVICE_UNAVAILABLE,
                "The server's database is damaged",
                "Nothing is written any more. Stop the server, keep a copy of its folder, and restore a backup with `pintle-server restore`; nodes and doors go on as they are.",
            ),
            Self::CannotWrite(_) => (
                StatusCode::SERVICE_UNAVAILABLE,
                "Nothing can be written now",
                "The server's disk is full, read-only or failing. Make room on it and try again; nothing was changed.",
            ),
            Self::Internal(_) | Self::Template(_) => (
                StatusCode::INTERNAL_SERVER_ERROR,
                "Something went wrong inside the server",
                "Its log says more. Nothing was changed.",
            ),
        }
    }
}

impl ResponseError for PageError {
    fn status_code(&self) -> StatusCode {
        self.words().0
    }

    fn error_response(&self) -> HttpResponse {
        let now = match self {
            Self::SignedOut { now } | Self::LinkSpent { now } | Self::NothingHere { now } => *now,
            Self::CannotWrite(_) | Self::Internal(_) | Self::Template(_) => 0,
        };
        let (status, title, text) = self.words();
        let message = Message { frame: Frame::new(now, false), title, text };
        answer(status, message.render().unwrap_or_else(|_| title.to_owned()))
    }
}

/// A rendered page.
pub(super) fn page(template: &impl Template) -> Result<HttpResponse, PageError> {
    Ok(answer(StatusCode::OK, template.render()?))
}

fn answer(status: StatusCode, body: String) -> HttpResponse {
    HttpResponse::build(status)
        .content_type("text/html; charset=utf-8")
        .insert_header(("Cache-Control", "no-store"))
        .body(body)
}

/// The page for every path that is none.
pub(crate) async fn nothing_here(app: web::Data<App>, _: HttpRequest) -> Result<HttpResponse, PageError> {
    Err(PageError::NothingHere { now: app.wall() })
}

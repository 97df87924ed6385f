//! Who may do what below `/api/v1` and at `/metrics`: who calls is found out before anything is read or found, so
//! that without a token nothing can be told apart; what the caller may do is checked by the route
//! that matched.

use crate::app::App;
use crate::contract::Seconds;
use crate::contract::routes::{ROUTES, Who};
use crate::error::ApiError;
use crate::store::StoreFault;
use crate::store::tokens::{self, Caller, TokenRole};
use actix_web::body::BoxBody;
use actix_web::dev::{ServiceRequest, ServiceResponse};
use actix_web::http::header::HeaderMap;
use actix_web::middleware::Next;
use actix_web::{HttpMessage, HttpResponse, web};
use pintle_protocol::id::Digest;

/// That a token was used is noted again after so many seconds, so that looking costs no write.
const NOTE_USE_EVERY: Seconds = 60;

/// What a caller must have.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Need {
    /// Any token in force.
    Token,
    /// An operator's token.
    Operator,
}

/// What the methods of one path need.
#[derive(Clone, Debug)]
pub(crate) struct Needs(Vec<(&'static str, Need)>);

impl Needs {
    /// What a method needs; an operator's token, if the table of routes does not say less.
    pub(crate) fn of(&self, method: &str) -> Need {
        self.0.iter().find(|(known, _)| *known == method).map_or(Need::Operator, |(_, need)| *need)
    }
}

/// What the methods of a path in the table of routes need.
pub(crate) fn needs(path: &str) -> Needs {
    let need = |who| if who == Who::Viewer { Need::Token } else { Need::Operator };
    Needs(ROUTES.iter().filter(|r| r.path == path).map(|r| (r.method, need(r.who))).collect())
}

/// Lets a request through only with a token in force, and notes whose it is.
pub(crate) async fn know_caller(
    request: ServiceRequest,
    next: Next<BoxBody>,
) -> Result<ServiceResponse<BoxBody>, actix_web::Error> {
    let known = match request.app_data::<web::Data<App>>().cloned() {
        Some(app) => caller(&app, request.headers()).await,
        None => Err(ApiError::TokenWrong),
    };
    match known {
        Ok(caller) => {
            request.extensions_mut().insert(caller);
            next.call(request).await
        }
        Err(error) => Ok(request.into_response(HttpResponse::from_error(error))),
    }
}

/// Lets a request through only if its caller may do what it asks for.
pub(crate) async fn check_need(
    needs: Needs,
    request: ServiceRequest,
    next: Next<BoxBody>,
) -> Result<ServiceResponse<BoxBody>, actix_web::Error> {
    let caller = request.extensions().get::<Caller>().cloned();
    let refused = match (needs.of(request.method().as_str()), caller) {
        (_, None) => ApiError::TokenMissing,
        (Need::Operator, Some(Caller { role: TokenRole::Viewer, name, .. })) => {
            ApiError::TokenLooksOnly { name }
        }
        (Need::Token | Need::Operator, Some(_)) => return next.call(request).await,
    };
    Ok(request.into_response(HttpResponse::from_error(refused)))
}

/// Whose token a request carries.
pub(crate) async fn caller(app: &App, headers: &HeaderMap) -> Result<Caller, ApiError> {
    let given = headers.get("Authorization").ok_or(ApiError::TokenMissing)?;
    let token =
        given.to_str().ok().and_then(|text| text.strip_prefix("Bearer ")).ok_or(ApiError::TokenMissing)?;
    let hash = Digest::of(token.trim().as_bytes());
    let found = app.db.read::<_, ApiError, _>(move |conn| Ok(tokens::find(conn, &hash)?)).await?;
    let caller = found.ok_or(ApiError::TokenWrong)?;
    let (id, now) = (caller.id, app.wall());
    if caller.last_used_at.is_none_or(|at| !(at..at + NOTE_USE_EVERY).contains(&now)) {
        let noted: Result<(), StoreFault> = app.db.write(move |conn| tokens::note_use(conn, id, now)).await;
        // Looking must go on even where nothing can be written.
        if let Err(fault) = noted {
            tracing::warn!(cause = %fault, "That a token was used could not be noted");
        }
    }
    Ok(caller)
}

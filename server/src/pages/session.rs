//! Signing a browser in and out. A link only shows a button; pressing it uses the link up, so
//! that no preview of the link does.

use super::answers::{Frame, PageError, page};
use crate::app::App;
use crate::contract::Seconds;
use crate::error::ApiError;
use crate::keys::{self, Secret};
use crate::store::{StoreFault, who};
use actix_web::dev::Payload;
use actix_web::{FromRequest, HttpRequest, HttpResponse, web};
use askama::Template;
use pintle_protocol::id::Digest;
use std::pin::Pin;

/// The prefix makes browsers demand Secure, the path `/` and no domain.
const COOKIE: &str = "__Host-pintle";
const SESSION_SECONDS: Seconds = 30 * 86_400;

/// A browser that is signed in.
pub(super) struct SignedIn;

impl FromRequest for SignedIn {
    type Error = PageError;
    type Future = Pin<Box<dyn Future<Output = Result<Self, PageError>>>>;

    fn from_request(request: &HttpRequest, _: &mut Payload) -> Self::Future {
        let hash = cookie_hash(request);
        let app = request.app_data::<web::Data<App>>().cloned();
        Box::pin(async move {
            let Some(app) = app else { return Err(PageError::SignedOut { now: 0 }) };
            let (now, own) = (app.wall(), app.now());
            let Some(hash) = hash else { return Err(PageError::SignedOut { now }) };
            let known =
                app.db.read::<_, ApiError, _>(move |conn| Ok(who::is_session(conn, &hash, own)?)).await?;
            if known { Ok(Self) } else { Err(PageError::SignedOut { now }) }
        })
    }
}

fn cookie_hash(request: &HttpRequest) -> Option<Digest> {
    let fields = request.headers().get_all("Cookie").filter_map(|field| field.to_str().ok());
    let mut pairs = fields.flat_map(|field| field.split(';')).filter_map(|pair| pair.trim().split_once('='));
    pairs.find(|(name, _)| *name == COOKIE).map(|(_, value)| Digest::of(value.as_bytes()))
}

#[derive(Template)]
#[template(path = "sign_in.html")]
struct SignIn {
    frame: Frame,
    action: String,
}

/// Shows the button.
pub(super) async fn ask(app: web::Data<App>, secret: web::Path<String>) -> Result<HttpResponse, PageError> {
    demand_link(&app, Digest::of(secret.as_bytes())).await?;
    page(&SignIn { frame: Frame::new(app.wall(), false), action: format!("/sign-in/{secret}") })
}

/// That a link would work. Anybody may ask, so that it must not take the one thread that writes.
async fn demand_link(app: &App, hash: Digest) -> Result<(), PageError> {
    let own = app.now();
    let works = app.db.read::<_, ApiError, _>(move |conn| Ok(who::is_link(conn, &hash, own)?)).await?;
    if works { Ok(()) } else { Err(PageError::LinkSpent { now: app.wall() }) }
}

/// Uses the link up and begins a session.
pub(super) async fn begin(app: web::Data<App>, secret: web::Path<String>) -> Result<HttpResponse, PageError> {
    let (now, link) = (app.now(), Digest::of(secret.as_bytes()));
    demand_link(&app, link).await?;
    let bytes = keys::random()
        .map_err(|source| StoreFault::File { what: "reading random bytes".to_owned(), source })?;
    let Secret { text, hash } = Secret::from_bytes(bytes);
    let expires_at = now + SESSION_SECONDS;
    let begun = app
        .db
        .write::<_, ApiError, _>(move |conn| Ok(who::begin_session(conn, &link, &hash, expires_at, now)?))
        .await?;
    if !begun {
        return Err(PageError::LinkSpent { now: app.wall() });
    }
    Ok(to_overview(&cookie(&text, SESSION_SECONDS)))
}

/// Ends the session, if there is one: only then is anything written.
pub(super) async fn end(
    signed_in: Result<SignedIn, PageError>,
    app: web::Data<App>,
    request: HttpRequest,
) -> Result<HttpResponse, PageError> {
    match (signed_in, cookie_hash(&request)) {
        (Ok(SignedIn), Some(hash)) => {
            app.db.write::<_, ApiError, _>(move |conn| Ok(who::end_session(conn, &hash)?)).await?;
        }
        (Ok(SignedIn), None) | (Err(PageError::SignedOut { .. }), _) => {}
        // Not known whether there is one: nobody is told that it has ended.
        (Err(fault), _) => return Err(fault),
    }
    Ok(to_overview(&cookie("", 0)))
}

/// The Set-Cookie field (RFC 6265 section 4.1) for a value of hexadecimal digits.
fn cookie(value: &str, seconds: Seconds) -> String {
    format!("{COOKIE}={value}; Path=/; Max-Age={seconds}; HttpOnly; Secure; SameSite=Strict")
}

fn to_overview(cookie: &str) -> HttpResponse {
    HttpResponse::SeeOther()
        .insert_header(("Location", "/"))
        .insert_header(("Cache-Control", "no-store"))
        .insert_header(("Set-Cookie", cookie))
        .finish()
}

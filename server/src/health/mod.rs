//! Whether the server is alive and ready, for whatever watches over it: plain text, for anybody; and what the service
//! manager is told (`manager`).

#[cfg(target_os = "linux")]
pub(crate) mod manager;
mod pulse;

pub(crate) use pulse::{Beat, Pulse};

use crate::app::App;
use actix_web::http::StatusCode;
use actix_web::{HttpResponse, Route, web};

/// What answers a route of the table.
pub(crate) fn handler(method: &str, path: &str) -> Option<Route> {
    Some(match (method, path) {
        ("GET", "/healthz") => web::get().to(alive),
        ("GET", "/readyz") => web::get().to(ready),
        _ => return None,
    })
}

/// Whoever reads this has an answer: that is all that it says.
async fn alive() -> HttpResponse {
    text(StatusCode::OK, "alive")
}

/// Ready is who takes check-ins and moves rollouts.
async fn ready(app: web::Data<App>) -> HttpResponse {
    let (is_ready, line) = readiness(&app);
    text(if is_ready { StatusCode::OK } else { StatusCode::SERVICE_UNAVAILABLE }, &line)
}

/// Whether the server is ready, and a line that says so or why not.
fn readiness(app: &App) -> (bool, String) {
    match pulse::ready(app.pulse.beat(app.time.counted()), app.db.trouble().as_ref()) {
        Ok(()) => (true, "ready".to_owned()),
        Err(why) => (false, format!("not ready: {why}")),
    }
}

pub(crate) async fn wrong_method() -> HttpResponse {
    HttpResponse::MethodNotAllowed().insert_header(("Allow", "GET")).content_type(PLAIN).body("only GET\n")
}

const PLAIN: &str = "text/plain; charset=utf-8";

fn text(status: StatusCode, line: &str) -> HttpResponse {
    HttpResponse::build(status).content_type(PLAIN).body(format!("{line}\n"))
}

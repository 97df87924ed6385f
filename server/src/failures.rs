//! One line of the log for every request that was not answered as asked: what was called, and why not.

use crate::error::ApiError;
use crate::node_api::NodeError;
use crate::pages::PageError;
use actix_web::Error;
use actix_web::body::MessageBody;
use actix_web::dev::{ServiceRequest, ServiceResponse};
use actix_web::http::{Method, StatusCode};
use actix_web::middleware::Next;

/// Logs what failed inside the server as an error, and what was refused for debugging only: whoever floods it must not
/// fill the log too. The route is its pattern; a path may hold a secret.
pub(crate) async fn log<B: MessageBody>(
    request: ServiceRequest,
    next: Next<B>,
) -> Result<ServiceResponse<B>, Error> {
    let method = request.method().clone();
    let route = request.match_pattern();
    let result = next.call(request).await;
    let failed = match &result {
        Ok(response) => response.response().error(),
        Err(error) => Some(error),
    };
    if let Some(error) = failed {
        tell(&method, route.as_deref().unwrap_or("none"), error);
    }
    result
}

fn tell(method: &Method, route: &str, error: &Error) {
    let status = error.as_response_error().status_code();
    let (cause, status_code) = (cause(error), status.as_u16());
    if status == StatusCode::INTERNAL_SERVER_ERROR {
        tracing::error!(%method, route, %cause, "A request failed inside the server");
    } else {
        // That nothing can be written is said once, by whoever found it.
        tracing::debug!(%method, route, status = status_code, %cause, "A request was refused");
    }
}

/// What happened, where the answer says only that something did.
fn cause(error: &Error) -> String {
    if let Some(ApiError::Internal(fault)) = error.as_error() {
        return fault.to_string();
    }
    if let Some(NodeError::Internal(fault)) = error.as_error() {
        return fault.to_string();
    }
    match error.as_error() {
        Some(PageError::Internal(fault)) => fault.to_string(),
        Some(PageError::Template(fault)) => fault.to_string(),
        _ => error.to_string(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::store::StoreFault;
    use actix_web::middleware::from_fn;
    use actix_web::{App, HttpResponse, test, web};
    use std::io::Write;
    use std::sync::{Arc, Mutex};
    use tracing::Level;

    #[derive(Clone, Default)]
    struct Lines(Arc<Mutex<Vec<u8>>>);

    impl Write for Lines {
        fn write(&mut self, bytes: &[u8]) -> std::io::Result<usize> {
            self.0.lock().unwrap().write(bytes)
        }

        fn flush(&mut self) -> std::io::Result<()> {
            Ok(())
        }
    }

    fn fault() -> StoreFault {
        StoreFault::Value { what: "a broken row".to_owned() }
    }

    /// The lines of the log, of this level and above, after these calls.
    async fn logged(level: Level, calls: &[&str]) -> String {
        let lines = Lines::default();
        let writer = lines.clone();
        let log = tracing_subscriber::fmt().with_max_level(level).with_writer(move || writer.clone());
        let _here = tracing::subscriber::set_default(log.without_time().with_ansi(false).finish());
        let app = App::new()
            .route("/api/{id}", web::get().to(async || Err::<HttpResponse, _>(ApiError::Internal(fault()))))
            .route("/node/{id}", web::get().to(async || Err::<HttpResponse, _>(NodeError::Internal(fault()))))
            .route("/page/{id}", web::get().to(async || Err::<HttpResponse, _>(PageError::Internal(fault()))))
            .route("/refused/{id}", web::get().to(async || Err::<HttpResponse, _>(NodeError::NotAdmitted)))
            .service(web::resource("/locked/{id}").to(HttpResponse::Ok).wrap(from_fn(
                async |_: ServiceRequest, _: Next<_>| -> Result<ServiceResponse, Error> {
                    Err(ApiError::TokenWrong.into())
                },
            )))
            .route("/fine/{id}", web::get().to(HttpResponse::Ok))
            .wrap(from_fn(super::log));
        let app = test::init_service(app).await;
        for path in calls {
            let request = test::TestRequest::get().uri(path).to_request();
            // One that a wrapper refused comes as an error.
            let _ = test::try_call_service(&app, request).await;
        }
        let bytes = lines.0.lock().unwrap().clone();
        String::from_utf8(bytes).unwrap()
    }

    #[actix_web::test]
    async fn a_failure_is_one_line_with_route_and_cause_and_no_path() {
        let text =
            logged(Level::INFO, &["/api/secret", "/node/secret", "/page/secret", "/fine/secret"]).await;
        let lines: Vec<&str> = text.lines().filter(|line| !line.is_empty()).collect();
        assert_eq!(lines.len(), 3, "{text}");
        for (line, route) in lines.iter().zip(["/api/{id}", "/node/{id}", "/page/{id}"]) {
            assert!(line.contains("ERROR") && line.contains(route), "{line}");
            assert!(line.contains("GET") && line.contains("a broken row"), "{line}");
        }
        assert!(!text.contains("secret"), "{text}");
    }

    #[actix_web::test]
    async fn a_refusal_is_told_to_whoever_looks_for_it_only() {
        let calls = ["/refused/secret", "/locked/secret", "/fine/secret"];
        assert_eq!(logged(Level::INFO, &calls).await, "");
        let text = logged(Level::DEBUG, &calls).await;
        let lines: Vec<&str> = text.lines().filter(|line| line.contains("refused")).collect();
        assert_eq!(lines.len(), 2, "{text}");
        assert!(lines[0].contains("/refused/{id}") && lines[0].contains("status=403"), "{text}");
        assert!(lines[1].contains("/locked/{id}") && lines[1].contains("status=401"), "{text}");
        assert!(!text.contains("secret"), "{text}");
    }
}

//! Figures for whatever watches over the server: `GET /metrics`, OpenMetrics 1.0 text.
//!
//! Labels have few values, all of them known beforehand: states and reasons, never a node's name,
//! an address or a network.

mod census;
mod memory;
mod seen;
#[cfg(test)]
mod tests;

use crate::app::App;
use crate::error::ApiError;
use crate::node_api::NodeError;
use crate::store::StoreFault;
use actix_web::{HttpResponse, Route, web};
use prometheus_client::metrics::counter::Counter;
use prometheus_client::metrics::family::Family;
use seen::Seen;
use std::sync::Arc;
use tokio::sync::Mutex;

/// What answers a route of the table.
pub(crate) fn handler(method: &str, path: &str) -> Option<Route> {
    Some(match (method, path) {
        ("GET", "/metrics") => web::get().to(show),
        _ => return None,
    })
}

/// Media type of the OpenMetrics 1.0 specification, section "Protocol Negotiation".
const OPEN_METRICS: &str = "application/openmetrics-text; version=1.0.0; charset=utf-8";

async fn show(app: web::Data<App>) -> Result<HttpResponse, ApiError> {
    let census = census::of_nodes(&app).await?;
    let of = app.clone();
    let seen = app.db.read::<_, StoreFault, _>(move |conn| Seen::now(&of, conn, census)).await?;
    let text = seen
        .text(&app.metrics)
        .map_err(|e| StoreFault::Value { what: format!("encoding the metrics: {e}") })?;
    Ok(HttpResponse::Ok().content_type(OPEN_METRICS).body(text))
}

/// One label with its value.
type Label = [(&'static str, &'static str); 1];

/// What is counted as it happens, since the program started, and the last count of the nodes.
#[derive(Clone, Debug, Default)]
pub(crate) struct Metrics {
    check_ins: Counter,
    refused_check_ins: Family<Label, Counter>,
    claims: Counter,
    refused_claims: Family<Label, Counter>,
    offers: Counter,
    census: Arc<Mutex<Option<census::Taken>>>,
}

impl Metrics {
    /// Counts a check-in; `offered` says whether something was offered.
    pub(crate) fn check_in(&self, taken: Result<bool, &NodeError>) {
        match taken {
            Ok(offered) => {
                self.check_ins.inc();
                self.offers.inc_by(u64::from(offered));
            }
            Err(why) => count(&self.refused_check_ins, why),
        }
    }

    /// Counts a claim.
    pub(crate) fn claim(&self, taken: Result<(), &NodeError>) {
        match taken {
            Ok(()) => drop(self.claims.inc()),
            Err(why) => count(&self.refused_claims, why),
        }
    }
}

fn count(refused: &Family<Label, Counter>, why: &NodeError) {
    refused.get_or_create(&[("reason", why.word())]).inc();
}

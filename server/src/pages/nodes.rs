//! One node: what it runs and what it waits for.

use super::answers::{Frame, PageError, page};
use super::session::SignedIn;
use crate::app::App;
use crate::contract::{NodeView, ReportView, RunningView, Seconds, Status};
use crate::error::ApiError;
use crate::words::{span, utc};
use crate::{store, views};
use actix_web::{HttpResponse, web};
use askama::Template;
use pintle_protocol::id::NodeId;

/// A node as shown on a card.
pub(super) struct Door {
    pub(super) id: String,
    pub(super) name: String,
    pub(super) position: String,
    pub(super) status: &'static str,
    pub(super) tone: &'static str,
    pub(super) waits_for: Vec<String>,
    pub(super) runs: String,
    pub(super) seen: String,
}

impl Door {
    pub(super) fn new(node: &NodeView, now: Seconds) -> Self {
        // What a silent or retired node said last about its door may long be wrong.
        let current = !matches!(node.status, Status::Silent | Status::Retired);
        let position = node.report.as_ref().filter(|_| current).map(|r| r.position.clone());
        Self {
            id: node.id.to_string(),
            name: node.name.clone(),
            position: position.unwrap_or_else(|| "not known".to_owned()),
            status: node.status.phrase(),
            tone: tone(node.status),
            waits_for: node.waits_for.clone(),
            runs: node.report.as_ref().map_or_else(String::new, runs),
            seen: match node.last_seen {
                None => "never heard".to_owned(),
                Some(at) => format!("heard {} ago", span(now - at)),
            },
        }
    }
}

const fn tone(status: Status) -> &'static str {
    match status {
        Status::UpToDate | Status::Kept => "good",
        Status::Fetching | Status::WaitingForTheDoor | Status::OnTrial | Status::Claimed => "busy",
        Status::WentBack | Status::Refused | Status::Silent => "bad",
        Status::Expected | Status::Retired => "soft",
    }
}

fn runs(report: &ReportView) -> String {
    match &report.io {
        Some(io) => format!("net {}, io {}", report.net.version, io.version),
        None => format!("net {}, io does not answer", report.net.version),
    }
}

#[derive(Template)]
#[template(path = "node.html")]
struct Page {
    frame: Frame,
    node: Door,
    facts: Vec<(&'static str, String)>,
}

pub(super) async fn show(
    _who: SignedIn,
    app: web::Data<App>,
    id: web::Path<String>,
) -> Result<HttpResponse, PageError> {
    let (intervals, now) = (app.intervals, app.now());
    let node = NodeId::parse(&id).map_err(|_| PageError::NothingHere { now })?;
    let found = app
        .db
        .read::<_, ApiError, _>(move |conn| {
            let row = store::nodes::get(conn, &node)?;
            Ok(row.map(|row| views::node_view(conn, row, intervals, now)).transpose()?)
        })
        .await?;
    let view = found.ok_or(PageError::NothingHere { now })?;
    page(&Page {
        frame: Frame::new(now, true).with(app.db.trouble()),
        node: Door::new(&view, now),
        facts: facts(&view),
    })
}

fn facts(node: &NodeView) -> Vec<(&'static str, String)> {
    let mut facts = vec![("Identifier", node.id.to_string()), ("Board class", node.class.to_string())];
    if let Some(at) = node.last_seen {
        facts.push(("Last heard", utc(at)));
    }
    let Some(report) = &node.report else { return facts };
    facts.push(("Net chip", chip(&report.net)));
    facts.push(("Io chip", report.io.as_ref().map_or_else(|| "does not answer".to_owned(), chip)));
    facts.push(("Bundle", report.bundle.map_or_else(|| "none yet".to_owned(), |b| b.short().to_string())));
    facts.push(("Doing", report.phase.clone()));
    if let Some(outcome) = &report.outcome {
        let why = outcome.sentence.as_ref().map_or_else(String::new, |why| format!(": {why}"));
        facts.push(("Last update", format!("{} {}{why}", outcome.envelope.short(), outcome.ending)));
    }
    let candidate =
        report.wifi.candidate.as_ref().map_or_else(String::new, |word| format!("; new network: {word}"));
    facts.push(("Wi-Fi", format!("network {}, {} dBm{candidate}", report.wifi.index, report.wifi.rssi_dbm)));
    facts.push(("Lowest supply", format!("{:.2} V", f64::from(report.supply_mv) / 1000.0)));
    facts.push(("Relay pulses", report.relay_pulses.to_string()));
    facts.push(("Up for", span(Seconds::from(report.uptime_seconds))));
    facts.push(("Starts", report.starts.to_string()));
    facts
}

fn chip(running: &RunningView) -> String {
    format!(
        "version {}, image {}, slot {}, link {} to {}, profile {}.{}",
        running.version,
        running.digest.short(),
        running.slot,
        running.link_oldest,
        running.link_newest,
        running.profile_id,
        running.profile_version
    )
}

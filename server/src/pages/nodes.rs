//! One node: what it runs and what it waits for.

use super::answers::{Frame, PageError, page};
use super::session::SignedIn;
use crate::app::App;
use crate::contract::{NodeView, ReportView, RunningView, Seconds, Status};
use crate::error::ApiError;
use crate::store::history::{self, Day};
use crate::words::{date, span, utc};
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
    pub(super) left_behind: Vec<String>,
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
            left_behind: node.left_behind.clone(),
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
        Status::WentBack | Status::Refused | Status::LeftBehind | Status::Silent => "bad",
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
    days: Vec<DayLine>,
}

/// One UTC day as shown.
struct DayLine {
    date: String,
    check_ins: u32,
    supply: String,
    signal: String,
    restarts: u32,
    pulses: u32,
    versions: String,
}

/// Days shown.
const DAYS: Seconds = 14;

/// Days as shown, newest first. What was counted between two days belongs to the later one.
fn day_lines(days: &[Day]) -> Vec<DayLine> {
    let line = |(n, day): (usize, &Day)| {
        let earlier = days.get(n + 1);
        // A count that is lower than before is that of another board.
        let since = |before: Option<u32>, (first, last): (u32, u32)| {
            last.saturating_sub(before.filter(|before| *before <= first).unwrap_or(first))
        };
        DayLine {
            date: date(day.last_at),
            check_ins: day.check_ins,
            supply: format!("{:.2} V", f64::from(day.supply_mv) / 1000.0),
            signal: format!("{} dBm", day.rssi_dbm),
            restarts: since(earlier.map(|day| day.starts.1), day.starts),
            pulses: since(earlier.map(|day| day.relay_pulses.1), day.relay_pulses),
            versions: match &day.versions {
                (net, Some(io)) => format!("net {net}, io {io}"),
                (net, None) => format!("net {net}, io does not answer"),
            },
        }
    };
    days.iter().enumerate().map(line).collect()
}

pub(super) async fn show(
    _who: SignedIn,
    app: web::Data<App>,
    id: web::Path<String>,
) -> Result<HttpResponse, PageError> {
    let (intervals, now, own) = (app.intervals, app.wall(), app.now());
    let node = NodeId::parse(&id).map_err(|_| PageError::NothingHere { now })?;
    let found = app
        .db
        .read::<_, ApiError, _>(move |conn| {
            let Some(row) = store::nodes::get(conn, &node)? else { return Ok(None) };
            let days = history::days(conn, &node, own - DAYS * 86_400)?;
            Ok(Some((views::node_view(conn, row, intervals, own)?, days)))
        })
        .await?;
    let (view, days) = found.ok_or(PageError::NothingHere { now })?;
    page(&Page {
        frame: Frame::new(now, true).with(app.db.trouble()),
        node: Door::new(&view, now),
        facts: facts(&view),
        days: day_lines(&days),
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn restarts_between_days_count_and_another_board_starts_anew() {
        let day = |starts, relay_pulses| Day {
            last_at: 1_800_000_000,
            check_ins: 3,
            supply_mv: 4987,
            rssi_dbm: -71,
            starts,
            relay_pulses,
            versions: ("1.0.0".to_owned(), None),
        };
        let lines = day_lines(&[day((1, 2), (0, 4)), day((9, 9), (60, 60)), day((5, 7), (50, 58))]);
        let counted: Vec<_> = lines.iter().map(|line| (line.restarts, line.pulses)).collect();
        assert_eq!(counted, [(1, 4), (2, 2), (2, 8)]);
        assert_eq!(
            (&*lines[0].date, &*lines[0].supply, &*lines[0].signal),
            ("2027-01-15", "4.99 V", "-71 dBm")
        );
        assert_eq!(lines[0].versions, "net 1.0.0, io does not answer");
    }
}

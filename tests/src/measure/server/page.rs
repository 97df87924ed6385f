//! How large the front page is.

use super::process::Running;
use crate::measure::{Bound, Group, Row};
use crate::tool::MeasureError;
use pintle::api::http::Http;
use pintle::api::{ApiError, Client, Trust};
use pintle_protocol::author::{node_id, vendor_id};
use pintle_protocol::id::{Digest, Uuid16};
use pintle_server::contract::ExpectNode;

/// Front page with eight nodes, style and all, in KiB: loads within a second over a weak Wi-Fi.
const PAGE_KIB: f64 = 48.0;
/// The doors, gates and hatches of Larkfield.
const NODES: [&str; 8] = [
    "barn door",
    "cart shed",
    "cider store",
    "east gate",
    "hen hatch",
    "lane gate",
    "tool shed",
    "wood store",
];

/// The front page as a browser that is signed in gets it.
pub(crate) fn rows(show: &mut dyn FnMut(Row)) -> Result<(), MeasureError> {
    let data = super::process::folder()?;
    let running = Running::start(data.path(), &["--plain"])?;
    let api = |error: ApiError| MeasureError::Unexpected {
        what: "an answer of the operator's API",
        found: error.to_string(),
    };
    let http = Http::new(&running.base, Trust::Plain, running.token.clone().into()).map_err(api)?;
    let client = Client::over(http);
    for name in NODES {
        let expect = ExpectNode {
            name: name.to_owned(),
            class: Uuid16([1; 16]),
            code_digest: Digest::of(name.as_bytes()),
            replace: false,
        };
        client.expect_node(&node_id(vendor_id("larkfield.example"), name), &expect).map_err(api)?;
    }
    let link = client.sign_in_link().map_err(api)?;
    let (head, _) = running.ask("POST", &link.path, "")?;
    let cookie = head
        .lines()
        .find_map(|line| line.to_ascii_lowercase().starts_with("set-cookie:").then_some(&line[11..]))
        .and_then(|value| value.split(';').next())
        .map(str::trim)
        .ok_or_else(|| MeasureError::Unexpected { what: "a cookie after signing in", found: head.clone() })?;
    let (head, body) = running.ask("GET", "/", cookie)?;
    let text = String::from_utf8_lossy(&body);
    if !head.starts_with("HTTP/1.1 200") || NODES.iter().any(|name| !text.contains(name)) {
        return Err(MeasureError::Unexpected { what: "the front page with all nodes", found: head });
    }
    show(Row {
        group: Group::Page,
        name: "front page with eight nodes, KiB",
        value: body.len() as f64 / 1024.0,
        bound: Bound::AtMost(PAGE_KIB),
    });
    Ok(())
}

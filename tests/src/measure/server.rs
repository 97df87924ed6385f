//! The real server, as a program of its own on loopback: how much memory it takes, how large its front page is.

use super::{Group, Row};
use crate::tool::{MeasureError, cargo, timed, workspace};
use pintle::api::http::Http;
use pintle::api::{ApiError, Client, Trust};
use pintle_protocol::author::{node_id, vendor_id};
use pintle_protocol::id::{Digest, Uuid16};
use pintle_server::contract::ExpectNode;
use std::fs;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::Duration;
use tempfile::TempDir;

/// Resident memory of a server that has nothing to do, in MiB.
const IDLE_MIB: f64 = 25.0;
/// Front page with eight nodes, style and all, in KiB: loads within a second over a weak Wi-Fi.
const PAGE_KIB: f64 = 48.0;
/// How long anything may take before it counts as failed.
const PATIENCE: Duration = Duration::from_secs(20);
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

/// A server that runs, in a folder of its own. Stopped and waited for when dropped.
struct Running {
    child: Child,
    base: String,
    token: String,
    _data: TempDir,
}

impl Drop for Running {
    fn drop(&mut self) {
        // It is a child of ours, so its number cannot belong to anything else yet.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

impl Running {
    fn start(more: &[&str]) -> Result<Self, MeasureError> {
        let program = built()?;
        let data = tempfile::tempdir()
            .map_err(|source| MeasureError::File { path: std::env::temp_dir(), source })?;
        let mut child = Command::new(&program)
            .arg("--data")
            .arg(data.path())
            .args(["--listen", "127.0.0.1:0"])
            .args(more)
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .map_err(|source| MeasureError::Start { program: program.display().to_string(), source })?;
        let said = child.stdout.take();
        let mut running = Self { child, base: String::new(), token: String::new(), _data: data };
        // It says where it listens, or ends; either way the lines end.
        for line in said.into_iter().flat_map(|out| BufReader::new(out).lines()) {
            let line = line.map_err(|source| MeasureError::File { path: program.clone(), source })?;
            if let Some((_, token)) = line.split_once("token (shown once, kept nowhere): ") {
                running.token = token.to_owned();
            }
            if let Some(base) = line.strip_prefix("listening on ") {
                running.base = base.to_owned();
                return Ok(running);
            }
        }
        Err(MeasureError::Unexpected {
            what: "a line `listening on ...` of the server",
            found: String::new(),
        })
    }

    /// One request; returns head and body.
    fn ask(&self, method: &str, path: &str, cookie: &str) -> Result<(String, Vec<u8>), MeasureError> {
        let host = self.base.trim_start_matches("http://");
        let at = |source| MeasureError::File { path: PathBuf::from(&self.base), source };
        let mut stream = TcpStream::connect(host).map_err(at)?;
        stream.set_read_timeout(Some(PATIENCE)).map_err(at)?;
        let request = format!(
            "{method} {path} HTTP/1.1\r\nHost: {host}\r\nOrigin: {}\r\nCookie: {cookie}\r\nContent-Length: 0\r\n\
             Accept-Encoding: identity\r\nConnection: close\r\n\r\n",
            self.base
        );
        stream.write_all(request.as_bytes()).map_err(at)?;
        let mut answer = Vec::new();
        stream.read_to_end(&mut answer).map_err(at)?;
        let Some(end) = answer.windows(4).position(|w| w == b"\r\n\r\n") else {
            let found = String::from_utf8_lossy(&answer).into_owned();
            return Err(MeasureError::Unexpected { what: "an HTTP answer", found });
        };
        let body = answer.split_off(end + 4);
        Ok((String::from_utf8_lossy(&answer).into_owned(), body))
    }
}

/// The server in the folder of this program, built from what is there now.
fn built() -> Result<PathBuf, MeasureError> {
    let me = std::env::current_exe().map_err(|source| MeasureError::File { path: PathBuf::new(), source })?;
    let release = me.parent().unwrap_or(Path::new("."));
    let target = release.parent().unwrap_or(release);
    timed(
        cargo(target)
            .args(["build", "--release", "--locked", "-p", "pintle-server"])
            .current_dir(workspace()),
    )?;
    Ok(release.join("pintle-server"))
}

/// Memory of a server with TLS, two seconds after it was ready.
pub(super) fn memory_rows() -> Result<Vec<Row>, MeasureError> {
    let running = Running::start(&[])?;
    std::thread::sleep(Duration::from_secs(2));
    let path = PathBuf::from(format!("/proc/{}/status", running.child.id()));
    let status =
        fs::read_to_string(&path).map_err(|source| MeasureError::File { path: path.clone(), source })?;
    let kib = status
        .lines()
        .find_map(|line| line.strip_prefix("VmRSS:")?.trim().strip_suffix(" kB")?.parse::<f64>().ok())
        .ok_or(MeasureError::Unexpected { what: "a line VmRSS", found: status })?;
    Ok(vec![Row {
        group: Group::Server,
        name: "resident memory when idle, MiB",
        value: kib / 1024.0,
        bound: IDLE_MIB,
    }])
}

/// The front page as a browser that is signed in gets it.
pub(super) fn page_rows() -> Result<Vec<Row>, MeasureError> {
    let running = Running::start(&["--plain"])?;
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
    Ok(vec![Row {
        group: Group::Page,
        name: "front page with eight nodes, KiB",
        value: body.len() as f64 / 1024.0,
        bound: PAGE_KIB,
    }])
}

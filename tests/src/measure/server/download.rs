//! Downloads, compared with nginx serving the same files to the same client over the same connections.

use super::nginx::Nginx;
use super::{PATIENCE, TURNS, Yard, row};
use crate::load::{Lane, Trust, drive, fetch_request};
use crate::measure::{Bound, Row, median};
use crate::tool::MeasureError;
use pintle::api::http::Http;
use pintle::api::{ApiError, Client};
use pintle_protocol::id::Digest;
use std::net::SocketAddr;

/// Bytes a second, compared with nginx.
const TIMES_NGINX: f64 = 0.8;
const CONNECTIONS: usize = 64;
/// Different images that are fetched, each of so many bytes.
const IMAGES: u8 = 4;
const BYTES: usize = 1 << 20;
/// Downloads in one turn on each connection.
const EACH: usize = 32;

/// Names of the rows, plain and with TLS.
const NAMES: [[&str; 3]; 2] = [
    [
        "downloads of 1 MiB over 64 connections, times nginx",
        "downloads, MiB a second",
        "downloads from nginx, MiB a second",
    ],
    [
        "downloads of 1 MiB over 64 connections with TLS, times nginx",
        "downloads with TLS, MiB a second",
        "downloads with TLS from nginx, MiB a second",
    ],
];

pub(super) fn rows(show: &mut dyn FnMut(Row)) -> Result<(), MeasureError> {
    let yards = [Yard::open(100, false)?, Yard::open(100, true)?];
    let images: Vec<Vec<u8>> = (0..IMAGES).map(image).collect();
    for yard in &yards {
        images.iter().try_for_each(|image| upload(yard, image))?;
    }
    let images: Vec<Digest> = images.iter().map(|image| Digest::of(image)).collect();
    let [_, with_tls] = &yards;
    let folder = super::process::folder()?;
    let nginx = Nginx::start(folder.path(), &with_tls.folder().join("payloads"), with_tls.folder())?;
    for ((yard, theirs), names) in yards.iter().zip([nginx.plain, nginx.tls]).zip(NAMES) {
        let ours = yard.running.addr()?;
        for addr in [ours, theirs] {
            check(addr, &yard.trust, &images)?;
            mib_a_second(addr, &yard.trust, &images)?;
        }
        let (mut ratios, mut rates) = (Vec::new(), [Vec::new(), Vec::new()]);
        for _ in 0..TURNS {
            let (we, they) =
                (mib_a_second(ours, &yard.trust, &images)?, mib_a_second(theirs, &yard.trust, &images)?);
            ratios.push(we / they);
            rates.iter_mut().zip([we, they]).for_each(|(values, value)| values.push(value));
        }
        let ([we, they], [ratio_name, we_name, they_name]) = (rates, names);
        show(row(ratio_name, median(ratios), Bound::AtLeast(TIMES_NGINX)));
        show(row(we_name, median(we), Bound::Shown));
        show(row(they_name, median(they), Bound::Shown));
    }
    Ok(())
}

/// Bytes that do not repeat: SHA-256 of one number after the other.
fn image(n: u8) -> Vec<u8> {
    (0..BYTES / 32).flat_map(|i| Digest::of(format!("image {n} {i}").as_bytes()).0).collect()
}

fn upload(yard: &Yard, image: &[u8]) -> Result<(), MeasureError> {
    let api = |error: ApiError| MeasureError::Unexpected { what: "an upload", found: error.to_string() };
    let path = yard.folder().join("ca.pem");
    let ca = match yard.trust {
        Trust::Plain => None,
        Trust::Root(_) => {
            Some(std::fs::read(&path).map_err(|source| MeasureError::File { path: path.clone(), source })?)
        }
    };
    let trust = ca.as_deref().map_or(pintle::api::Trust::Plain, pintle::api::Trust::Authority);
    let base = yard.running.base.replace("127.0.0.1", "localhost");
    let http = Http::new(&base, trust, yard.running.token.clone().into()).map_err(api)?;
    Client::over(http).put_payload(image.to_vec()).map_err(api)?;
    Ok(())
}

/// Makes sure that each image comes as it was uploaded.
fn check(addr: SocketAddr, trust: &Trust, images: &[Digest]) -> Result<(), MeasureError> {
    let requests = images.iter().map(|image| (fetch_request(image), 1)).collect();
    let took = drive(addr, trust, vec![Lane { requests, keep: true }], PATIENCE)?;
    let found: Vec<Digest> = took.answers.iter().flatten().map(|answer| Digest::of(&answer.body)).collect();
    if found == images {
        return Ok(());
    }
    Err(MeasureError::Unexpected { what: "the images that were uploaded", found: format!("{found:?}") })
}

fn mib_a_second(addr: SocketAddr, trust: &Trust, images: &[Digest]) -> Result<f64, MeasureError> {
    let lane = |n: usize| {
        // Each connection begins with another image.
        let requests =
            (0..EACH).filter_map(|i| Some((fetch_request(images.get((n + i) % images.len())?), 1)));
        Lane { requests: requests.collect(), keep: false }
    };
    let took = drive(addr, trust, (0..CONNECTIONS).map(lane).collect(), PATIENCE)?;
    took.all_are(200)?;
    let bytes = took.bytes();
    if bytes != (CONNECTIONS * EACH * BYTES) as u64 {
        return Err(MeasureError::Unexpected {
            what: "1 MiB each time",
            found: format!("{bytes} bytes in all"),
        });
    }
    Ok(bytes as f64 / BYTES as f64 / took.time.as_secs_f64())
}

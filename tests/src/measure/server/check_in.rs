//! What a check-in costs the server, and how many it takes.

use super::bare::{Signatures, commits_a_second};
use super::{TURNS, Yard, row};
use crate::measure::{Bound, Row, median};
use crate::tool::MeasureError;
use std::time::Duration;

/// Time on the processor for a check-in, compared with verifying and making a signature.
const TIMES_SIGNATURES: f64 = 2.0;
/// Check-ins a second, compared with single commits.
const TIMES_COMMITS: f64 = 15.0;
const NODES: u32 = 10_000;
const CONNECTIONS: u32 = 256;
/// Check-ins in one turn.
const COUNT: u32 = 10_240;
/// How often in one turn half as many connections are made anew.
const FRESH: u32 = 10;

pub(super) fn rows(show: &mut dyn FnMut(Row)) -> Result<(), MeasureError> {
    let yard = Yard::open(NODES, false)?;
    let with_tls = Yard::open(NODES, true)?;
    let signatures = Signatures::of(yard.fleet, 5_000);
    // The first turn warms caches and is not counted.
    yard.check_in(CONNECTIONS, COUNT)?;
    with_tls.check_in(CONNECTIONS, COUNT)?;
    let (mut bare, mut cpu, mut tls_cpu) = (Vec::new(), Vec::new(), Vec::new());
    let (mut singles, mut fresh) = (Vec::new(), Vec::new());
    let (mut cost, mut tls_cost, mut over, mut rates) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
    for _ in 0..TURNS {
        let signature = signatures.seconds_each()?;
        let single = commits_a_second(yard.folder(), Duration::from_secs(2))?;
        let (took, seconds) = yard.check_in(CONNECTIONS, COUNT)?;
        fresh.push(over_fresh_connections(&with_tls)? * 1e6);
        let each = seconds / took.count() as f64;
        let (tls_took, tls_seconds) = with_tls.check_in(CONNECTIONS, COUNT)?;
        let tls_each = tls_seconds / tls_took.count() as f64;
        cost.push(each / signature);
        tls_cost.push(tls_each / signature);
        over.push(took.rate() / single);
        singles.push(single);
        rates.push(took.rate());
        for (values, value) in [(&mut bare, signature), (&mut cpu, each), (&mut tls_cpu, tls_each)] {
            values.push(value * 1e6);
        }
    }
    show(row(
        "processor time of a durable check-in, times that of bare verify and sign",
        median(cost),
        Bound::AtMost(TIMES_SIGNATURES),
    ));
    show(row("the same over TLS", median(tls_cost), Bound::Shown));
    show(row("bare verify and sign, microseconds", median(bare), Bound::Shown));
    show(row("processor time of a check-in, microseconds", median(cpu), Bound::Shown));
    show(row("processor time of a check-in over TLS, microseconds", median(tls_cpu), Bound::Shown));
    show(row(
        "processor time of a check-in over a TLS connection of its own, microseconds",
        median(fresh),
        Bound::Shown,
    ));
    show(row(
        "durable check-ins over 256 connections, times single commits",
        median(over),
        Bound::AtLeast(TIMES_COMMITS),
    ));
    show(row("durable check-ins over 256 connections, a second", median(rates), Bound::Shown));
    show(row("single commits a second", median(singles), Bound::Shown));
    Ok(())
}

/// Time on the processor for a check-in with a handshake before it, as from a node that checks in every few
/// minutes, in seconds.
fn over_fresh_connections(yard: &Yard) -> Result<f64, MeasureError> {
    let before = yard.running.process.cpu_seconds()?;
    let mut count = 0;
    for _ in 0..FRESH {
        let (took, _) = yard.check_in(CONNECTIONS / 2, CONNECTIONS / 2)?;
        count += took.count();
    }
    Ok((yard.running.process.cpu_seconds()? - before) / count as f64)
}

//! A million nodes: what they cost when the server starts, in memory, and at every check-in.

use super::process::Running;
use super::{TURNS, Yard, row};
use crate::measure::{Bound, Row, median};
use crate::tool::MeasureError;

/// Registered nodes.
const MANY: u32 = 1_000_000;
/// With which they are compared.
const FEW: u32 = 1_000;
/// A start, in seconds.
const START_SECONDS: f64 = 2.0;
/// Highest resident memory, in MiB.
const MIB: f64 = 400.0;
/// Time on the processor for a check-in, compared with few nodes.
const TIMES_FEW: f64 = 1.5;
const CONNECTIONS: u32 = 256;
const COUNT: u32 = 10_240;

pub(super) fn rows(show: &mut dyn FnMut(Row)) -> Result<(), MeasureError> {
    let Yard { fleet, running, data, .. } = Yard::open(MANY, false)?;
    let mut starts = vec![running.ready.as_secs_f64()];
    drop(running);
    while starts.len() < 3 {
        let running = Running::start(data.path(), &["--plain"])?;
        starts.push(running.ready.as_secs_f64());
    }
    show(row("start with 1,000,000 nodes, s", median(starts), Bound::AtMost(START_SECONDS)));
    let (many, few) = (Yard::on(fleet, data, false)?, Yard::open(FEW, false)?);
    let (mut cost, mut alone, mut each) = (Vec::new(), Vec::new(), [Vec::new(), Vec::new()]);
    for turn in 0..=TURNS {
        let mut cpu = [0.0; 2];
        let mut wait = [0.0; 2];
        for (at, yard) in [&few, &many].into_iter().enumerate() {
            let (took, seconds) = yard.check_in(CONNECTIONS, COUNT)?;
            cpu[at] = seconds / took.count() as f64;
            let (took, _) = yard.check_in(1, 100)?;
            wait[at] = took.within(0.5).as_secs_f64();
        }
        // The first turn warms caches and is not counted.
        if turn > 0 {
            cost.push(cpu[1] / cpu[0]);
            alone.push(wait[1] / wait[0]);
            each.iter_mut().zip(cpu).for_each(|(values, value)| values.push(value * 1e6));
        }
    }
    let [few_each, many_each] = each;
    show(row(
        "processor time of a check-in with 1,000,000 nodes, times that with 1,000",
        median(cost),
        Bound::AtMost(TIMES_FEW),
    ));
    show(row(
        "waiting for one check-in with 1,000,000 nodes, times that with 1,000",
        median(alone),
        Bound::AtMost(TIMES_FEW),
    ));
    show(row("processor time of a check-in with 1,000 nodes, microseconds", median(few_each), Bound::Shown));
    show(row(
        "processor time of a check-in with 1,000,000 nodes, microseconds",
        median(many_each),
        Bound::Shown,
    ));
    let found = many.running.process.memory_mib("VmHWM")?;
    show(row("highest resident memory with 1,000,000 nodes, MiB", found, Bound::AtMost(MIB)));
    Ok(())
}

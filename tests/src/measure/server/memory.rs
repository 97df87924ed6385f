//! How much memory the server takes.

use super::{Yard, row};
use crate::measure::{Bound, Row};
use crate::tool::MeasureError;
use std::time::Duration;

/// With 100 nodes and nothing to do, in MiB.
const IDLE_MIB: f64 = 25.0;
/// At most while 10,000 nodes check in over 256 connections with TLS, in MiB.
const LOADED_MIB: f64 = 80.0;

pub(super) fn rows(show: &mut dyn FnMut(Row)) -> Result<(), MeasureError> {
    let idle = Yard::open(100, true)?;
    std::thread::sleep(Duration::from_secs(2));
    let found = idle.running.process.memory_mib("VmRSS")?;
    show(row("resident memory when idle with 100 nodes, MiB", found, Bound::AtMost(IDLE_MIB)));
    drop(idle);
    let loaded = Yard::open(10_000, true)?;
    loaded.check_in(256, 20_480)?;
    let found = loaded.running.process.memory_mib("VmHWM")?;
    show(row("highest resident memory with 10,000 nodes under load, MiB", found, Bound::AtMost(LOADED_MIB)));
    Ok(())
}

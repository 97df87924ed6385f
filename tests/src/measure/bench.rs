//! How long things take.

use super::{Bound, Group, Row};
use crate::tool::{MeasureError, cargo, timed, workspace};
use std::process::Command;

/// A release build from an empty folder, in seconds.
const BUILD_SECONDS: f64 = 300.0;
/// A rehearsal, in seconds.
const REHEARSAL_SECONDS: f64 = 60.0;

/// Builds both programs from nothing, then rehearses with what was built.
pub(super) fn rows(show: &mut dyn FnMut(Row)) -> Result<(), MeasureError> {
    let folder =
        tempfile::tempdir().map_err(|source| MeasureError::File { path: std::env::temp_dir(), source })?;
    let built = folder.path().join("target");
    // Downloads are the network's time, not the build's.
    timed(cargo(&built).args(["fetch", "--locked"]).current_dir(workspace()))?;
    let build = timed(
        cargo(&built)
            .args(["build", "--release", "--locked", "-p", "pintle", "-p", "pintle-server"])
            .current_dir(workspace()),
    )?;
    let mut rehearse = Command::new(built.join("release/pintle"));
    let rehearsal = timed(rehearse.arg("rehearse").current_dir(folder.path()))?;
    let row = |name, value: std::time::Duration, bound| Row {
        group: Group::Bench,
        name,
        value: value.as_secs_f64(),
        bound: Bound::AtMost(bound),
    };
    show(row("release build from an empty folder, s", build, BUILD_SECONDS));
    show(row("rehearsal, s", rehearsal, REHEARSAL_SECONDS));
    Ok(())
}

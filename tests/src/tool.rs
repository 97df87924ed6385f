//! Running programs for a measurement.

use std::io;
use std::path::{Path, PathBuf};
use std::process::{Command, ExitStatus, Stdio};
use std::time::{Duration, Instant};

/// Why a value could not be had.
#[derive(Debug, thiserror::Error)]
pub enum MeasureError {
    /// A program did not start.
    #[error("{program} did not start: {source}")]
    Start {
        /// The program.
        program: String,
        /// Why.
        source: io::Error,
    },
    /// A program failed.
    #[error("{command} ended with {status}:\n{said}")]
    Failed {
        /// The program and its arguments.
        command: String,
        /// How it ended.
        status: ExitStatus,
        /// The end of what it said.
        said: String,
    },
    /// A file was not read or written.
    #[error("{}: {source}", path.display())]
    File {
        /// The file.
        path: PathBuf,
        /// Why.
        source: io::Error,
    },
    /// A program that was linked cannot be read.
    #[error("{}: {fault}", path.display())]
    Program {
        /// The file.
        path: PathBuf,
        /// Why.
        fault: pintle::firmware::Fault,
    },
    /// Something did not happen in time.
    #[error("{what} within {seconds} s")]
    TooLate {
        /// What was waited for, as in "the server did not answer".
        what: &'static str,
        /// How long.
        seconds: u64,
    },
    /// Load could not be put on a server, or a folder not be filled for it.
    #[error(transparent)]
    Load(Box<dyn std::error::Error + Send + Sync>),
    /// A program said something else than expected.
    #[error("{what}: {found:?}")]
    Unexpected {
        /// What was expected.
        what: &'static str,
        /// What was found.
        found: String,
    },
}

/// The workspace.
pub(crate) fn workspace() -> PathBuf {
    let here = Path::new(env!("CARGO_MANIFEST_DIR"));
    here.parent().unwrap_or(here).to_path_buf()
}

/// Runs a command to its end, its output kept back; returns how long it took.
pub(crate) fn timed(command: &mut Command) -> Result<Duration, MeasureError> {
    let from = Instant::now();
    let program = command.get_program().to_string_lossy().into_owned();
    let out =
        command.stdin(Stdio::null()).output().map_err(|source| MeasureError::Start { program, source })?;
    let took = from.elapsed();
    if out.status.success() {
        return Ok(took);
    }
    let said = [out.stdout, out.stderr].concat();
    let tail = String::from_utf8_lossy(&said[said.len().saturating_sub(2_000)..]).into_owned();
    Err(MeasureError::Failed { command: format!("{command:?}"), status: out.status, said: tail })
}

/// Cargo, as it was when this program was built, without settings that would change what it builds.
pub(crate) fn cargo(target: &Path) -> Command {
    let mut command = Command::new("cargo");
    command
        .env("CARGO_TARGET_DIR", target)
        .env_remove("CARGO_INCREMENTAL")
        .env_remove("RUSTFLAGS")
        .env_remove("CARGO_ENCODED_RUSTFLAGS");
    command
}

//! The rehearsal: the whole job once through, on virtual boards.
//!
//! Everything is real but the hardware: this crate's own library, a server with its SQLite file
//! behind real sockets and TLS, and the node core. The server's clock is moved by hand, so that
//! hours of soak pass in moments, and one seed repeats a run.

mod fleet;
mod host;
mod larkfield;
mod record;
mod report;
mod story;
mod wire;

pub use record::{Exchange, Record};
pub use report::{Act, NodeReport, PhaseReport, Report};

use crate::error::CliError;
use crate::exit::Exit;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use thiserror::Error;

/// How to rehearse.
#[derive(Clone, Debug)]
pub struct Options {
    /// Repeats a run exactly.
    pub seed: u64,
    /// Where the yard and the server's data go; a folder of its own that is removed afterwards if
    /// left out.
    pub dir: Option<PathBuf>,
    /// Where everything that nodes ask and are answered is put, if anybody wants to see it.
    pub record: Option<Record>,
}

/// A rehearsal that could not be carried through.
#[derive(Debug, Error)]
#[error("the rehearsal stopped while {doing}: {cause}")]
pub struct RehearsalError {
    /// What was being done.
    pub doing: String,
    /// Why it stopped.
    pub cause: String,
}

impl From<RehearsalError> for CliError {
    fn from(error: RehearsalError) -> Self {
        let hint = "run it again with another --seed, and see docs/safety.md before a real door".to_owned();
        Self::Other { message: error.to_string(), hint: Some(hint), exit: Exit::No }
    }
}

/// Writes a report as JSON.
///
/// # Errors
/// [`RehearsalError`] if the file cannot be written.
pub fn write_report(path: &Path, report: &Report) -> Result<(), RehearsalError> {
    let failed = |cause: String| RehearsalError { doing: format!("writing {}", path.display()), cause };
    let text = serde_json::to_string_pretty(report).map_err(|e| failed(e.to_string()))?;
    std::fs::write(path, text + "\n").map_err(|e| failed(e.to_string()))
}

/// A rehearsal that has ended, with its server still there.
pub struct Rehearsed {
    /// What it found out.
    pub report: Report,
    /// The folder with yard and server data.
    pub dir: PathBuf,
    stage: story::Stage,
}

impl Rehearsed {
    /// Where the server listens.
    pub fn address(&self) -> &str {
        self.stage.address()
    }

    /// A sign-in link for the page.
    ///
    /// # Errors
    /// [`RehearsalError`] if the server does not make one.
    pub fn link(&self) -> Result<String, RehearsalError> {
        self.stage.link().map_err(|cause| RehearsalError { doing: "making a link".to_owned(), cause })
    }

    /// Writes the yard's passphrase to a file, so that commands can be tried on this yard. It opens
    /// nothing but a rehearsal's keys.
    ///
    /// # Errors
    /// [`RehearsalError`] if the file cannot be written.
    pub fn write_passphrase(&self) -> Result<PathBuf, RehearsalError> {
        let path = self.dir.join("passphrase");
        std::fs::write(&path, larkfield::PASSPHRASE).map_err(|e| RehearsalError {
            doing: format!("writing {}", path.display()),
            cause: e.to_string(),
        })?;
        Ok(path)
    }

    /// Keeps the nodes and the server going in real time, second by second, until a line comes in
    /// on standard input, or input ends.
    ///
    /// # Errors
    /// [`RehearsalError`] if a node stops.
    pub fn stay(&mut self) -> Result<(), RehearsalError> {
        let stop = Arc::new(AtomicBool::new(false));
        let seen = Arc::clone(&stop);
        std::thread::spawn(move || {
            let _ = std::io::stdin().read_line(&mut String::new());
            seen.store(true, Ordering::SeqCst);
        });
        let doing = "staying".to_owned();
        self.stage.stay(&|| stop.load(Ordering::SeqCst)).map_err(|cause| RehearsalError { doing, cause })
    }

    /// Stops the server and removes the folder, if it is the rehearsal's own.
    pub fn end(self) {
        self.stage.stop();
    }
}

/// Rehearses. `say` is told what happens, one line at a time.
///
/// # Errors
/// [`RehearsalError`] naming the act that could not be carried through.
pub fn rehearse(options: &Options, say: &mut dyn FnMut(&str)) -> Result<Rehearsed, RehearsalError> {
    let own = options.dir.is_none();
    let dir = options.dir.clone().unwrap_or_else(|| {
        std::env::temp_dir().join(format!("pintle-rehearsal-{}-{}", std::process::id(), options.seed))
    });
    let mut stage = story::Stage::build(&dir, own, options)
        .map_err(|cause| RehearsalError { doing: "setting up".to_owned(), cause })?;
    let report = stage.play(say)?;
    Ok(Rehearsed { report, dir, stage })
}

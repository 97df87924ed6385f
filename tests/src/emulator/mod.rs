//! The node core as machine code: `firmware/emulated`, built for RISC-V and for Arm, run by QEMU.
//!
//! Flash is a file in a folder, so that it survives the emulator, which may be ended at any moment.

pub mod fixture;

use crate::tool::{MeasureError, cargo, timed, workspace};
use std::io::{BufRead, BufReader};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::mpsc::{Receiver, RecvTimeoutError, channel};
use std::time::{Duration, Instant};

/// How long one run may take before it counts as hung, in seconds.
const PATIENCE_SECONDS: u64 = 60;

/// A machine of QEMU's.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Machine {
    /// `virt`, running RV32IMC code.
    RiscV,
    /// `mps2-an385`, a Cortex-M3 running ARMv6-M code.
    Arm,
}

impl Machine {
    /// Both.
    pub const ALL: [Self; 2] = [Self::RiscV, Self::Arm];

    /// The compiler's name of its instruction set.
    pub const fn target(self) -> &'static str {
        match self {
            Self::RiscV => "riscv32imc-unknown-none-elf",
            Self::Arm => "thumbv6m-none-eabi",
        }
    }

    /// The emulator, and what it is to emulate.
    const fn emulator(self) -> (&'static str, &'static [&'static str]) {
        match self {
            Self::RiscV => ("qemu-system-riscv32", &["-M", "virt", "-bios", "none"]),
            Self::Arm => ("qemu-system-arm", &["-M", "mps2-an385"]),
        }
    }

    /// Builds the program for it, with the settings for small code that lie in its folder.
    ///
    /// # Errors
    /// [`MeasureError`] if it does not build.
    pub fn build(self) -> Result<PathBuf, MeasureError> {
        let built = workspace().join("target/emulated");
        let source = workspace().join("firmware/emulated");
        timed(cargo(&built).args(["build", "--release", "--target", self.target()]).current_dir(source))?;
        Ok(built.join(self.target()).join("release/emulated-node"))
    }
}

/// An emulator that runs. It is ended and waited for when this is dropped.
pub struct Emulator {
    child: Child,
    lines: Receiver<String>,
    until: Instant,
}

impl Emulator {
    /// Starts `program` with a command, in the folder with its files. `counted`: an instruction takes a nanosecond of
    /// its time, which makes it slower, and its counters right.
    ///
    /// # Errors
    /// [`MeasureError::Start`] if there is no such emulator.
    pub fn start(
        machine: Machine,
        program: &Path,
        folder: &Path,
        command: &[&str],
        counted: bool,
    ) -> Result<Self, MeasureError> {
        let (emulator, emulated) = machine.emulator();
        let words: String = command.iter().map(|word| format!(",arg={word}")).collect();
        let mut start = Command::new(emulator);
        start
            .args(emulated)
            .args(["-display", "none", "-serial", "none", "-monitor", "none", "-semihosting-config"])
            .arg(format!("enable=on,target=native{words}"))
            .arg("-kernel")
            .arg(program)
            .current_dir(folder);
        if counted {
            start.args(["-icount", "shift=0"]);
        }
        let mut child = start
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .map_err(|source| MeasureError::Start { program: emulator.to_owned(), source })?;
        let (tell, lines) = channel();
        let said = child.stdout.take();
        // Ends with the emulator, whose end closes the pipe.
        std::thread::spawn(move || {
            for line in said.into_iter().flat_map(|out| BufReader::new(out).lines()).map_while(Result::ok) {
                if tell.send(line).is_err() {
                    break;
                }
            }
        });
        Ok(Self { child, lines, until: Instant::now() + Duration::from_secs(PATIENCE_SECONDS) })
    }

    /// The next line that the program writes; `None` once it has ended.
    ///
    /// # Errors
    /// [`MeasureError::TooLate`] if none comes for too long.
    pub fn line(&mut self) -> Result<Option<String>, MeasureError> {
        match self.lines.recv_timeout(self.until.saturating_duration_since(Instant::now())) {
            Ok(line) => Ok(Some(line)),
            Err(RecvTimeoutError::Disconnected) => Ok(None),
            Err(RecvTimeoutError::Timeout) => {
                Err(MeasureError::TooLate { what: "the emulator did not end", seconds: PATIENCE_SECONDS })
            }
        }
    }

    /// Lets it run to its end.
    ///
    /// # Errors
    /// [`MeasureError`] if it takes too long, or ends with another exit code than 0.
    pub fn rest(mut self) -> Result<Vec<String>, MeasureError> {
        let mut lines = Vec::new();
        while let Some(line) = self.line()? {
            lines.push(line);
        }
        let at = |source| MeasureError::File { path: PathBuf::from("the emulator"), source };
        if self.child.wait().map_err(at)?.success() {
            return Ok(lines);
        }
        let found = lines.pop().unwrap_or_default();
        Err(MeasureError::Unexpected { what: "an emulated program that ends well", found })
    }
}

impl Drop for Emulator {
    fn drop(&mut self) {
        // It is a child of ours, so its number cannot belong to anything else yet.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

//! A server as a program of its own, and what the system says about it.

use crate::tool::{MeasureError, cargo, timed, workspace};
use std::fs;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

/// How long anything small may take before it counts as failed.
const PATIENCE: Duration = Duration::from_secs(20);
/// How long checking a large database may take.
const SETTLED: Duration = Duration::from_secs(120);
/// Ticks of a second in `/proc/<pid>/stat`: 100 on every Linux that this runs on (proc(5), USER_HZ).
const TICKS: f64 = 100.0;

/// A program that runs in a process of its own. Stopped and waited for when dropped.
pub(super) struct Process(pub(super) Child);

impl Drop for Process {
    fn drop(&mut self) {
        // It is a child of ours, so its number cannot belong to anything else yet.
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

fn said(process: u32, file: &str) -> Result<String, MeasureError> {
    let path = PathBuf::from(format!("/proc/{process}/{file}"));
    fs::read_to_string(&path).map_err(|source| MeasureError::File { path, source })
}

fn cpu_seconds(process: u32) -> Result<f64, MeasureError> {
    let stat = said(process, "stat")?;
    // The name in brackets may hold anything; what follows is numbers. Fields 14 and 15 are user and system time.
    let fields = stat.rsplit_once(") ").map_or("", |(_, rest)| rest).split(' ');
    let times: Vec<f64> = fields.skip(11).take(2).filter_map(|n| n.parse().ok()).collect();
    match times[..] {
        [user, system] => Ok((user + system) / TICKS),
        _ => Err(MeasureError::Unexpected { what: "times in /proc/<pid>/stat", found: stat }),
    }
}

/// Waits until a process has nothing to do for a second: a server checks a large database after its start.
pub(super) fn settle(process: u32) -> Result<(), MeasureError> {
    let from = Instant::now();
    let mut before = cpu_seconds(process)?;
    while from.elapsed() < SETTLED {
        std::thread::sleep(Duration::from_secs(1));
        let now = cpu_seconds(process)?;
        if now - before < 0.05 {
            return Ok(());
        }
        before = now;
    }
    Err(MeasureError::TooLate { what: "a server that came to rest", seconds: SETTLED.as_secs() })
}

impl Process {
    /// Time on the processor so far, in the program and for it in the kernel, in seconds.
    pub(super) fn cpu_seconds(&self) -> Result<f64, MeasureError> {
        cpu_seconds(self.0.id())
    }

    /// A line of its status in MiB: `VmRSS` now, `VmHWM` at most so far.
    pub(super) fn memory_mib(&self, line: &str) -> Result<f64, MeasureError> {
        let status = said(self.0.id(), "status")?;
        status
            .lines()
            .find_map(|l| {
                l.strip_prefix(line)?.strip_prefix(':')?.trim().strip_suffix(" kB")?.parse::<f64>().ok()
            })
            .map(|kib| kib / 1024.0)
            .ok_or(MeasureError::Unexpected {
                what: "a line about memory in /proc/<pid>/status",
                found: status,
            })
    }
}

/// A server that runs on a folder of its own or a given one.
pub(super) struct Running {
    pub(super) process: Process,
    /// Scheme, address and port.
    pub(super) base: String,
    /// The operator's token, at the first start of a folder.
    pub(super) token: String,
    /// The key that signs its replies, as text.
    pub(super) key: String,
    /// From starting the program until it said where it listens.
    pub(super) ready: Duration,
}

impl Running {
    /// Starts it on this folder.
    pub(super) fn start(data: &Path, more: &[&str]) -> Result<Self, MeasureError> {
        let program = built()?;
        let from = Instant::now();
        let mut child = Command::new(&program)
            .arg("--data")
            .arg(data)
            .args(["--listen", "127.0.0.1:0"])
            .args(more)
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(Stdio::null())
            .spawn()
            .map_err(|source| MeasureError::Start { program: program.display().to_string(), source })?;
        let said = child.stdout.take();
        let (base, token, key) = (String::new(), String::new(), String::new());
        let mut running = Self { process: Process(child), base, token, key, ready: Duration::ZERO };
        // It says where it listens, or ends; either way the lines end.
        for line in said.into_iter().flat_map(|out| BufReader::new(out).lines()) {
            let line = line.map_err(|source| MeasureError::File { path: program.clone(), source })?;
            if let Some((_, token)) = line.split_once("token (shown once, kept nowhere): ") {
                running.token = token.to_owned();
            }
            if let Some(key) = line.strip_prefix("server key: ") {
                running.key = key.to_owned();
            }
            if let Some(base) = line.strip_prefix("listening on ") {
                running.base = base.to_owned();
                running.ready = from.elapsed();
                return Ok(running);
            }
        }
        Err(MeasureError::Unexpected {
            what: "a line `listening on ...` of the server",
            found: String::new(),
        })
    }

    /// Where it listens.
    pub(super) fn addr(&self) -> Result<SocketAddr, MeasureError> {
        let found = self.base.rsplit('/').next().unwrap_or_default();
        found.parse().map_err(|_| MeasureError::Unexpected { what: "an address", found: found.to_owned() })
    }

    /// One request; returns head and body.
    pub(super) fn ask(
        &self,
        method: &str,
        path: &str,
        cookie: &str,
    ) -> Result<(String, Vec<u8>), MeasureError> {
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

/// The folder of this program, in which the server is built.
fn release() -> Result<PathBuf, MeasureError> {
    let me = std::env::current_exe().map_err(|source| MeasureError::File { path: PathBuf::new(), source })?;
    Ok(me.parent().unwrap_or(Path::new(".")).to_path_buf())
}

/// Where fleets are kept between measurements.
pub(super) fn kept() -> Result<PathBuf, MeasureError> {
    Ok(release()?.join("fleets"))
}

/// A folder that goes with the measurement, on the disk on which fleets are kept.
pub(super) fn folder() -> Result<tempfile::TempDir, MeasureError> {
    let kept = kept()?;
    let at = |source| MeasureError::File { path: kept.clone(), source };
    fs::create_dir_all(&kept).map_err(at)?;
    tempfile::tempdir_in(&kept).map_err(at)
}

/// The server in the folder of this program, built from what is there now.
fn built() -> Result<PathBuf, MeasureError> {
    static BUILT: std::sync::OnceLock<()> = std::sync::OnceLock::new();
    let release = release()?;
    if BUILT.get().is_none() {
        let target = release.parent().unwrap_or(&release);
        timed(
            cargo(target)
                .args(["build", "--release", "--locked", "-p", "pintle-server"])
                .current_dir(workspace()),
        )?;
        let _ = BUILT.set(());
    }
    Ok(release.join("pintle-server"))
}

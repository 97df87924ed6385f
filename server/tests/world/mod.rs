//! The server's program, the way to it with or without TLS, and luck that can be repeated.
#![allow(dead_code, unreachable_pub, reason = "each test binary uses a part")]

use super::common::Answer;
use pintle_protocol::id::PublicKey;
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, ServerName};
use rustls::{ClientConfig, ClientConnection, RootCertStore, StreamOwned};
use std::io::{BufRead, BufReader, Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::path::Path;
use std::process::{Child, Command, ExitStatus, Stdio};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

/// How long anything may take before it counts as failed.
const PATIENCE: Duration = Duration::from_secs(20);

/// The way to a server.
#[derive(Clone)]
pub struct Door {
    pub addr: SocketAddr,
    pub server_key: PublicKey,
    tls: Option<Arc<ClientConfig>>,
}

impl Door {
    /// One request over a connection of its own; nothing if there is no whole answer.
    ///
    /// `field`: a further line of its head.
    pub fn ask(&self, method: &str, path: &str, field: &str, body: &[u8]) -> Option<Answer> {
        let stream = TcpStream::connect(self.addr).ok()?;
        stream.set_read_timeout(Some(PATIENCE)).ok()?;
        let Some(config) = &self.tls else { return exchange(stream, method, path, field, body) };
        let name = ServerName::try_from("localhost").unwrap();
        let connection = ClientConnection::new(config.clone(), name).unwrap();
        exchange(StreamOwned::new(connection, stream), method, path, field, body)
    }
}

impl Door {
    /// The first message of a TLS handshake.
    pub fn client_hello(&self) -> Vec<u8> {
        let name = ServerName::try_from("localhost").unwrap();
        let mut connection = ClientConnection::new(self.tls.clone().unwrap(), name).unwrap();
        let mut hello = Vec::new();
        connection.write_tls(&mut hello).unwrap();
        hello
    }
}

fn exchange(
    mut stream: impl Read + Write,
    method: &str,
    path: &str,
    field: &str,
    body: &[u8],
) -> Option<Answer> {
    let len = body.len();
    let head = format!(
        "{method} {path} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n{field}\r\nContent-Length: {len}\r\n\r\n"
    );
    stream.write_all(head.as_bytes()).ok()?;
    stream.write_all(body).ok()?;
    stream.flush().ok()?;
    let mut bytes = Vec::new();
    let mut piece = [0; 4096];
    while let Ok(n @ 1..) = stream.read(&mut piece) {
        bytes.extend_from_slice(&piece[..n]);
    }
    whole(&bytes)
}

/// The answer, unless it was cut off.
fn whole(bytes: &[u8]) -> Option<Answer> {
    let end = bytes.windows(4).position(|w| w == b"\r\n\r\n")?;
    let head = String::from_utf8(bytes[..end].to_vec()).unwrap();
    let body = bytes[end + 4..].to_vec();
    let length = head
        .lines()
        .find_map(|line| line.to_ascii_lowercase().strip_prefix("content-length: ")?.parse().ok());
    if length.is_some_and(|length: usize| length != body.len()) {
        return None;
    }
    let status = head.split(' ').nth(1).unwrap().parse().unwrap();
    Some(Answer { status, head, body })
}

/// A server program that runs; killed when dropped.
pub struct Program {
    child: Child,
    pub door: Door,
    pub token: Option<String>,
}

impl Program {
    /// Starts it on a free port of loopback, and kills it after this time, wherever it is then.
    pub fn start_and_kill(data: &Path, after: Duration) {
        let mut child = spawn(data, false);
        std::thread::sleep(after);
        child.kill().unwrap();
        child.wait().unwrap();
    }

    /// Starts it on a free port of loopback.
    pub fn start(data: &Path, tls: bool) -> Self {
        Self::listening(spawn(data, tls), data, tls)
    }

    /// A program, started in whatever way, once it listens.
    pub fn listening(mut child: Child, data: &Path, tls: bool) -> Self {
        let (mut addr, mut key, mut token) = (None, None, None);
        for line in BufReader::new(child.stdout.take().unwrap()).lines() {
            let line = line.unwrap();
            let (what, value) = line.rsplit_once(' ').unwrap();
            if what.starts_with("operator token") {
                token = Some(value.to_owned());
            } else if what.starts_with("server key") {
                key = Some(PublicKey::parse(value).unwrap());
            } else if what.starts_with("listening") {
                addr = Some(value.split_once("://").unwrap().1.parse().unwrap());
                break;
            }
        }
        let tls = tls.then(|| pinned(&data.join("ca.pem")));
        let door = Door { addr: addr.expect("it did not start"), server_key: key.unwrap(), tls };
        Self { child, door, token }
    }

    /// Ends it at once, wherever it is: SIGKILL.
    pub fn kill(&mut self) {
        self.child.kill().unwrap();
        self.child.wait().unwrap();
    }

    /// Asks it to stop by a signal, such as `TERM`.
    pub fn signal(&self, name: &str) {
        let sent = Command::new("kill").args(["-s", name, &self.pid().to_string()]).status();
        assert!(sent.unwrap().success());
    }

    /// How it ended by itself.
    pub fn ended(&mut self) -> ExitStatus {
        let until = Instant::now() + PATIENCE;
        loop {
            if let Some(status) = self.child.try_wait().unwrap() {
                return status;
            }
            assert!(Instant::now() < until, "it did not end");
            std::thread::sleep(Duration::from_millis(10));
        }
    }

    /// Its number in the system.
    pub fn pid(&self) -> u32 {
        self.child.id()
    }

    /// Memory that it has in use, in KiB.
    pub fn resident_kib(&self) -> u64 {
        let status = std::fs::read_to_string(format!("/proc/{}/status", self.child.id())).unwrap();
        let line = status.lines().find_map(|line| line.strip_prefix("VmRSS:")).unwrap();
        line.trim().trim_end_matches(" kB").parse().unwrap()
    }
}

impl Drop for Program {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn spawn(data: &Path, tls: bool) -> Child {
    let mut command = Command::new(env!("CARGO_BIN_EXE_pintle-server"));
    command.args(["--listen", "127.0.0.1:0", "--data"]).arg(data).env("PINTLE_LOG", "error");
    if !tls {
        command.arg("--plain");
    }
    command.stdin(Stdio::null()).stdout(Stdio::piped()).spawn().unwrap()
}

/// A client that takes nothing but what this root signed.
pub fn pinned(root: &Path) -> Arc<ClientConfig> {
    let mut roots = RootCertStore::empty();
    roots.add(CertificateDer::from_pem_file(root).unwrap()).unwrap();
    let config = ClientConfig::builder_with_provider(Arc::new(rustls::crypto::ring::default_provider()))
        .with_safe_default_protocol_versions()
        .unwrap()
        .with_root_certificates(roots)
        .with_no_client_auth();
    Arc::new(config)
}

/// Sets a flag however a block is left.
pub struct SetAtEnd<'a>(pub &'a AtomicBool);

impl Drop for SetAtEnd<'_> {
    fn drop(&mut self) {
        self.0.store(true, Ordering::SeqCst);
    }
}

/// Numbers by chance, the same in every run: splitmix64 (Steele, Lea and Flood 2014).
pub struct Luck(u64);

impl Luck {
    pub const fn new(seed: u64) -> Self {
        Self(seed)
    }

    /// A number below this one.
    pub const fn below(&mut self, most: u64) -> u64 {
        self.0 = self.0.wrapping_add(0x9e37_79b9_7f4a_7c15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
        (z ^ (z >> 31)) % most
    }
}

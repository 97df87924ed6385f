//! The program on the local link: advertised and found over real multicast on loopback, beside somebody
//! who says the same with another key.

mod common;
mod world;

use mdns_sd::{IfKind, ServiceDaemon, ServiceInfo};
use pintle_protocol::board::SERVICE;
use pintle_protocol::cose::thumbprint;
use pintle_protocol::id::PublicKey;
use pintle_server::local_link::{self, Found};
use rustls::pki_types::ServerName;
use std::io::{BufRead, BufReader};
use std::net::{IpAddr, Ipv4Addr, SocketAddr, TcpStream};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::Duration;

const LOOPBACK: IpAddr = IpAddr::V4(Ipv4Addr::LOCALHOST);
/// Long enough for three questions and their answers.
const LISTEN: Duration = Duration::from_secs(3);

/// The program with TLS, its address and its key; killed when dropped.
struct Program(Child, SocketAddr, PublicKey);

impl Program {
    fn start(data: &Path, advertise: &str) -> Self {
        let mut child = Command::new(env!("CARGO_BIN_EXE_pintle-server"))
            .args(["--listen", "127.0.0.1:0", "--advertise", advertise, "--data"])
            .arg(data)
            .env("PINTLE_LOG", "warn")
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let out = BufReader::new(child.stdout.take().unwrap());
        let (mut addr, mut key) = (None, None);
        for line in out.lines().map_while(Result::ok) {
            let value = line.rsplit(' ').next().unwrap_or_default();
            if line.starts_with("server key") {
                key = PublicKey::parse(value).ok();
            } else if let Some(at) = value.strip_prefix("https://") {
                addr = at.parse().ok();
                break;
            }
        }
        Self(child, addr.expect("it listens"), key.expect("it tells its key"))
    }

    /// What is found of it among others that may be on this machine.
    fn find(&self) -> Option<Found> {
        let port = format!(":{}", self.1.port());
        local_link::search(LISTEN).unwrap().into_iter().find(|found| found.base.ends_with(&port))
    }
}

impl Drop for Program {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

#[test]
fn a_server_is_found_by_its_key_and_its_certificate_is_good_for_the_name_found() {
    let folder = tempfile::tempdir().unwrap();
    let mut program = Program::start(folder.path(), "always");
    let found = program.find().expect("it is advertised");
    assert_eq!(found.key, thumbprint(&program.2));
    assert_eq!(found.base, format!("https://{}:{}", local_link::host(&program.2), program.1.port()));
    assert!(found.addresses.contains(&LOOPBACK), "{found:?}");

    let handshake = |name: String| {
        let name = ServerName::try_from(name).unwrap();
        let config = world::pinned(&folder.path().join("ca.pem"));
        let mut tls = rustls::ClientConnection::new(config, name).unwrap();
        tls.complete_io(&mut TcpStream::connect(program.1).unwrap())
    };
    handshake(local_link::host(&program.2)).expect("the root that nodes pin vouches for the name");
    handshake(local_link::host(&PublicKey([1; 32]))).expect_err("not for another's");

    // It says farewell: nobody has to wait until its records have expired.
    let stop = Command::new("kill").args(["-TERM", &program.0.id().to_string()]).status().unwrap();
    assert!(stop.success() && program.0.wait().unwrap().success());
    assert_eq!(program.find(), None);
}

#[test]
fn whoever_says_the_same_with_another_key_is_told_apart() {
    let folder = tempfile::tempdir().unwrap();
    let program = Program::start(folder.path(), "always");
    let other = PublicKey([0x42; 32]);
    let daemon = ServiceDaemon::new().unwrap();
    daemon.disable_interface(IfKind::All).unwrap();
    daemon.enable_interface(IfKind::Addr(LOOPBACK)).unwrap();
    let key = hex::encode(thumbprint(&other));
    let txt = [("key", key.as_str()), ("tls", "1")];
    let service = format!("{SERVICE}.");
    let host = format!("{}.", local_link::host(&other));
    daemon
        .register(ServiceInfo::new(&service, "impostor", &host, LOOPBACK, 7443, &txt[..]).unwrap())
        .unwrap();

    let all = local_link::search(LISTEN).unwrap();
    let keyed = |key: &PublicKey| all.iter().filter(|found| found.key == thumbprint(key)).count();
    assert_eq!((keyed(&program.2), keyed(&other)), (1, 1), "{all:?}");
    daemon.shutdown().unwrap().recv_timeout(LISTEN).unwrap();
}

#[test]
fn a_server_on_loopback_is_not_advertised_unless_asked_for() {
    for when in ["auto", "never"] {
        let folder = tempfile::tempdir().unwrap();
        let program = Program::start(folder.path(), when);
        assert_eq!(program.find(), None, "{when}");
    }
}

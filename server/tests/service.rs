//! The program as a service: what its manager is told, and that a stop answers what is under way.
//!
//! # Source
//! `sd_notify(3)` and `sd_watchdog_enabled(3)` of systemd 252, for what comes by the datagram socket.
#![cfg(target_os = "linux")]

mod common;
mod world;

use common::{Node, ask, operator};
use pintle_protocol::id::Digest;
use std::fs::{self, File};
use std::io::{ErrorKind, PipeReader, Read, Write};
use std::net::{SocketAddr, TcpStream};
use std::os::unix::net::UnixDatagram;
use std::path::Path;
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};
use world::Program;

const PATIENCE: Duration = Duration::from_secs(20);

/// A service manager, as far as a service sees of it.
struct Manager(UnixDatagram);

impl Manager {
    fn new(folder: &Path) -> Self {
        Self(UnixDatagram::bind(folder.join("notify")).unwrap())
    }

    /// The next datagram; nothing if none comes in this time.
    fn next(&self, within: Duration) -> Option<String> {
        self.0.set_read_timeout(Some(within)).unwrap();
        let mut bytes = [0; 4096];
        match self.0.recv(&mut bytes) {
            Ok(n) => Some(String::from_utf8(bytes[..n].to_vec()).unwrap()),
            Err(e) if matches!(e.kind(), ErrorKind::WouldBlock | ErrorKind::TimedOut) => None,
            Err(e) => panic!("{e}"),
        }
    }

    /// The next datagram with this line.
    #[track_caller]
    fn hears(&self, line: &str) -> String {
        let until = Instant::now() + PATIENCE;
        while Instant::now() < until {
            if let Some(told) = self.next(Duration::from_millis(100))
                && told.lines().any(|own| own == line)
            {
                return told;
            }
        }
        panic!("`{line}` was not told")
    }
}

/// The program with this manager, which it reaches in `folder`, and further variables.
fn command(folder: &Path, variables: &[(&str, &str)]) -> Command {
    // A file that may not grow is an error then, and does not end the program.
    let mut command = Command::new("sh");
    command.args(["-c", "trap '' XFSZ; exec \"$@\"", "sh", env!("CARGO_BIN_EXE_pintle-server")]);
    command.args(["--plain", "--listen", "127.0.0.1:0", "--data"]).arg(folder.join("data"));
    command.env("NOTIFY_SOCKET", folder.join("notify")).env("PINTLE_LOG", "error");
    command.env_remove("WATCHDOG_USEC").env_remove("WATCHDOG_PID").envs(variables.iter().copied());
    command.stdin(Stdio::null()).stdout(Stdio::piped());
    command
}

fn start(folder: &Path, variables: &[(&str, &str)]) -> Program {
    Program::listening(command(folder, variables).spawn().unwrap(), &folder.join("data"), false)
}

/// A request on a connection of its own, of which the body is still to come.
fn begin(addr: SocketAddr, head: &str, body: usize) -> TcpStream {
    let mut stream = TcpStream::connect(addr).unwrap();
    stream.set_read_timeout(Some(PATIENCE)).unwrap();
    write!(stream, "{head}\r\nHost: localhost\r\nContent-Length: {body}\r\n\r\n").unwrap();
    stream
}

/// Reads up to the end of a head.
fn head(stream: &mut TcpStream) -> String {
    let mut head = Vec::new();
    let mut byte = [0];
    while !head.ends_with(b"\r\n\r\n") {
        stream.read_exact(&mut byte).unwrap();
        head.extend(byte);
    }
    String::from_utf8(head).unwrap()
}

/// Checks in until nobody listens any more; how many were acknowledged. No answer may be cut off.
fn check_in_on_and_on(node: &mut Node, addr: SocketAddr) -> (u64, u64) {
    let (mut count, mut newest) = (0, 0);
    loop {
        let Ok(mut stream) = TcpStream::connect(addr) else { return (count, newest) };
        stream.set_read_timeout(Some(PATIENCE)).unwrap();
        let body = node.next_check_in();
        let head = format!(
            "POST /node/check-in HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\nContent-Length: {}\r\n\r\n",
            body.len()
        );
        // A connection that was not let in any more is closed unread.
        let sent = stream.write_all(head.as_bytes()).and_then(|()| stream.write_all(&body));
        let mut answer = Vec::new();
        let read = stream.read_to_end(&mut answer);
        if answer.is_empty() {
            continue;
        }
        assert!(sent.is_ok() && read.is_ok(), "an answer was cut off: {sent:?}, {read:?}");
        let end = answer.windows(4).position(|four| four == b"\r\n\r\n").expect("an answer was cut off");
        let head = String::from_utf8(answer[..end].to_vec()).unwrap().to_ascii_lowercase();
        let length = head.lines().find_map(|line| line.strip_prefix("content-length: ")).unwrap();
        assert_eq!(length.parse(), Ok(answer.len() - end - 4), "an answer was cut off");
        assert!(head.starts_with("http/1.1 200"), "{head}");
        (count, newest) = (count + 1, node.state.counter);
    }
}

#[test]
fn a_stop_under_load_answers_what_is_under_way() {
    for signal in ["TERM", "INT"] {
        let folder = tempfile::tempdir().unwrap();
        let manager = Manager::new(folder.path());
        let mut program = start(folder.path(), &[]);
        assert!(manager.hears("READY=1").lines().any(|line| line == "STATUS=ready"));
        let (addr, token) = (program.door.addr, program.token.clone().unwrap());
        let large = "0123456789abcdef".repeat(12 << 16);
        let path = |bytes: &str| format!("/api/v1/payloads/{}", Digest::of(bytes.as_bytes()));
        assert_eq!(operator(addr, &token, "PUT", &path(&large), &large).status, 200);
        let mut nodes: Vec<Node> = (1..=3).map(|n| Node::new(n).admitted(addr, &token)).collect();

        let mut acknowledged = Vec::new();
        std::thread::scope(|scope| {
            let busy: Vec<_> =
                nodes.iter_mut().map(|node| scope.spawn(|| check_in_on_and_on(node, addr))).collect();
            // A download of which little was taken, an upload of which half was sent, and a connection without a request.
            let fetch = format!("GET /node/payload/{} HTTP/1.1", Digest::of(large.as_bytes()));
            let mut download = begin(addr, &fetch, 0);
            assert!(head(&mut download).starts_with("HTTP/1.1 200"));
            let small = "one of many images".repeat(1000);
            let put = format!(
                "PUT {} HTTP/1.1\r\nExpect: 100-continue\r\nAuthorization: Bearer {token}",
                path(&small)
            );
            let mut upload = begin(addr, &put, small.len());
            assert!(head(&mut upload).starts_with("HTTP/1.1 100"));
            let (first, second) = small.as_bytes().split_at(small.len() / 2);
            upload.write_all(first).unwrap();
            let mut idle = begin(addr, "GET /healthz HTTP/1.1", 0);
            head(&mut idle);

            std::thread::sleep(Duration::from_millis(300));
            program.signal(signal);
            let told = manager.hears("STOPPING=1");
            assert!(told.contains("STATUS=stopping"), "{told}");
            for thread in busy {
                // They end when nobody listens any more.
                let (count, newest) = thread.join().unwrap();
                assert!(count >= 5, "{count} check-ins were acknowledged");
                acknowledged.push(newest);
            }
            upload.write_all(second).unwrap();
            assert!(head(&mut upload).starts_with("HTTP/1.1 200"), "the upload was cut off");
            let mut whole = vec![0; large.len()];
            download.read_exact(&mut whole).expect("the download was cut off");
            assert!(whole == large.as_bytes());
            // What it still says is the rest of an answer, and then the connection ends.
            idle.read_to_end(&mut Vec::new()).unwrap();
        });
        assert_eq!(program.ended().code(), Some(0), "SIG{signal}");
        let log = fs::metadata(folder.path().join("data/pintle.db-wal")).map_or(0, |file| file.len());
        assert_eq!(log, 0, "the log was not folded into the database");

        // Nothing that was acknowledged is missing.
        let program = start(folder.path(), &[]);
        let addr = program.door.addr;
        for (node, newest) in nodes.iter().zip(acknowledged) {
            let view = operator(addr, &token, "GET", &node.path(), "").json();
            let had = view["report"]["counter"].as_u64().unwrap();
            assert!(
                (newest..=node.state.counter).contains(&had),
                "{newest} <= {had} <= {}",
                node.state.counter
            );
        }
        let small = "one of many images".repeat(1000);
        let path = format!("/node/payload/{}", Digest::of(small.as_bytes()));
        assert_eq!(ask(addr, "GET", &path, "Accept: */*", b"").body, small.as_bytes());
    }
}

#[test]
fn who_does_not_start_is_not_ready() {
    let folder = tempfile::tempdir().unwrap();
    let _running = start(folder.path(), &[]);
    let manager = {
        fs::remove_file(folder.path().join("notify")).ok();
        Manager::new(folder.path())
    };
    let second = command(folder.path(), &[]).stderr(Stdio::piped()).output().unwrap();
    assert_eq!(second.status.code(), Some(1));
    assert!(String::from_utf8_lossy(&second.stderr).contains("in use by another server"));
    while let Some(told) = manager.next(Duration::from_millis(100)) {
        assert!(!told.contains("READY") && !told.contains("STOPPING"), "{told}");
    }
}

#[test]
fn a_watchdog_of_another_process_hears_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let manager = Manager::new(folder.path());
    let mut program = start(folder.path(), &[("WATCHDOG_USEC", "100000"), ("WATCHDOG_PID", "1")]);
    manager.hears("READY=1");
    std::thread::sleep(Duration::from_millis(500));
    program.signal("TERM");
    assert_eq!(program.ended().code(), Some(0));
    while let Some(told) = manager.next(Duration::from_millis(100)) {
        assert!(!told.contains("WATCHDOG"), "{told}");
    }
}

#[test]
fn a_manager_that_does_not_read_holds_nothing_up() {
    let folder = tempfile::tempdir().unwrap();
    let _manager = Manager::new(folder.path());
    // Five hundred words a second: the socket is full soon.
    let mut program = start(folder.path(), &[("WATCHDOG_USEC", "4000")]);
    let (addr, token) = (program.door.addr, program.token.clone().unwrap());
    let mut node = Node::new(1).admitted(addr, &token);
    let until = Instant::now() + Duration::from_secs(3);
    while Instant::now() < until {
        common::reply(&node.check_in(addr), &program.door.server_key);
    }
    assert!(ask(addr, "GET", "/readyz", "Accept: */*", b"").text().starts_with("200 ready"));
    program.signal("TERM");
    assert_eq!(program.ended().code(), Some(0));
}

/// A pipe for standard error that is full: whoever logs waits.
fn full_pipe() -> (PipeReader, Stdio) {
    let (reader, writer) = std::io::pipe().unwrap();
    let mut filler = writer.try_clone().unwrap();
    // It goes on when somebody reads, and ends then.
    std::thread::spawn(move || {
        let _ = filler.write_all(&vec![b'.'; 1 << 20]);
    });
    std::thread::sleep(Duration::from_millis(300));
    (reader, writer.into())
}

/// Sends a check-in; whether an answer came within two seconds.
fn is_answered(node: &mut Node, addr: SocketAddr) -> bool {
    let body = node.next_check_in();
    let mut stream = begin(addr, "POST /node/check-in HTTP/1.1", body.len());
    stream.write_all(&body).unwrap();
    stream.set_read_timeout(Some(Duration::from_secs(2))).unwrap();
    stream.read_exact(&mut [0]).is_ok()
}

#[test]
fn the_watchdog_hears_nothing_of_a_writer_that_is_stuck() {
    let folder = tempfile::tempdir().unwrap();
    let manager = Manager::new(folder.path());
    let (mut log, stderr) = full_pipe();
    let child = command(folder.path(), &[("WATCHDOG_USEC", "1000000")]).stderr(stderr).spawn().unwrap();
    let mut program = Program::listening(child, &folder.path().join("data"), false);
    let (addr, token) = (program.door.addr, program.token.clone().unwrap());
    let mut node = Node::new(1).admitted(addr, &token);
    for _ in 0..3 {
        manager.hears("WATCHDOG=1");
    }
    // A file that may not grow is logged by the thread that writes, which waits for whoever reads the log.
    let size = fs::metadata(folder.path().join("data/pintle.db-wal")).unwrap().len() + 10_000;
    let limit = |most: &str| {
        let set = Command::new("prlimit").args(["--pid", &program.pid().to_string(), most]).status();
        assert!(set.unwrap().success());
    };
    limit(&format!("--fsize={size}:"));
    let until = Instant::now() + PATIENCE;
    while is_answered(&mut node, addr) {
        assert!(Instant::now() < until, "the writer does not get stuck");
    }
    assert!(ask(addr, "GET", "/healthz", "Accept: */*", b"").text().starts_with("200 alive"));

    // It would come twice a second. What is late after 30 seconds is a tick.
    let until = Instant::now() + Duration::from_secs(60);
    let mut silent_since = Instant::now();
    while silent_since.elapsed() < Duration::from_secs(4) {
        assert!(Instant::now() < until, "the watchdog is told that a stuck server goes on");
        if manager.next(Duration::from_millis(100)).is_some_and(|told| told.contains("WATCHDOG=1")) {
            silent_since = Instant::now();
        }
    }

    limit("--fsize=unlimited:");
    let mut said = String::new();
    let reading = std::thread::spawn(move || {
        let _ = log.read_to_string(&mut said);
        said
    });
    for _ in 0..3 {
        manager.hears("WATCHDOG=1");
    }
    program.signal("TERM");
    assert_eq!(program.ended().code(), Some(0));
    assert!(reading.join().unwrap().contains("Nothing can be written"));
}

/// Lines of the unit, without what stands before and in them for people.
fn unit() -> Vec<(String, String)> {
    let text = include_str!("../../packaging/pintle-server.service");
    let setting = |line: &str| line.split_once('=').map(|(key, value)| (key.to_owned(), value.to_owned()));
    text.lines().filter(|line| !line.starts_with('#')).filter_map(setting).collect()
}

fn value(key: &str) -> String {
    unit().into_iter().find(|(own, _)| own == key).unwrap_or_else(|| panic!("no {key}")).1
}

#[test]
fn the_unit_fits_the_program_and_its_settings() {
    assert_eq!(value("Type"), "notify");
    assert_eq!(value("ExecStart"), "/usr/bin/pintle-server --settings /etc/pintle/server.toml");
    let settings = include_str!("../../packaging/server.toml");
    assert!(settings.contains(&format!("\ndata = \"/var/lib/{}\"\n", value("StateDirectory"))));
    // The operator's token is printed there.
    assert_eq!(value("StandardOutput"), "null");
    let files: usize = value("LimitNOFILE").parse().unwrap();
    let connections = pintle_server::config::Limits::default().connections;
    assert!(files >= connections * 2 * 2 + 128, "two workers, two files for each connection, and others");
    let user = include_str!("../../packaging/pintle.sysusers");
    assert!(user.contains(&format!("\nu {} ", value("User"))));
}

/// Runs a tool of systemd over the unit. What it says.
fn systemd(args: &[&str]) -> String {
    let ran = Command::new("systemd-analyze").args(args).stdin(Stdio::null()).output();
    let ran = ran.expect("systemd-analyze, which Debian's package systemd brings");
    let said = format!("{}{}", String::from_utf8_lossy(&ran.stdout), String::from_utf8_lossy(&ran.stderr));
    assert!(ran.status.success(), "{said}");
    said
}

#[test]
fn systemd_takes_the_unit_and_finds_little_exposed() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("pintle-server.service");
    let text = include_str!("../../packaging/pintle-server.service");
    let here = text.replace("/usr/bin/pintle-server", env!("CARGO_BIN_EXE_pintle-server"));
    File::create(&path).unwrap().write_all(here.as_bytes()).unwrap();
    let path = path.to_str().unwrap();
    let said = systemd(&["verify", "--man=no", "--recursive-errors=no", path]);
    assert!(!said.contains("pintle-server.service"), "{said}");
    // In tenths: 1.3 when it was written; a unit without any of it has 9.6.
    systemd(&["security", "--offline=true", "--threshold=15", path]);
}

//! Clients that mean harm, or know no better: many that say nothing, slow ones, those that never read
//! their answer, floods. Whoever else comes is served meanwhile, each limit is answered as it should
//! be, and memory stays bounded.

mod common;
mod world;

use common::{Answer, Node, ask, operator, reply};
use pintle_protocol::id::Digest;
use pintle_server::config::Limits;
use socket2::{Domain, SockAddr, Socket, Type};
use std::io::{ErrorKind, Read, Write};
use std::net::{Ipv4Addr, SocketAddr, TcpStream};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering::SeqCst};
use std::time::{Duration, Instant};
use world::{Door, Program, SetAtEnd};

const IDLE: usize = 5000;
/// Memory that a server may take with [`IDLE`] connections, or under floods, in KiB: 128 MiB. Built for
/// tests; about half of it was seen.
const MOST_KIB: u64 = 128 << 10;

/// Makes room for the connections of a test.
fn room() -> usize {
    let (soft, hard) = rlimit::Resource::NOFILE.get().unwrap();
    let wanted = IDLE as u64 + 1000;
    assert!(hard >= wanted, "this machine lets a program open {hard} files only, and {wanted} are needed");
    if wanted > soft {
        rlimit::Resource::NOFILE.set(wanted, hard).unwrap();
    }
    IDLE
}

/// A connection from one of loopback's addresses; nothing if it was refused at once.
fn connect_from(from: [u8; 4], to: SocketAddr) -> Option<TcpStream> {
    let socket = Socket::new(Domain::IPV4, Type::STREAM, None).unwrap();
    socket.bind(&SockAddr::from(SocketAddr::from((Ipv4Addr::from(from), 0)))).unwrap();
    socket.connect(&SockAddr::from(to)).ok()?;
    Some(socket.into())
}

/// Whether the other side has closed it, without an answer.
fn is_closed(stream: &mut TcpStream) -> bool {
    stream.set_nonblocking(true).unwrap();
    match stream.read(&mut [0; 64]) {
        Ok(0) => true,
        Ok(n) => panic!("{n} bytes came for nothing"),
        Err(e) => e.kind() != ErrorKind::WouldBlock,
    }
}

/// Everything that the other side sends until it closes or `patience` is over.
fn read_all(stream: &mut TcpStream, patience: Duration) -> Vec<u8> {
    let mut bytes = Vec::new();
    let until = Instant::now() + patience;
    let mut piece = [0; 4096];
    while Instant::now() < until {
        stream.set_read_timeout(Some(Duration::from_millis(500))).unwrap();
        match stream.read(&mut piece) {
            Ok(0) => return bytes,
            Ok(n) => bytes.extend_from_slice(&piece[..n]),
            Err(e) if matches!(e.kind(), ErrorKind::WouldBlock | ErrorKind::TimedOut) => {}
            Err(_) => return bytes,
        }
    }
    panic!("it is still open after {patience:?}: {}", String::from_utf8_lossy(&bytes));
}

fn status(bytes: &[u8]) -> u16 {
    let text = String::from_utf8_lossy(bytes);
    let words = text.split(' ').nth(1).unwrap_or_else(|| panic!("no answer: {text:?}"));
    words.parse().unwrap()
}

struct Yard {
    program: Program,
    token: String,
    nodes: Vec<Node>,
    _folder: tempfile::TempDir,
}

impl Yard {
    fn new(tls: bool) -> Self {
        let folder = tempfile::tempdir().unwrap();
        // Admitting goes over plain HTTP, which the helpers speak.
        let mut first = Program::start(folder.path(), false);
        let token = first.token.clone().unwrap();
        let nodes = (1..=3).map(|n| Node::new(n).admitted(first.door.addr, &token)).collect();
        first.kill();
        Self { program: Program::start(folder.path(), tls), token, nodes, _folder: folder }
    }

    fn door(&self) -> &Door {
        &self.program.door
    }

    /// A node and the operator are served, as many times.
    #[track_caller]
    fn serves(&mut self, times: usize) {
        let door = self.program.door.clone();
        for n in 0..times {
            let at = n % self.nodes.len();
            let node = &mut self.nodes[at];
            let answer = door.ask("POST", "/node/check-in", "Accept: */*", &node.next_check_in());
            reply(&answer.expect("the node got no answer"), &door.server_key);
            let field = format!("Authorization: Bearer {}", self.token);
            let about = door.ask("GET", "/api/v1/about", &field, b"").expect("the operator got no answer");
            assert_eq!(about.status, 200);
        }
    }

    #[track_caller]
    fn is_bounded(&self, what: &str) {
        let kib = self.program.resident_kib();
        println!("{what}: {} MiB", kib >> 10);
        assert!(kib <= MOST_KIB, "{what}: {kib} KiB in use, {MOST_KIB} allowed");
    }
}

#[test]
fn five_thousand_connections_that_say_nothing_keep_nobody_out() {
    let count = room();
    let mut yard = Yard::new(false);
    let addr = yard.door().addr;
    let mut idle: Vec<TcpStream> = (0..count)
        .map(|n| {
            if n % 500 == 0 {
                yard.serves(1);
            }
            TcpStream::connect(addr).unwrap()
        })
        .collect();
    yard.serves(20);
    yard.is_bounded("5000 connections that say nothing");
    // They are closed, without an answer, and sooner the more there are.
    std::thread::sleep(Duration::from_secs(Limits::default().head_seconds + 2));
    let open = idle.iter_mut().filter_map(|stream| (!is_closed(stream)).then_some(())).count();
    assert_eq!(open, 0, "connections that never said anything are still open");
    yard.serves(3);
}

#[test]
fn with_tls_neither_silence_nor_half_a_handshake_keeps_anybody_out() {
    let count = room();
    let mut yard = Yard::new(true);
    let addr = yard.door().addr;
    // From many addresses, each within what one may have.
    let from = |n: usize| [127, 0, 1, u8::try_from(n / 200 + 1).unwrap()];
    let silent: Vec<TcpStream> = (0..count - 700).filter_map(|n| connect_from(from(n), addr)).collect();
    yard.serves(5);
    // A beginning, and then nothing: the first bytes of a ClientHello (RFC 8446 section 5.1), and
    // whole ones that never go on.
    let mut half: Vec<TcpStream> = (0..200).filter_map(|_| connect_from([127, 0, 2, 1], addr)).collect();
    half.iter_mut().for_each(|stream| stream.write_all(&[22, 3, 1, 2]).unwrap());
    let hello = yard.door().client_hello();
    let mut whole: Vec<TcpStream> = (0..200).filter_map(|_| connect_from([127, 0, 2, 2], addr)).collect();
    whole.iter_mut().for_each(|stream| stream.write_all(&hello).unwrap());
    yard.serves(5);
    // One address alone gets no more than its share.
    let most = Limits::default().per_address;
    let mut greedy: Vec<TcpStream> =
        (0..most + 44).filter_map(|_| connect_from([127, 0, 3, 1], addr)).collect();
    yard.serves(1);
    let closed = greedy.iter_mut().filter_map(|stream| is_closed(stream).then_some(())).count();
    assert!(closed >= 44, "{closed} of {} were closed at once", most + 44);
    assert!(connect_from([127, 0, 3, 2], addr).is_some());
    yard.serves(5);
    yard.is_bounded("5000 connections without or with half a handshake");
    drop((silent, half, whole, greedy));
    yard.serves(1);
}

/// Handshakes that stop in their first message cost no turn, and those that stop after it only the answer.
#[test]
fn handshakes_that_stop_half_way_keep_nobody_waiting() {
    let count = room();
    let mut yard = Yard::new(true);
    let addr = yard.door().addr;
    let hello = yard.door().client_hello();
    let stopped: Vec<TcpStream> = (0..count.min(2000))
        .filter_map(|n| {
            let mut stream = connect_from([127, 0, 4, u8::try_from(n / 200 + 1).unwrap()], addr)?;
            let sent = if n % 5 == 0 { &hello[..hello.len() / 2] } else { &hello[..] };
            stream.write_all(sent).ok().map(|()| stream)
        })
        .collect();
    assert!(stopped.len() >= 1000, "{} handshakes were begun", stopped.len());
    let begun = Instant::now();
    yard.serves(1);
    // Turns of a quarter of a second, 32 at a time, would make it twelve seconds and more.
    assert!(begun.elapsed() < Duration::from_secs(8), "{:?}", begun.elapsed());
    yard.serves(5);
    drop(stopped);
}

/// Sends a head and the beginning of a body; what comes back before the connection is closed.
fn send(addr: SocketAddr, bytes: &[u8], patience: Duration) -> Vec<u8> {
    let mut stream = TcpStream::connect(addr).unwrap();
    stream.set_write_timeout(Some(patience)).unwrap();
    // Who refuses may stop reading before the end.
    let _ = stream.write_all(bytes);
    read_all(&mut stream, patience)
}

#[test]
fn slow_and_oversized_requests_are_answered_by_their_limit() {
    let yard = &mut Yard::new(false);
    let (addr, limits) = (yard.door().addr, Limits::default());
    let token = yard.token.clone();
    let soon = Duration::from_secs(10);
    let head = |path: &str, fields: &str| format!("POST {path} HTTP/1.1\r\nHost: localhost\r\n{fields}\r\n");
    // Too much is refused at once, however much is said to come.
    let large = vec![b'x'; limits.message_bytes + 1];
    for path in ["/node/check-in", "/node/claim"] {
        let said = ask(addr, "POST", path, "Accept: */*", &large);
        assert_eq!(said.status, 413, "{path}");
        let endless = head(path, "Content-Length: 9999999999\r\n");
        assert_eq!(status(&send(addr, &[endless.as_bytes(), &large].concat(), soon)), 413, "{path}");
    }
    let long = head("/node/check-in", &format!("X-Long: {}\r\n", "x".repeat(1 << 20)));
    assert_eq!(status(&send(addr, long.as_bytes(), soon)), 431, "a head of a mebibyte");
    let many = head("/node/check-in", &"X: y\r\n".repeat(2000));
    assert_eq!(status(&send(addr, many.as_bytes(), soon)), 431, "a head of 2000 fields");
    let json = vec![b' '; limits.json_bytes + 1];
    let json = operator(addr, &token, "POST", "/api/v1/rollouts", &String::from_utf8(json).unwrap());
    assert_eq!(json.status, 413);

    // Half a head, half a body, and an answer that nobody reads, all at the same time.
    let image = vec![7u8; 12 << 20];
    let path = format!("/api/v1/payloads/{}", Digest::of(&image));
    let stored = ask(addr, "PUT", &path, &format!("Authorization: Bearer {token}"), &image);
    assert_eq!(stored.status, 200, "{}", stored.text());
    std::thread::scope(|scope| {
        let late = Duration::from_secs(limits.body_seconds + 15);
        let half_head = scope.spawn(move || send(addr, b"POST /node/check-in HTTP/1.1\r\nHost: loc", late));
        let half_body = scope.spawn(move || {
            let head = head("/node/check-in", "Content-Length: 100\r\n");
            send(addr, &[head.as_bytes(), b"ten bytes."].concat(), late)
        });
        let unread: Vec<_> = (0..8)
            .map(|_| {
                let path = format!("/node/payload/{}", Digest::of(&image));
                scope.spawn(move || {
                    let mut stream = TcpStream::connect(addr).unwrap();
                    let head = format!("GET {path} HTTP/1.1\r\nHost: localhost\r\n\r\n");
                    stream.write_all(head.as_bytes()).unwrap();
                    std::thread::sleep(Duration::from_secs(limits.write_seconds + 5));
                    read_all(&mut stream, late).len()
                })
            })
            .collect();
        yard.serves(10);
        assert_eq!(status(&half_head.join().unwrap()), 408);
        yard.serves(10);
        let body = half_body.join().unwrap();
        assert_eq!(status(&body), 400, "{}", String::from_utf8_lossy(&body));
        assert!(
            String::from_utf8_lossy(&body).contains("longer than 20 s"),
            "{}",
            String::from_utf8_lossy(&body)
        );
        for taken in unread {
            let taken = taken.join().unwrap();
            assert!(
                taken < image.len(),
                "an answer that nobody read for {} s was kept",
                limits.write_seconds
            );
        }
        yard.serves(3);
    });
    // Who reads, however slowly, gets all of it.
    let mut stream = TcpStream::connect(addr).unwrap();
    let head = format!(
        "GET /node/payload/{} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n\r\n",
        Digest::of(&image)
    );
    stream.write_all(head.as_bytes()).unwrap();
    std::thread::sleep(Duration::from_secs(3));
    let answer = read_all(&mut stream, Duration::from_secs(20));
    assert!(answer.ends_with(&image), "{} bytes", answer.len());
    yard.is_bounded("slow and oversized requests");
}

/// What was refused before its end was sent, in pieces without a length, must not stay for ever.
#[test]
fn a_refused_body_without_a_length_is_not_waited_for() {
    let mut yard = Yard::new(false);
    let addr = yard.door().addr;
    let quiet = Duration::from_secs(Limits::default().quiet_seconds);
    std::thread::scope(|scope| {
        for path in ["/node/check-in", "/node/claim", "/api/v1/rollouts", "/nothing"] {
            scope.spawn(move || {
                let head =
                    format!("POST {path} HTTP/1.1\r\nHost: localhost\r\nTransfer-Encoding: chunked\r\n\r\n");
                let said =
                    send(addr, format!("{head}2000\r\n{}\r\n", "x".repeat(0x2000)).as_bytes(), quiet * 2);
                assert!((400..500).contains(&status(&said)), "{path}: {}", status(&said));
            });
        }
        yard.serves(5);
    });
}

#[test]
fn floods_by_a_node_a_thief_and_strangers_leave_the_others_served() {
    let mut yard = Yard::new(false);
    let (addr, key) = (yard.door().addr, yard.door().server_key);
    let mut loud = yard.nodes.pop().unwrap();
    let replayed = yard.nodes[0].next_check_in();
    reply(&ask(addr, "POST", "/node/check-in", "Accept: */*", &replayed), &key);
    let stop = AtomicBool::new(false);
    let counts: [AtomicU64; 4] = Default::default();
    std::thread::scope(|scope| {
        let _ends = SetAtEnd(&stop);
        let (stop, counts) = (&stop, &counts);
        let flood = |at: usize, mut once: Box<dyn FnMut() -> Option<Answer> + Send>, wanted: u16| {
            scope.spawn(move || {
                while !stop.load(SeqCst) {
                    if let Some(answer) = once() {
                        assert_eq!(answer.status, wanted, "{}", answer.text());
                        counts[at].fetch_add(1, SeqCst);
                    }
                }
            })
        };
        let door = yard.program.door.clone();
        let post = move |path: &str, body: &[u8]| door.ask("POST", path, "Accept: */*", body);
        let to = post.clone();
        let a = flood(0, Box::new(move || to("/node/check-in", &loud.next_check_in())), 200);
        let to = post.clone();
        let b = flood(1, Box::new(move || to("/node/check-in", &replayed)), 409);
        let (to, mut n) = (post.clone(), 0u8);
        let c = flood(
            2,
            Box::new(move || {
                n = n.wrapping_add(1);
                to("/node/check-in", &Node::new(100 + n % 100).next_check_in())
            }),
            404,
        );
        let to = post.clone();
        let d = flood(3, Box::new(move || to("/node/claim", &[0xff; 900])), 400);
        for _ in 0..4 {
            yard.serves(10);
            std::thread::sleep(Duration::from_millis(500));
        }
        yard.is_bounded("four floods");
        stop.store(true, SeqCst);
        for thread in [a, b, c, d] {
            thread.join().unwrap();
        }
    });
    let counts = counts.map(AtomicU64::into_inner);
    println!("answered: {counts:?} (check-ins, replays, strangers, noise)");
    assert!(counts.iter().all(|count| *count >= 20), "{counts:?}");
    yard.serves(3);
}

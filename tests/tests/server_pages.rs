//! Pages over real sockets: signing in, headers, and TLS with the pinned root.

mod server_common;

use pintle_protocol::id::Chip;
use pintle_server::config::Tls;
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, ServerName, UnixTime};
use rustls::time_provider::TimeProvider;
use rustls::{ClientConfig, ClientConnection, RootCertStore, StreamOwned};
use serde_json::Value;
use server_common::{Answer, Node, Server, exchange, plan};
use std::net::TcpStream;
use std::sync::Arc;
use std::time::Duration;

fn link(server: &Server) -> String {
    server.good("POST", "/api/v1/sign-in-links", &Value::Null)["path"].as_str().unwrap().to_owned()
}

fn sign_in(server: &Server) -> String {
    let answer = server.send("POST", &link(server), &[], b"");
    assert_eq!((answer.status, answer.field("Location")), (303, Some("/")));
    let cookie = answer.field("Set-Cookie").unwrap();
    for attribute in ["HttpOnly", "Secure", "SameSite=Strict", "Path=/", "Max-Age=2592000"] {
        assert!(cookie.contains(attribute), "{cookie}");
    }
    cookie.split(';').next().unwrap().to_owned()
}

fn get(server: &Server, path: &str, cookie: &str) -> Answer {
    server.send("GET", path, &[("Cookie", cookie)], b"")
}

#[test]
fn every_page_needs_a_signed_in_browser() {
    let server = Server::start();
    let node = Node::new(1).admitted(&server);
    for path in
        ["/".to_owned(), "/journal".to_owned(), format!("/nodes/{}", node.id), "/rollouts/1".to_owned()]
    {
        let answer = server.send("GET", &path, &[], b"");
        assert_eq!(answer.status, 401, "{path}");
        assert!(!answer.text().contains(&node.name));
        assert_eq!(get(&server, &path, "__Host-pintle=0000").status, 401, "{path}");
        let bearer = format!("Bearer {}", server.token);
        assert_eq!(server.send("GET", &path, &[("Authorization", &bearer)], b"").status, 401);
    }
}

#[test]
fn a_link_works_once_and_for_ten_minutes() {
    let server = Server::start();
    let path = link(&server);
    assert_eq!(server.send("GET", &path, &[], b"").status, 200);
    assert_eq!(server.send("GET", &path, &[], b"").status, 200, "looking does not use it up");
    assert_eq!(server.send("POST", &path, &[], b"").status, 303);
    assert_eq!(server.send("POST", &path, &[], b"").status, 410);
    assert_eq!(server.send("GET", &path, &[], b"").status, 410);
    let late = link(&server);
    server.wait(600);
    assert_eq!(server.send("POST", &late, &[], b"").status, 410);
    assert_eq!(server.send("POST", "/sign-in/0000", &[], b"").status, 410);
}

#[test]
fn a_session_ends_by_signing_out_or_after_thirty_days() {
    let server = Server::start();
    let cookie = sign_in(&server);
    assert_eq!(get(&server, "/", &cookie).status, 200);
    let out = server.send("POST", "/sign-out", &[("Cookie", &cookie)], b"");
    assert!(out.field("Set-Cookie").unwrap().contains("Max-Age=0"));
    assert_eq!(get(&server, "/", &cookie).status, 401);
    let cookie = sign_in(&server);
    server.wait(30 * 86_400 - 1);
    assert_eq!(get(&server, "/", &cookie).status, 200);
    server.wait(1);
    assert_eq!(get(&server, "/", &cookie).status, 401);
}

#[test]
fn pages_show_doors_rollouts_and_the_journal() {
    let server = Server::start();
    let mut node = Node::new(1);
    node.name = "Goat <shed> & hatch".to_owned();
    let mut node = node.admitted(&server);
    let forward = server.store(Chip::Io, 10, b"io new");
    let back = server.store(Chip::Io, 11, b"io before");
    server.good("POST", "/api/v1/rollouts", &plan(&[&node], forward, back, "hold"));
    server.good("POST", "/api/v1/rollouts/1/start", &Value::Null);
    node.check_in(&server);
    let cookie = sign_in(&server);
    let text = |path: &str| {
        let answer = get(&server, path, &cookie);
        assert_eq!(answer.status, 200, "{path}");
        answer.text()
    };
    let overview = text("/");
    for part in ["Goat &#60;shed&#62; &#38; hatch", "fetching", "closed", "Firmware 1.1", "under way", "<svg"]
    {
        assert!(overview.contains(part), "{part} is missing in {overview}");
    }
    assert!(!overview.contains("Goat <shed>"));
    let rollout = text("/rollouts/1");
    for part in ["Wave 1", "fetching", "no node shows how it does"] {
        assert!(rollout.contains(part), "{part} is missing in {rollout}");
    }
    let shown = text(&format!("/nodes/{}", node.id));
    for part in ["5.01 V", "version 1.0.0", "-61 dBm"] {
        assert!(shown.contains(part), "{part} is missing in {shown}");
    }
    assert!(text("/journal").contains("was offered step 1 of 1"));
    for nothing in ["/nodes/xyz", "/rollouts/9", "/rollouts/x", "/elsewhere"] {
        assert_eq!(get(&server, nothing, &cookie).status, 404, "{nothing}");
    }
}

#[test]
fn every_answer_carries_strict_headers_and_pages_no_script() {
    let server = Server::start();
    let cookie = sign_in(&server);
    let journal = get(&server, "/journal", &cookie);
    assert_eq!(journal.field("Cache-Control"), Some("no-store"));
    assert!(!journal.text().to_lowercase().contains("<script"));
    for answer in [
        get(&server, "/", &cookie),
        server.send("GET", "/", &[], b""),
        server.send("GET", "/elsewhere", &[], b""),
        server.send("GET", "/api/v1/nodes", &[], b""),
        server.operator("GET", "/api/v1/about", b""),
        server.send("GET", "/node/elsewhere", &[], b""),
    ] {
        let policy = answer.field("Content-Security-Policy").unwrap();
        assert!(policy.starts_with("default-src 'none'; style-src 'sha256-"), "{policy}");
        for part in ["form-action 'self'", "frame-ancestors 'none'", "base-uri 'none'"] {
            assert!(policy.contains(part), "{policy}");
        }
        assert!(!policy.contains("unsafe") && !policy.contains("script-src"));
        assert_eq!(answer.field("Strict-Transport-Security"), None, "only where it is asked for");
        for (name, value) in [
            ("X-Content-Type-Options", "nosniff"),
            ("X-Frame-Options", "DENY"),
            ("Referrer-Policy", "no-referrer"),
            ("Cross-Origin-Opener-Policy", "same-origin"),
            ("Cache-Control", "no-store"),
        ] {
            assert_eq!(answer.field(name), Some(value));
        }
    }
}

/// Answers to the first message of a client that speaks up to this version (RFC 5246 section
/// 7.4.1.2 and appendix E.1; TLS 1.3 needs an extension that is not sent): record type, and the two
/// bytes of an alert.
fn hello(running: &pintle_server::Running, version: [u8; 2]) -> (u8, [u8; 2]) {
    // Two suites that old and new servers know: ECDHE-ECDSA with AES-128-GCM, and with AES-128-CBC.
    let suites = [0x00, 0x04, 0xc0, 0x2b, 0xc0, 0x09];
    // supported_groups (secp256r1), ec_point_formats, signature_algorithms (ECDSA with SHA-256).
    let extensions = [
        [0x00, 0x0a, 0x00, 0x04, 0x00, 0x02, 0x00, 0x17].as_slice(),
        &[0x00, 0x0b, 0x00, 0x02, 0x01, 0x00],
        &[0x00, 0x0d, 0x00, 0x04, 0x00, 0x02, 0x04, 0x03],
    ]
    .concat();
    let body = [
        version.as_slice(),
        &[0x5a; 32],
        &[0x00],
        &suites,
        &[0x01, 0x00, 0x00, extensions.len() as u8],
        &extensions,
    ]
    .concat();
    let head = [0x16, 0x03, 0x01, 0x00, body.len() as u8 + 4, 0x01, 0x00, 0x00, body.len() as u8];
    let mut stream = TcpStream::connect(running.addr).unwrap();
    stream.set_read_timeout(Some(std::time::Duration::from_secs(20))).unwrap();
    std::io::Write::write_all(&mut stream, &[head.as_slice(), &body].concat()).unwrap();
    let mut answer = [0; 7];
    std::io::Read::read_exact(&mut stream, &mut answer).unwrap();
    (answer[0], [answer[5], answer[6]])
}

#[test]
fn tls_1_2_and_1_3_are_spoken_and_nothing_older() {
    let folder = tempfile::tempdir().unwrap();
    let mut config = server_common::config(&folder.path().join("data"));
    config.tls = Tls::Names(vec!["localhost".to_owned()]);
    config.clock = pintle_server::clock::Clock::System;
    config.hsts = true;
    let running = pintle_server::start(config).unwrap();
    // Fatal alert 70, protocol_version (RFC 5246 section 7.2.2), to SSL 3.0, TLS 1.0 and 1.1.
    for version in [[3, 0], [3, 1], [3, 2]] {
        assert_eq!(hello(&running, version), (0x15, [2, 70]), "{version:?}");
    }
    // A ServerHello to the same message with 1.2.
    assert_eq!(hello(&running, [3, 3]).0, 0x16);

    let pem = running.ca_pem.clone().unwrap();
    for version in [&rustls::version::TLS12, &rustls::version::TLS13] {
        let mut roots = RootCertStore::empty();
        roots.add(CertificateDer::from_pem_slice(pem.as_bytes()).unwrap()).unwrap();
        let client = ClientConfig::builder_with_provider(Arc::new(rustls::crypto::ring::default_provider()))
            .with_protocol_versions(&[version])
            .unwrap()
            .with_root_certificates(roots)
            .with_no_client_auth();
        let name = ServerName::try_from("localhost").unwrap();
        let tls = ClientConnection::new(Arc::new(client), name).unwrap();
        let mut stream = StreamOwned::new(tls, TcpStream::connect(running.addr).unwrap());
        let answer = exchange(&mut stream, "GET", "/", &[], b"");
        assert_eq!(stream.conn.protocol_version(), Some(version.version));
        // RFC 6797 section 6.1: asked for, and over TLS.
        assert_eq!(answer.field("Strict-Transport-Security"), Some("max-age=31536000"));
    }
    running.stop().unwrap();
}

#[test]
fn tls_holds_with_the_pinned_root_and_with_no_other() {
    let folder = tempfile::tempdir().unwrap();
    let mut config = server_common::config(&folder.path().join("data"));
    config.tls = Tls::Names(vec!["localhost".to_owned(), "127.0.0.1".to_owned()]);
    // Certificates are checked against the machine's clock.
    config.clock = pintle_server::clock::Clock::System;
    let running = pintle_server::start(config).unwrap();
    assert!(running.base_url.starts_with("https://127.0.0.1:"));
    let pem = running.ca_pem.clone().unwrap();
    assert_eq!(std::fs::read_to_string(folder.path().join("data/ca.pem")).unwrap(), pem);

    let connect = |roots: RootCertStore, name: &'static str| {
        let provider = Arc::new(rustls::crypto::ring::default_provider());
        let config = ClientConfig::builder_with_provider(provider)
            .with_safe_default_protocol_versions()
            .unwrap()
            .with_root_certificates(roots)
            .with_no_client_auth();
        let name = ServerName::try_from(name).unwrap();
        let mut tls = ClientConnection::new(Arc::new(config), name).unwrap();
        let mut stream = TcpStream::connect(running.addr).unwrap();
        tls.complete_io(&mut stream).map(|_| StreamOwned::new(tls, stream))
    };
    let mut pinned = RootCertStore::empty();
    pinned.add(CertificateDer::from_pem_slice(pem.as_bytes()).unwrap()).unwrap();
    for name in ["localhost", "127.0.0.1"] {
        let mut stream = connect(pinned.clone(), name).unwrap();
        let answer = exchange(&mut stream, "GET", "/api/v1/about", &[], b"");
        assert_eq!(answer.error(), (401, "token_missing".to_owned()));
    }
    assert!(connect(pinned, "elsewhere.example").is_err(), "another name");
    assert!(connect(RootCertStore::empty(), "localhost").is_err(), "another root");
    running.stop().unwrap();
}

/// The time that a client goes by.
#[derive(Debug)]
struct At(i64);

impl TimeProvider for At {
    fn current_time(&self) -> Option<UnixTime> {
        Some(UnixTime::since_unix_epoch(Duration::from_secs(self.0.try_into().unwrap())))
    }
}

#[test]
fn certificates_are_made_anew_while_the_server_runs_and_hold_with_the_root_pinned_at_first() {
    const DAY: i64 = 86_400;
    let folder = tempfile::tempdir().unwrap();
    let mut config = server_common::config(&folder.path().join("data"));
    config.tls = Tls::Names(vec!["localhost".to_owned()]);
    let running = pintle_server::start(config).unwrap();
    let mut pinned = RootCertStore::empty();
    pinned.add(CertificateDer::from_pem_slice(running.ca_pem.clone().unwrap().as_bytes()).unwrap()).unwrap();
    let pinned = Arc::new(pinned);
    // What it serves at this time with, if a client that pinned its first root takes it.
    let served = |now: i64| {
        let provider = Arc::new(rustls::crypto::ring::default_provider());
        let config = ClientConfig::builder_with_details(provider, Arc::new(At(now)))
            .with_safe_default_protocol_versions()
            .unwrap()
            .with_root_certificates(Arc::clone(&pinned))
            .with_no_client_auth();
        let mut tls = ClientConnection::new(Arc::new(config), "localhost".try_into().unwrap()).unwrap();
        tls.complete_io(&mut TcpStream::connect(running.addr).unwrap()).ok()?;
        Some(tls.peer_certificates().unwrap()[0].to_vec())
    };
    let (mut now, mut seen) = (server_common::NOW, Vec::new());
    // Eleven years, a look every three weeks.
    while now < server_common::NOW + 11 * 365 * DAY {
        let certificate =
            served(now).unwrap_or_else(|| panic!("not taken {} days on", (now - server_common::NOW) / DAY));
        if seen.last() != Some(&certificate) {
            seen.push(certificate);
        }
        running.clock.advance(21 * DAY);
        now += 21 * DAY;
        running.tick().unwrap();
    }
    assert!((10..=13).contains(&seen.len()), "{} certificates", seen.len());
    // The first one alone would have ended long ago.
    assert!(served(now + 400 * DAY).is_none(), "a client believes an end");
    running.stop().unwrap();
}

#[test]
fn many_doors_come_on_several_pages() {
    let server = Server::start();
    for n in 1..=201 {
        let node = Node::new(n);
        let mut wish = node.wish();
        // By name the other way round.
        wish["name"] = format!("Hatch {:03}", 300 - u16::from(n)).into();
        server.good("PUT", &node.path(), &wish);
    }
    let cookie = sign_in(&server);
    let doors = |text: &str| {
        let names = text.split("href=\"/nodes/").skip(1).map(|rest| rest[..32].to_owned());
        names.collect::<Vec<_>>()
    };
    let first = get(&server, "/", &cookie).text();
    let (_, rest) = first.split_once("<a href=\"/?after=").unwrap();
    let next = format!("/?after={}", &rest[..32]);
    let second = get(&server, &next, &cookie).text();
    assert!(!second.contains("More doors"));
    let mut seen = doors(&first);
    assert_eq!((seen.len(), doors(&second).len()), (200, 1));
    seen.extend(doors(&second));
    seen.sort();
    seen.dedup();
    assert_eq!(seen.len(), 201, "each once");
    // What is no node leads to the first doors.
    for query in ["after=", "after=x", "colour=1", "after=1&after=2"] {
        assert_eq!(doors(&get(&server, &format!("/?{query}"), &cookie).text()).len(), 200, "{query}");
    }
}

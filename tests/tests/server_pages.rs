//! Pages over real sockets: signing in, headers, and TLS with the pinned root.

mod server_common;

use pintle_protocol::id::Chip;
use pintle_server::config::Tls;
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, ServerName};
use rustls::{ClientConfig, ClientConnection, RootCertStore, StreamOwned};
use serde_json::Value;
use server_common::{Answer, Node, Server, exchange, plan};
use std::net::TcpStream;
use std::sync::Arc;

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
    for part in ["Wave 1", "fetching", "nothing has ended yet"] {
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
        assert!(!policy.contains("unsafe"));
        for (name, value) in [
            ("X-Content-Type-Options", "nosniff"),
            ("X-Frame-Options", "DENY"),
            ("Referrer-Policy", "no-referrer"),
            ("Cross-Origin-Opener-Policy", "same-origin"),
        ] {
            assert_eq!(answer.field(name), Some(value));
        }
    }
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

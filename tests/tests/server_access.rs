//! Who may do what: every route of the server's own table against every kind of caller, over real
//! sockets. A route without a row here fails the test.

mod server_common;

use pintle_protocol::cose::{AAD_CHECK_IN, AAD_CLAIM, SigningKey};
use pintle_protocol::id::{Chip, Digest};
use pintle_server::contract::routes::ROUTES;
use pintle_server::tokens::{self, TokenError, TokenRole};
use serde_json::Value;
use server_common::{Answer, Node, Server, envelope, plan};

/// Who calls.
const CALLERS: [&str; 11] = [
    "nobody",
    "a viewer's token",
    "an operator's token",
    "a revoked operator's token",
    "a signed-in browser",
    "a node with the right signature",
    "a node with a wrong signature",
    "a browser that has signed out",
    "a node taken out of service",
    "an operator's token in place of a session",
    "a session in place of a token",
];

/// Looking with a token; answers the operator with this status.
const fn look(status: u16) -> [u16; 11] {
    [401, status, status, 401, 401, 401, 401, 401, 401, 401, 401]
}

/// Changing something with an operator's token.
const fn change(status: u16) -> [u16; 11] {
    [401, 403, status, 401, 401, 401, 401, 401, 401, 401, 401]
}

/// For a signed-in browser only.
const PAGE: [u16; 11] = [401, 401, 401, 401, 200, 401, 401, 401, 401, 401, 401];

/// Of each route, the status for each caller. Every caller sends what would be right.
const ROWS: &[(&str, &str, [u16; 11])] = &[
    ("GET", "/api/v1/about", look(200)),
    ("GET", "/api/v1/nodes", look(200)),
    ("GET", "/api/v1/nodes/{id}", look(200)),
    // This node has not sent one.
    ("GET", "/api/v1/nodes/{id}/check-in", look(404)),
    ("GET", "/api/v1/nodes/{id}/suit-report", look(404)),
    ("PUT", "/api/v1/nodes/{id}", change(200)),
    ("POST", "/api/v1/nodes/{id}/admit", change(200)),
    ("POST", "/api/v1/nodes/{id}/retire", change(200)),
    ("GET", "/api/v1/claims", look(200)),
    ("PUT", "/api/v1/payloads/{digest}", change(200)),
    ("PUT", "/api/v1/envelopes/{digest}", change(200)),
    ("POST", "/api/v1/rollouts", change(201)),
    ("GET", "/api/v1/rollouts", look(200)),
    ("GET", "/api/v1/rollouts/{id}", look(200)),
    ("POST", "/api/v1/rollouts/{id}/start", change(200)),
    ("POST", "/api/v1/rollouts/{id}/hold", change(200)),
    ("POST", "/api/v1/rollouts/{id}/resume", change(200)),
    // No wave waits for approval.
    ("POST", "/api/v1/rollouts/{id}/approve", change(409)),
    ("POST", "/api/v1/rollouts/{id}/end", change(200)),
    ("POST", "/api/v1/rollouts/{id}/turn-back", change(200)),
    ("GET", "/api/v1/journal", look(200)),
    ("GET", "/api/v1/journal/head", look(200)),
    ("GET", "/api/v1/journal/check", look(200)),
    ("POST", "/api/v1/sign-in-links", change(201)),
    ("POST", "/node/claim", [400, 400, 400, 400, 400, 202, 401, 400, 410, 400, 400]),
    ("POST", "/node/check-in", [400, 400, 400, 400, 400, 200, 401, 400, 410, 400, 400]),
    // Public by their digest: what they hold is signed, and secret parts are sealed to a node.
    ("GET", "/node/envelope/{digest}", [200; 11]),
    ("GET", "/node/payload/{digest}", [200; 11]),
    ("GET", "/healthz", [200; 11]),
    ("GET", "/readyz", [200; 11]),
    ("GET", "/metrics", look(200)),
    ("GET", "/", PAGE),
    ("GET", "/nodes/{id}", PAGE),
    ("GET", "/rollouts/{id}", PAGE),
    ("GET", "/journal", PAGE),
    // The link itself is the right to sign in.
    ("GET", "/sign-in/{secret}", [200; 11]),
    ("POST", "/sign-in/{secret}", [303; 11]),
    ("POST", "/sign-out", [303; 11]),
];

fn link(server: &Server) -> String {
    server.good("POST", "/api/v1/sign-in-links", &Value::Null)["path"].as_str().unwrap().to_owned()
}

fn cookie(server: &Server) -> String {
    let answer = server.send_anything("POST", &link(server), &[], b"");
    answer.field("Set-Cookie").unwrap().split(';').next().unwrap().to_owned()
}

fn add(server: &Server, name: &str, role: TokenRole) -> String {
    tokens::add(&server.folder.path().join("data"), name, role, &server.running.clock).unwrap()
}

fn with_token(server: &Server, token: &str, method: &str, path: &str, body: &[u8]) -> Answer {
    server.send_anything(method, path, &[("Authorization", &format!("Bearer {token}"))], body)
}

/// What was decided so far.
fn decided(server: &Server) -> Value {
    let mut all = server.good("GET", "/api/v1/journal?limit=500", &Value::Null)["entries"].clone();
    let nodes = server.good("GET", "/api/v1/nodes", &Value::Null);
    let rollouts = server.good("GET", "/api/v1/rollouts", &Value::Null);
    all.as_array_mut().unwrap().extend([nodes, rollouts]);
    all
}

/// Everything that the routes are about.
struct Things {
    admitted: Node,
    expected: Node,
    to_admit: Node,
    to_retire: Node,
    retired: Node,
    claims: Node,
    envelope: (Digest, Vec<u8>),
    plan: Value,
    other_plan: Value,
}

impl Things {
    fn new(server: &Server) -> Self {
        let admitted = Node::new(1).admitted(server);
        let (to_admit, claims) = (Node::new(3), Node::new(5));
        server.good("PUT", &to_admit.path(), &to_admit.wish());
        server.good("PUT", &claims.path(), &claims.wish());
        let to_retire = Node::new(4).admitted(server);
        let other = Node::new(6).admitted(server);
        let retired = Node::new(7).admitted(server);
        server.good("POST", &format!("{}/retire", retired.path()), &serde_json::json!({}));
        let forward = server.store(Chip::Io, 10, b"io new");
        let back = server.store(Chip::Io, 11, b"io before");
        Self {
            plan: plan(&[&admitted], forward, back, "hold"),
            other_plan: plan(&[&other], forward, back, "hold"),
            envelope: envelope(Chip::Io, 10, b"io new"),
            expected: Node::new(2),
            admitted,
            to_admit,
            to_retire,
            retired,
            claims,
        }
    }

    /// Path and body for a route.
    fn request(&self, server: &Server, method: &str, path: &str) -> (String, Vec<u8>) {
        let node = match (method, path) {
            ("PUT", _) => &self.expected,
            (_, "/api/v1/nodes/{id}/admit") => &self.to_admit,
            (_, "/api/v1/nodes/{id}/retire") => &self.to_retire,
            _ => &self.admitted,
        };
        let id = if path.contains("/rollouts/") { "1".to_owned() } else { node.id.to_string() };
        let digest = if path.contains("/envelope") { self.envelope.0 } else { Digest::of(b"io new") };
        let body = match (method, path) {
            ("PUT", "/api/v1/nodes/{id}") => node.wish().to_string().into_bytes(),
            (_, "/api/v1/nodes/{id}/admit") => node.keys().to_string().into_bytes(),
            ("PUT", "/api/v1/payloads/{digest}") => b"io new".to_vec(),
            ("PUT", "/api/v1/envelopes/{digest}") => self.envelope.1.clone(),
            ("POST", "/api/v1/rollouts") => self.other_plan.to_string().into_bytes(),
            _ => Vec::new(),
        };
        let path = if path == "/sign-in/{secret}" { link(server) } else { path.to_owned() };
        (path.replace("{id}", &id).replace("{digest}", &digest.to_string()), body)
    }

    /// What a node sends: to claim, or to check in.
    fn signed(&mut self, path: &str, right: bool) -> Vec<u8> {
        let node = if path == "/node/claim" { &mut self.claims } else { &mut self.admitted };
        node.state.counter += 1;
        let mut node = node.clone();
        if path == "/node/claim" {
            let claim = node.claim();
            node.key = if right { node.key } else { SigningKey::from_bytes(&[0x66; 32]) };
            return node.signed(&claim, AAD_CLAIM);
        }
        node.key = if right { node.key } else { SigningKey::from_bytes(&[0x66; 32]) };
        node.signed(&node.state, AAD_CHECK_IN)
    }

    /// The same from the node that was taken out of service.
    fn signed_by_retired(&mut self, path: &str) -> Vec<u8> {
        self.retired.state.counter += 1;
        if path == "/node/claim" {
            self.retired.signed(&self.retired.claim(), AAD_CLAIM)
        } else {
            self.retired.signed(&self.retired.state, AAD_CHECK_IN)
        }
    }
}

/// What every answer carries, to whomever (OWASP HTTP Headers Cheat Sheet, from memory).
const HEADERS: [(&str, &str); 6] = [
    ("X-Content-Type-Options", "nosniff"),
    ("X-Frame-Options", "DENY"),
    ("Referrer-Policy", "no-referrer"),
    ("Cross-Origin-Opener-Policy", "same-origin"),
    ("Cross-Origin-Resource-Policy", "same-origin"),
    ("Permissions-Policy", "camera=(), geolocation=(), microphone=()"),
];

#[track_caller]
fn has_strict_headers(answer: &Answer, whose: &str) {
    for (name, value) in HEADERS {
        assert_eq!(answer.field(name), Some(value), "{whose}: {name}");
    }
    let policy = answer.field("Content-Security-Policy").unwrap_or_default();
    assert!(policy.starts_with("default-src 'none'; ") && !policy.contains("unsafe"), "{whose}: {policy}");
    assert!(answer.field("Cache-Control").is_some(), "{whose}");
}

#[test]
fn every_route_answers_every_kind_of_caller_as_the_table_says() {
    let server = Server::start();
    let viewer = add(&server, "porch tablet", TokenRole::Viewer);
    let revoked = add(&server, "old laptop", TokenRole::Operator);
    tokens::revoke(&server.folder.path().join("data"), "old laptop", &server.running.clock).unwrap();
    let mut things = Things::new(&server);
    server.good("POST", "/api/v1/rollouts", &things.plan);

    for route in ROUTES {
        let row = ROWS.iter().find(|(method, path, _)| (*method, *path) == (route.method, route.path));
        let (_, _, expected) =
            row.unwrap_or_else(|| panic!("{} {} has no row here", route.method, route.path));
        // The operator comes last, so that everybody else finds things as they were.
        for caller in [0, 1, 3, 4, 5, 6, 7, 8, 9, 10, 2] {
            let session = cookie(&server);
            let (path, body) = things.request(&server, route.method, route.path);
            let before = decided(&server);
            let bearer = |token: &str| Some(("Authorization", format!("Bearer {token}")));
            let (field, body) = match caller {
                1 => (bearer(&viewer), body),
                2 => (bearer(&server.token), body),
                3 => (bearer(&revoked), body),
                4 => (Some(("Cookie", session)), body),
                5 | 6 => (None, things.signed(route.path, caller == 5)),
                7 => {
                    server.send_anything("POST", "/sign-out", &[("Cookie", &session)], b"");
                    (Some(("Cookie", session)), body)
                }
                8 => (None, things.signed_by_retired(route.path)),
                9 => (Some(("Cookie", format!("__Host-pintle={}", server.token))), body),
                10 => (bearer(session.trim_start_matches("__Host-pintle=")), body),
                _ => (None, body),
            };
            let field = field.as_ref().map(|(name, value)| (*name, value.as_str()));
            let answer = server.send_anything(route.method, &path, field.as_slice(), &body);
            let who = CALLERS[caller];
            assert_eq!(answer.status, expected[caller], "{who}: {} {path}: {}", route.method, answer.text());
            has_strict_headers(&answer, &format!("{who}: {} {path}", route.method));
            if caller != 2 && route.path.starts_with("/api/") {
                assert_eq!(decided(&server), before, "{who} changed something by {} {path}", route.method);
            }
            if answer.status == 403 {
                assert_eq!(answer.error().1, "token_looks_only");
            }
        }
    }
    for (method, path, _) in ROWS {
        assert!(ROUTES.iter().any(|r| (r.method, r.path) == (*method, *path)), "{method} {path} is gone");
    }
    let check = server.good("GET", "/api/v1/journal/check", &Value::Null);
    assert_eq!(check["bad"], Value::Null);
    // Where there is nothing, and where the method is another one.
    for (method, path) in [
        ("GET", "/elsewhere"),
        ("GET", "/api/v1/elsewhere"),
        ("GET", "/node/elsewhere"),
        ("DELETE", "/"),
        ("DELETE", "/healthz"),
        ("DELETE", "/metrics"),
        ("DELETE", "/node/check-in"),
        ("DELETE", "/api/v1/nodes"),
    ] {
        let answer = server.send_anything(method, path, &[], b"");
        assert!((400..500).contains(&answer.status), "{method} {path}: {}", answer.status);
        has_strict_headers(&answer, &format!("{method} {path}"));
    }
}

#[test]
fn a_viewer_finds_no_way_around_by_methods_or_spellings() {
    let server = Server::start();
    let viewer = add(&server, "porch", TokenRole::Viewer);
    let things = Things::new(&server);
    server.good("POST", "/api/v1/rollouts", &things.plan);
    let before = decided(&server);
    for route in ROUTES.iter().filter(|r| r.path.starts_with("/api/")) {
        let (path, body) = things.request(&server, route.method, route.path);
        for method in ["PUT", "POST", "DELETE", "PATCH", "OPTIONS", "TRACE", "PROPFIND"] {
            let answer = with_token(&server, &viewer, method, &path, &body);
            assert_eq!(answer.status, 403, "{method} {path}");
        }
    }
    for path in [
        "/api/v1/rollouts/1/st%61rt",
        "/api/v1/rollouts/%31/start",
        "/api/v1/rollouts/1/start/",
        "/api/v1//rollouts/1/start",
        "//api/v1/rollouts/1/start",
        "/api/v1/./rollouts/1/start",
        "/api/v1/nodes/../rollouts/1/start",
        "/%61pi/v1/rollouts/1/start",
        "/API/v1/rollouts/1/start",
        "/api/v1/rollouts/1/start?role=operator",
        "/node/../api/v1/rollouts/1/start",
    ] {
        for token in [viewer.as_str(), "0000"] {
            let answer = with_token(&server, token, "POST", path, b"");
            assert!((400..500).contains(&answer.status), "{path}: {}", answer.text());
        }
        let override_field =
            [("Authorization", format!("Bearer {viewer}")), ("X-HTTP-Method-Override", "GET".to_owned())];
        let fields: Vec<(&str, &str)> = override_field.iter().map(|(n, v)| (*n, v.as_str())).collect();
        assert!(server.send_anything("POST", path, &fields, b"").status >= 400, "{path}");
    }
    assert_eq!(decided(&server), before);
}

#[test]
fn a_token_is_told_from_its_likes_and_from_none() {
    let server = Server::start();
    let token = server.token.clone();
    let unknown = server.send_anything("GET", "/api/v1/elsewhere", &[], b"");
    assert_eq!(unknown.error().1, "token_missing", "without a token nothing can be told apart");
    assert_eq!(unknown.field("WWW-Authenticate"), Some("Bearer"));
    let upper = token.to_uppercase();
    let hash = Digest::of(token.as_bytes()).to_string();
    for wrong in [&token[1..], &token[..63], &format!("{token}0"), &upper, &hash, &"0".repeat(64)] {
        let answer = with_token(&server, wrong, "GET", "/api/v1/about", b"");
        assert_eq!(answer.error(), (401, "token_wrong".to_owned()), "{wrong}");
    }
    for field in [format!("Basic {token}"), token.clone(), format!("bearer{token}"), String::new()] {
        let answer = server.send_anything("GET", "/api/v1/about", &[("Authorization", &field)], b"");
        assert_eq!(answer.error(), (401, "token_missing".to_owned()), "{field}");
    }
}

#[test]
fn tokens_are_named_listed_without_secrets_and_end_with_their_browsers() {
    let server = Server::start();
    let data = server.folder.path().join("data");
    let clock = &server.running.clock;
    let laptop = add(&server, "laptop", TokenRole::Operator);
    assert_eq!(laptop.len(), 64, "256 bits in hexadecimal");
    assert_ne!(laptop, server.token);
    let taken = tokens::add(&data, "laptop", TokenRole::Viewer, clock);
    assert!(matches!(taken, Err(TokenError::NameTaken { .. })));
    for bad in ["", " ", "two\nlines", &"x".repeat(41)] {
        let refused = tokens::add(&data, bad, TokenRole::Viewer, clock);
        assert!(matches!(refused, Err(TokenError::BadName { .. })), "{bad}");
    }
    let nowhere = tokens::list(&data.join("elsewhere"));
    assert!(matches!(nowhere, Err(TokenError::NoServer { .. })));

    // A browser that the laptop signs in, and a link that it has not used yet.
    let own = Server { token: laptop.clone(), ..server };
    let session = cookie(&own);
    let unused = link(&own);
    let page = |path: &str| own.send_anything("GET", path, &[("Cookie", &session)], b"").status;
    assert_eq!((page("/"), page(&unused)), (200, 200));
    let clock = &own.running.clock;
    own.wait(59);
    own.good("GET", "/api/v1/about", &Value::Null);
    let used = |name: &str| {
        let rows = tokens::list(&data).unwrap();
        rows.into_iter().find(|row| row.name == name).unwrap().last_used_at
    };
    assert_eq!(used("laptop"), Some(server_common::NOW), "noted once a minute");
    own.wait(1);
    own.good("GET", "/api/v1/about", &Value::Null);
    assert_eq!(used("laptop"), Some(server_common::NOW + 60));

    assert_eq!(tokens::revoke(&data, "laptop", clock).unwrap(), TokenRole::Operator);
    assert_eq!(with_token(&own, &laptop, "GET", "/api/v1/about", b"").error().1, "token_wrong");
    assert_eq!((page("/"), page(&unused)), (401, 410));
    let again = tokens::revoke(&data, "laptop", clock).unwrap_err();
    assert_eq!(again.to_string(), "no token `laptop` is in force; in force: first");
    // The name is free again, and the old secret stays dead.
    let second = tokens::add(&data, "laptop", TokenRole::Viewer, clock).unwrap();
    assert_eq!(with_token(&own, &laptop, "GET", "/api/v1/about", b"").status, 401);
    assert_eq!(with_token(&own, &second, "GET", "/api/v1/about", b"").status, 200);

    let rows = tokens::list(&data).unwrap();
    let brief: Vec<_> =
        rows.iter().map(|r| (r.name.as_str(), r.role.word(), r.revoked_at.is_some())).collect();
    assert_eq!(
        brief,
        [("first", "operator", false), ("laptop", "operator", true), ("laptop", "viewer", false)]
    );
    let shown = format!("{rows:?}");
    for secret in [&laptop, &second] {
        let hash = Digest::of(secret.as_bytes()).to_string();
        assert!(!shown.contains(secret.as_str()) && !shown.contains(&hash), "{shown}");
    }
    let journal = with_token(&own, &second, "GET", "/api/v1/journal", b"").text();
    for sentence in [
        r#"A token \"laptop\" was made, good for a viewer"#,
        r#"The token \"laptop\" of an operator was revoked"#,
    ] {
        assert!(journal.contains(sentence), "{journal}");
    }
    assert!(!journal.contains(&laptop) && !journal.contains(&second));
}

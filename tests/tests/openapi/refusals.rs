//! Every status by which the document says that a route refuses is one by which it does.

use super::server_common::{CLASS, Node, Server, plan};
use super::{operations, server_common::envelope};
use pintle_protocol::id::{Chip, Digest};
use pintle_server::config::Limits;
use pintle_server::contract::openapi;
use pintle_server::tokens::{self, TokenRole};
use serde_json::{Value, json};

/// What the refusals are about.
struct Things {
    admitted: Node,
    expected: Node,
    retired: Node,
    /// Manifest digests of an image and of the way back.
    envelopes: (Digest, Digest),
}

impl Things {
    fn new(server: &Server) -> Self {
        let (admitted, retired) = (Node::new(1).admitted(server), Node::new(2).admitted(server));
        let envelopes = (server.store(Chip::Io, 10, b"new"), server.store(Chip::Io, 11, b"before"));
        let expected = Node::new(3);
        server.good("PUT", &expected.path(), &expected.wish());
        // Rollout 1 is over.
        let ended = plan(&[&retired], envelopes.0, envelopes.1, "hold");
        server.good("POST", "/api/v1/rollouts", &ended);
        for action in ["start", "turn-back"] {
            server.good("POST", &format!("/api/v1/rollouts/1/{action}"), &Value::Null);
        }
        server.good("POST", &format!("{}/retire", retired.path()), &Value::Null);
        Self { admitted, expected, retired, envelopes }
    }

    /// A request that is right, but for who sends it.
    fn right(&self, method: &str, path: &str) -> (String, Vec<u8>) {
        let node = &self.admitted;
        let id = if path.contains("/rollouts/") { "1".to_owned() } else { node.id.to_string() };
        let (digest, bytes) = envelope(Chip::Io, 10, b"new");
        let digest = if path.contains("/envelopes/") { digest } else { Digest::of(b"new") };
        let body = match (method, path) {
            ("PUT", "/api/v1/nodes/{id}") => node.wish().to_string().into_bytes(),
            (_, "/api/v1/nodes/{id}/admit") => node.keys().to_string().into_bytes(),
            ("PUT", "/api/v1/payloads/{digest}") => b"new".to_vec(),
            ("PUT", "/api/v1/envelopes/{digest}") => bytes,
            ("POST", "/api/v1/rollouts") => self.plan(node).to_string().into_bytes(),
            _ => Vec::new(),
        };
        (path.replace("{id}", &id).replace("{digest}", &digest.to_string()), body)
    }

    fn plan(&self, node: &Node) -> Value {
        plan(&[node], self.envelopes.0, self.envelopes.1, "hold")
    }

    /// A request that is refused with this status.
    fn wrong(&self, method: &str, template: &str, status: u16) -> (String, Vec<u8>) {
        let (path, body) = self.right(method, template);
        let (nobody, limits) = (Node::new(0xee), Limits::default());
        let unknown = template.replace("{id}", if template.contains("/rollouts/") { "99" } else { "ee" });
        let unknown = unknown.replace("/nodes/ee", &format!("/nodes/{}", nobody.id));
        let plans = (method, template) == ("POST", "/api/v1/rollouts");
        match status {
            400 if template.contains('{') => (template.replace(['{', '}'], "-"), body),
            400 if template == "/api/v1/journal" => (format!("{path}?limit=501"), body),
            400 if template == "/api/v1/nodes" => (format!("{path}?after=first"), body),
            400 if method == "GET" && template == "/api/v1/rollouts" => (format!("{path}?limit=0"), body),
            400 => (path, b"{".to_vec()),
            404 if plans => (path, self.plan(&nobody).to_string().into_bytes()),
            404 if template.ends_with("suit-report") || template.ends_with("check-in") => (path, body),
            404 => (unknown, body),
            409 if plans => (path, self.plan(&self.retired).to_string().into_bytes()),
            409 if method == "PUT" => {
                let wish =
                    json!({"name": "Hatch 1", "class": CLASS.to_string(), "code_digest": "0".repeat(64)});
                (path, wish.to_string().into_bytes())
            }
            409 if template.ends_with("/admit") => {
                let keys =
                    json!({"signing_key": nobody.signing_key().to_string(), "sealing_key": "08".repeat(32)});
                (path, keys.to_string().into_bytes())
            }
            // Over and done with.
            409 => (path, body),
            413 if template.contains("payloads") => (path, vec![0; limits.payload_bytes as usize + 1]),
            413 if template.contains("envelopes") => (path, vec![0; limits.envelope_bytes + 1]),
            413 => (path, vec![b' '; limits.json_bytes + 1]),
            422 if plans => {
                let mut wish = self.plan(&self.admitted);
                wish["title"] = json!("");
                (path, wish.to_string().into_bytes())
            }
            422 if template == "/api/v1/nodes/{id}" => {
                let mut wish = self.admitted.wish();
                wish["name"] = json!("x".repeat(41));
                (path, wish.to_string().into_bytes())
            }
            422 if template.ends_with("/admit") => {
                // All zero: a point of small order, RFC 8032 section 5.1.
                let keys = json!({"signing_key": "00".repeat(32), "sealing_key": "09".repeat(32)});
                (format!("{}/admit", self.expected.path()), keys.to_string().into_bytes())
            }
            // What is stored already is not looked at again.
            422 if template.contains("payloads") => {
                (template.replace("{digest}", &"e".repeat(64)), b"something else".to_vec())
            }
            422 if method == "PUT" => (path, b"something else".to_vec()),
            422 => (path, json!({ "note": "x".repeat(201) }).to_string().into_bytes()),
            _ => (path, body),
        }
    }
}

#[test]
fn every_refusal_in_the_document_is_one_that_happens() {
    let server = Server::start();
    let things = Things::new(&server);
    let data = server.folder.path().join("data");
    let viewer = tokens::add(&data, "porch", TokenRole::Viewer, &server.running.clock).unwrap();
    let document = openapi::document();
    let mut tried = 0;
    for (method, template, operation) in operations(&document) {
        for status in operation["responses"].as_object().unwrap().keys() {
            let status: u16 = status.parse().unwrap();
            // A server that fails or cannot write is tried in its own tests.
            if status < 400 || [500, 503].contains(&status) {
                continue;
            }
            let (path, body) = things.wrong(&method, &template, status);
            let bearer = format!("Bearer {}", if status == 403 { &viewer } else { &server.token });
            let fields = [("Authorization", bearer.as_str())];
            let fields = if status == 401 { &[] } else { fields.as_slice() };
            let answer = server.send_anything(&method, &path, fields, &body);
            assert_eq!(answer.status, status, "{method} {path}: {}", answer.text());
            tried += 1;
        }
    }
    println!("refusals tried: {tried}");
    assert!(tried > 90, "{tried}");
}

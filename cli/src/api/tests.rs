use super::*;
use std::cell::RefCell;
use std::rc::Rc;

/// Answers every request with the same.
struct Fixed {
    status: u16,
    body: String,
    seen: Rc<RefCell<Vec<Request>>>,
}

impl Transport for Fixed {
    fn send(&self, request: &Request) -> Result<Response, ApiError> {
        self.seen.borrow_mut().push(request.clone());
        Ok(Response { status: self.status, body: self.body.clone().into_bytes() })
    }
    fn address(&self) -> &str {
        "http://192.0.2.7:8080"
    }
}

fn answering(status: u16, body: impl Into<String>) -> Client {
    Client::over(Fixed { status, body: body.into(), seen: Rc::default() })
}

fn about(name: &str, protocol: u8) -> String {
    let key = PublicKey([7; 32]);
    format!(r#"{{"name":"{name}","protocol":{protocol},"version":"9.8.7","time":1,"server_key":"{key}"}}"#)
}

#[test]
fn another_protocol_version_is_told_with_both_numbers() {
    let error = answering(200, about("pintle-server", PROTOCOL + 1)).about().unwrap_err();
    assert!(matches!(error, ApiError::OtherVersion { ours: PROTOCOL, theirs, .. } if theirs == PROTOCOL + 1));
    assert_eq!(error.hint().unwrap(), "update this program");
}

#[test]
fn what_is_no_server_of_ours_is_refused() {
    for (status, body) in [(200, about("other", PROTOCOL)), (200, "<html>".into()), (404, "no".into())] {
        let error = answering(status, body).about().unwrap_err();
        assert!(matches!(error, ApiError::NotOurs { .. }), "{error:?}");
    }
}

#[test]
fn another_key_than_the_pinned_one_is_refused() {
    let fixed = |protocol| Fixed { status: 200, body: about("pintle-server", protocol), seen: Rc::default() };
    assert!(Client::expecting(fixed(PROTOCOL), PublicKey([7; 32])).is_ok());
    let error = Client::expecting(fixed(PROTOCOL), PublicKey([8; 32])).unwrap_err();
    assert!(matches!(error, ApiError::OtherKey { .. }));
}

#[test]
fn a_refusal_keeps_its_sentence_and_hint() {
    let body = r#"{"error":{"code":"busy","message":"the node is in rollout 3","hint":"wait"}}"#;
    let error = answering(409, body).rollouts().unwrap_err();
    assert_eq!(error.to_string(), "the server refuses: the node is in rollout 3");
    assert_eq!(error.hint().as_deref(), Some("wait"));
    assert!(matches!(answering(401, body).rollouts(), Err(ApiError::Token { .. })));
    assert!(matches!(answering(500, "oops").rollouts(), Err(ApiError::Unreadable { .. })));
    assert!(matches!(answering(200, "{").rollouts(), Err(ApiError::Unreadable { .. })));
}

#[test]
fn payloads_go_under_their_digest() {
    let seen = Rc::default();
    let client = Client::over(Fixed { status: 500, body: String::new(), seen: Rc::clone(&seen) });
    let _ = client.put_payload(b"abc".to_vec());
    // Source: FIPS 180-4, the example message "abc".
    let digest = "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad";
    assert_eq!(seen.borrow()[0].path, format!("/api/v1/payloads/{digest}"));
}

#[test]
fn address_and_certificate_have_to_fit() {
    let new = |address, trust| http::Http::new(address, trust, zeroize::Zeroizing::default()).err();
    assert!(new("http://192.0.2.7:8080/", Trust::Plain).is_none());
    for (address, trust) in [
        ("https://192.0.2.7", Trust::Plain),
        ("http://192.0.2.7", Trust::Authority(b"")),
        ("https://192.0.2.7", Trust::Authority(b"no certificate")),
        ("ftp://192.0.2.7", Trust::Plain),
        ("192.0.2.7", Trust::Plain),
    ] {
        assert!(matches!(new(address, trust), Some(ApiError::Setting { .. })), "{address}");
    }
}

#[test]
fn a_server_that_is_down_is_told() {
    // A port that was just free.
    let free = std::net::TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
    let http =
        http::Http::new(&format!("http://{free}"), Trust::Plain, zeroize::Zeroizing::default()).unwrap();
    assert!(matches!(Client::over(http).about(), Err(ApiError::Down { .. })));
}

/// A server with many nodes and rollouts, in pages.
struct Paged {
    nodes: Vec<NodeView>,
    rollouts: i64,
    /// The first page comes again and again.
    repeats: bool,
    asked: Rc<RefCell<u32>>,
}

/// The value that a query has for a name.
fn value<'a>(path: &'a str, name: &str) -> Option<&'a str> {
    let (_, query) = path.split_once('?')?;
    query.split('&').find_map(|pair| pair.strip_prefix(name)?.strip_prefix('='))
}

impl Transport for Paged {
    fn send(&self, request: &Request) -> Result<Response, ApiError> {
        *self.asked.borrow_mut() += 1;
        let path = request.path.as_str();
        let body = if path.starts_with("/api/v1/nodes") {
            let after =
                value(path, "after").filter(|_| !self.repeats).map(|id| id.parse::<NodeId>().unwrap());
            let behind = self.nodes.iter().filter(|node| after.is_none_or(|after| node.id > after));
            serde_json::to_vec(&behind.take(MOST_LISTED as usize).collect::<Vec<_>>())
        } else {
            let before = value(path, "before").filter(|_| !self.repeats);
            let below = before.map_or(self.rollouts, |before| before.parse::<i64>().unwrap() - 1);
            let limit: usize = value(path, "limit").unwrap().parse().unwrap();
            serde_json::to_vec(&(1..=below).rev().take(limit.min(7)).map(rollout).collect::<Vec<_>>())
        };
        Ok(Response { status: 200, body: body.unwrap() })
    }
    fn address(&self) -> &str {
        "http://192.0.2.7:8080"
    }
}

fn rollout(id: i64) -> serde_json::Value {
    serde_json::json!({"id": id, "title": "", "kind": "image", "state": "ready", "held_because": null,
        "ended_early": false, "windows": null, "on_failure": "hold", "created_at": 0, "started_at": null,
        "ended_at": null, "waves": [], "proves": ""})
}

fn paged(nodes: u32, repeats: bool) -> (Client, Rc<RefCell<u32>>) {
    let node = |n: u32| {
        let id = NodeId([&[0; 12][..], &n.to_be_bytes()].concat().try_into().unwrap());
        // By name the other way round.
        serde_json::from_value(
            serde_json::json!({"id": id.to_string(), "name": format!("{:06}", 999_999 - n),
            "class": "00".repeat(16), "status": "expected", "admitted": false, "signing_key": null,
            "sealing_key": null, "last_seen": null, "silent": false, "report": null, "waits_for": [],
            "left_behind": []}),
        )
        .unwrap()
    };
    let asked = Rc::default();
    let nodes = (1..=nodes).map(node).collect();
    (Client::over(Paged { nodes, rollouts: 23, repeats, asked: Rc::clone(&asked) }), asked)
}

#[test]
fn many_nodes_and_rollouts_come_in_pages() {
    for (nodes, pages) in [(0, 1), (999, 1), (1000, 2), (1001, 2), (20_000, 21)] {
        let (client, asked) = paged(nodes, false);
        let all = client.nodes().unwrap();
        assert_eq!((all.len() as u32, *asked.borrow()), (nodes, pages));
        assert!(all.is_sorted_by(|a, b| a.name < b.name));
    }
    let (client, _) = paged(0, false);
    let numbers: Vec<i64> = client.rollouts().unwrap().iter().map(|rollout| rollout.id).collect();
    assert_eq!(numbers, (1..=23).rev().collect::<Vec<_>>());
    assert_eq!(client.newest_rollout().unwrap().unwrap().id, 23);
}

#[test]
fn a_server_that_gives_the_same_page_for_ever_is_left() {
    let (client, asked) = paged(1000, true);
    for error in [client.nodes().unwrap_err(), client.rollouts().unwrap_err()] {
        assert!(error.to_string().contains("is not in order"), "{error}");
    }
    assert_eq!(*asked.borrow(), 4);
}

#[test]
fn an_answer_that_is_too_large_is_said_to_be_so() {
    let listener = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
    let address = format!("http://{}", listener.local_addr().unwrap());
    let server = std::thread::spawn(move || {
        use std::io::{Read, Write};
        let (mut stream, _) = listener.accept().unwrap();
        let _ = stream.read(&mut [0; 4096]).unwrap();
        let len = (16 << 20) + 1;
        write!(stream, "HTTP/1.1 200 OK\r\ncontent-type: application/json\r\ncontent-length: {len}\r\n\r\n")
            .unwrap();
        // It may be gone by then.
        let _ = stream.write_all(&vec![b' '; len]);
    });
    let client = Client::over(http::Http::new(&address, Trust::Plain, "token".to_owned().into()).unwrap());
    let error = client.nodes().unwrap_err();
    assert!(error.to_string().contains("GET /api/v1/nodes has more than 16 MiB"), "{error}");
    server.join().unwrap();
}

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

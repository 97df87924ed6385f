//! Notices from the real program over real sockets: a webhook with a token, and mail with TLS and a password. What is
//! secret in them is in nothing that the server keeps or says.
//!
//! # Source
//! RFC 5321 for what a mail server answers, RFC 4954 for signing in to it, RFC 8314 for TLS from the start, RFC 6750
//! for the bearer token.

mod common;
mod world;

use common::{Node, operator};
use pintle_protocol::author::{ImageManifest, payload_uri};
use pintle_protocol::cose::SigningKey;
use pintle_protocol::id::{Chip, Digest, Uuid16};
use pintle_protocol::suit::peek;
use pintle_protocol::version::{ActuationProfile, LinkRange, Version};
use rcgen::{BasicConstraints, CertificateParams, IsCa, Issuer, KeyPair};
use rustls::pki_types::{PrivateKeyDer, PrivatePkcs8KeyDer};
use rustls::{ServerConfig, ServerConnection, StreamOwned};
use serde_json::{Value, json};
use std::fs;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpListener;
use std::path::Path;
use std::process::{Command, Output, Stdio};
use std::sync::Arc;
use std::sync::mpsc::{Receiver, channel};
use std::time::Duration;
use world::Program;

const PATIENCE: Duration = Duration::from_secs(60);
const TOKEN: &str = "invented-token-of-a-webhook";
const PASSWORD: &str = "invented password of a mail server";

/// A certificate for `localhost`, and the PEM of the authority that it is from.
fn localhost() -> (ServerConfig, String) {
    let ca_key = KeyPair::generate().unwrap();
    let mut ca = CertificateParams::new(Vec::new()).unwrap();
    ca.is_ca = IsCa::Ca(BasicConstraints::Unconstrained);
    let pem = ca.self_signed(&ca_key).unwrap().pem();
    let key = KeyPair::generate().unwrap();
    let params = CertificateParams::new(vec!["localhost".to_owned()]).unwrap();
    let der = params.signed_by(&key, &Issuer::new(ca, ca_key)).unwrap().der().clone();
    let key = PrivateKeyDer::Pkcs8(PrivatePkcs8KeyDer::from(key.serialize_der()));
    let config = ServerConfig::builder_with_provider(Arc::new(rustls::crypto::ring::default_provider()))
        .with_safe_default_protocol_versions()
        .unwrap()
        .with_no_client_auth()
        .with_single_cert(vec![der], key)
        .unwrap();
    (config, pem)
}

/// A webhook; its port, and head and body of what it was posted.
fn webhook() -> (u16, Receiver<(String, Value)>) {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = listener.local_addr().unwrap().port();
    let (tell, told) = channel();
    std::thread::spawn(move || {
        while let Ok((stream, _)) = listener.accept() {
            let mut from = BufReader::new(stream);
            let (mut head, mut length) = (String::new(), 0);
            while !head.ends_with("\r\n\r\n") {
                let mut line = String::new();
                from.read_line(&mut line).unwrap();
                if let Some(value) = line.to_ascii_lowercase().strip_prefix("content-length: ") {
                    length = value.trim().parse().unwrap();
                }
                head += &line;
            }
            let mut body = vec![0; length];
            from.read_exact(&mut body).unwrap();
            let answer = b"HTTP/1.1 204 No Content\r\nConnection: close\r\n\r\n";
            from.get_mut().write_all(answer).unwrap();
            if tell.send((head, serde_json::from_slice(&body).unwrap())).is_err() {
                return;
            }
        }
    });
    (port, told)
}

/// One mail, as its server sees it.
#[derive(Debug, Default)]
struct Mailed {
    signed_in: String,
    from: String,
    to: Vec<String>,
    text: String,
}

/// A mail server with TLS from the start; its port, and what it took.
fn mail_server(config: ServerConfig) -> (u16, Receiver<Mailed>) {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = listener.local_addr().unwrap().port();
    let (config, (tell, told)) = (Arc::new(config), channel());
    std::thread::spawn(move || {
        while let Ok((stream, _)) = listener.accept() {
            let connection = ServerConnection::new(config.clone()).unwrap();
            let mut stream = BufReader::new(StreamOwned::new(connection, stream));
            let say = |to: &mut BufReader<_>, line: &str| {
                let to: &mut StreamOwned<ServerConnection, _> = to.get_mut();
                to.write_all(format!("{line}\r\n").as_bytes()).and_then(|()| to.flush()).is_ok()
            };
            if !say(&mut stream, "220 localhost ESMTP") {
                continue;
            }
            let (mut mailed, mut line) = (Mailed::default(), String::new());
            while {
                line.clear();
                stream.read_line(&mut line).is_ok_and(|n| n > 0)
            } {
                let (verb, rest) = line.trim_end().split_at_checked(4).unwrap();
                let answer = match verb {
                    "EHLO" => "250-localhost\r\n250-8BITMIME\r\n250 AUTH PLAIN",
                    "AUTH" => {
                        mailed.signed_in = rest.trim_start_matches(" PLAIN ").to_owned();
                        "235 2.7.0 so it is"
                    }
                    "MAIL" => {
                        mailed.from = rest.to_owned();
                        "250 2.1.0 good"
                    }
                    "RCPT" => {
                        mailed.to.push(rest.to_owned());
                        "250 2.1.5 good"
                    }
                    "DATA" => {
                        say(&mut stream, "354 go on");
                        while !mailed.text.ends_with("\r\n.\r\n") {
                            stream.read_line(&mut mailed.text).unwrap();
                        }
                        tell.send(std::mem::take(&mut mailed)).unwrap();
                        "250 2.0.0 taken"
                    }
                    _ => "221 2.0.0 bye",
                };
                say(&mut stream, answer);
            }
        }
    });
    (port, told)
}

/// Settings with both ways, and their secrets, in `folder`.
fn settings(folder: &Path, hook: u16, mail: u16, root: &str) {
    fs::write(folder.join("token"), format!("{TOKEN}\n")).unwrap();
    fs::write(folder.join("password"), format!("{PASSWORD}\n")).unwrap();
    fs::write(folder.join("roots.pem"), root).unwrap();
    let text = format!(
        "data = \"data\"\nlisten = \"127.0.0.1:0\"\nplain = true\n\
         webhook = \"http://127.0.0.1:{hook}/pintle\"\nwebhook-token = \"token\"\n\
         mail-server = \"smtps://localhost:{mail}\"\nmail-from = \"Larkfield <pintle@home.arpa>\"\n\
         mail-to = [\"gatekeeper@home.arpa\", \"hens@home.arpa\"]\n\
         mail-user = \"pintle\"\nmail-password = \"password\"\nnotice-roots = \"roots.pem\"\n"
    );
    fs::write(folder.join("server.toml"), text).unwrap();
}

fn command(folder: &Path) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_pintle-server"));
    command.arg("--settings").arg(folder.join("server.toml")).stdin(Stdio::null());
    command
}

fn text(output: &Output) -> String {
    format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr))
}

/// All files below a folder, with their content.
fn files(folder: &Path, found: &mut Vec<(String, Vec<u8>)>) {
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            files(&path, found);
        } else {
            found.push((path.display().to_string(), fs::read(&path).unwrap()));
        }
    }
}

#[test]
fn a_rollout_that_is_held_is_told_by_webhook_and_mail_and_no_secret_stays() {
    let folder = tempfile::tempdir().unwrap();
    let (config, root) = localhost();
    let (hook, posted) = webhook();
    let (mail, mailed) = mail_server(config);
    settings(folder.path(), hook, mail, &root);
    let log = folder.path().join("log");
    let child = command(folder.path())
        .env("PINTLE_LOG", "trace")
        .stdout(Stdio::piped())
        .stderr(fs::File::create(&log).unwrap())
        .spawn()
        .unwrap();
    let data = folder.path().join("data");
    let program = Program::listening(child, &data, false);
    let (addr, token) = (program.door.addr, program.token.clone().unwrap());
    let node = Node::new(1).admitted(addr, &token);
    let put = operator(addr, &token, "PUT", &format!("/api/v1/payloads/{}", Digest::of(b"x")), "x");
    assert_eq!(put.status, 200, "{}", put.text());
    hold_a_rollout(&program, &token, &node);

    let (head, body) = posted.recv_timeout(PATIENCE).expect("the webhook was not posted to");
    let head = head.to_ascii_lowercase();
    assert!(head.starts_with("post /pintle http/1.1\r\n"), "{head}");
    assert!(head.contains(&format!("\r\nauthorization: bearer {TOKEN}\r\n")), "{head}");
    assert!(head.contains("\r\ncontent-type: application/json\r\n"), "{head}");
    assert_eq!(body["server"], json!(program.door.server_key.to_string()));
    let notice = &body["notices"][0];
    assert_eq!(
        (&notice["id"], &notice["kind"], &notice["subject"]),
        (&json!(1), &json!("rollout_held"), &json!("1"))
    );
    assert_eq!(notice["sentence"], "\"Firmware 1.1\" is held: the goat is loose");

    let mail = mailed.recv_timeout(PATIENCE).expect("no mail came");
    // RFC 4616: no identity, NUL, the name, NUL, the password; in base64 of RFC 4648, from the coreutils.
    let plain = Command::new("sh")
        .args(["-c", "printf '\\0%s\\0%s' \"$0\" \"$1\" | base64 -w0", "pintle", PASSWORD])
        .output()
        .unwrap();
    assert_eq!(mail.signed_in.as_bytes(), plain.stdout);
    assert!(mail.from.contains("<pintle@home.arpa>"), "{mail:?}");
    assert_eq!(mail.to.len(), 2);
    for part in [
        "Subject: Pintle: ",
        "To: ",
        "From: ",
        "the goat is loose",
        "This is no alarm",
        "From the server with key",
    ] {
        assert!(mail.text.contains(part), "{part} is missing in {}", mail.text);
    }

    // It was told once; what is secret is in nothing that is kept or said.
    std::thread::sleep(Duration::from_secs(7));
    assert!(posted.try_recv().is_err() && mailed.try_recv().is_err());
    let metrics = operator(addr, &token, "GET", "/metrics", "").text();
    assert!(metrics.contains("\npintle_notices_waiting 0\n"), "{metrics}");
    let copy = folder.path().join("copy");
    let made = Command::new(env!("CARGO_BIN_EXE_pintle-server"))
        .args(["backup", "--data"])
        .arg(&data)
        .arg("--to")
        .arg(&copy)
        .output()
        .unwrap();
    assert!(made.status.success(), "{}", text(&made));
    let mut kept =
        vec![("metrics".to_owned(), metrics.into_bytes()), ("log".to_owned(), fs::read(&log).unwrap())];
    files(&data, &mut kept);
    files(&copy, &mut kept);
    assert!(kept.iter().any(|(_, bytes)| bytes.windows(5).any(|w| w == b"goat ")), "the scan reads nothing");
    let encoded = String::from_utf8(plain.stdout).unwrap();
    for secret in [TOKEN, PASSWORD, &encoded] {
        for (name, bytes) in &kept {
            assert!(!bytes.windows(secret.len()).any(|w| w == secret.as_bytes()), "{secret} is in {name}");
        }
    }
}

/// A rollout of an envelope for this node, started and held.
fn hold_a_rollout(program: &Program, token: &str, node: &Node) {
    let (addr, path) = (program.door.addr, "/api/v1/rollouts");
    let (payload, link) = (Digest::of(b"x"), LinkRange { oldest: 1, newest: 2 });
    let manifest = ImageManifest {
        vendor: Uuid16([0xaa; 16]),
        class: Uuid16([0xc1; 16]),
        chip: Chip::Io,
        sequence: 7,
        version: Version::new(1, 1, 0),
        digest: payload,
        size: 1,
        uri: &payload_uri(&payload),
        link,
        profile: ActuationProfile { id: 1, version: 1 },
        reference_uri: "https://larkfield.example/image",
    };
    let envelope = manifest.envelope(&SigningKey::from_bytes(&[0x51; 32])).unwrap();
    let digest = peek(&envelope).unwrap().digest;
    let field = format!("Authorization: Bearer {token}");
    let put = common::ask(addr, "PUT", &format!("/api/v1/envelopes/{digest}"), &field, &envelope);
    assert_eq!(put.status, 200, "{}", put.text());
    let wish = json!({
        "title": "Firmware 1.1", "kind": "image", "on_failure": "hold",
        "waves": [{
            "soak_seconds": 60, "gate": {"max_failed": 0, "max_silent": 0, "silent_after_seconds": 600},
            "targets": [{"node": node.state.node.to_string(), "steps": [{"envelope": digest.to_string(), "way_back": null}]}],
        }],
    });
    for (path, body) in [
        (path.to_owned(), wish),
        (format!("{path}/1/start"), Value::Null),
        (format!("{path}/1/hold"), json!({"note": "the goat is loose"})),
    ] {
        let body = if body.is_null() { String::new() } else { body.to_string() };
        let answer = operator(addr, token, "POST", &path, &body);
        assert!(answer.status < 300, "{path}: {}", answer.text());
    }
}

#[test]
fn a_test_says_by_which_way_it_went() {
    let folder = tempfile::tempdir().unwrap();
    let (config, root) = localhost();
    let (hook, posted) = webhook();
    let (mail, mailed) = mail_server(config);
    settings(folder.path(), hook, mail, &root);
    let tried = command(folder.path()).arg("try-notices").output().unwrap();
    let way = |name: &str| format!("{name}: the test was taken; see that it has arrived\n");
    assert_eq!((tried.status.code(), text(&tried)), (Some(0), way("webhook") + &way("mail")));
    assert_eq!(posted.recv_timeout(PATIENCE).unwrap().1["notices"][0]["kind"], "test");
    assert!(mailed.recv_timeout(PATIENCE).unwrap().text.contains("This is a test"));
    assert!(!folder.path().join("data").exists(), "nothing is stored");

    // A mail server that nobody vouches for gets neither password nor mail.
    fs::write(folder.path().join("roots.pem"), localhost().1).unwrap();
    let tried = command(folder.path()).arg("try-notices").output().unwrap();
    assert_eq!(tried.status.code(), Some(1));
    let said = text(&tried);
    assert!(said.starts_with(&(way("webhook") + "mail: the mail server did not take it: ")), "{said}");
    assert!(said.ends_with("error: 1 of the ways did not work\n"), "{said}");
    assert!(!said.contains(PASSWORD) && mailed.try_recv().is_err());
}

#[test]
fn what_cannot_be_used_is_said_before_anything_starts() {
    let folder = tempfile::tempdir().unwrap();
    let (_, root) = localhost();
    for (name, content, part) in [
        ("token", None, "token: No such file"),
        ("token", Some(""), "token: one line of printable ASCII is expected"),
        ("password", Some("two\nlines"), "password: one line of printable ASCII is expected"),
        ("roots.pem", Some("no PEM at all"), "roots.pem: it holds no certificate"),
    ] {
        settings(folder.path(), 1, 1, &root);
        let path = folder.path().join(name);
        content.map_or_else(|| fs::remove_file(&path), |content| fs::write(&path, content)).unwrap();
        for args in [&[][..], &["try-notices"]] {
            let ended = command(folder.path()).args(args).output().unwrap();
            let said = text(&ended);
            assert_eq!(ended.status.code(), Some(1), "{said}");
            assert!(said.contains(part) && !said.contains("listening"), "{said}");
        }
    }
    let none = Command::new(env!("CARGO_BIN_EXE_pintle-server")).arg("try-notices").output().unwrap();
    assert_eq!(none.status.code(), Some(1));
    assert!(text(&none).contains("no way is set: set `webhook`, or `mail-server`"), "{}", text(&none));
}

//! Secrets stay where they belong: real programs, a whole commissioning and a rollout with known
//! passphrases and tokens, then a search through everything that the server wrote and said.

mod bin_common;
#[path = "../../tests/tests/schema/mod.rs"]
mod schema;

use bin_common::{PASSPHRASE, Place, WIFI};
use minicbor::Encode;
use pintle_protocol::card::StarterCard;
use pintle_protocol::cbor::decode_message;
use pintle_protocol::checkin::{
    CheckIn, Claim, PROTOCOL, Phase, Position, Reply, Running, Wifi, claim_proof,
};
use pintle_protocol::cose::{AAD_CHECK_IN, AAD_CLAIM, AAD_REPLY, SigningKey, sign1};
use pintle_protocol::id::{Digest, Nonce, PublicKey, Role};
use pintle_protocol::version::{ActuationProfile, LinkRange, Version};
use pintle_server::contract::routes::{ROUTES, Who};
use std::fs;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpStream;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::LazyLock;

/// The passphrase of a network to which nodes change.
const CANDIDATE: &str = "a longer latch";

/// Every way in which these bytes could have been written down.
fn forms(secret: &[u8]) -> Vec<Vec<u8>> {
    let lower = hex::encode(secret);
    let mut forms = vec![secret.to_vec(), lower.to_uppercase().into_bytes(), lower.into_bytes()];
    for alphabet in [b"+/", b"-_"] {
        // Base64 (RFC 4648 sections 4 and 5) differs by where in a group of three the secret begins;
        // the digits that its neighbours have a part in are left out.
        for shift in 0..3 {
            let padded = [vec![0; shift], secret.to_vec()].concat();
            let whole = padded.len() / 3 * 4;
            let text = base64(&padded[..padded.len() / 3 * 3], alphabet);
            forms.push(text[if shift == 0 { 0 } else { 4 }..whole].to_vec());
        }
    }
    forms
}

fn base64(bytes: &[u8], last: &[u8; 2]) -> Vec<u8> {
    let mut alphabet: Vec<u8> = (b'A'..=b'Z').chain(b'a'..=b'z').chain(b'0'..=b'9').collect();
    alphabet.extend(last);
    let groups = bytes.chunks_exact(3).map(|g| u32::from_be_bytes([0, g[0], g[1], g[2]]));
    groups.flat_map(|g| [18, 12, 6, 0].map(|s| alphabet[(g >> s) as usize & 63])).collect()
}

fn holds(bytes: &[u8], part: &[u8]) -> bool {
    memchr::memmem::find(bytes, part).is_some()
}

/// The server's program beside this one, built anew if it is missing or older than what it was built
/// from. Building it alone takes a minute, for its dependencies then have other features.
static SERVER_PROGRAM: LazyLock<PathBuf> = LazyLock::new(|| {
    let program = Path::new(env!("CARGO_BIN_EXE_pintle")).with_file_name("pintle-server");
    let changed = |path: &Path| fs::metadata(path).and_then(|m| m.modified()).ok();
    // Cargo lists beside each program what it was built from: "program: source source ..".
    let listed = fs::read_to_string(program.with_extension("d")).unwrap_or_default();
    let sources = listed.split_once(": ").map_or("", |(_, sources)| sources).replace("\\ ", "\0");
    let mut sources = sources.split_whitespace().map(|path| PathBuf::from(path.replace('\0', " ")));
    let built = changed(&program);
    // One that is gone counts as newer.
    let older = |source: PathBuf| changed(&source).is_some_and(|at| built.is_some_and(|built| at <= built));
    if listed.is_empty() || !sources.all(older) {
        let workspace = Path::new(env!("CARGO_MANIFEST_DIR")).parent().unwrap();
        let mut build = Command::new(env!("CARGO"));
        build.args(["build", "--quiet", "--package", "pintle-server", "--bin", "pintle-server"]);
        assert!(build.current_dir(workspace).status().unwrap().success());
    }
    program
});

/// The server as a program of its own; killed when dropped.
struct Program {
    child: Child,
    address: String,
    token: String,
    key: PublicKey,
}

impl Program {
    fn start(data: &Path, log: &Path) -> Self {
        let mut child = Command::new(&*SERVER_PROGRAM)
            .args(["--plain", "--listen", "127.0.0.1:0", "--data"])
            .arg(data)
            .env("PINTLE_LOG", "trace")
            .env_remove("PINTLE_LISTEN")
            .stdin(Stdio::null())
            .stdout(Stdio::piped())
            .stderr(fs::File::create(log).unwrap())
            .spawn()
            .unwrap();
        let mut said = std::collections::BTreeMap::new();
        for line in BufReader::new(child.stdout.take().unwrap()).lines().map_while(Result::ok) {
            let (what, value) = line.rsplit_once(' ').unwrap();
            said.insert(what.to_owned(), value.to_owned());
            if what == "listening on" {
                break;
            }
        }
        let value = |what: &str| said.get(what).unwrap_or_else(|| panic!("{what}: {said:?}")).clone();
        Self {
            address: value("listening on").trim_start_matches("http://").to_owned(),
            token: value("operator token (shown once, kept nowhere):"),
            key: value("server key:").parse().unwrap(),
            child,
        }
    }

    /// Status line and head and body, as they came.
    fn send(&self, method: &str, path: &str, field: &str, body: &[u8]) -> Vec<u8> {
        let mut stream = TcpStream::connect(&self.address).unwrap();
        let head = format!(
            "{method} {path} HTTP/1.1\r\nHost: localhost\r\nConnection: close\r\n{field}Content-Length: {}\r\n\r\n",
            body.len()
        );
        stream.write_all(&[head.as_bytes(), body].concat()).unwrap();
        let mut answer = Vec::new();
        stream.read_to_end(&mut answer).unwrap();
        answer
    }
}

impl Drop for Program {
    fn drop(&mut self) {
        // It is a child of ours, so its number cannot belong to anything else yet.
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

fn body(answer: &[u8]) -> &[u8] {
    let end = answer.windows(4).position(|w| w == b"\r\n\r\n").unwrap();
    &answer[end + 4..]
}

fn signed(key: &SigningKey, message: &impl Encode<()>, aad: &[u8]) -> Vec<u8> {
    let plain = minicbor::to_vec(message).unwrap();
    let mut out = vec![0; plain.len() + 128];
    let len = sign1::sign_attached(key, None, &plain, aad, &mut out).unwrap();
    out.truncate(len);
    let rule = if aad == AAD_CLAIM { "claim-message" } else { "check-in-message" };
    schema::holds_each_shape(rule, &out);
    out
}

/// A node that was handed this card.
struct Node {
    key: SigningKey,
    state: CheckIn,
}

impl Node {
    fn claim(program: &Program, card: &StarterCard) -> Self {
        let key = SigningKey::from_bytes(&[3; 32]);
        let signing_key = PublicKey(key.verifying_key().to_bytes());
        let secret = x25519_dalek::StaticSecret::from([9; 32]);
        let sealing_key = PublicKey(x25519_dalek::PublicKey::from(&secret).to_bytes());
        let claim = Claim {
            protocol: PROTOCOL,
            node: card.node,
            signing_key,
            sealing_key,
            class: card.net_class,
            code_digest: Digest::of(&card.code),
            proof: claim_proof(&card.code, &card.node, &signing_key, &sealing_key, &card.net_class),
        };
        let answer = program.send("POST", "/node/claim", "", &signed(&key, &claim, AAD_CLAIM));
        assert!(answer.starts_with(b"HTTP/1.1 2"));
        let runs = |image: &[u8]| Running {
            version: Version::new(1, 0, 0),
            digest: Digest::of(image),
            link: LinkRange { oldest: 1, newest: 2 },
            profile: ActuationProfile { id: 1, version: 1 },
            slot: 0,
        };
        let state = CheckIn {
            protocol: PROTOCOL,
            node: card.node,
            counter: 0,
            nonce: Nonce([7; 16]),
            uptime_seconds: 120,
            starts: 1,
            net: runs(b"net"),
            io: Some(runs(b"io")),
            sequences: [0; 3],
            bundle: None,
            position: Position::Closed,
            phase: Phase::Idle,
            subject: None,
            holds: 0,
            outcome: None,
            wifi: Wifi { index: 0, rssi_dbm: -61, candidate: None },
            report: Default::default(),
            supply_mv: 5010,
            relay_pulses: 0,
        };
        Self { key, state }
    }

    fn check_in(&mut self, program: &Program) -> Reply {
        self.state.counter += 1;
        let message = signed(&self.key, &self.state, AAD_CHECK_IN);
        let answer = program.send("POST", "/node/check-in", "", &message);
        let payload = sign1::open(body(&answer), &program.key, AAD_REPLY).unwrap();
        decode_message(payload).unwrap()
    }
}

/// Every file below a folder, and what it holds.
fn everything(folder: &Path, label: &str, found: &mut Vec<(String, Vec<u8>)>) {
    let mut left = vec![folder.to_owned()];
    while let Some(path) = left.pop() {
        if path.is_dir() {
            left.extend(fs::read_dir(&path).unwrap().map(|e| e.unwrap().path()));
        } else {
            found.push((format!("{label}: {}", path.display()), fs::read(&path).unwrap()));
        }
    }
}

#[test]
fn no_secret_is_in_anything_that_the_server_keeps_writes_or_says() {
    let place = Place::with_yard();
    let (data, log) = (place.path("data"), place.path("log"));
    let program = Program::start(&data, &log);
    let mut found: Vec<(String, Vec<u8>)> = Vec::new();

    // Everything that the operator does, by the real command.
    let mut run = |args: &[&str]| {
        let ran = place.run(args).ends(0);
        found.push((format!("answer to {args:?}"), [ran.out.as_bytes(), ran.err.as_bytes()].concat()));
        ran
    };
    place.write("token", &program.token);
    let url = format!("http://{}", program.address);
    run(&["server", "join", &url, "--token-file", place.path("token").to_str().unwrap()]);
    let out = place.path("card");
    run(&["node", "card", "barn", "--out", out.to_str().unwrap()]);
    let card: StarterCard = decode_message(&fs::read(out.join("card.cbor")).unwrap()).unwrap();
    let mut node = Node::claim(&program, &card);
    run(&["node", "admit", "barn"]);
    node.check_in(&program);
    run(&["bundle", "seal", "barn"]);
    // Its first bundle brings a second network too, as a candidate.
    place.write("candidate", CANDIDATE);
    let candidate = place.path("candidate");
    let change = ["wifi", "change", "new", "--ssid", "Larkfield 2", "--replaces", "house", "--nodes", "barn"];
    run(&[&change[..], &["--wifi-passphrase-file", candidate.to_str().unwrap()]].concat());
    run(&["rollout", "show"]);
    run(&["node", "list"]);
    run(&["server", "journal"]);
    let link = place.run(&["server", "link"]).ends(0).out.trim().to_owned();

    // The bundle, with the passphrase in it, goes through the server to the node.
    let offer = node.check_in(&program).offer.expect("nothing is offered");
    let envelope = program.send("GET", &format!("/node/envelope/{}", offer.envelope), "", b"");
    assert_eq!(body(&envelope).len(), offer.size as usize);
    found.push(("the envelope on its way".to_owned(), envelope));

    let mut token = Command::new(&*SERVER_PROGRAM);
    let added =
        token.args(["token", "add", "porch", "--role", "viewer", "--data"]).arg(&data).output().unwrap();
    assert!(added.status.success());
    let viewer = String::from_utf8(added.stdout).unwrap().trim().to_owned();
    for list in [&["token", "list"][..], &["token", "list", "--json"]] {
        let listed = Command::new(&*SERVER_PROGRAM).args(list).arg("--data").arg(&data).output().unwrap();
        assert!(holds(&listed.stdout, b"porch"));
        found.push((format!("answer to {list:?}"), [listed.stdout, listed.stderr].concat()));
    }

    // A browser signs in; the answer that hands the session over is the one place where it stands.
    let path = link.split_once(&program.address).expect("the link names the server").1.to_owned();
    let secret = path.rsplit('/').next().unwrap().to_owned();
    let signed_in = String::from_utf8(program.send("POST", &path, "", b"")).unwrap();
    let session = signed_in.split("__Host-pintle=").nth(1).unwrap().split(';').next().unwrap().to_owned();

    // Every page and every answer that there is.
    let (bearer, cookie) =
        (format!("Authorization: Bearer {viewer}\r\n"), format!("Cookie: __Host-pintle={session}\r\n"));
    let mut answers = 0;
    // What anybody may read without a secret in its path is read too.
    let read = |who, path: &str| match who {
        Who::Viewer | Who::Browser => true,
        Who::Anybody => !path.contains('{'),
        Who::Node | Who::Operator => false,
    };
    for route in ROUTES.iter().filter(|r| r.method == "GET" && read(r.who, r.path)) {
        let id = if route.path.contains("rollouts") { "1".to_owned() } else { card.node.to_string() };
        let path = route.path.replace("{id}", &id);
        let field = if route.who == Who::Viewer { &bearer } else { &cookie };
        let answer = program.send("GET", &path, field, b"");
        // This node sends no report of what it carried out.
        let status: &[u8] = if path.ends_with("suit-report") { b"HTTP/1.1 404" } else { b"HTTP/1.1 200" };
        assert!(answer.starts_with(status), "{path}: {}", String::from_utf8_lossy(&answer));
        found.push((format!("answer to GET {path}"), answer));
        answers += 1;
    }
    assert!(answers >= 15, "{answers}");
    for path in ["/metrics", "/healthz", "/readyz"] {
        assert!(found.iter().any(|(place, _)| place == &format!("answer to GET {path}")), "{path}");
    }
    for path in ["/elsewhere", "/api/v1/nodes/xyz", "/node/envelope/xyz"] {
        found.push((format!("answer to GET {path}"), program.send("GET", path, &bearer, b"")));
    }

    // The folder while the server runs, with its write-ahead log, and after it was cut off.
    everything(&data, "while it runs", &mut found);
    let backup = place.path("backup");
    let mut make = Command::new(&*SERVER_PROGRAM);
    let made = make.args(["backup", "--data"]).arg(&data).arg("--to").arg(&backup).output().unwrap();
    assert!(made.status.success(), "{}", String::from_utf8_lossy(&made.stderr));
    found.push(("answer to backup".to_owned(), [made.stdout, made.stderr].concat()));
    everything(&backup, "in the backup", &mut found);
    drop(program);
    everything(&data, "after it was cut off", &mut found);
    found.push(("the log".to_owned(), fs::read(&log).unwrap()));
    let operator = fs::read_to_string(place.path("token")).unwrap();

    let unlocked =
        pintle::yard::Yard::open(&place.path("yard")).unwrap().unlock(PASSPHRASE.as_bytes()).unwrap();
    let seed = |role| unlocked.signing_key(role).unwrap().to_bytes();
    let seeds = [Role::Root, Role::Image, Role::Bundle].map(seed);
    // The server's own key is in its one file, and nowhere else.
    let own = fs::read(data.join("online.key")).unwrap();
    assert_eq!(own.len(), 32);
    let own_file = |place: &str| place.ends_with("/online.key");
    assert_eq!(
        found.iter().filter(|(place, _)| own_file(place)).count(),
        3,
        "running, cut off, in the backup"
    );

    let secrets: [(&str, &[u8]); 13] = [
        ("the yard's passphrase", PASSPHRASE.as_bytes()),
        ("the Wi-Fi passphrase", WIFI.as_bytes()),
        ("the passphrase of the candidate", CANDIDATE.as_bytes()),
        ("the root key", &seeds[0]),
        ("the image key", &seeds[1]),
        ("the bundle key", &seeds[2]),
        ("the server's key", &own),
        ("the operator's token", operator.as_bytes()),
        ("the viewer's token", viewer.as_bytes()),
        ("the sign-in link", secret.as_bytes()),
        ("the session", session.as_bytes()),
        ("the claim code", &card.code),
        ("the operator's token, its bytes", &hex::decode(&operator).unwrap()),
    ];
    for (what, secret) in secrets {
        for form in forms(secret) {
            assert!(form.len() >= 8, "{what} is too short to be told from chance");
            for (place, bytes) in
                found.iter().filter(|(place, _)| what != "the server's key" || !own_file(place))
            {
                assert!(!holds(bytes, &form), "{what} is in {place}, as {}", form.escape_ascii());
            }
        }
    }
    // The search finds what is there: the node's name in each kind of place, and planted secrets.
    for kind in
        ["while it runs", "after it was cut off", "in the backup", "answer to GET /", "answer to [\"node\""]
    {
        let there = |(place, bytes): &(String, Vec<u8>)| place.starts_with(kind) && holds(bytes, b"arn");
        assert!(found.iter().any(there), "{kind}");
    }
    assert!(
        found.iter().any(|(place, bytes)| place.ends_with("-wal") && !bytes.is_empty()),
        "no log was looked at"
    );
    for shift in 0..4 {
        let planted = [&[b'x'; 3][..shift.min(3)], WIFI.as_bytes(), b"yz"].concat();
        let padded = [planted, vec![0; 3]].concat();
        let written = [base64(&padded[..padded.len() / 3 * 3], b"+/"), hex::encode(WIFI).into_bytes()];
        for text in written {
            assert!(forms(WIFI.as_bytes()).iter().any(|form| holds(&text, form)), "{shift}");
        }
    }
}

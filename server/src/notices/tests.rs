//! What is told, seen in a server with a clock that is set by hand, and sent over real sockets.

use super::sending::{Rounds, Ways, secret, try_all};
use super::{Fault, Mail, Notices, Security, Webhook};
use crate::clock::Clock;
use crate::common::{Node, operator};
use crate::config::{Config, Tls};
use crate::contract::Seconds;
use crate::run::{Running, new_key, start, switch_key};
use crate::store::{Connection, StoreFault};
use serde_json::Value;
use std::io::{BufRead, BufReader, Read, Write};
use std::net::TcpListener;
use std::path::Path;
use std::sync::mpsc::{Receiver, channel};
use std::time::Duration;

const NOW: Seconds = 1_800_000_000;

/// A webhook that answers each post with the next of these statuses, the last of them for ever; what it was posted.
fn hook(statuses: &'static [u16]) -> (Notices, Receiver<(String, Value)>) {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let url = format!("http://{}/hook", listener.local_addr().unwrap()).parse().unwrap();
    let (tell, told) = channel();
    std::thread::spawn(move || {
        for n in 0.. {
            let Ok((stream, _)) = listener.accept() else { return };
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
            let status = statuses[n.min(statuses.len() - 1)];
            let answer = format!("HTTP/1.1 {status} So\r\nContent-Length: 0\r\nConnection: close\r\n\r\n");
            from.get_mut().write_all(answer.as_bytes()).unwrap();
            if tell.send((head, serde_json::from_slice(&body).unwrap())).is_err() {
                return;
            }
        }
    });
    (Notices { webhook: Some(Webhook { url, token: None }), ..Notices::default() }, told)
}

fn run(data: &Path, clock: &Clock) -> Running {
    let mut config = Config::new(data, ([127, 0, 0, 1], 0).into());
    (config.tls, config.clock) = (Tls::Plain, clock.clone());
    start(config).unwrap()
}

fn rounds(running: &Running, notices: &Notices) -> Rounds {
    Rounds::new(running.app.clone(), Ways::ready(notices).unwrap().unwrap())
}

/// What was posted in a round: the sentences.
fn round(rounds: &mut Rounds, told: &Receiver<(String, Value)>) -> Vec<String> {
    rounds.one().unwrap();
    let mut sentences = Vec::new();
    while let Ok((head, posted)) = told.recv_timeout(Duration::from_millis(200)) {
        assert!(head.starts_with("POST /hook HTTP/1.1\r\n"), "{head}");
        let notices = posted["notices"].as_array().unwrap();
        sentences.extend(notices.iter().map(|n| n["sentence"].as_str().unwrap().to_owned()));
    }
    sentences
}

fn sql(running: &Running, sql: &'static str) {
    let done: Result<(), StoreFault> =
        running.app.db.write_blocking(move |conn: &Connection| Ok(conn.execute_batch(sql)?));
    done.unwrap();
}

const ROLLOUT: &str =
    "INSERT INTO rollout (id, title, kind, state, held_because, on_failure, created_at, started_at)
    VALUES (3, 'Firmware', 'image', 'held', 'guests', 'hold', 1, 1)";

#[test]
fn what_lasts_is_told_once_and_again_when_it_says_something_else() {
    let data = tempfile::tempdir().unwrap();
    let running = run(data.path(), &Clock::manual(NOW));
    let (notices, told) = hook(&[204]);
    let mut look = rounds(&running, &notices);
    assert!(round(&mut look, &told).is_empty());
    sql(&running, ROLLOUT);
    assert_eq!(round(&mut look, &told), ["\"Firmware\" is held: guests"]);
    assert!(round(&mut look, &told).is_empty());
    // Another one that looks later has seen it too.
    assert!(round(&mut rounds(&running, &notices), &told).is_empty());
    sql(&running, "UPDATE rollout SET held_because = 'frost'");
    assert_eq!(round(&mut look, &told), ["\"Firmware\" is held: frost"]);
    sql(&running, "UPDATE rollout SET state = 'under way', held_because = NULL");
    assert!(round(&mut look, &told).is_empty());
    sql(
        &running,
        "INSERT INTO wave (rollout, number, soak_seconds, max_failed, max_silent, silent_after_seconds, state,
             approval, asked_at)
         VALUES (3, 1, 60, 0, 0, 600, 'not open', 1, 5)",
    );
    assert_eq!(round(&mut look, &told), ["Wave 2 of \"Firmware\" waits for approval"]);
    sql(&running, "UPDATE rollout SET state = 'turned back', held_because = 'a gate', ended_at = 1799999000");
    assert_eq!(round(&mut look, &told), ["\"Firmware\" turns back: a gate"], "although it has ended already");
}

#[test]
fn a_key_that_has_been_in_use_for_nine_years_is_told_of_once_until_it_is_switched() {
    const DAY: Seconds = 86_400;
    let data = tempfile::tempdir().unwrap();
    let clock = Clock::manual(NOW);
    let (notices, told) = hook(&[204]);
    let days = |running: &Running, days: Seconds| {
        for _ in 0..days / 73 {
            clock.advance(73 * DAY);
            running.tick().unwrap();
        }
    };
    let running = run(data.path(), &clock);
    let mut look = rounds(&running, &notices);
    assert!(round(&mut look, &told).is_empty());
    days(&running, 9 * 365 - 73);
    assert!(round(&mut look, &told).is_empty());
    days(&running, 73);
    let found = round(&mut look, &told);
    assert!(found.len() == 1 && found[0].contains("in use since 2027-01-15"), "{found:?}");
    days(&running, 365);
    assert!(round(&mut look, &told).is_empty(), "once");
    // A new one begins anew.
    drop(look);
    running.stop().unwrap();
    new_key(data.path(), &clock).unwrap();
    switch_key(data.path(), &clock).unwrap();
    let running = run(data.path(), &clock);
    let mut look = rounds(&running, &notices);
    days(&running, 8 * 365);
    assert!(round(&mut look, &told).is_empty());
    days(&running, 365);
    let found = round(&mut look, &told);
    assert!(found.len() == 1 && found[0].contains("in use since 2037-01-"), "{found:?}");
}

#[test]
fn a_node_that_falls_silent_is_told_of_until_it_is_heard() {
    let data = tempfile::tempdir().unwrap();
    let clock = Clock::manual(NOW);
    let running = run(data.path(), &clock);
    let token = running.operator_token.clone().unwrap();
    let mut nodes: Vec<Node> = (1..=3).map(|n| Node::new(n).admitted(running.addr, &token)).collect();
    for node in &mut nodes {
        assert_eq!(node.check_in(running.addr).status, 200);
    }
    let (notices, told) = hook(&[200]);
    // The server notes that it is there; at every look nodes are looked at, too.
    let pass = |seconds: Seconds, heard: &mut [Node]| {
        for _ in 0..seconds / 60 {
            clock.advance(60);
            running.tick().unwrap();
            for node in &mut *heard {
                assert_eq!(node.check_in(running.addr).status, 200);
            }
        }
        round(&mut rounds(&running, &notices), &told)
    };
    assert!(pass(3600, &mut nodes[..1]).is_empty());
    let silent = |n| format!("Hatch {n} has not been heard since 2027-01-15 08:00 UTC");
    let mut found = pass(60, &mut nodes[..1]);
    found.sort();
    assert_eq!(found, [silent(2), silent(3)]);
    assert!(pass(7200, &mut nodes[..1]).is_empty(), "once");
    assert_eq!(pass(60, &mut nodes[..2]), ["Hatch 2 is heard again"]);
    let retired = operator(running.addr, &token, "POST", &format!("{}/retire", nodes[2].path()), "");
    assert_eq!(retired.status, 200, "{}", retired.text());
    assert!(pass(60, &mut nodes[..2]).is_empty(), "a retired node is not heard again");
    assert_eq!(pass(3660, &mut nodes[..1]).len(), 1, "it falls silent again");
}

#[test]
fn silence_while_the_server_was_away_is_told_of_neither_before_nor_after() {
    let data = tempfile::tempdir().unwrap();
    let clock = Clock::manual(NOW);
    let (notices, told) = hook(&[200]);
    {
        let running = run(data.path(), &clock);
        let token = running.operator_token.clone().unwrap();
        let mut node = Node::new(1).admitted(running.addr, &token);
        assert_eq!(node.check_in(running.addr).status, 200);
        running.stop().unwrap();
    }
    clock.advance(86_400);
    let running = run(data.path(), &clock);
    assert!(round(&mut rounds(&running, &notices), &told).is_empty());
    for _ in 0..61 {
        clock.advance(60);
        running.tick().unwrap();
    }
    assert_eq!(round(&mut rounds(&running, &notices), &told).len(), 1);
    running.stop().unwrap();
    clock.advance(86_400);
    let running = run(data.path(), &clock);
    assert!(round(&mut rounds(&running, &notices), &told).is_empty(), "it lasts; nobody is told twice");
}

#[test]
fn what_is_not_taken_is_sent_later_and_given_up_after_a_week() {
    let data = tempfile::tempdir().unwrap();
    let clock = Clock::manual(NOW);
    let running = run(data.path(), &clock);
    let (notices, told) = hook(&[500, 302, 200]);
    sql(&running, ROLLOUT);
    let mut look = rounds(&running, &notices);
    assert_eq!(round(&mut look, &told).len(), 1, "refused with 500");
    assert!(round(&mut look, &told).is_empty(), "not at once");
    // After a restart it is tried at once; a redirection does not take it.
    assert_eq!(round(&mut rounds(&running, &notices), &told).len(), 1);
    assert_eq!(round(&mut rounds(&running, &notices), &told).len(), 1, "taken");
    assert!(round(&mut rounds(&running, &notices), &told).is_empty());

    let (refusing, told) = hook(&[503]);
    sql(&running, "UPDATE rollout SET held_because = 'frost'");
    assert_eq!(round(&mut rounds(&running, &refusing), &told).len(), 1);
    clock.advance(7 * 86_400 + 1);
    assert!(round(&mut rounds(&running, &refusing), &told).is_empty(), "given up");
    // What waits for a way that there is no longer is given up at once.
    sql(&running, "UPDATE rollout SET held_because = 'rain'");
    assert_eq!(round(&mut rounds(&running, &refusing), &told).len(), 1);
    sql(&running, "UPDATE notice SET mail = webhook, webhook = 'none'");
    assert!(round(&mut rounds(&running, &refusing), &told).is_empty());
    let waits: i64 =
        running.app.db.read_blocking::<_, StoreFault, _>(crate::store::notices::count_waiting).unwrap();
    assert_eq!(waits, 0);
}

#[test]
fn many_notices_come_in_few_messages() {
    let data = tempfile::tempdir().unwrap();
    let running = run(data.path(), &Clock::manual(NOW));
    let (notices, told) = hook(&[200]);
    sql(
        &running,
        "WITH RECURSIVE n (id) AS (SELECT 1 UNION ALL SELECT id + 1 FROM n WHERE id < 120)
         INSERT INTO rollout (id, title, kind, state, on_failure, created_at, started_at)
         SELECT id, 'Firmware ' || id, 'image', 'held', 'hold', 1, 1 FROM n",
    );
    rounds(&running, &notices).one().unwrap();
    for count in [50, 50, 20] {
        let (_, posted) = told.recv_timeout(Duration::from_secs(20)).unwrap();
        assert_eq!(posted["notices"].as_array().unwrap().len(), count);
    }
    assert!(told.recv_timeout(Duration::from_millis(200)).is_err());
}

/// RFC 3207: whoever stands between can leave STARTTLS out of the answer.
#[test]
fn nothing_is_mailed_without_tls_where_it_was_asked_for() {
    let listener = TcpListener::bind("127.0.0.1:0").unwrap();
    let port = listener.local_addr().unwrap().port();
    let heard = std::thread::spawn(move || {
        let (mut stream, _) = listener.accept().unwrap();
        stream.write_all(b"220 home.arpa ESMTP\r\n").unwrap();
        let mut lines = Vec::new();
        for line in BufReader::new(stream.try_clone().unwrap()).lines().map_while(Result::ok) {
            let answer: &[u8] = if line.starts_with("EHLO") { b"250 home.arpa\r\n" } else { b"221 bye\r\n" };
            lines.push(line);
            if stream.write_all(answer).is_err() {
                break;
            }
        }
        lines
    });
    let folder = tempfile::tempdir().unwrap();
    let password = folder.path().join("password");
    std::fs::write(&password, "hush hush").unwrap();
    let notices = Notices {
        mail: Some(Mail {
            host: "localhost".to_owned(),
            port,
            security: Security::StartTls,
            from: "pintle@home.arpa".parse().unwrap(),
            to: vec!["gatekeeper@home.arpa".parse().unwrap()],
            user: Some(("pintle".to_owned(), password)),
        }),
        ..Notices::default()
    };
    let tried = try_all(&notices, "of a test", NOW).unwrap();
    assert!(matches!(&tried[..], [("mail", Err(Fault::NotSent { .. }))]), "{tried:?}");
    drop(tried);
    let heard = heard.join().unwrap();
    assert!(heard.iter().all(|line| line.starts_with("EHLO") || line == "QUIT"), "{heard:?}");
}

#[test]
fn a_secret_is_one_line_and_is_not_shown_when_it_is_none() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("secret");
    for (bytes, good) in [
        (&b"hush hush\n"[..], true),
        (b"  hush\r\n", true),
        (b"", false),
        (b" \n", false),
        (b"hu\nsh", false),
        (b"hu\xffsh", false),
    ] {
        std::fs::write(&path, bytes).unwrap();
        match secret(&path) {
            Ok(text) => assert!(good && text.starts_with("hush"), "{bytes:?}"),
            Err(fault) => assert!(!good && !fault.to_string().contains("sh\""), "{fault}"),
        }
    }
    std::fs::remove_file(&path).unwrap();
    assert!(matches!(secret(&path), Err(Fault::File { path: named, .. }) if named == path));
}

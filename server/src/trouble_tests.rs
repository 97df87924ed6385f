//! A server whose disk fills up or becomes read-only: it goes on, acknowledges nothing that it
//! does not keep, and recovers by itself.

use super::*;
use crate::common::{Node, ask, operator, reply};

const NOW: Seconds = 1_800_000_000;

fn config(data: &Path) -> Config {
    let mut config = Config::new(data, ([127, 0, 0, 1], 0).into());
    config.tls = Tls::Plain;
    config.clock = Clock::manual(NOW);
    config
}

/// A browser that is signed in.
fn cookie(running: &Running, token: &str) -> String {
    let link = operator(running.addr, token, "POST", "/api/v1/sign-in-links", "").json();
    let begun = ask(running.addr, "POST", link["path"].as_str().unwrap(), "Accept: */*", b"");
    let field = begun.head.lines().find_map(|line| line.strip_prefix("set-cookie: ")).unwrap();
    format!("Cookie: {}", field.split(';').next().unwrap())
}

/// The counter of the last check-in that the server has, as the operator sees it.
fn counter(running: &Running, token: &str, node: &Node) -> u64 {
    let view = operator(running.addr, token, "GET", &node.path(), "").json();
    view["report"]["counter"].as_u64().unwrap()
}

/// Everything that must hold while nothing can be written.
fn looks_but_does_not_write(running: &Running, token: &str, cookie: &str, node: &mut Node, why: &str) {
    let last = counter(running, token, node);
    let refused = node.check_in(running.addr);
    assert_eq!(refused.status, 503, "{}", refused.text());
    assert!(refused.head.to_ascii_lowercase().contains("retry-after: 30"), "{}", refused.head);
    assert!(refused.text().contains(why), "{}", refused.text());
    assert_eq!(counter(running, token, node), last, "what was refused was stored all the same");

    let page = ask(running.addr, "GET", "/", cookie, b"");
    assert_eq!(page.status, 200);
    assert!(page.text().contains(&format!("Nothing can be written now: {why}")), "{}", page.text());
    for path in ["/api/v1/about", "/api/v1/nodes", "/api/v1/rollouts", "/api/v1/journal/check"] {
        assert_eq!(operator(running.addr, token, "GET", path, "").status, 200, "{path}");
    }
    let link = operator(running.addr, token, "POST", "/api/v1/sign-in-links", "");
    assert_eq!((link.status, link.json()["error"]["code"].as_str()), (503, Some("cannot_write")));
    assert!(matches!(running.tick(), Err(StoreFault::Unwritable(_))));
    // Whoever has no link and no session is told so, and takes nothing of the thread that writes.
    let stranger = "Cookie: __Host-pintle=0000";
    assert_eq!(ask(running.addr, "POST", "/sign-in/0000", stranger, b"").status, 410);
    assert_eq!(ask(running.addr, "POST", "/sign-out", stranger, b"").status, 303);
    assert_eq!(ask(running.addr, "POST", "/sign-out", cookie, b"").status, 503);
    let anybody = |path| ask(running.addr, "GET", path, "Accept: */*", b"").text();
    assert_eq!(anybody("/readyz"), format!("503 not ready: nothing can be written: {why}\n"));
    assert_eq!(anybody("/healthz"), "200 alive\n");
}

/// Everything that must hold afterwards.
fn writes_again(running: &Running, token: &str, cookie: &str, node: &mut Node) {
    running.tick().unwrap();
    reply(&node.check_in(running.addr), &running.server_key);
    assert_eq!(counter(running, token, node), node.state.counter);
    assert!(!ask(running.addr, "GET", "/", cookie, b"").text().contains("Nothing can be written"));
    assert_eq!(ask(running.addr, "GET", "/readyz", "Accept: */*", b"").text(), "200 ready\n");
}

#[test]
fn a_read_only_disk_ends_nothing_but_writing() {
    let folder = tempfile::tempdir().unwrap();
    let running = start(config(folder.path())).unwrap();
    let token = running.operator_token.clone().unwrap();
    let mut node = Node::new(1).admitted(running.addr, &token);
    reply(&node.check_in(running.addr), &running.server_key);
    let cookie = cookie(&running, &token);

    running.app.db.set_pragma("PRAGMA query_only = 1");
    // The first request to write finds out.
    assert_eq!(node.check_in(running.addr).status, 503);
    looks_but_does_not_write(&running, &token, &cookie, &mut node, "the disk or the folder is read-only");
    running.app.db.set_pragma("PRAGMA query_only = 0");
    writes_again(&running, &token, &cookie, &mut node);
    running.stop().unwrap();
}

#[test]
fn a_full_disk_loses_nothing_that_was_acknowledged() {
    let folder = tempfile::tempdir().unwrap();
    let running = start(config(folder.path())).unwrap();
    let token = running.operator_token.clone().unwrap();
    let mut node = Node::new(1).admitted(running.addr, &token);
    let cookie = cookie(&running, &token);

    // The limit is never below what there is: from here on nothing can be added but in gaps.
    running.app.db.set_pragma("PRAGMA max_page_count = 1");
    let mut acknowledged = 0;
    let mut announced = 0;
    let full = loop {
        let checked_in = node.check_in(running.addr);
        if checked_in.status != 200 {
            break checked_in;
        }
        acknowledged = node.state.counter;
        let wish = format!(
            r#"{{"name":"{announced}","class":"{}","code_digest":"{}"}}"#,
            pintle_protocol::id::Uuid16([0xc1; 16]),
            pintle_protocol::id::Digest([1; 32])
        );
        let path = format!("/api/v1/nodes/{announced:032x}");
        if operator(running.addr, &token, "PUT", &path, &wish).status == 200 {
            announced += 1;
        }
        assert!(announced < 2000, "it never filled up");
    };
    assert_eq!(full.status, 503, "{}", full.text());
    assert_eq!(counter(&running, &token, &node), acknowledged);
    looks_but_does_not_write(&running, &token, &cookie, &mut node, "the disk is full");

    // What is on the disk now is what a power cut would leave.
    let left = tempfile::tempdir().unwrap();
    for name in ["pintle.db", "pintle.db-wal"] {
        fs::copy(folder.path().join(name), left.path().join(name)).unwrap();
    }
    let copy = Db::open(&left.path().join("pintle.db")).unwrap();
    let found = copy.read_blocking(|conn| crate::store::nodes::page(conn, None, 100)).unwrap();
    assert_eq!(found.len(), announced + 1, "an announced node is lost, or one was half announced");
    let mine = found.iter().find(|row| row.id == node.state.node).unwrap();
    assert_eq!(mine.last.as_ref().unwrap().1.counter, acknowledged);

    running.app.db.set_pragma("PRAGMA max_page_count = 1000000");
    writes_again(&running, &token, &cookie, &mut node);
    running.stop().unwrap();
}

/// Unlike a server that runs, one that can write nothing from the start does not start.
#[test]
fn what_cannot_be_written_at_a_start_is_told_with_what_to_do() {
    use std::io::ErrorKind;
    for kind in [ErrorKind::ReadOnlyFilesystem, ErrorKind::StorageFull, ErrorKind::PermissionDenied] {
        let fault = file(Path::new("/srv/pintle/pintle.lock"))(kind.into());
        assert!(matches!(fault, StartError::CannotWrite { .. }), "{kind}: {fault:?}");
        let said = fault.to_string();
        for word in ["/srv/pintle/pintle.lock", &kind.to_string(), "make it writable", "nothing was changed"]
        {
            assert!(said.contains(word), "`{word}` is not in: {said}");
        }
    }
    assert!(matches!(file(Path::new("x"))(ErrorKind::NotFound.into()), StartError::File { .. }));
}

/// A folder that a server has used is never taken for a fresh one.
#[test]
fn a_missing_database_or_key_is_not_made_anew() {
    let folder = tempfile::tempdir().unwrap();
    start(config(folder.path())).unwrap().stop().unwrap();
    for name in ["pintle.db", "online.key"] {
        let (path, aside) = (folder.path().join(name), folder.path().join("aside"));
        fs::rename(&path, &aside).unwrap();
        let fault = start(config(folder.path())).err().expect("it started").to_string();
        assert!(fault.contains(name) && fault.contains("restore a backup"), "{fault}");
        assert!(!path.exists(), "{name} was made anew");
        fs::rename(&aside, &path).unwrap();
    }
    let path = folder.path().join("pintle.db");
    let whole = fs::read(&path).unwrap();
    fs::write(&path, b"").unwrap();
    assert!(matches!(start(config(folder.path())), Err(StartError::Missing { .. })));
    fs::write(&path, &whole).unwrap();
    start(config(folder.path())).unwrap().stop().unwrap();
}

#[test]
fn an_upload_to_a_full_disk_is_answered_as_such() {
    let source = std::io::Error::from(std::io::ErrorKind::StorageFull);
    let fault = StoreFault::File { what: "writing payloads/x".to_owned(), source };
    let error = crate::error::ApiError::from(fault);
    assert_eq!((error.row().0.as_u16(), error.row().1), (503, "cannot_write"));
    assert!(error.to_string().contains("the disk is full"));
}

#[test]
fn a_server_whose_ticks_stop_is_alive_and_not_ready() {
    let folder = tempfile::tempdir().unwrap();
    let running = start(config(folder.path())).unwrap();
    let answer = |method, path| ask(running.addr, method, path, "Accept: */*", b"");
    assert_eq!(answer("GET", "/readyz").text(), "200 ready\n");
    running.clock.advance(30);
    assert_eq!(answer("GET", "/readyz").text(), "200 ready\n");
    running.clock.advance(1);
    assert_eq!(answer("GET", "/readyz").text(), "503 not ready: the ticks have stopped\n");
    assert_eq!(answer("GET", "/healthz").text(), "200 alive\n");
    running.tick().unwrap();
    let ready = answer("GET", "/readyz");
    assert_eq!(ready.text(), "200 ready\n");
    assert!(ready.head.contains("content-type: text/plain; charset=utf-8"), "{}", ready.head);
    let post = answer("POST", "/readyz");
    assert_eq!(post.text(), "405 only GET\n");
    assert!(post.head.contains("allow: GET"), "{}", post.head);
    running.stop().unwrap();
}

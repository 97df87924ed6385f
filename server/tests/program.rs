//! The program itself: backups while it runs, restoring, and databases that it must not start on.

mod common;

use common::{Node, operator, reply};
use pintle_protocol::id::{Digest, PublicKey};
use std::io::{BufRead, BufReader};
use std::net::SocketAddr;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Output, Stdio};

/// A server program that runs; killed when dropped.
struct Program {
    child: Child,
    addr: SocketAddr,
    key: PublicKey,
    token: Option<String>,
}

impl Program {
    fn start(data: &Path) -> Self {
        let mut child = Command::new(env!("CARGO_BIN_EXE_pintle-server"))
            .args(["--plain", "--listen", "127.0.0.1:0", "--data"])
            .arg(data)
            .env("PINTLE_LOG", "error")
            .stdout(Stdio::piped())
            .spawn()
            .unwrap();
        let (mut addr, mut key, mut token) = (None, None, None);
        for line in BufReader::new(child.stdout.take().unwrap()).lines() {
            let line = line.unwrap();
            let (what, value) = line.rsplit_once(' ').unwrap();
            if what.starts_with("operator token") {
                token = Some(value.to_owned());
            } else if what.starts_with("server key") {
                key = Some(PublicKey::parse(value).unwrap());
            } else if what.starts_with("listening") {
                addr = Some(value.strip_prefix("http://").unwrap().parse().unwrap());
                break;
            }
        }
        Self { child, addr: addr.expect("it did not listen"), key: key.unwrap(), token }
    }
}

impl Drop for Program {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// Runs a command of the program to its end.
fn run(command: &str, paths: &[(&str, &Path)]) -> Output {
    let mut program = Command::new(env!("CARGO_BIN_EXE_pintle-server"));
    program.arg(command).env_remove("PINTLE_DATA").stdin(Stdio::null());
    for (flag, path) in paths {
        program.arg(flag).arg(path);
    }
    program.output().unwrap()
}

#[track_caller]
fn good(output: &Output) -> String {
    assert!(output.status.success(), "{output:?}");
    String::from_utf8(output.stdout.clone()).unwrap()
}

#[track_caller]
fn refused(output: &Output, words: &[&str]) {
    let said = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(1), "{said}");
    for word in words {
        assert!(said.contains(word), "`{word}` is not in: {said}");
    }
    assert!(said.starts_with("error: ") && !said.contains("panicked"), "{said}");
}

/// The server program started on a folder that it must not start on.
fn serve(data: &Path) -> Output {
    run("--plain", &[("--listen", Path::new("127.0.0.1:0")), ("--data", data)])
}

fn files(folder: &Path) -> Vec<PathBuf> {
    let mut all = Vec::new();
    let mut left = vec![folder.to_owned()];
    while let Some(next) = left.pop() {
        for entry in std::fs::read_dir(&next).unwrap() {
            let path = entry.unwrap().path();
            if path.is_dir() { left.push(path) } else { all.push(path) }
        }
    }
    all.sort();
    all
}

/// A payload of a server, with its path.
fn payload(bytes: &[u8]) -> (Digest, String) {
    let digest = Digest::of(bytes);
    (digest, format!("/api/v1/payloads/{digest}"))
}

#[test]
fn a_backup_under_check_ins_is_restored_and_goes_on() {
    let folder = tempfile::tempdir().unwrap();
    let (data, backup, again) =
        (folder.path().join("data"), folder.path().join("backup"), folder.path().join("again"));
    let first = Program::start(&data);
    let token = first.token.clone().unwrap();
    let mut nodes: Vec<Node> = (1..=3).map(|n| Node::new(n).admitted(first.addr, &token)).collect();
    let image = vec![7; 100_000];
    let (digest, path) = payload(&image);
    let stored = operator(first.addr, &token, "PUT", &path, &String::from_utf8(image.clone()).unwrap());
    assert_eq!(stored.status, 200, "{}", stored.text());

    // Check-ins go on while the backup is made.
    let (addr, key) = (first.addr, first.key);
    let before: Vec<u64> = std::thread::scope(|scope| {
        let (stop, stopped) = std::sync::mpsc::channel::<()>();
        let (begun, begins) = std::sync::mpsc::channel::<()>();
        let nodes = &mut nodes;
        let check = move |node: &mut Node| {
            reply(&node.check_in(addr), &key);
        };
        let busy = scope.spawn(move || {
            nodes.iter_mut().for_each(check);
            let counters = nodes.iter().map(|node| node.state.counter).collect();
            begun.send(()).unwrap();
            while stopped.try_recv() == Err(std::sync::mpsc::TryRecvError::Empty) {
                nodes.iter_mut().for_each(check);
            }
            counters
        });
        begins.recv().unwrap();
        let said = good(&run("backup", &[("--data", &data), ("--to", &backup)]));
        assert!(said.contains("the server's keys") && said.contains(&key.to_string()), "{said}");
        stop.send(()).unwrap();
        busy.join().unwrap()
    });
    refused(&run("backup", &[("--data", &data), ("--to", &backup)]), &["not empty", "nothing was changed"]);
    refused(&run("restore", &[("--from", &backup), ("--data", &data)]), &["not empty", "empty folder only"]);
    good(&run("check", &[("--from", &backup)]));
    #[cfg(unix)]
    for path in files(&backup) {
        use std::os::unix::fs::PermissionsExt;
        assert_eq!(std::fs::metadata(&path).unwrap().permissions().mode() & 0o777, 0o600, "{path:?}");
    }
    // The machine is lost.
    drop(first);
    std::fs::remove_dir_all(&data).unwrap();

    good(&run("restore", &[("--from", &backup), ("--data", &again)]));
    let second = Program::start(&again);
    assert_eq!((second.key, &second.token), (key, &None));
    for (node, before) in nodes.iter_mut().zip(before) {
        let view = operator(second.addr, &token, "GET", &node.path(), "").json();
        let had = view["report"]["counter"].as_u64().unwrap();
        assert!((before..=node.state.counter).contains(&had), "{before} <= {had} <= {}", node.state.counter);
        // The node has counted on; it is taken all the same, and its reply is by the same key.
        reply(&node.check_in(second.addr), &key);
        let view = operator(second.addr, &token, "GET", &node.path(), "").json();
        assert_eq!(view["report"]["counter"], node.state.counter);
    }
    let fetched = common::ask(second.addr, "GET", &format!("/node/payload/{digest}"), "Accept: */*", b"");
    assert!(fetched.status == 200 && fetched.body == image);
    let journal = operator(second.addr, &token, "GET", "/api/v1/journal/check", "").json();
    assert_eq!(journal["bad"], serde_json::Value::Null);
    let entries = operator(second.addr, &token, "GET", "/api/v1/journal?limit=500", "").json();
    let events: Vec<&str> =
        entries["entries"].as_array().unwrap().iter().map(|e| e["event"].as_str().unwrap()).collect();
    assert_eq!(events.iter().filter(|event| **event == "restored").count(), 1, "{events:?}");
    assert!(events.contains(&"admitted"), "{events:?}");
}

#[test]
fn any_damage_to_a_backup_is_noticed_and_nothing_is_restored() {
    let folder = tempfile::tempdir().unwrap();
    let (data, backup, again) =
        (folder.path().join("data"), folder.path().join("backup"), folder.path().join("again"));
    let program = Program::start(&data);
    let (_, path) = payload(b"an image");
    let token = program.token.clone().unwrap();
    assert_eq!(operator(program.addr, &token, "PUT", &path, "an image").status, 200);
    drop(program);
    // Keys of a change of keys go along.
    std::fs::write(data.join("next.key"), [5; 32]).unwrap();
    std::fs::write(data.join("online-0a1b2c3d.key"), [6; 32]).unwrap();
    std::fs::write(data.join("online-note.txt"), "not the server's").unwrap();
    good(&run("backup", &[("--data", &data), ("--to", &backup)]));
    assert_eq!(files(&backup).len(), 6, "{:?}", files(&backup));

    let restore = || run("restore", &[("--from", &backup), ("--data", &again)]);
    for path in files(&backup) {
        let whole = std::fs::read(&path).unwrap();
        let mut changed = whole.clone();
        changed[whole.len() / 2] ^= 0x10;
        let name = path.file_name().unwrap().to_str().unwrap();
        for bytes in [&changed[..], &whole[..whole.len() - 1]] {
            std::fs::write(&path, bytes).unwrap();
            refused(&restore(), &["another backup"]);
            assert!(!again.exists(), "{name} was damaged, and something was restored");
        }
        std::fs::remove_file(&path).unwrap();
        refused(&restore(), &[name]);
        std::fs::write(&path, &whole).unwrap();
    }
    let manifest = std::fs::read_to_string(backup.join("backup.json")).unwrap();
    let edit = |from: &str, to: &str, words: &[&str]| {
        assert!(manifest.contains(from), "{manifest}");
        std::fs::write(backup.join("backup.json"), manifest.replacen(from, to, 1)).unwrap();
        refused(&restore(), words);
    };
    edit("\"form\": 1", "\"form\": 2", &["form 2", "form 1"]);
    edit("\"online.key\"", "\"../online.key\"", &["`../online.key`", "no file of a server"]);
    edit("\"online.key\"", "\"payloads/../x\"", &["no file of a server"]);
    edit("\"online.key\"", "\"pintle.db\"", &["twice"]);
    edit("\"journal_entries\": ", "\"journal_entries\": 9", &["pintle.db", "journal ends with"]);
    std::fs::write(backup.join("backup.json"), &manifest).unwrap();
    assert!(!again.exists());
    good(&restore());
    assert_eq!(std::fs::read(again.join("online-0a1b2c3d.key")).unwrap(), [6; 32]);
}

/// Runs the server on a folder inside of a mount of its own, which `mount` makes; nothing where this
/// machine lets nobody mount for himself.
#[cfg(target_os = "linux")]
fn serve_mounted(mount: &str, data: &Path) -> Option<Output> {
    let own = |script: &str| {
        let mut command = Command::new("unshare");
        command.args(["--user", "--map-root-user", "--mount", "sh", "-c", script, "sh"]);
        command.arg(data).arg(env!("CARGO_BIN_EXE_pintle-server"));
        command.stdin(Stdio::null()).output()
    };
    if !own("mount -t tmpfs none \"$1\"").is_ok_and(|tried| tried.status.success()) {
        return None;
    }
    let serve = r#"exec "$2" --plain --listen 127.0.0.1:0 --data "$1""#;
    Some(own(&format!("set -e; {mount}; {serve}")).unwrap())
}

#[cfg(target_os = "linux")]
#[test]
fn on_a_disk_that_cannot_be_written_it_does_not_start_and_says_what_to_do() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path().join("data");
    drop(Program::start(&data));
    let before: Vec<_> = files(&data).into_iter().map(|path| (std::fs::read(&path).unwrap(), path)).collect();
    let read_only = r#"mount --bind "$1" "$1"; mount -o remount,bind,ro "$1""#;
    // Nothing is left beside what the server keeps.
    let full = r#"cp -r "$1" "$1.aside"; mount -t tmpfs -o size=400k none "$1"; cp "$1.aside"/* "$1" 2>/dev/null || true;
        rm -f "$1"/*.db-*; cat /dev/zero > "$1"/fill 2>/dev/null || true"#;
    for (mount, word) in [(read_only, "Read-only"), (full, "the disk is full")] {
        let ended = serve_mounted(mount, &data)
            .expect("this test mounts disks of its own: run it as root, or where users may make namespaces");
        refused(&ended, &[word, "make", "nothing was changed", "pintle."]);
    }
    for (bytes, path) in before {
        assert_eq!(std::fs::read(&path).unwrap(), bytes, "{}", path.display());
    }
    let again = Program::start(&data);
    assert_eq!(again.token, None);
}

#[test]
fn no_server_starts_on_a_database_that_is_not_whole() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path().join("data");
    drop(Program::start(&data));
    // It was killed: whoever closes the database last folds the log into it.
    let database = data.join("pintle.db");
    let connection = rusqlite::Connection::open(&database).unwrap();
    let entries: i64 = connection.query_row("SELECT count(*) FROM journal", [], |row| row.get(0)).unwrap();
    assert!(entries > 0);
    drop(connection);
    let whole = std::fs::read(&database).unwrap();
    assert!(whole.len() > 8 * 4096);

    let mut page = whole.clone();
    page[4096..8192].fill(0xa5);
    let newer = folder.path().join("newer.db");
    std::fs::write(&newer, &whole).unwrap();
    let connection = rusqlite::Connection::open(&newer).unwrap();
    connection.execute_batch("PRAGMA journal_mode = DELETE; PRAGMA user_version = 9999").unwrap();
    drop(connection);
    let newer = std::fs::read(&newer).unwrap();
    let cases: [(&[u8], &[&str]); 4] = [
        (&page, &["damaged", "restore a backup"]),
        (&whole[..whole.len() - 4096], &["damaged", "restore a backup"]),
        (b"", &["missing or empty", "restore a backup"]),
        (&newer, &["schema 9999", "run the newer server"]),
    ];
    for (bytes, words) in cases {
        std::fs::write(&database, bytes).unwrap();
        refused(&serve(&data), words);
        refused(&serve(&data), &["pintle.db"]);
        assert!(std::fs::read(&database).unwrap() == bytes, "the file was changed");
    }
    std::fs::write(&database, &whole).unwrap();
    let again = Program::start(&data);
    assert_eq!(again.token, None);
}

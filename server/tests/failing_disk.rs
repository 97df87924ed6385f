//! The program on a disk that fills up, fails or goes bad while it runs. Nothing that was acknowledged is
//! lost, what can be read is read, and where writing may go on it does so by itself.
#![cfg(target_os = "linux")]

mod common;
mod world;

use common::{Node, operator, reply};
use pintle_protocol::checkin::{Ending, Outcome};
use pintle_protocol::id::Digest;
use rusqlite::{Connection, OptionalExtension};
use std::collections::BTreeSet;
use std::fs::{self, File};
use std::io::{Read, Write};
use std::os::unix::fs::FileExt;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};
use world::Program;

/// Room on the small disk.
const DISK: &str = "4m";

/// A disk of its own for one server, gone with this value.
struct Disk {
    /// Holds the disk while no server does.
    keeper: Child,
    data: PathBuf,
}

impl Disk {
    /// Nothing where this machine lets nobody mount for himself.
    fn mount(data: &Path) -> Option<Self> {
        fs::create_dir_all(data).unwrap();
        let mut command = Command::new("unshare");
        command.args(["--user", "--map-root-user", "--mount", "sh", "-c"]);
        let script = format!("mount -t tmpfs -o size={DISK} none \"$1\" && echo mounted && exec sleep 300");
        command.arg(script).arg("sh").arg(data);
        let mut keeper = command.stdin(Stdio::null()).stdout(Stdio::piped()).spawn().ok()?;
        let mut said = [0; 7];
        let mounted = keeper.stdout.as_mut().unwrap().read_exact(&mut said).is_ok();
        let disk = Self { keeper, data: data.to_owned() };
        mounted.then_some(disk)
    }

    /// A file on it, as seen from here.
    fn path(&self, name: &str) -> PathBuf {
        let inside = self.data.strip_prefix("/").unwrap();
        Path::new("/proc").join(self.keeper.id().to_string()).join("root").join(inside).join(name)
    }

    fn start(&self) -> Program {
        let keeper = self.keeper.id().to_string();
        let mut command = Command::new("nsenter");
        command.args(["--target", &keeper, "--user", "--preserve-credentials", "--mount"]);
        command.arg(env!("CARGO_BIN_EXE_pintle-server")).args([
            "--plain",
            "--listen",
            "127.0.0.1:0",
            "--data",
        ]);
        command.arg(&self.data).env("PINTLE_LOG", "off").stdin(Stdio::null()).stdout(Stdio::piped());
        Program::listening(command.spawn().unwrap(), &self.data, false)
    }

    /// Takes all room that is left.
    fn fill(&self) {
        let mut file = File::options().append(true).create(true).open(self.path("fill")).unwrap();
        for piece in [64 << 10, 4 << 10, 1] {
            while file.write_all(&vec![0; piece]).is_ok() {}
        }
    }

    fn empty(&self) {
        fs::remove_file(self.path("fill")).unwrap();
    }
}

impl Drop for Disk {
    fn drop(&mut self) {
        let _ = self.keeper.kill();
        let _ = self.keeper.wait();
    }
}

/// A node of which every check-in leaves something that is kept: the newest 64 outcomes that nobody sent.
struct Witness {
    node: Node,
    acknowledged: BTreeSet<u64>,
}

impl Witness {
    fn new(n: u8, program: &Program, token: &str) -> Self {
        let node = Node::new(n).admitted(program.door.addr, token);
        Self { node, acknowledged: BTreeSet::new() }
    }

    fn envelope(&self, counter: u64) -> Digest {
        Digest::of(format!("{} {counter}", self.node.state.node).as_bytes())
    }

    /// Checks in once; whether that was acknowledged. Everything but 200 and 503 is a fault.
    fn check_in(&mut self, program: &Program) -> bool {
        let counter = self.node.state.counter + 1;
        let envelope = self.envelope(counter);
        self.node.state.outcome = Some(Outcome { envelope, ending: Ending::Kept, reason: 0, detail: 0 });
        let answer = self.node.check_in(program.door.addr);
        match answer.status {
            200 => {
                reply(&answer, &program.door.server_key);
                self.acknowledged.insert(counter);
                assert!(self.acknowledged.len() <= 64, "more than is kept");
                true
            }
            503 => {
                assert!(answer.head.to_ascii_lowercase().contains("retry-after: 30"), "{}", answer.head);
                false
            }
            _ => panic!("{}", answer.text()),
        }
    }

    /// Checks in until that is acknowledged, or is not.
    fn until(&mut self, program: &Program, acknowledged: bool) {
        let until = Instant::now() + Duration::from_secs(60);
        while self.check_in(program) != acknowledged {
            assert!(Instant::now() < until, "it was never {acknowledged} that check-ins are acknowledged");
        }
    }

    /// Every check-in that was acknowledged is in the database, and none that was refused.
    fn compare(&self, database: &Connection) {
        let sql = "SELECT 1 FROM outcome WHERE node = ?1 AND envelope = ?2";
        let mut find = database.prepare(sql).unwrap();
        for counter in 1..=self.node.state.counter {
            let key = (self.node.state.node.0, self.envelope(counter).0);
            let found = find.query_row(key, |_| Ok(())).optional().unwrap().is_some();
            assert_eq!(found, self.acknowledged.contains(&counter), "check-in {counter}");
        }
    }
}

/// What was left by a server that was killed.
fn left(path: impl Fn(&str) -> PathBuf) -> (tempfile::TempDir, Connection) {
    let folder = tempfile::tempdir().unwrap();
    for name in ["pintle.db", "pintle.db-wal"] {
        fs::copy(path(name), folder.path().join(name)).unwrap();
    }
    let database = Connection::open(folder.path().join("pintle.db")).unwrap();
    let whole: String = database.query_row("PRAGMA integrity_check", [], |row| row.get(0)).unwrap();
    assert_eq!(whole, "ok");
    (folder, database)
}

fn about(program: &Program, token: &str) -> serde_json::Value {
    let answer = operator(program.door.addr, token, "GET", "/api/v1/about", "");
    assert_eq!(answer.status, 200, "{}", answer.text());
    answer.json()
}

fn status(program: &Program, token: &str, path: &str) -> u16 {
    operator(program.door.addr, token, "GET", path, "").status
}

/// What must work whatever the disk does.
const READS: [&str; 4] = ["/api/v1/nodes", "/api/v1/rollouts", "/api/v1/journal/check", "/api/v1/claims"];

#[test]
fn on_a_disk_that_fills_up_again_and_again_nothing_acknowledged_is_lost() {
    let folder = tempfile::tempdir().unwrap();
    let disk = Disk::mount(&folder.path().join("data")).expect(
        "this test mounts a small disk of its own: run it as root, or where users may make namespaces",
    );
    let mut program = disk.start();
    let token = program.token.clone().unwrap();
    let mut nodes: Vec<_> = (1..=3).map(|n| Witness::new(n, &program, &token)).collect();
    for round in 1..=5 {
        nodes.iter_mut().for_each(|node| node.until(&program, true));
        disk.fill();
        // The log of the database has gaps into which something still fits.
        nodes[0].until(&program, false);
        for node in &mut nodes {
            assert!(!node.check_in(&program), "it went to and fro");
        }
        assert_eq!(about(&program, &token)["trouble"], "the disk is full");
        for path in READS {
            assert_eq!(status(&program, &token, path), 200, "{path}");
        }
        if round == 3 {
            // Killed while there is no room: what was acknowledged is in what is left.
            program.kill();
            let (_folder, database) = left(|name| disk.path(name));
            nodes.iter().for_each(|node| node.compare(&database));
            disk.empty();
            program = disk.start();
        } else {
            disk.empty();
        }
        nodes[1].until(&program, true);
        assert_eq!(about(&program, &token)["trouble"], serde_json::Value::Null);
    }
    program.kill();
    let (_folder, database) = left(|name| disk.path(name));
    nodes.iter().for_each(|node| node.compare(&database));
    assert!(nodes.iter().all(|node| node.acknowledged.len() >= 5));
}

#[test]
fn while_files_may_not_grow_nothing_is_acknowledged_and_afterwards_it_goes_on() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path().join("data");
    let mut command = Command::new("sh");
    command.args(["-c", "trap '' XFSZ; exec \"$@\"", "sh", env!("CARGO_BIN_EXE_pintle-server")]);
    command.args(["--plain", "--listen", "127.0.0.1:0", "--data"]).arg(&data).env("PINTLE_LOG", "off");
    let child = command.stdin(Stdio::null()).stdout(Stdio::piped()).spawn().unwrap();
    let mut program = Program::listening(child, &data, false);
    let token = program.token.clone().unwrap();
    let mut node = Witness::new(1, &program, &token);
    let limit = |most: &str| {
        let pid = program.pid().to_string();
        let set = Command::new("prlimit").args(["--pid", &pid, &format!("--fsize={most}:")]).status();
        assert!(set.unwrap().success());
    };
    for _ in 0..3 {
        node.until(&program, true);
        let log = fs::metadata(data.join("pintle.db-wal")).unwrap().len();
        limit(&(log + 10_000).to_string());
        node.until(&program, false);
        let trouble = about(&program, &token)["trouble"].as_str().unwrap().to_owned();
        assert!(trouble.starts_with("the disk fails"), "{trouble}");
        assert!(!node.check_in(&program), "it went to and fro");
        for path in READS {
            assert_eq!(status(&program, &token, path), 200, "{path}");
        }
        limit("unlimited");
        node.until(&program, true);
    }
    program.kill();
    let (_folder, database) = left(|name| data.join(name));
    node.compare(&database);
    assert!(node.acknowledged.len() >= 6);
}

/// Overwrites the page at which a table or index begins, in a file of which a server has read nothing of it yet.
fn damage(data: &Path, table: &str) {
    let file = data.join("pintle.db");
    let database = Connection::open(&file).unwrap();
    let sql = "SELECT rootpage FROM sqlite_schema WHERE name = ?1";
    let page: u64 = database.query_row(sql, [table], |row| row.get::<_, i64>(0)).unwrap().try_into().unwrap();
    let size: i64 = database.query_row("PRAGMA page_size", [], |row| row.get(0)).unwrap();
    let size = usize::try_from(size).unwrap();
    // The connection is never closed: closing it could fold the log into the file.
    std::mem::forget(database);
    let file = File::options().write(true).open(file).unwrap();
    file.write_all_at(&vec![0xa5; size], (page - 1) * size as u64).unwrap();
    file.sync_all().unwrap();
}

/// A server with two nodes, the first of which was heard, and a database larger than what it holds of it
/// in memory.
fn large(data: &Path) -> (Program, String, [Node; 2]) {
    let mut program = Program::start(data, false);
    let (addr, token) = (program.door.addr, program.token.clone().unwrap());
    let mut nodes = [1, 2].map(|n| Node::new(n).admitted(addr, &token));
    reply(&nodes[0].check_in(addr), &program.door.server_key);
    program.kill();
    let database = Connection::open(data.join("pintle.db")).unwrap();
    database
        .execute_batch(
            "CREATE TABLE filler (piece BLOB);
             WITH n (n) AS (SELECT 1 UNION ALL SELECT n + 1 FROM n WHERE n < 8000)
             INSERT INTO filler SELECT randomblob(3000) FROM n;
             PRAGMA wal_checkpoint(TRUNCATE);",
        )
        .unwrap();
    drop(database);
    (Program::start(data, false), token, nodes)
}

/// What holds of a server whose database has been found damaged.
fn reads_and_writes_nothing(program: &Program, token: &str, node: &mut Node) {
    let addr = program.door.addr;
    let trouble = about(program, token)["trouble"].as_str().unwrap().to_owned();
    assert!(trouble.starts_with("the database is damaged") && !trouble.contains('\n'), "{trouble}");
    for _ in 0..3 {
        let answer = node.check_in(addr);
        assert_eq!(answer.status, 503, "{}", answer.text());
        assert!(answer.text().contains("the database is damaged"), "{}", answer.text());
    }
    for path in READS {
        assert_eq!(status(program, token, path), 200, "{path}");
    }
    let ready = common::ask(addr, "GET", "/readyz", "Accept: */*", b"");
    assert!(ready.text().contains("the database is damaged"), "{}", ready.text());
    let link = operator(addr, token, "POST", "/api/v1/sign-in-links", "");
    assert_eq!((link.status, link.json()["error"]["code"].as_str()), (503, Some("cannot_write")));
    assert!(link.text().contains("restore a backup"), "{}", link.text());
}

/// It does not start on what it left, says what to do, and has written nothing since.
fn does_not_start(data: &Path) {
    let mut command = Command::new(env!("CARGO_BIN_EXE_pintle-server"));
    command.args(["--plain", "--listen", "127.0.0.1:0", "--data"]).arg(data).stdin(Stdio::null());
    let ended = command.output().unwrap();
    let said = String::from_utf8_lossy(&ended.stderr);
    assert_eq!(ended.status.code(), Some(1), "{said}");
    assert!(said.contains("damaged") && said.contains("restore a backup"), "{said}");
}

#[test]
fn a_page_that_goes_bad_and_is_needed_to_write_ends_writing_only() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path().join("data");
    let (mut program, token, mut nodes) = large(&data);
    // The index of sign-in links: no check-in needs it, and what a start looks at last is not it.
    damage(&data, "sqlite_autoindex_sign_in_link_1");
    reply(&nodes[0].check_in(program.door.addr), &program.door.server_key);
    let acknowledged = nodes[0].state.counter;
    assert_eq!(operator(program.door.addr, &token, "POST", "/api/v1/sign-in-links", "").status, 503);
    assert_eq!(nodes[1].check_in(program.door.addr).status, 503);
    reads_and_writes_nothing(&program, &token, &mut nodes[0]);
    let known = operator(program.door.addr, &token, "GET", &nodes[0].path(), "").json();
    assert_eq!(known["report"]["counter"], acknowledged);
    program.kill();
    does_not_start(&data);
}

#[test]
fn a_page_that_goes_bad_and_is_needed_to_read_is_told_and_ends_writing() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path().join("data");
    let (mut program, token, mut nodes) = large(&data);
    damage(&data, "suit_report");
    let report = operator(program.door.addr, &token, "GET", &format!("{}/suit-report", nodes[0].path()), "");
    assert_eq!(report.status, 503, "{}", report.text());
    assert!(report.text().contains("the database is damaged"), "{}", report.text());
    reads_and_writes_nothing(&program, &token, &mut nodes[0]);
    program.kill();
    does_not_start(&data);
}

/// What a start does not wait for is found beside, and comes to the same.
#[test]
fn damage_in_a_database_too_large_to_wait_for_is_found_and_ends_writing_only() {
    let folder = tempfile::tempdir().unwrap();
    let data = folder.path().join("data");
    let (mut program, token, mut nodes) = large(&data);
    program.kill();
    let database = Connection::open(data.join("pintle.db")).unwrap();
    database
        .execute_batch("INSERT INTO filler VALUES (zeroblob(70000000)); PRAGMA wal_checkpoint(TRUNCATE)")
        .unwrap();
    drop(database);
    damage(&data, "suit_report");
    // However often it is started.
    for _ in 0..2 {
        let mut program = Program::start(&data, false);
        let until = Instant::now() + Duration::from_secs(60);
        while about(&program, &token)["trouble"].is_null() {
            assert!(Instant::now() < until, "it was never found");
            std::thread::sleep(Duration::from_millis(10));
        }
        reads_and_writes_nothing(&program, &token, &mut nodes[0]);
        program.kill();
    }
}

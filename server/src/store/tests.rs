use super::open::MIGRATIONS;
use super::*;
use crate::journal::Line;
use std::sync::atomic::{AtomicU32, Ordering};

pub(super) fn db() -> (tempfile::TempDir, Db) {
    let folder = tempfile::tempdir().unwrap();
    let db = Db::open(&folder.path().join("pintle.db")).unwrap();
    (folder, db)
}

pub(super) fn add(conn: &Connection, text: &str) -> Result<(), StoreFault> {
    journal::append(conn, 7, vec![Line::new("test", text)])
}

fn sentences(db: &Db) -> Vec<String> {
    db.read_blocking::<_, StoreFault, _>(|conn| journal::page(conn, 0, 500))
        .unwrap()
        .entries
        .into_iter()
        .map(|e| e.sentence)
        .collect()
}

#[test]
fn migrations_are_valid() {
    MIGRATIONS.validate().unwrap();
}

#[test]
fn every_table_is_strict_and_every_foreign_key_has_an_index() {
    let (_folder, db) = db();
    db.read_blocking::<_, StoreFault, _>(|conn| {
        let mut tables = conn.prepare("SELECT name, strict FROM pragma_table_list WHERE type = 'table'")?;
        let tables: Vec<(String, bool)> =
            tables.query_map([], |row| Ok((row.get(0)?, row.get(1)?)))?.collect::<Result<_, _>>()?;
        for (table, strict) in tables.iter().filter(|(name, _)| !name.starts_with("sqlite_")) {
            assert!(strict, "{table} is not STRICT");
            let mut keys = conn.prepare("SELECT \"from\" FROM pragma_foreign_key_list(?1) WHERE seq = 0")?;
            let keys: Vec<String> = keys.query_map([table], |row| row.get(0))?.collect::<Result<_, _>>()?;
            for column in keys {
                let sql = "SELECT EXISTS (SELECT 1 FROM pragma_index_list(?1) AS list,
                    pragma_index_info(list.name) AS info WHERE info.seqno = 0 AND info.name = ?2)";
                let found: bool = conn.query_row(sql, [table, &column], |row| row.get(0))?;
                assert!(found, "{table}.{column} has no index");
            }
        }
        Ok(())
    })
    .unwrap();
}

/// Every acknowledged job is there after the file is copied away from a running server, which is
/// what a power cut leaves.
#[test]
fn what_was_acknowledged_survives_a_crash() {
    let (folder, db) = db();
    let acknowledged = AtomicU32::new(0);
    std::thread::scope(|scope| {
        for thread in 0..4 {
            let (db, acknowledged) = (&db, &acknowledged);
            scope.spawn(move || {
                for n in 0..25 {
                    db.write_blocking(move |conn| add(conn, &format!("{thread}-{n}"))).unwrap();
                    acknowledged.fetch_add(1, Ordering::SeqCst);
                }
            });
        }
    });
    let crashed = tempfile::tempdir().unwrap();
    for file in ["pintle.db", "pintle.db-wal"] {
        std::fs::copy(folder.path().join(file), crashed.path().join(file)).unwrap();
    }
    let again = Db::open(&crashed.path().join("pintle.db")).unwrap();
    let found = sentences(&again);
    assert_eq!(found.len() as u32, acknowledged.load(Ordering::SeqCst));
    for thread in 0..4 {
        for n in 0..25 {
            assert!(found.contains(&format!("{thread}-{n}")));
        }
    }
    let check = again.read_blocking::<_, StoreFault, _>(journal::check).unwrap();
    assert_eq!((check.good, check.bad), (100, None));
}

/// Commits that are in the write-ahead log. Source: SQLite, "Database File Format", section 4: a header of 32
/// bytes, then frames of 24 bytes and a page; the second word of a frame is not 0 if it ends a commit, and only
/// frames with the header's salt count.
fn commits(log: &Path) -> usize {
    let log = std::fs::read(log).unwrap();
    let word = |at: usize| u32::from_be_bytes(log[at..at + 4].try_into().unwrap());
    let (page, salt) = (word(8) as usize, (word(16), word(20)));
    (32..log.len())
        .step_by(24 + page)
        .take_while(|at| (word(at + 8), word(at + 12)) == salt)
        .filter(|at| word(at + 4) != 0)
        .count()
}

/// With `synchronous = FULL`, SQLite syncs the log at each commit; here it is asked of the very connection that
/// writes, and that a group of jobs is one commit, which is in the log before anybody is answered.
#[test]
fn a_group_is_one_synced_commit_that_comes_before_every_answer() {
    let (folder, db) = db();
    let asked = db
        .write_blocking::<_, StoreFault, _>(|conn| {
            let number =
                |name: &str| conn.query_row(&format!("PRAGMA {name}"), [], |row| row.get::<_, i64>(0));
            let mode: String = conn.query_row("PRAGMA journal_mode", [], |row| row.get(0))?;
            Ok((mode, number("synchronous")?, number("foreign_keys")?, number("ignore_check_constraints")?))
        })
        .unwrap();
    assert_eq!(asked, ("wal".to_owned(), 2, 1, 0), "2 is FULL");

    let log = folder.path().join("pintle.db-wal");
    let before = commits(&log);
    let (go, gone) = std::sync::mpsc::channel::<()>();
    let mut gone = Some(gone);
    let (answer, answers) = std::sync::mpsc::channel();
    for n in 0..300 {
        let (log, answer) = (log.clone(), answer.clone());
        let gone = gone.take();
        let job = move |conn: &Connection| {
            // The first one holds the writer until the others are queued behind it.
            if let Some(gone) = gone {
                let _ = gone.recv();
            }
            add(conn, &n.to_string())
        };
        db.write_then(job, move |done| {
            done.unwrap();
            answer.send((n, commits(&log) - before)).unwrap();
        });
    }
    go.send(()).unwrap();
    let answered: Vec<(usize, usize)> = answers.iter().take(300).collect();
    // 256 at most are committed together.
    let wanted: Vec<(usize, usize)> = (0..300).map(|n| (n, 1 + n / 256)).collect();
    assert_eq!(answered, wanted);
    assert_eq!(sentences(&db).len(), 300);
}

#[test]
fn jobs_fail_alone_and_nothing_shows_before_the_commit() {
    let (folder, db) = db();
    let shown = || -> i64 {
        let other = Connection::open(folder.path().join("pintle.db")).unwrap();
        other.query_row("SELECT count(*) FROM journal", [], |row| row.get(0)).unwrap()
    };
    // The first job holds the writer until the others are queued behind it.
    let (go, gone) = std::sync::mpsc::channel::<()>();
    let seen = std::thread::scope(|scope| {
        let first = scope.spawn(|| {
            db.write_blocking(move |conn| {
                add(conn, "first")?;
                let _ = gone.recv();
                Ok::<_, StoreFault>(())
            })
        });
        let bad = scope.spawn(|| {
            db.write_blocking(|conn| {
                add(conn, "bad")?;
                Err::<(), _>(StoreFault::Stopped)
            })
        });
        let panicking = scope.spawn(|| {
            db.write_blocking::<(), StoreFault, _>(|conn| {
                let _ = add(conn, "panicking");
                panic!("as it should in this test")
            })
        });
        let good = scope.spawn(|| db.write_blocking(|conn| add(conn, "good")));
        let before = shown();
        go.send(()).unwrap();
        first.join().unwrap().unwrap();
        assert!(matches!(bad.join().unwrap(), Err(StoreFault::Stopped)));
        assert!(matches!(panicking.join().unwrap(), Err(StoreFault::Stopped)));
        good.join().unwrap().unwrap();
        before
    });
    assert_eq!(seen, 0, "nothing shows before the commit");
    let mut found = sentences(&db);
    found.sort();
    assert_eq!(found, ["first", "good"]);
}

#[test]
fn a_job_that_was_not_committed_is_not_acknowledged() {
    let (_folder, db) = db();
    // A deferred violation shows only at the commit.
    let result: Result<(), StoreFault> = db.write_blocking(|conn| {
        conn.execute_batch("PRAGMA defer_foreign_keys = 1")?;
        conn.execute("INSERT INTO seen VALUES (zeroblob(16), 'net', zeroblob(32), 1)", [])?;
        Ok(())
    });
    assert!(matches!(result, Err(StoreFault::NotCommitted(_))), "{result:?}");
    db.write_blocking(|conn| add(conn, "after")).unwrap();
    assert_eq!(sentences(&db), ["after"]);
}

#[test]
fn the_journal_cannot_be_changed_or_cut() {
    let (_folder, db) = db();
    db.write_blocking(|conn| add(conn, "once")).unwrap();
    for sql in ["UPDATE journal SET sentence = 'other'", "DELETE FROM journal"] {
        let result: Result<(), StoreFault> = db.write_blocking(move |conn| Ok(conn.execute_batch(sql)?));
        assert!(result.unwrap_err().to_string().contains("append-only"));
    }
    assert_eq!(sentences(&db), ["once"]);
}

#[test]
fn a_newer_database_is_refused_and_left_as_it_is() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("pintle.db");
    drop(Db::open(&path).unwrap());
    let newer = Connection::open(&path).unwrap();
    newer.pragma_update(None, "user_version", 9999).unwrap();
    drop(newer);
    let before = std::fs::read(&path).unwrap();
    let fault = Db::open(&path).err().unwrap();
    assert!(matches!(fault, OpenFault::Newer { found: 9999, .. }), "{fault}");
    assert!(fault.to_string().contains("run the newer server"));
    assert_eq!(std::fs::read(&path).unwrap(), before);
}

#[test]
fn a_damaged_database_is_refused_and_left_as_it_is() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("pintle.db");
    let rubbish = vec![0x5a; 8192];
    std::fs::write(&path, &rubbish).unwrap();
    let fault = Db::open(&path).err().unwrap();
    assert!(matches!(fault, OpenFault::Damaged { .. }), "{fault}");
    assert_eq!(std::fs::read(&path).unwrap(), rubbish);
}

#[test]
fn a_pause_of_the_server_restarts_the_count_of_silence() {
    let (_folder, db) = db();
    let note = |now| db.write_blocking(move |conn| server::note_alive(conn, now)).unwrap();
    assert_eq!(note(1000), 1000);
    assert_eq!(note(1005), 1000);
    assert_eq!(note(1000 + server::PAUSE), 1000);
    assert_eq!(note(5000), 5000, "it was away for longer than a pause");
    assert_eq!(note(4000), 4000, "the clock was set back");
}

#[test]
fn an_interrupted_upload_leaves_nothing_after_the_next_start() {
    let folder = tempfile::tempdir().unwrap();
    let files = files::Folder::open(folder.path().join("payloads")).unwrap();
    let digest = pintle_protocol::id::Digest::of(b"image");
    let mut incoming = files.begin(&digest, 1).unwrap();
    incoming.take(b"ima").unwrap();
    std::mem::forget(incoming);
    let mut incoming = files.begin(&digest, 2).unwrap();
    incoming.take(b"image").unwrap();
    assert_eq!((incoming.digest(), incoming.size()), (digest, 5));
    incoming.keep(&digest).unwrap();
    assert_eq!(std::fs::read_dir(folder.path().join("payloads")).unwrap().count(), 2);
    let files = files::Folder::open(folder.path().join("payloads")).unwrap();
    assert_eq!(std::fs::read_dir(folder.path().join("payloads")).unwrap().count(), 1);
    assert_eq!(std::fs::read(files.file(&digest)).unwrap(), b"image");
}

/// Everything that makes up a schema: kind, name, SQL without comments and with single spaces.
pub(super) fn schema_of(conn: &Connection) -> Vec<(String, String, String)> {
    let sql =
        "SELECT type, name, sql FROM sqlite_schema WHERE sql IS NOT NULL ORDER BY type <> 'table', rowid";
    let mut statement = conn.prepare(sql).unwrap();
    let found =
        statement.query_map([], |row| Ok((row.get(0)?, row.get(1)?, row.get::<_, String>(2)?))).unwrap();
    found
        .map(|found| {
            let (kind, name, sql) = found.unwrap();
            let lines = sql.lines().map(|line| line.split_once("--").map_or(line, |(code, _)| code));
            let words: Vec<&str> = lines.flat_map(str::split_whitespace).collect();
            (kind, name, words.join(" "))
        })
        .collect()
}

//! Databases that must not be opened, each with words that say what to do.

use super::tests::{add, db};
use super::*;
use std::io::{Seek, SeekFrom, Write};
use std::path::PathBuf;

/// A closed database with some pages and a journal of 40 entries.
fn closed() -> (tempfile::TempDir, PathBuf) {
    let (folder, db) = db();
    for n in 0..40 {
        db.write_blocking(move |conn| add(conn, &format!("Sentence {n}: {}", "x".repeat(400)))).unwrap();
    }
    drop(db);
    let path = folder.path().join("pintle.db");
    (folder, path)
}

/// Opening fails with these words, and leaves the file as it is.
#[track_caller]
fn refused(path: &Path, words: &[&str]) {
    let before = std::fs::read(path).unwrap();
    let fault = Db::open(path).err().expect("it was opened").to_string();
    for word in words.iter().chain(&["pintle.db", "restore a backup"]) {
        assert!(fault.contains(word), "`{word}` is not in: {fault}");
    }
    assert!(before == std::fs::read(path).unwrap(), "the file was changed");
}

/// Changes rows as somebody with a file editor would, past triggers and checks.
fn edit(path: &Path, sql: &str) {
    let conn = Connection::open(path).unwrap();
    conn.execute_batch("PRAGMA foreign_keys = 0; DROP TRIGGER journal_is_not_changed").unwrap();
    conn.execute_batch(sql).unwrap();
}

#[test]
fn every_overwritten_page_is_noticed() {
    let (_folder, path) = closed();
    let whole = std::fs::read(&path).unwrap();
    let pages = whole.len() / 4096;
    assert!(pages > 20, "{pages} pages");
    for page in 0..pages {
        let mut file = std::fs::File::options().write(true).open(&path).unwrap();
        file.seek(SeekFrom::Start(page as u64 * 4096)).unwrap();
        file.write_all(&[0xa5; 4096]).unwrap();
        drop(file);
        refused(&path, &["damaged"]);
        std::fs::write(&path, &whole).unwrap();
    }
    drop(Db::open(&path).unwrap());
}

#[test]
fn a_truncated_file_is_noticed() {
    let (_folder, path) = closed();
    let whole = std::fs::read(&path).unwrap();
    for left in [whole.len() - 4096, whole.len() / 2, 4096, 5000, 100, 10] {
        std::fs::write(&path, &whole[..left]).unwrap();
        refused(&path, &["damaged"]);
    }
}

#[test]
fn a_row_that_refers_to_nothing_is_noticed() {
    let (_folder, path) = closed();
    edit(&path, "INSERT INTO seen VALUES (zeroblob(16), 'net', zeroblob(32), 1)");
    refused(&path, &["`seen`", "`node`"]);
}

#[test]
fn an_edited_entry_of_the_journal_is_noticed_and_named() {
    let (_folder, path) = closed();
    edit(&path, "UPDATE journal SET sentence = 'Another' WHERE number = 17");
    refused(&path, &["journal", "entry 17", "hash"]);
}

#[test]
fn only_the_newest_part_of_a_long_journal_is_checked() {
    let (_folder, db) = db();
    db.write_blocking(|conn| (0..30).try_for_each(|n| add(conn, &n.to_string()))).unwrap();
    db.write_blocking(|conn| {
        conn.execute_batch("DROP TRIGGER journal_is_not_changed")?;
        Ok::<_, StoreFault>(
            conn.execute_batch("UPDATE journal SET sentence = 'Another' WHERE number IN (10, 25)")?,
        )
    })
    .unwrap();
    let first_bad = |newest| {
        db.read_blocking::<_, StoreFault, _>(|conn| journal::check_newest(conn, newest))
            .unwrap()
            .bad
            .map(|bad| bad.number)
    };
    assert_eq!((first_bad(5), first_bad(6), first_bad(20)), (None, Some(25), Some(25)));
    assert_eq!((first_bad(21), first_bad(30), first_bad(99)), (Some(10), Some(10), Some(10)));
}

//! Climbing from every earlier schema. `migrations/NN-name/sample.sql` is a small database as the
//! program with that schema left it, as SQL text.

use super::open::MIGRATIONS;
use super::tests::schema_of;
use super::*;
use crate::contract::JournalEntry;
use crate::ops::tests::sample_yard;
use std::collections::BTreeMap;
use std::path::PathBuf;

/// The folders of `migrations`, in order.
fn steps() -> Vec<PathBuf> {
    let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("../migrations");
    let mut steps: Vec<PathBuf> =
        std::fs::read_dir(root).unwrap().map(|e| e.unwrap().path()).filter(|p| p.is_dir()).collect();
    steps.sort();
    steps
}

/// A database as SQL text: tables, rows, then indexes and triggers.
fn dump(conn: &Connection) -> String {
    let schema = schema_of(conn);
    let mut text = String::new();
    for (_, _, sql) in schema.iter().filter(|(kind, ..)| kind == "table") {
        text += &format!("{sql};\n");
    }
    for (_, table, _) in schema.iter().filter(|(kind, ..)| kind == "table") {
        let columns: Vec<String> = conn
            .prepare("SELECT format('quote(\"%w\")', name) FROM pragma_table_info(?1)")
            .unwrap()
            .query_map([table], |row| row.get(0))
            .unwrap()
            .collect::<Result<_, _>>()
            .unwrap();
        let sql = format!("SELECT concat_ws(', ', {}) FROM \"{table}\"", columns.join(", "));
        let mut rows = conn.prepare(&sql).unwrap();
        for row in rows.query_map([], |row| row.get::<_, String>(0)).unwrap() {
            text += &format!("INSERT INTO \"{table}\" VALUES ({});\n", row.unwrap());
        }
    }
    for (_, _, sql) in schema.iter().filter(|(kind, ..)| kind != "table") {
        text += &format!("{sql};\n");
    }
    let version: u32 = conn.query_row("PRAGMA user_version", [], |row| row.get(0)).unwrap();
    text + &format!("PRAGMA user_version = {version};\n")
}

fn counts(conn: &Connection) -> BTreeMap<String, i64> {
    let tables = schema_of(conn).into_iter().filter(|(kind, ..)| kind == "table").map(|(_, name, _)| name);
    tables
        .map(|name| {
            let sql = format!("SELECT count(*) FROM \"{name}\"");
            let count = conn.query_row(&sql, [], |row| row.get(0)).unwrap();
            (name, count)
        })
        .collect()
}

/// With `PINTLE_WRITE_SAMPLES=1` the sample of the newest schema is written: do so, and commit it,
/// before a migration is added.
#[test]
fn every_earlier_schema_climbs_to_the_newest_and_loses_nothing() {
    let steps = steps();
    let newest = {
        let mut fresh = Connection::open_in_memory().unwrap();
        MIGRATIONS.to_latest(&mut fresh).unwrap();
        let version: u32 = fresh.query_row("PRAGMA user_version", [], |row| row.get(0)).unwrap();
        assert_eq!(version as usize, steps.len());
        schema_of(&fresh)
    };
    if std::env::var_os("PINTLE_WRITE_SAMPLES").is_some() {
        let path = steps.last().unwrap().join("sample.sql");
        sample_yard(|conn| std::fs::write(path, dump(conn)).unwrap());
    }
    let mut tried = 0;
    for (n, step) in steps.iter().enumerate() {
        let path = step.join("sample.sql");
        let is_newest = n + 1 == steps.len();
        if is_newest && !path.exists() {
            continue;
        }
        let text = std::fs::read_to_string(&path).unwrap_or_else(|e| {
            panic!("{e}: {}; go to the commit before the next migration and write it", path.display())
        });
        let folder = tempfile::tempdir().unwrap();
        let file = folder.path().join("pintle.db");
        let old = Connection::open(&file).unwrap();
        old.execute_batch(&format!("PRAGMA foreign_keys = 0; BEGIN; {text} COMMIT")).unwrap();
        let mut released = Connection::open_in_memory().unwrap();
        MIGRATIONS.to_version(&mut released, n + 1).unwrap();
        assert_eq!(schema_of(&old), schema_of(&released), "{}: a released step was changed", path.display());
        let before = counts(&old);
        let full = ["node", "rollout", "target", "step", "envelope", "outcome", "seen", "journal", "token"];
        assert!(full.iter().all(|table| before[*table] > 0), "{before:?}");
        let entries: Vec<JournalEntry> = journal::page(&old, 0, 500).unwrap().entries;
        drop(old);

        let db = Db::open(&file).unwrap_or_else(|fault| panic!("{}: {fault}", path.display()));
        db.read_blocking::<_, StoreFault, _>(|conn| {
            assert_eq!(schema_of(conn), newest, "{}", path.display());
            let after = counts(conn);
            for (table, count) in &before {
                assert_eq!(after.get(table), Some(count), "{}: {table}", path.display());
            }
            assert_eq!(journal::page(conn, 0, 500)?.entries, entries);
            assert_eq!(journal::check(conn)?.bad, None);
            // Everything reads as what it is.
            let nodes = nodes::list(conn)?;
            assert!(nodes.iter().any(|node| node.last.is_some() && node.keys.is_some()));
            for number in rollouts::list(conn)? {
                assert!(rollouts::get(conn, number)?.is_some());
            }
            Ok(())
        })
        .unwrap();
        // And it goes on from there.
        db.write_blocking(|conn| crate::ops::tick(conn, &[], 2_000_000_000)).unwrap();
        drop(db);
        drop(Db::open(&file).unwrap());
        tried += 1;
    }
    assert!(tried + 1 >= steps.len(), "{tried} of {} tried", steps.len());
}

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
        for row in rows(conn, table, &columns(conn, table)) {
            text += &format!("INSERT INTO \"{table}\" VALUES ({row});\n");
        }
    }
    for (_, _, sql) in schema.iter().filter(|(kind, ..)| kind != "table") {
        text += &format!("{sql};\n");
    }
    let version: u32 = conn.query_row("PRAGMA user_version", [], |row| row.get(0)).unwrap();
    text + &format!("PRAGMA user_version = {version};\n")
}

fn columns(conn: &Connection, table: &str) -> Vec<String> {
    let mut names = conn.prepare("SELECT name FROM pragma_table_info(?1)").unwrap();
    names.query_map([table], |row| row.get(0)).unwrap().collect::<Result<_, _>>().unwrap()
}

/// What stands in these columns, row by row, as SQL text that tells apart whatever SQLite does.
fn rows(conn: &Connection, table: &str, columns: &[String]) -> Vec<String> {
    let columns: Vec<String> = columns.iter().map(|column| format!("quote(\"{column}\")")).collect();
    let sql = format!("SELECT concat_ws(', ', {}) FROM \"{table}\"", columns.join(", "));
    let mut rows = conn.prepare(&sql).unwrap();
    rows.query_map([], |row| row.get(0)).unwrap().collect::<Result<_, _>>().unwrap()
}

/// Tables with their columns.
type Shape = BTreeMap<String, Vec<String>>;

fn shape(conn: &Connection) -> Shape {
    let tables = schema_of(conn).into_iter().filter(|(kind, ..)| kind == "table");
    tables.map(|(_, name, _)| (name.clone(), columns(conn, &name))).collect()
}

/// All rows of all tables, in the columns of this shape; sorted, for a table that was written anew may have
/// another order.
fn contents(conn: &Connection, shape: &Shape) -> BTreeMap<String, Vec<String>> {
    let sorted = |table: &str, columns: &[String]| {
        let mut rows = rows(conn, table, columns);
        rows.sort();
        rows
    };
    shape.iter().map(|(table, columns)| (table.clone(), sorted(table, columns))).collect()
}

/// Adds what the program with this many migrations can have left and the samples lack, so that no table is
/// empty.
fn fill(old: &Connection, version: usize) {
    let owned = version >= 5;
    let (link, revoked) = match owned {
        true => {
            ("(hash, token, expires_at) VALUES (zeroblob(32), 1, 1775023200)", "'ended', 'operator', X'0b'")
        }
        false => ("(hash, expires_at) VALUES (zeroblob(32), 1775023200)", "'operator'"),
    };
    let name = if owned { "name, role, hash" } else { "role" };
    let hash = if owned { "" } else { "hash, " };
    let blob = "unhex(printf('%064d', 7))";
    let value = if owned { revoked.replace("X'0b'", blob) } else { format!("{blob}, {revoked}") };
    let mut sql = format!(
        "INSERT INTO claim SELECT id, {blob}, X'a0', 1772431300 FROM node LIMIT 2;
         INSERT INTO session {link};
         INSERT INTO token ({hash}{name}, created_at, revoked_at) VALUES ({value}, 1772431100, 1772431150);"
    );
    if rows(old, "sign_in_link", &["hash".to_owned()]).is_empty() {
        sql += &format!("INSERT INTO sign_in_link {link};");
    }
    if version >= 2 {
        sql += "INSERT OR IGNORE INTO suit_report SELECT id, X'8101', 1772431400 FROM node;";
    }
    if version >= 6 {
        sql += "INSERT INTO clock_step VALUES (1772431250, 3600);";
    }
    if version >= 8 {
        sql += "INSERT INTO notice (kind, subject, sentence, at, over_at, webhook, mail) VALUES
            ('node_silent', '00', 'a hatch is silent', 1772431300, NULL, 'sent', 'waits'),
            ('rollout_held', '1', 'a rollout is held', 1772431300, 1772431350, 'none', 'sent');";
    }
    old.execute_batch(&sql).unwrap();
}

/// What a migration puts into columns and tables that it adds, by the first version that has it: as if the
/// program had always been as careful as it was.
const ADDED: &[(usize, &str)] = &[
    (3, "SELECT min(windows IS NULL) FROM rollout"),
    (
        3,
        "SELECT min(min_check_ins = 0 AND min_door_cycles = 0 AND approval = 0 AND max_waiting IS NULL
             AND waiting_after_seconds = 86400 AND max_unwell = 0 AND max_restarts IS NULL
             AND min_signal_dbm IS NULL AND asked_at IS NULL AND approved_at IS NULL) FROM wave",
    ),
    (
        3,
        "SELECT min(excused_at IS NULL AND check_ins = 0 AND door_cycles = 0 AND door = 'unseen'
             AND starts IS NULL AND restarts = 0 AND weak = 0 AND by_hand = 0) FROM target",
    ),
    (4, "SELECT min(thinned_until = 0) FROM node"),
    (5, "SELECT min(last_used_at IS NULL AND name = iif(revoked_at IS NULL, 'first', 'earlier')) FROM token"),
    // Links and sessions belong to the token that can still be revoked.
    (
        5,
        "SELECT min((SELECT revoked_at IS NULL FROM token WHERE id = owner.token))
             FROM (SELECT token FROM sign_in_link UNION ALL SELECT token FROM session) AS owner",
    ),
    (7, "SELECT at = (SELECT max(last_seen) FROM node) FROM heard"),
    (9, "SELECT min(signature IS NULL) FROM node"),
    (9, "SELECT min(mute IS NULL) FROM target"),
];

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
        fill(&old, n + 1);
        let tables = shape(&old);
        let before = contents(&old, &tables);
        let empty: Vec<_> =
            before.iter().filter(|(_, rows)| rows.is_empty()).map(|(table, _)| table).collect();
        assert!(empty.is_empty(), "{}: nothing in {empty:?}", path.display());
        let entries: Vec<JournalEntry> = journal::page(&old, 0, 500).unwrap().entries;
        drop(old);

        let db = Db::open(&file).unwrap_or_else(|fault| panic!("{}: {fault}", path.display()));
        db.read_blocking::<_, StoreFault, _>(|conn| {
            assert_eq!(schema_of(conn), newest, "{}", path.display());
            let after = contents(conn, &tables);
            for (table, rows) in &before {
                assert_eq!(&after[table], rows, "{}: {table}", path.display());
            }
            for (_, sql) in ADDED.iter().filter(|(version, _)| *version > n + 1) {
                let holds: bool = conn.query_row(sql, [], |row| row.get(0))?;
                assert!(holds, "{}: {sql}", path.display());
            }
            assert_eq!(journal::page(conn, 0, 500)?.entries, entries);
            assert_eq!(journal::check(conn)?.bad, None);
            // Everything reads as what it is.
            let nodes = nodes::page(conn, None, 100)?;
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

/// The comparison above sees every change of every column, and every row that goes or comes.
#[test]
fn what_a_migration_could_lose_or_change_is_noticed() {
    let sample = steps().into_iter().rev().map(|step| step.join("sample.sql")).find(|path| path.exists());
    let text = std::fs::read_to_string(sample.unwrap()).unwrap();
    let conn = Connection::open_in_memory().unwrap();
    conn.execute_batch(&format!("PRAGMA foreign_keys = 0; BEGIN; {text} COMMIT")).unwrap();
    let version: u32 = conn.query_row("PRAGMA user_version", [], |row| row.get(0)).unwrap();
    fill(&conn, version as usize);
    let triggers = schema_of(&conn).into_iter().filter(|(kind, ..)| kind == "trigger");
    triggers.for_each(|(_, name, _)| conn.execute_batch(&format!("DROP TRIGGER \"{name}\"")).unwrap());
    conn.execute_batch("PRAGMA ignore_check_constraints = 1").unwrap();
    let tables = shape(&conn);
    let before = contents(&conn, &tables);
    let mut changes = 0;
    for (table, columns) in &tables {
        let mut tried: Vec<String> = vec![format!("DELETE FROM \"{table}\"")];
        for column in columns {
            // Another value of the same type, or one where there was none.
            tried.push(format!(
                "UPDATE OR IGNORE \"{table}\" SET \"{column}\" = CASE typeof(\"{column}\")
                     WHEN 'null' THEN 77 WHEN 'integer' THEN 1 - \"{column}\" WHEN 'text' THEN \"{column}\" || '!'
                     ELSE CAST(\"{column}\" || X'00' AS BLOB) END"
            ));
        }
        for sql in tried {
            conn.execute_batch("SAVEPOINT change").unwrap();
            // Where the column's type does not take it, nothing is changed.
            let changed = conn.execute(&sql, []).is_ok_and(|rows| rows > 0);
            if changed {
                let after = contents(&conn, &tables);
                assert_ne!(after[table], before[table], "{sql}");
                assert!(before.iter().all(|(other, rows)| other == table || &after[other] == rows), "{sql}");
                changes += 1;
            }
            conn.execute_batch("ROLLBACK TO change; RELEASE change").unwrap();
        }
    }
    assert!(changes > 100, "only {changes} changes were tried");
}

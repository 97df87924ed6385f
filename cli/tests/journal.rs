//! The server's journal through the program: followed, exported, in a backup, and tampered with.

mod bin_common;
#[path = "bin_common/joining.rs"]
mod joining;

use bin_common::{Place, Ran};
use joining::{join, plain, strs};
use pintle::api::http::Http;
use pintle::api::{Client, Trust};
use pintle_protocol::id::{Digest, NodeId, Uuid16};
use pintle_server::Running;
use pintle_server::contract::{ExpectNode, JournalEntry};
use pintle_server::journal::START;
use std::path::Path;

/// Changes the server's journal as somebody does who has its machine.
fn tamper(data: &Path, sql: &str) {
    let database = rusqlite::Connection::open(data.join("pintle.db")).unwrap();
    database
        .execute_batch(
            "DROP TRIGGER IF EXISTS journal_is_not_changed; DROP TRIGGER IF EXISTS journal_is_not_cut",
        )
        .unwrap();
    database.execute_batch(sql).unwrap();
}

/// The chain of hashes made anew, so that the journal holds by itself.
fn rechain(data: &Path) {
    let database = rusqlite::Connection::open(data.join("pintle.db")).unwrap();
    let mut all = database.prepare("SELECT number, at, event, sentence, node, rollout FROM journal").unwrap();
    let mut entries: Vec<JournalEntry> = all
        .query_map([], |row| {
            let node: Option<[u8; 16]> = row.get(4)?;
            Ok(JournalEntry {
                number: row.get(0)?,
                at: row.get(1)?,
                event: row.get(2)?,
                sentence: row.get(3)?,
                node: node.map(NodeId),
                rollout: row.get(5)?,
                hash: START,
            })
        })
        .unwrap()
        .collect::<Result<_, _>>()
        .unwrap();
    let mut head = START;
    for entry in &mut entries {
        head = pintle_server::journal::hash(head, entry);
        let sql = "UPDATE journal SET hash = ?2 WHERE number = ?1";
        database.execute(sql, (entry.number, head.0)).unwrap();
    }
}

/// Has the server write entries down, one for each node.
fn expect(running: &Running, nodes: std::ops::RangeInclusive<u8>) {
    let token = running.operator_token.clone().unwrap();
    let client = Client::over(Http::new(&running.base_url, Trust::Plain, token.into()).unwrap());
    for n in nodes {
        let expect = ExpectNode {
            name: format!("Hatch {n}"),
            class: Uuid16([7; 16]),
            code_digest: Digest([n; 32]),
            replace: false,
        };
        client.expect_node(&NodeId([n; 16]), &expect).unwrap();
    }
}

#[test]
fn a_journal_that_was_tampered_with_is_told_and_how() {
    let place = Place::with_yard();
    let running = plain(&place, "data");
    place.run(&strs(&join(&place, &running))).ends(0);
    expect(&running, 1..=4);
    let first = place.run(&["--json", "server", "journal"]).ends(0).json();
    assert_eq!((&first["entries"], &first["new"]), (&5.into(), &serde_json::Value::Null), "{first}");
    let kept = std::fs::read(place.path("yard/state/journal.toml")).unwrap();
    let again = place.run(&["--json", "server", "journal", "--all"]).ends(0).json();
    assert_eq!((&again["head"], &again["new"]), (&first["head"], &0.into()));

    let exported = place.path("journal.jsonl");
    place.run(&["server", "journal", "--export", exported.to_str().unwrap()]).ends(0);
    let check_file = || place.run(&["--json", "server", "journal", "--file", exported.to_str().unwrap()]);
    assert_eq!(check_file().ends(0).json()["entries"], 5);
    let text = std::fs::read_to_string(&exported).unwrap();
    let lines: Vec<&str> = text.lines().collect();
    let broken_file = |lines: &[&str], words: &[&str]| {
        std::fs::write(&exported, lines.join("\n")).unwrap();
        let broken = check_file().ends(1).json()["broken"].as_str().unwrap().to_owned();
        assert!(words.iter().all(|word| broken.contains(word)), "{broken}");
    };
    broken_file(&[lines[0], lines[1], lines[3], lines[4]], &["entry 3", "missing"]);
    broken_file(&[lines[0], lines[2], lines[1], lines[3], lines[4]], &["entry 2"]);
    broken_file(&lines[..3], &["cut short", "entry 3", "entry 5"]);
    let edited = lines[3].replacen("at\":18", "at\":19", 1);
    broken_file(&[lines[0], lines[1], lines[2], &edited, lines[4]], &["entry 4", "hash"]);
    std::fs::write(&exported, "{}").unwrap();
    check_file().ends(3).says(&["journal.jsonl, line 1"]);

    // The same on the server itself: it runs on, and somebody edits its file.
    let data = place.path("data");
    let database = rusqlite::Connection::open(data.join("pintle.db")).unwrap();
    database.execute("VACUUM INTO ?1", [place.path("aside.db").to_str().unwrap()]).unwrap();
    drop(database);
    let tampered = |sql: &str, rechained: bool, words: &[&str]| {
        tamper(&data, sql);
        if rechained {
            rechain(&data);
        }
        let answer = place.run(&["--json", "server", "journal"]).ends(1).says(&["--after-restore"]);
        let broken = answer.json()["broken"].as_str().unwrap().to_owned();
        assert!(words.iter().all(|word| broken.contains(word)), "{broken}");
        assert_eq!(std::fs::read(place.path("yard/state/journal.toml")).unwrap(), kept, "{broken}");
        let aside = place.path("aside.db");
        tamper(
            &data,
            &format!(
                "ATTACH '{}' AS aside; DELETE FROM journal; INSERT INTO journal SELECT * FROM aside.journal",
                aside.display()
            ),
        );
        place.run(&["server", "journal"]).ends(0);
    };
    tampered(
        "UPDATE journal SET sentence = 'Nothing happened' WHERE number = 3",
        false,
        &["entry 3", "hash"],
    );
    tampered("DELETE FROM journal WHERE number = 3", false, &["entry 3", "missing"]);
    tampered("DELETE FROM journal WHERE number > 3", false, &["cut short", "entry 3", "entry 5"]);
    let swap =
        "UPDATE journal SET number = -2 WHERE number = 2; UPDATE journal SET number = 2 WHERE number = 3;
         UPDATE journal SET number = 3 WHERE number = -2";
    tampered(swap, false, &["entry 2", "hash"]);
    let anew = "UPDATE journal SET sentence = 'Nothing happened' WHERE number = 3";
    tampered(anew, true, &["another history", "entry 5"]);

    // After a restore the operator says so, and it goes on from there.
    tamper(&data, "DELETE FROM journal WHERE number > 3");
    place.run(&["server", "journal"]).ends(1);
    place.run(&["server", "journal", "--after-restore"]).ends(0);
    place.run(&["server", "journal"]).ends(0);

    running.stop().unwrap();
}

/// A yard that has joined a server with five entries and has seen them, and the folder of the server.
fn seen_five(place: &Place) -> Running {
    let running = plain(place, "data");
    place.run(&strs(&join(place, &running))).ends(0);
    expect(&running, 1..=4);
    assert_eq!(place.run(&["--json", "server", "journal"]).ends(0).json()["entries"], 5);
    running
}

fn backup(place: &Place, name: &str) -> String {
    let to = place.path(name);
    pintle_server::backup::make(&place.path("data"), &to, 1_800_000_000).unwrap();
    to.to_str().unwrap().to_owned()
}

fn journal(place: &Place, how: &str, path: &str) -> Ran {
    place.run(&["--json", "server", "journal", how, path])
}

/// What is wrong with a copy, as the answer has it.
#[track_caller]
fn broken(ran: Ran, words: &[&str]) {
    let broken = ran.ends(1).says(&["it was changed, or is of another server"]).json()["broken"].clone();
    let broken = broken.as_str().unwrap();
    assert!(words.iter().all(|word| broken.contains(word)), "{broken}");
}

#[test]
fn a_backup_is_held_against_what_the_yard_has_seen() {
    let place = Place::with_yard();
    let running = seen_five(&place);
    let same = backup(&place, "same");
    let answer = journal(&place, "--backup", &same).ends(0).json();
    assert_eq!((&answer["entries"], &answer["older_than"]), (&5.into(), &serde_json::Value::Null));
    assert_eq!(answer["copied_at"], 1_800_000_000);

    // The yard sees more; the backup of before is older, and good.
    expect(&running, 5..=6);
    let newest = place.run(&["--json", "server", "journal"]).ends(0).json();
    let older = journal(&place, "--backup", &same).ends(0);
    assert_eq!((&older.json()["entries"], &older.json()["older_than"]), (&5.into(), &7.into()));
    let told = place.run(&["server", "journal", "--backup", &same]).ends(0).out;
    assert!(told.contains("5 entries in good order") && told.contains("older than entry 7"), "{told}");
    // One that was made later has entries that the yard has not seen.
    expect(&running, 7..=7);
    let later = backup(&place, "later");
    let answer = journal(&place, "--backup", &later).ends(0).json();
    assert_eq!((&answer["entries"], &answer["older_than"]), (&8.into(), &serde_json::Value::Null));
    assert_ne!(answer["head"], newest["head"]);
    running.stop().unwrap();

    // A history that was written anew holds by itself, and not against what was seen.
    let data = place.path("data");
    tamper(&data, "UPDATE journal SET sentence = 'Nothing happened' WHERE number = 3");
    rechain(&data);
    broken(journal(&place, "--backup", &backup(&place, "anew")), &["another history", "entry 7"]);
    // Looking changed nothing.
    assert_eq!(journal(&place, "--backup", &later).ends(0).json()["entries"], 8);

    std::fs::write(place.path("later/online.key"), [1; 32]).unwrap();
    journal(&place, "--backup", &later).ends(3).says(&["online.key"]);
}

#[test]
fn a_copy_of_another_server_is_taken_only_if_it_has_what_was_seen() {
    let place = Place::with_yard();
    let running = seen_five(&place);
    let same = backup(&place, "same");
    expect(&running, 5..=5);
    let file = place.path("of-the-old-key.jsonl").to_str().unwrap().to_owned();
    place.run(&["server", "journal", "--export", &file]).ends(0);
    running.stop().unwrap();

    // The server has another key now, and the yard is told so by hand; the copies have the old one.
    let old = running_key(&place);
    place.edit("yard/yard.toml", &old, &"07".repeat(32));
    let answer = journal(&place, "--file", &file).ends(0).says(&[&old, "before a change of keys"]);
    assert_eq!(answer.json()["entries"], 6);
    broken(journal(&place, "--backup", &same), &["nothing shows", &old, "entry 5", "entry 6"]);
}

/// The key of the server that the yard has joined.
fn running_key(place: &Place) -> String {
    let yard = pintle::yard::Yard::open(&place.path("yard")).unwrap();
    pintle::journal::server_key(&yard).unwrap().to_string()
}

#[test]
fn an_exported_journal_ends_with_what_the_server_signed() {
    let place = Place::with_yard();
    let running = seen_five(&place);
    let file = place.path("journal.jsonl").to_str().unwrap().to_owned();
    place.run(&["server", "journal", "--export", &file]).ends(0);
    let text = std::fs::read_to_string(&file).unwrap();
    let lines: Vec<&str> = text.lines().collect();
    assert_eq!(lines.len(), 6);
    let whole = journal(&place, "--file", &file).ends(0);
    assert_eq!((&whole.json()["copied_at"], whole.err.as_str()), (&1_800_000_000.into(), ""));
    let with = |lines: &[&str]| {
        std::fs::write(&file, lines.join("\n")).unwrap();
        journal(&place, "--file", &file)
    };
    // Entries that the head does not cover, or one too few.
    broken(with(&[lines[0], lines[1], lines[2], lines[3], lines[5]]), &["cut short", "entry 4", "entry 5"]);
    // A head of another key, of other numbers, or in the middle.
    let other = lines[5].replacen(&running.server_key.to_string(), &"07".repeat(32), 1);
    let changed = |last: &str| with(&[&lines[..5], &[last]].concat());
    broken(changed(&other), &["signature", "server's key"]);
    broken(
        changed(&lines[5].replacen("\"number\":5", "\"number\":4", 1)),
        &["another head", "than it signed"],
    );
    with(&[lines[0], lines[5], lines[1]]).ends(3).says(&["journal.jsonl, line 3", "after the signed head"]);
    // Without it the entries hold, and it is said what that does not show.
    with(&lines[..5]).ends(0).says(&["no signed head", "may be missing"]);

    // An older file is whole by its head, though the yard has seen more; without the head it is not known to be.
    expect(&running, 5..=5);
    place.run(&["server", "journal"]).ends(0);
    assert_eq!(with(&lines).ends(0).json()["older_than"], 6);
    broken(with(&lines[..5]), &["cut short", "entry 5", "entry 6"]);
    running.stop().unwrap();
}

//! Restoring a backup into an empty folder.

use super::{BackupFault, DATABASE, ENVELOPES, Manifest, PAYLOADS, check, files};
use crate::contract::Seconds;
use crate::journal::Line;
use crate::store::{StoreFault, clock, journal, open, who};
use crate::words::utc;
use rusqlite::Connection;
use std::fs;
use std::path::Path;

/// Checks the backup `from` and restores it into `data`, which must be empty or not there.
///
/// Browsers have to sign in anew, and the journal says that a backup was restored. The database
/// comes last: a folder in which restoring was broken off is not taken for a server's.
///
/// # Errors
/// [`BackupFault`]; what was begun stays for a look, and no server starts on it.
pub fn restore(from: &Path, data: &Path, now: Seconds) -> Result<Manifest, BackupFault> {
    if !files::is_free(data)? {
        let hint = "a backup is restored into an empty folder only; move this one away first";
        return Err(BackupFault::NotEmpty { path: data.to_owned(), hint });
    }
    let manifest = check(from)?;
    if !data.exists() {
        fs::create_dir_all(data).map_err(files::at(data))?;
    }
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        fs::set_permissions(data, fs::Permissions::from_mode(0o700)).map_err(files::at(data))?;
    }
    files::make_folder(&data.join(PAYLOADS))?;
    files::make_folder(&data.join(ENVELOPES))?;
    let part = data.join("pintle.db.part");
    for entry in &manifest.files {
        let target = if entry.path == DATABASE { part.clone() } else { data.join(&entry.path) };
        let copied = files::copy(&from.join(&entry.path), &target)?;
        if copied != (entry.size, entry.sha256) {
            let why = "it changed while it was being restored".to_owned();
            return Err(BackupFault::Damaged { path: from.join(&entry.path), why });
        }
    }
    mark(&part, &manifest, now)?;
    for folder in [data.join(PAYLOADS), data.join(ENVELOPES)] {
        files::sync_folder(&folder)?;
    }
    let database = data.join(DATABASE);
    fs::rename(&part, &database).map_err(files::at(&database))?;
    files::sync_folder(data)?;
    Ok(manifest)
}

/// Writes down that this is a restored database. Sessions that were ended since the backup was
/// made must not come back to life, so all of them end.
fn mark(path: &Path, manifest: &Manifest, now: Seconds) -> Result<(), BackupFault> {
    let mut connection = Connection::open(path).map_err(|e| open::fault(path, e))?;
    // An earlier program may have made the backup; what is written here is of this one.
    open::climb(&mut connection, path)?;
    let sentence = format!(
        "A backup of {} was restored; what was decided after that is not known here",
        utc(manifest.made_at)
    );
    let change = connection.transaction().map_err(StoreFault::from)?;
    who::end_every_session(&change)?;
    let own = clock::own_time(&change, now)?;
    journal::append(&change, own, vec![Line::new("restored", sentence)])?;
    change.commit().map_err(StoreFault::from)?;
    connection.close().map_err(|(_, e)| open::fault(path, e))?;
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::contract::JournalEntry;
    use pintle_protocol::id::{Digest, PublicKey};

    #[test]
    fn a_backup_of_every_earlier_program_can_be_marked_as_restored() {
        let root = Path::new(env!("CARGO_MANIFEST_DIR")).join("../migrations");
        let manifest = Manifest {
            form: 1,
            made_at: 1_800_000_000,
            program: "0.0.9".to_owned(),
            schema: 1,
            server_key: PublicKey([7; 32]),
            journal_entries: 0,
            journal_head: Digest([0; 32]),
            files: Vec::new(),
        };
        let mut tried = 0;
        for step in fs::read_dir(root).unwrap() {
            let Ok(sample) = fs::read_to_string(step.unwrap().path().join("sample.sql")) else { continue };
            let folder = tempfile::tempdir().unwrap();
            let path = folder.path().join("pintle.db.part");
            let old = Connection::open(&path).unwrap();
            old.execute_batch(&format!("PRAGMA foreign_keys = 0; BEGIN; {sample} COMMIT")).unwrap();
            drop(old);
            mark(&path, &manifest, 1_800_000_100).unwrap();
            let restored = Connection::open(&path).unwrap();
            let newest: JournalEntry = journal::newest(&restored, 1).unwrap().remove(0);
            assert_eq!((newest.event.as_str(), newest.at), ("restored", 1_800_000_100));
            assert_eq!(journal::check(&restored).unwrap().bad, None);
            tried += 1;
        }
        assert!(tried >= 5, "{tried} were tried");
    }
}

//! Making a backup, also while the server runs.

use super::{BackupFault, DATABASE, ENVELOPES, FORM, MANIFEST, Manifest, ONLINE_KEY, OTHER_FILES, PAYLOADS};
use super::{check, files, is_old_key};
use crate::contract::Seconds;
use crate::keys;
use crate::store::{StoreFault, open};
use std::fs;
use std::path::Path;

/// Makes a backup of the server in `data` as the folder `to`, which must be empty or not there.
///
/// The database is taken in one moment; files are never changed once they are there, so that those
/// that it names are taken afterwards. The backup appears under its name only when it is whole.
///
/// # Errors
/// [`BackupFault`]; what was begun is left as `TO.part`.
pub fn make(data: &Path, to: &Path, now: Seconds) -> Result<Manifest, BackupFault> {
    let source = data.join(DATABASE);
    if !source.is_file() {
        return Err(BackupFault::NoServer { path: data.to_owned() });
    }
    if !files::is_free(to)? {
        let hint = "give a folder that is not there yet; each backup gets one of its own";
        return Err(BackupFault::NotEmpty { path: to.to_owned(), hint });
    }
    let part = files::beside(to, ".part");
    if part.exists() {
        let hint = "it was left by a backup that was broken off; remove it and try again";
        return Err(BackupFault::NotEmpty { path: part, hint });
    }
    files::make_folder(&part)?;
    let database = part.join(DATABASE);
    snapshot(&source, &database)?;

    let copy = open::reader(&database)?;
    let schema = open::check(&copy, &database)?;
    let found = check::journal(&copy, &database)?;
    let stored = check::stored(&copy)?;
    drop(copy);

    let mut paths = vec![DATABASE.to_owned(), ONLINE_KEY.to_owned()];
    for found in fs::read_dir(data).map_err(files::at(data))? {
        let name = found.map_err(files::at(data))?.file_name();
        let name = name.to_str().filter(|name| OTHER_FILES.contains(name) || is_old_key(name));
        paths.extend(name.map(str::to_owned));
    }
    paths.sort();
    files::make_folder(&part.join(PAYLOADS))?;
    files::make_folder(&part.join(ENVELOPES))?;
    paths.extend(stored.iter().map(check::Stored::path));
    for path in paths.iter().filter(|path| *path != DATABASE) {
        files::copy(&data.join(path), &part.join(path))?;
    }
    stored.iter().try_for_each(|file| file.check(&part))?;
    let online = part.join(ONLINE_KEY);
    let server_key = keys::public(&keys::read_online_key(&online).map_err(files::at(&online))?);
    let manifest = Manifest {
        form: FORM,
        made_at: now,
        program: env!("CARGO_PKG_VERSION").to_owned(),
        schema,
        server_key,
        journal_entries: found.good,
        journal_head: found.head,
        files: paths.iter().map(|path| files::entry(&part, path)).collect::<Result<_, _>>()?,
    };
    let json = serde_json::to_vec_pretty(&manifest)
        .map_err(|e| StoreFault::Value { what: format!("a list of files that is no JSON ({e})") })?;
    files::write(&part.join(MANIFEST), &json)?;
    for folder in [part.join(PAYLOADS), part.join(ENVELOPES), part.clone()] {
        files::sync_folder(&folder)?;
    }
    if to.exists() {
        fs::remove_dir(to).map_err(files::at(to))?;
    }
    fs::rename(&part, to).map_err(files::at(to))?;
    match to.parent().filter(|parent| !parent.as_os_str().is_empty()) {
        Some(parent) => files::sync_folder(parent)?,
        None => files::sync_folder(Path::new("."))?,
    }
    Ok(manifest)
}

/// Writes the database as it is in one moment to a new file, without what was deleted.
fn snapshot(source: &Path, to: &Path) -> Result<(), BackupFault> {
    // The file is made first, so that it is never readable by others.
    files::write(to, b"")?;
    let name = to.to_str().ok_or_else(|| BackupFault::File {
        path: to.to_owned(),
        source: std::io::Error::other("the path is no UTF-8, which the database needs"),
    })?;
    let connection = open::reader(source)?;
    open::check_schema(&connection, source)?;
    connection.execute("VACUUM INTO ?1", [name]).map_err(|e| open::fault(source, e))?;
    fs::File::open(to).and_then(|file| file.sync_all()).map_err(files::at(to))
}

//! The settings file: strict TOML, in which whatever is wrong is named with its line.

use super::{Settings, expected};
use std::fs::File;
use std::io::Read;
use std::ops::Range;
use std::path::{Path, PathBuf};
use toml::de::DeTable;

/// A settings file may have so many bytes: tens of times what there is to set.
const LARGEST: u64 = 64 << 10;

/// Why settings are not taken. Nothing was started or changed.
#[derive(Debug, thiserror::Error)]
pub enum SettingsError {
    /// The file cannot be read.
    #[error(
        "the settings file {} cannot be read ({source}): see that it is there, and that the server's user may \
         read it",
        path.display()
    )]
    Read {
        /// The file.
        path: PathBuf,
        /// What the system answered.
        source: std::io::Error,
    },
    /// It is too large to be one.
    #[error("{} is no settings file: it has more than {LARGEST} bytes; name another with `--settings`", path.display())]
    TooLarge {
        /// The file.
        path: PathBuf,
    },
    /// It is no text.
    #[error("{}, line {line}: this is no UTF-8 text; save the file as UTF-8", path.display())]
    NotText {
        /// The file.
        path: PathBuf,
        /// Line, counted from 1.
        line: usize,
    },
    /// It is no TOML.
    #[error(
        "{}, line {line}: {what}; a line is `key = value`, as in the sample; correct it and start again",
        path.display()
    )]
    Syntax {
        /// The file.
        path: PathBuf,
        /// Line, counted from 1.
        line: usize,
        /// What is wrong.
        what: String,
    },
    /// A key that there is not. Its value is not shown: it may be a secret.
    #[error(
        "{}, line {line}: there is no setting `{key}`; take it out, or name one of: {}",
        path.display(),
        known.join(", ")
    )]
    UnknownKey {
        /// The file.
        path: PathBuf,
        /// Line, counted from 1.
        line: usize,
        /// The key.
        key: String,
        /// What there is to set.
        known: Vec<String>,
    },
    /// A value that is not what its key takes.
    #[error("{}, line {line}: `{key}` is wrong ({what}); write {expected}", path.display())]
    Wrong {
        /// The file.
        path: PathBuf,
        /// Line, counted from 1.
        line: usize,
        /// The key.
        key: String,
        /// What is wrong.
        what: String,
        /// What is expected.
        expected: &'static str,
    },
    /// Two settings of one place that exclude each other.
    #[error("{place} has {plain} together with {other}, which is about TLS; leave one of them out")]
    Exclusive {
        /// Where they stand.
        place: String,
        /// The one for plain HTTP, as it is called there.
        plain: String,
        /// The other.
        other: String,
    },
    /// A setting that cannot be used, by itself or with the others.
    #[error("`{key}` cannot be used: {why}")]
    Unfit {
        /// The setting, a flag without its dashes.
        key: &'static str,
        /// Why, and what to write.
        why: String,
    },
    /// No folder is set.
    #[error(
        "it is not said where the server's folder is: give `--data DIR`, set PINTLE_DATA, or write `data` into \
         the settings file and name that with `--settings FILE`"
    )]
    NoFolder,
}

/// Reads a settings file. Relative paths in it are taken from the folder it is in.
///
/// # Errors
/// [`SettingsError`], naming file, line and key.
pub fn read(path: &Path) -> Result<Settings, SettingsError> {
    let failed = |source| SettingsError::Read { path: path.to_owned(), source };
    let mut bytes = Vec::new();
    File::open(path).map_err(failed)?.take(LARGEST + 1).read_to_end(&mut bytes).map_err(failed)?;
    if bytes.len() as u64 > LARGEST {
        return Err(SettingsError::TooLarge { path: path.to_owned() });
    }
    let text = std::str::from_utf8(&bytes).map_err(|fault| {
        let line = line_of(&bytes, fault.valid_up_to());
        SettingsError::NotText { path: path.to_owned(), line }
    })?;
    let settings = parse(path, text)?;
    settings.consistent(|key| format!("`{key}`"), &path.display().to_string())?;
    Ok(match path.parent() {
        Some(folder) => settings.root(folder),
        None => settings,
    })
}

/// Reads `text`, the content of the file `path`.
fn parse(path: &Path, text: &str) -> Result<Settings, SettingsError> {
    let line = |span: Option<Range<usize>>| line_of(text.as_bytes(), span.map_or(0, |span| span.start));
    let table = DeTable::parse(text).map_err(|fault| SettingsError::Syntax {
        path: path.to_owned(),
        line: line(fault.span()),
        what: fault.message().trim().replace('\n', "; "),
    })?;
    toml::from_str(text).map_err(|fault| {
        let at = fault.span().map_or(0, |span| span.start);
        // The value at fault belongs to the key before it.
        let key =
            table.get_ref().keys().filter(|key| key.span().start <= at).max_by_key(|key| key.span().start);
        let key = key.map(|key| key.get_ref().to_string()).unwrap_or_default();
        let (path, line) = (path.to_owned(), line(fault.span()));
        match expected(&key) {
            Some(expected) => {
                let what = fault.message().trim().replace('\n', "; ");
                SettingsError::Wrong { path, line, key, what, expected }
            }
            None => SettingsError::UnknownKey { path, line, key, known: known(fault.message()) },
        }
    })
}

/// Serde says ``unknown field `a`, expected one of `b`, `c` ``: what it expected.
pub(super) fn known(message: &str) -> Vec<String> {
    message.split('`').skip(1).step_by(2).skip(1).map(str::to_owned).collect()
}

/// Line of a byte, counted from 1.
fn line_of(bytes: &[u8], at: usize) -> usize {
    1 + bytes.iter().take(at).filter(|byte| **byte == b'\n').count()
}

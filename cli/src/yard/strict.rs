//! Reading yard files strictly: what is not known is an error, with the place and the nearest
//! known key.

use super::files::{self, FileError};
use serde::de::DeserializeOwned;
use std::path::{Path, PathBuf};
use thiserror::Error;

/// A yard file that is not what it should be.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum Unreadable {
    /// A key that is not known there.
    #[error("{}, line {line}: there is no key `{key}` here", path.display())]
    UnknownKey {
        /// The file.
        path: PathBuf,
        /// Line, counted from 1.
        line: usize,
        /// The key.
        key: String,
        /// The known keys, nearest first.
        known: Vec<String>,
        /// The known key that was probably meant.
        nearest: Option<String>,
    },
    /// Anything else.
    #[error("{}, line {line}: {what}", path.display())]
    Wrong {
        /// The file.
        path: PathBuf,
        /// Line, counted from 1.
        line: usize,
        /// What is wrong.
        what: String,
    },
}

impl Unreadable {
    /// What to do about it.
    pub fn hint(&self) -> String {
        match self {
            Self::UnknownKey { nearest: Some(nearest), .. } => format!("did you mean `{nearest}`?"),
            Self::UnknownKey { known, .. } if known.is_empty() => "no keys are known here".to_owned(),
            Self::UnknownKey { known, .. } => format!("known here: {}", known.join(", ")),
            Self::Wrong { path, .. } => {
                format!("correct {} and try again; nothing was changed", path.display())
            }
        }
    }
}

/// Reads a TOML file into `T`, whose types refuse unknown fields.
///
/// # Errors
/// [`ReadError`], naming file, line and key.
pub fn read<T: DeserializeOwned>(path: &Path) -> Result<T, ReadError> {
    Ok(parse(path, &files::read_text(path)?)?)
}

/// A yard file that cannot be read, or reads wrong.
#[derive(Debug, Error)]
pub enum ReadError {
    /// It cannot be read.
    #[error(transparent)]
    File(#[from] FileError),
    /// It is not what it should be.
    #[error(transparent)]
    Unreadable(#[from] Unreadable),
}

/// Reads `text`, the content of the file `path`.
///
/// # Errors
/// [`Unreadable`], naming file, line and key.
pub fn parse<T: DeserializeOwned>(path: &Path, text: &str) -> Result<T, Unreadable> {
    toml::from_str(text).map_err(|e| {
        let line = e.span().map_or(1, |span| line_of(text, span.start));
        explain(path, line, e.message())
    })
}

/// Line of a byte offset, counted from 1.
fn line_of(text: &str, at: usize) -> usize {
    1 + text.bytes().take(at).filter(|b| *b == b'\n').count()
}

/// Serde says ``unknown field `a`, expected `b` `` or ``..., expected one of `b`, `c` ``.
fn explain(path: &Path, line: usize, message: &str) -> Unreadable {
    let path = path.to_owned();
    let Some(rest) = message.strip_prefix("unknown field ") else {
        let what = message.trim().replace('\n', "; ");
        return Unreadable::Wrong { path, line, what };
    };
    let mut quoted = rest.split('`').skip(1).step_by(2).map(str::to_owned);
    let key = quoted.next().unwrap_or_default();
    let mut known: Vec<String> = quoted.collect();
    known.sort_by_key(|k| strsim::osa_distance(&key, k));
    let near = |k: &&String| strsim::osa_distance(&key, k) <= 1 + key.len() / 3 || k.contains(&key);
    let nearest = known.first().filter(near).cloned();
    Unreadable::UnknownKey { path, line, key, known, nearest }
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde::Deserialize;

    #[derive(Debug, Deserialize)]
    #[serde(deny_unknown_fields)]
    #[expect(dead_code, reason = "only read")]
    struct Outer {
        label: String,
        door: Inner,
    }

    #[derive(Debug, Deserialize)]
    #[serde(deny_unknown_fields)]
    #[expect(dead_code, reason = "only read")]
    struct Inner {
        travel_seconds: u8,
        pulse_ms: u16,
    }

    fn wrong(text: &str) -> Unreadable {
        parse::<Outer>(Path::new("nodes/barn.toml"), text).unwrap_err()
    }

    #[test]
    fn unknown_keys_come_with_file_line_and_nearest() {
        let found = wrong("label = \"a\"\n[door]\npulse_ms = 1\ntravel_secs = 3\n");
        assert_eq!(
            found,
            Unreadable::UnknownKey {
                path: "nodes/barn.toml".into(),
                line: 4,
                key: "travel_secs".into(),
                known: vec!["travel_seconds".into(), "pulse_ms".into()],
                nearest: Some("travel_seconds".into()),
            }
        );
        assert_eq!(found.to_string(), "nodes/barn.toml, line 4: there is no key `travel_secs` here");
        assert_eq!(found.hint(), "did you mean `travel_seconds`?");
    }

    #[test]
    fn a_key_like_no_other_lists_the_known_ones() {
        let Unreadable::UnknownKey { nearest, .. } = wrong("x = 1\n") else { panic!() };
        assert_eq!(nearest, None);
    }

    #[test]
    fn other_faults_name_the_line() {
        let found = wrong("label = \"a\"\n[door]\npulse_ms = 70000\ntravel_seconds = 3\n");
        assert!(matches!(&found, Unreadable::Wrong { line: 3, .. }), "{found}");
        let found = wrong("label = \"a\n");
        assert!(matches!(&found, Unreadable::Wrong { line: 1, .. }), "{found}");
        let found = wrong("label = \"a\"\n[door]\npulse_ms = 1\n");
        assert!(found.to_string().contains("travel_seconds"), "{found}");
    }
}

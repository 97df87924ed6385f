//! Secrets of the server: its online key, tokens, session cookies.

use pintle_protocol::cose::SigningKey;
use pintle_protocol::id::{Digest, PublicKey};
use sha2::{Digest as _, Sha256};
use std::fs::OpenOptions;
use std::io::{self, Read, Write};
use std::path::Path;

/// Where random bytes come from.
#[derive(Clone)]
pub(crate) enum Chance {
    /// The system.
    System,
    /// Made from a seed and a label: the same in every run. For rehearsals only.
    Seeded([u8; 32]),
}

impl Chance {
    /// 32 random bytes for the purpose `label`.
    pub(crate) fn bytes(&self, label: &str) -> io::Result<[u8; 32]> {
        match self {
            Self::System => random(),
            Self::Seeded(seed) => {
                Ok(Sha256::new().chain_update(seed).chain_update(label.as_bytes()).finalize().into())
            }
        }
    }
}

/// 32 bytes from the system's random source.
pub(crate) fn random() -> io::Result<[u8; 32]> {
    let mut bytes = [0; 32];
    getrandom::fill(&mut bytes).map_err(|e| io::Error::other(e.to_string()))?;
    Ok(bytes)
}

/// A secret for bearers, as text, and the hash that is kept of it.
pub(crate) struct Secret {
    /// Hexadecimal text, 64 digits.
    pub(crate) text: String,
    /// SHA-256 of the text.
    pub(crate) hash: Digest,
}

impl Secret {
    /// Makes a secret from 32 random bytes.
    pub(crate) fn from_bytes(bytes: [u8; 32]) -> Self {
        let text = hex::encode(bytes);
        let hash = Digest::of(text.as_bytes());
        Self { text, hash }
    }
}

/// Reads the online key at `path`, or makes it, readable by its owner only.
///
/// # Errors
/// If the file cannot be read or written, or has not exactly 32 bytes.
pub(crate) fn online_key(path: &Path, chance: &Chance) -> io::Result<SigningKey> {
    match read_online_key(path) {
        Err(error) if error.kind() == io::ErrorKind::NotFound => {
            let bytes = chance.bytes("online key")?;
            write_private(path, &bytes)?;
            Ok(SigningKey::from_bytes(&bytes))
        }
        other => other,
    }
}

/// Reads the online key at `path`.
///
/// # Errors
/// If the file cannot be read, or has not exactly 32 bytes.
pub(crate) fn read_online_key(path: &Path) -> io::Result<SigningKey> {
    let mut bytes = Vec::new();
    OpenOptions::new().read(true).open(path)?.read_to_end(&mut bytes)?;
    let bytes: [u8; 32] = bytes.try_into().map_err(|bytes: Vec<u8>| {
        io::Error::other(format!("it has {} bytes, expected 32; restore it from a backup", bytes.len()))
    })?;
    Ok(SigningKey::from_bytes(&bytes))
}

/// The public half.
pub(crate) fn public(key: &SigningKey) -> PublicKey {
    PublicKey(key.verifying_key().to_bytes())
}

/// Writes a file that only its owner may read, whole or not at all.
pub(crate) fn write_private(path: &Path, bytes: &[u8]) -> io::Result<()> {
    write_whole(path, bytes, 0o600)
}

/// Writes a file with these permissions, whole or not at all: synced, renamed, folder synced.
pub(crate) fn write_whole(path: &Path, bytes: &[u8], mode: u32) -> io::Result<()> {
    let part = path.with_extension("part");
    let mut options = OpenOptions::new();
    options.write(true).create(true).truncate(true);
    #[cfg(unix)]
    {
        use std::os::unix::fs::{OpenOptionsExt, PermissionsExt};
        options.mode(mode);
        // A file left by an interrupted run keeps its old permissions unless they are set anew.
        if part.exists() {
            std::fs::set_permissions(&part, std::fs::Permissions::from_mode(mode))?;
        }
    }
    #[cfg(not(unix))]
    let _ = mode;
    let mut file = options.open(&part)?;
    file.write_all(bytes)?;
    file.sync_all()?;
    std::fs::rename(&part, path)?;
    match path.parent() {
        Some(folder) => std::fs::File::open(folder)?.sync_all(),
        None => Ok(()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_online_key_stays_and_is_private() {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("online.key");
        let key = online_key(&path, &Chance::System).unwrap();
        assert_eq!(public(&online_key(&path, &Chance::System).unwrap()), public(&key));
        #[cfg(unix)]
        {
            use std::os::unix::fs::PermissionsExt;
            assert_eq!(std::fs::metadata(&path).unwrap().permissions().mode() & 0o777, 0o600);
        }
        std::fs::write(&path, b"short").unwrap();
        let fault = online_key(&path, &Chance::System).unwrap_err().to_string();
        assert!(fault.contains("5 bytes, expected 32"), "{fault}");
    }

    #[test]
    fn a_seed_gives_the_same_bytes_for_the_same_purpose_only() {
        let chance = Chance::Seeded([7; 32]);
        assert_eq!(chance.bytes("a").unwrap(), chance.bytes("a").unwrap());
        assert_ne!(chance.bytes("a").unwrap(), chance.bytes("b").unwrap());
        assert_ne!(Chance::System.bytes("a").unwrap(), Chance::System.bytes("a").unwrap());
    }
}

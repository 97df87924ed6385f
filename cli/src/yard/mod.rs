//! The yard: the operator's directory.
//!
//! ```text
//! yard.toml            name, domain, server
//! boards/NAME.toml     kinds of boards
//! nodes/NAME.toml      one file for each node
//! networks.toml        Wi-Fi networks, without passphrases
//! calibration/NAME.toml  what was measured
//! keys/*.pub           public keys, hexadecimal
//! keys/*.box           private keys, encrypted; keys/yard.lock opens them with the passphrase
//! keys/*-next.*        keys that are to take their place; keys/old/ those whose place was taken
//! secrets/*.box        Wi-Fi passphrases, claim codes, the server token, encrypted
//! images/              packed images
//! bundles/NODE/        sealed bundles
//! state/               sequence numbers, sets of trust anchors that were signed
//! ```
//!
//! Everything but the boxes is plain text; all of it is fit for git.

pub mod files;
pub mod names;
pub mod plan;
pub mod sequences;
mod start;
pub mod strict;
pub mod tables;
pub mod units;
mod unlocked;

#[cfg(test)]
pub(crate) mod testing;
#[cfg(test)]
mod tests;

pub use plan::{NodeKeys, NodePlan, PlanError};
pub use start::{LATCHBOARD, NewYard, SAMPLE_BOARD, start};
pub(crate) use start::{NETWORKS_HEAD, yard_text};
pub use unlocked::{Unlocked, WrongSecret};

use crate::locked::{self, LockedError};
use files::FileError;
use pintle_protocol::author;
use pintle_protocol::id::{BadId, Chip, NodeId, PublicKey, Role, Uuid16};
use sequences::Sequences;
use std::collections::BTreeMap;
use std::path::{Path, PathBuf};
use strict::{ReadError, Unreadable};
use tables::{BoardFile, CalibrationFile, NetworksFile, NodeFile, Nodes, YardFile};
use thiserror::Error;

/// Why a yard cannot be read, made or opened.
#[derive(Debug, Error)]
pub enum YardError {
    /// No yard there.
    #[error("there is no yard at {}", .0.display())]
    NotThere(PathBuf),
    /// A yard would be made where something is already.
    #[error("{} is not empty; nothing was changed", .0.display())]
    NotEmpty(PathBuf),
    /// A file cannot be read or written.
    #[error(transparent)]
    File(#[from] FileError),
    /// A file is not what it should be.
    #[error(transparent)]
    Unreadable(#[from] Unreadable),
    /// A name that cannot be used.
    #[error(transparent)]
    Name(#[from] names::BadName),
    /// A domain that is none.
    #[error("`{0}` is no domain name")]
    Domain(String),
    /// A lock or box that does not open.
    #[error("{}: {error}", path.display())]
    Locked {
        /// The file.
        path: PathBuf,
        /// Why.
        error: LockedError,
    },
    /// A public key file that holds none.
    #[error("{} holds no key: {error}", path.display())]
    Key {
        /// The file.
        path: PathBuf,
        /// What is wrong.
        error: BadId,
    },
    /// A network that is listed twice.
    #[error("networks.toml: there are two networks called `{0}`")]
    TwoNetworks(String),
    /// Packed images.
    #[error(transparent)]
    Library(Box<crate::image::LibraryError>),
    /// A secret that cannot be used.
    #[error(transparent)]
    Secret(#[from] WrongSecret),
}

impl From<ReadError> for YardError {
    fn from(error: ReadError) -> Self {
        match error {
            ReadError::File(e) => Self::File(e),
            ReadError::Unreadable(e) => Self::Unreadable(e),
        }
    }
}

/// A yard as read from its directory.
#[derive(Clone, Debug)]
pub struct Yard {
    dir: PathBuf,
    /// `yard.toml`.
    pub file: YardFile,
    /// `boards/`.
    pub boards: BTreeMap<String, BoardFile>,
    /// `nodes/`.
    pub nodes: Nodes,
    /// `networks.toml`.
    pub networks: NetworksFile,
    /// `calibration/`.
    pub calibrations: BTreeMap<String, CalibrationFile>,
    /// `keys/*.pub`, by [`Role::index`].
    pub public_keys: [PublicKey; 3],
    /// `keys/*-next.pub`: the keys that are to take the place of those in use.
    pub next: NextKeys,
}

/// Keys that are to take the place of those in use, while a change of keys is under way.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct NextKeys {
    /// By [`Role::index`].
    pub roles: [Option<PublicKey>; 3],
    /// The server's.
    pub server: Option<PublicKey>,
}

impl NextKeys {
    /// Whether there is any.
    pub fn any(&self) -> bool {
        self.server.is_some() || self.roles.iter().any(Option::is_some)
    }

    /// That of a role.
    pub fn of(&self, role: Role) -> Option<PublicKey> {
        self.roles.get(role.index()).copied().flatten()
    }
}

impl Yard {
    /// Reads a yard.
    ///
    /// # Errors
    /// [`YardError`], naming file and line.
    pub fn open(dir: &Path) -> Result<Self, YardError> {
        let path = dir.join("yard.toml");
        if !path.is_file() {
            return Err(YardError::NotThere(dir.to_owned()));
        }
        let file = strict::read(&path)?;
        let networks: NetworksFile = strict::read(&dir.join("networks.toml"))?;
        for (n, network) in networks.networks.iter().enumerate() {
            names::check(names::What::Network, &network.name)?;
            if networks.networks.iter().take(n).any(|o| o.name == network.name) {
                return Err(YardError::TwoNetworks(network.name.clone()));
            }
        }
        let mut public_keys = [PublicKey([0; 32]); 3];
        for (role, key) in Role::ALL.into_iter().zip(&mut public_keys) {
            *key = read_public(&public_key_path(dir, role))?;
        }
        let mut next = NextKeys::default();
        for (role, key) in Role::ALL.into_iter().zip(&mut next.roles) {
            *key = maybe_public(&dir.join(format!("keys/{role}-next.pub")))?;
        }
        next.server = maybe_public(&dir.join(SERVER_NEXT))?;
        Ok(Self {
            file,
            boards: read_all(&dir.join("boards"), names::What::Board)?,
            nodes: read_all(&dir.join("nodes"), names::What::Node)?,
            calibrations: read_all(&dir.join("calibration"), names::What::Node)?,
            networks,
            public_keys,
            next,
            dir: dir.to_owned(),
        })
    }

    /// Finds the yard that `dir` lies in: the directory itself or one above it.
    ///
    /// # Errors
    /// [`YardError::NotThere`], or any other if the yard cannot be read.
    pub fn find(dir: &Path) -> Result<Self, YardError> {
        let full = std::path::absolute(dir).unwrap_or_else(|_| dir.to_owned());
        let found = full.ancestors().find(|d| d.join("yard.toml").is_file());
        Self::open(found.ok_or_else(|| YardError::NotThere(dir.to_owned()))?)
    }

    /// Its directory.
    pub fn dir(&self) -> &Path {
        &self.dir
    }

    /// A file in it.
    pub fn path(&self, name: impl AsRef<Path>) -> PathBuf {
        self.dir.join(name)
    }

    /// Its vendor identifier.
    pub fn vendor(&self) -> Uuid16 {
        author::vendor_id(&self.file.domain)
    }

    /// The class identifier of one chip of a board: of the name `BOARD rev REVISION`, with
    /// `, io chip` behind it for the io chip. The net chip's is that of the whole node.
    pub fn class_of(&self, board: &BoardFile, chip: Chip) -> Uuid16 {
        let name = match chip {
            Chip::Net => format!("{} rev {}", board.name, board.revision),
            Chip::Io => format!("{} rev {}, io chip", board.name, board.revision),
        };
        author::class_id(self.vendor(), &name)
    }

    /// The device identifier of a node.
    pub fn node_id(&self, node: &str) -> NodeId {
        author::node_id(self.vendor(), node)
    }

    /// The node with this device identifier.
    pub fn name_of(&self, id: NodeId) -> Option<&str> {
        self.nodes.keys().map(String::as_str).find(|name| self.node_id(name) == id)
    }

    /// A node's file.
    ///
    /// # Errors
    /// [`PlanError::NoNode`].
    pub fn node(&self, name: &str) -> Result<&NodeFile, PlanError> {
        self.nodes.get(name).ok_or_else(|| PlanError::NoNode {
            name: name.to_owned(),
            nearest: names::nearest(name, self.nodes.keys().map(String::as_str)).map(str::to_owned),
        })
    }

    /// Writes what was measured at a node: `change` is applied to its calibration file.
    ///
    /// # Errors
    /// [`YardError::File`] if it cannot be written.
    pub fn calibrate(
        &self,
        node: &str,
        change: impl FnOnce(&mut CalibrationFile),
    ) -> Result<PathBuf, YardError> {
        let mut file = self.calibrations.get(node).cloned().unwrap_or_default();
        change(&mut file);
        let path = self.path(format!("calibration/{node}.toml"));
        let body = toml::to_string(&file).unwrap_or_default();
        let text = format!("# Written by `pintle calibrate`; measure again rather than editing.\n\n{body}");
        files::make_dir(&self.path("calibration"))?;
        files::replace(&path, text.as_bytes(), files::Readers::Usual)?;
        Ok(path)
    }

    /// The public key of a role.
    pub fn public_key(&self, role: Role) -> PublicKey {
        self.public_keys[role.index()]
    }

    /// Its sequence numbers.
    ///
    /// # Errors
    /// [`YardError`] if the file is missing or wrong.
    pub fn sequences(&self) -> Result<Sequences, YardError> {
        Ok(Sequences::open(&self.dir.join(SEQUENCES))?)
    }

    /// Opens its keys and secrets.
    ///
    /// # Errors
    /// [`YardError::Locked`] with [`LockedError::WrongPassphrase`] for another passphrase.
    pub fn unlock(&self, passphrase: &[u8]) -> Result<Unlocked, YardError> {
        let path = self.dir.join(LOCK);
        let text = files::read_text(&path)?;
        let key = locked::unlock(&text, passphrase).map_err(|error| YardError::Locked { path, error })?;
        Ok(Unlocked::new(self.dir.clone(), key))
    }
}

const LOCK: &str = "keys/yard.lock";
const SEQUENCES: &str = "state/sequences.toml";

fn public_key_path(dir: &Path, role: Role) -> PathBuf {
    dir.join(format!("keys/{role}.pub"))
}

/// The server's next key, while it changes.
pub(crate) const SERVER_NEXT: &str = "keys/server-next.pub";

/// Reads a public key from its file.
pub(crate) fn read_public(path: &Path) -> Result<PublicKey, YardError> {
    PublicKey::parse(files::read_text(path)?.trim())
        .map_err(|error| YardError::Key { path: path.to_owned(), error })
}

fn maybe_public(path: &Path) -> Result<Option<PublicKey>, YardError> {
    path.exists().then(|| read_public(path)).transpose()
}

fn read_all<T: serde::de::DeserializeOwned>(
    dir: &Path,
    what: names::What,
) -> Result<BTreeMap<String, T>, YardError> {
    let mut all = BTreeMap::new();
    for (name, path) in files::list(dir, "toml")? {
        names::check(what, &name)?;
        all.insert(name, strict::read(&path)?);
    }
    Ok(all)
}

//! A yard whose passphrase was given: private keys and secrets.

use super::files::{self, Readers};
use super::{LOCK, YardError};
use crate::locked::{self, Cost, YardKey};
use ed25519_dalek::SigningKey;
use pintle_protocol::bundle::{BadNetwork, check_network};
use pintle_protocol::checkin::ClaimCode;
use pintle_protocol::id::Role;
use rand_core::CryptoRng;
use std::path::{Path, PathBuf};
use thiserror::Error;
use zeroize::Zeroizing;

/// A secret that cannot be used.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum WrongSecret {
    /// A private key or code of another length.
    #[error("the box with `{purpose}` holds {found} bytes, expected {expected}")]
    Length {
        /// What the box holds.
        purpose: String,
        /// Bytes found.
        found: usize,
        /// Bytes expected.
        expected: usize,
    },
    /// A passphrase or SSID that Wi-Fi does not allow.
    #[error("network `{name}`: {fault}")]
    Network {
        /// The network.
        name: String,
        /// What is wrong.
        fault: BadNetwork,
    },
    /// A text that is no UTF-8.
    #[error("the {0} is no UTF-8 text")]
    NotText(&'static str),
}

/// Keys and secrets of a yard.
#[derive(Clone, Debug)]
pub struct Unlocked {
    dir: PathBuf,
    key: YardKey,
}

impl Unlocked {
    pub(super) fn new(dir: PathBuf, key: YardKey) -> Self {
        Self { dir, key }
    }

    /// The private key of a role.
    ///
    /// # Errors
    /// [`YardError`] if its box is missing, damaged or from another yard.
    pub fn signing_key(&self, role: Role) -> Result<SigningKey, YardError> {
        let purpose = format!("{role} key");
        let secret = self.open(&self.dir.join(format!("keys/{role}.box")), &purpose)?;
        Ok(SigningKey::from_bytes(&exact(&purpose, &secret)?))
    }

    /// Locks the yard with another passphrase. Boxes stay as they are: only the lock changes.
    ///
    /// # Errors
    /// [`YardError::Locked`] if the passphrase is too short.
    pub fn relock(&self, passphrase: &[u8], cost: Cost, rng: &mut dyn CryptoRng) -> Result<(), YardError> {
        let path = self.dir.join(LOCK);
        let text = locked::lock(&self.key, passphrase, cost, rng)
            .map_err(|error| YardError::Locked { path: path.clone(), error })?;
        Ok(files::replace(&path, text.as_bytes(), Readers::Owner)?)
    }

    pub(super) fn put_signing_key(
        &self,
        role: Role,
        key: &SigningKey,
        rng: &mut dyn CryptoRng,
    ) -> Result<(), YardError> {
        let seed = Zeroizing::new(key.to_bytes());
        let path = self.dir.join(format!("keys/{role}.box"));
        self.put(&path, &format!("{role} key"), seed.as_slice(), rng)
    }

    /// The passphrase of a network.
    ///
    /// # Errors
    /// [`YardError`] if its box is missing, damaged or holds no text.
    pub fn passphrase(&self, network: &str) -> Result<Zeroizing<String>, YardError> {
        let purpose = format!("passphrase of {network}");
        let secret = self.open(&self.wifi_path(network), &purpose)?;
        let text = str::from_utf8(&secret).map_err(|_| WrongSecret::NotText("Wi-Fi passphrase"))?;
        Ok(Zeroizing::new(text.to_owned()))
    }

    /// Keeps the passphrase of a network, after checking it with its SSID.
    ///
    /// # Errors
    /// [`WrongSecret::Network`] if Wi-Fi does not allow it; nothing is written then.
    pub fn put_passphrase(
        &self,
        network: &str,
        ssid: &str,
        passphrase: &str,
        rng: &mut dyn CryptoRng,
    ) -> Result<(), YardError> {
        check_network(ssid.as_bytes(), passphrase.as_bytes())
            .map_err(|fault| WrongSecret::Network { name: network.to_owned(), fault })?;
        let purpose = format!("passphrase of {network}");
        self.put(&self.wifi_path(network), &purpose, passphrase.as_bytes(), rng)
    }

    /// Forgets the passphrase of a network.
    ///
    /// # Errors
    /// [`YardError::File`] if the box cannot be removed.
    pub fn forget_passphrase(&self, network: &str) -> Result<(), YardError> {
        remove(&self.wifi_path(network))
    }

    /// The claim code on a node's starter card.
    ///
    /// # Errors
    /// [`YardError`] if its box is missing or damaged.
    pub fn claim_code(&self, node: &str) -> Result<ClaimCode, YardError> {
        let purpose = format!("claim code of {node}");
        let secret = self.open(&self.claim_path(node), &purpose)?;
        exact(&purpose, &secret)
    }

    /// Keeps a claim code.
    ///
    /// # Errors
    /// [`YardError::File`] if it cannot be written.
    pub fn put_claim_code(
        &self,
        node: &str,
        code: &ClaimCode,
        rng: &mut dyn CryptoRng,
    ) -> Result<(), YardError> {
        self.put(&self.claim_path(node), &format!("claim code of {node}"), code, rng)
    }

    /// Forgets a claim code once its node is admitted.
    ///
    /// # Errors
    /// [`YardError::File`] if the box cannot be removed.
    pub fn forget_claim_code(&self, node: &str) -> Result<(), YardError> {
        remove(&self.claim_path(node))
    }

    /// The token that the server asks for.
    ///
    /// # Errors
    /// [`YardError`] if its box is missing or damaged.
    pub fn server_token(&self) -> Result<Zeroizing<String>, YardError> {
        let secret = self.open(&self.dir.join("secrets/server-token.box"), "server token")?;
        let text = str::from_utf8(&secret).map_err(|_| WrongSecret::NotText("server token"))?;
        Ok(Zeroizing::new(text.to_owned()))
    }

    /// Keeps the server token.
    ///
    /// # Errors
    /// [`YardError::File`] if it cannot be written.
    pub fn put_server_token(&self, token: &str, rng: &mut dyn CryptoRng) -> Result<(), YardError> {
        self.put(&self.dir.join("secrets/server-token.box"), "server token", token.as_bytes(), rng)
    }

    /// Opens the copy of a bundle that was sealed for `node` under `sequence`.
    pub(crate) fn kept_bundle(&self, node: &str, sequence: u64) -> Result<Zeroizing<Vec<u8>>, YardError> {
        self.open(&self.bundle_path(node, sequence), &bundle_purpose(node, sequence))
    }

    /// Keeps a copy of a bundle, so that a way back to it can be sealed.
    pub(crate) fn keep_bundle(
        &self,
        node: &str,
        sequence: u64,
        bundle: &[u8],
        rng: &mut dyn CryptoRng,
    ) -> Result<(), YardError> {
        self.put(&self.bundle_path(node, sequence), &bundle_purpose(node, sequence), bundle, rng)
    }

    fn wifi_path(&self, network: &str) -> PathBuf {
        self.dir.join(format!("secrets/wifi-{network}.box"))
    }

    fn claim_path(&self, node: &str) -> PathBuf {
        self.dir.join(format!("secrets/claim-{node}.box"))
    }

    fn bundle_path(&self, node: &str, sequence: u64) -> PathBuf {
        self.dir.join(format!("bundles/{node}/{sequence}.box"))
    }

    fn open(&self, path: &Path, purpose: &str) -> Result<Zeroizing<Vec<u8>>, YardError> {
        let text = files::read_text(path)?;
        self.key.open(purpose, &text).map_err(|error| YardError::Locked { path: path.to_owned(), error })
    }

    fn put(
        &self,
        path: &Path,
        purpose: &str,
        secret: &[u8],
        rng: &mut dyn CryptoRng,
    ) -> Result<(), YardError> {
        if let Some(dir) = path.parent() {
            files::make_dir(dir)?;
        }
        Ok(files::replace(path, self.key.seal(purpose, secret, rng).as_bytes(), Readers::Owner)?)
    }
}

fn bundle_purpose(node: &str, sequence: u64) -> String {
    format!("bundle {sequence} of {node}")
}

fn exact<const N: usize>(purpose: &str, secret: &[u8]) -> Result<[u8; N], YardError> {
    secret.try_into().map_err(|_| {
        let (found, expected) = (secret.len(), N);
        WrongSecret::Length { purpose: purpose.to_owned(), found, expected }.into()
    })
}

fn remove(path: &Path) -> Result<(), YardError> {
    match std::fs::remove_file(path) {
        Ok(()) => Ok(()),
        Err(e) if e.kind() == std::io::ErrorKind::NotFound => Ok(()),
        Err(error) => Err(files::FileError::Write { path: path.to_owned(), error }.into()),
    }
}

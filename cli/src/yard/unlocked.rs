//! A yard whose passphrase was given: private keys and secrets.

use super::files::{self, Readers};
use super::{LOCK, YardError, read_public};
use crate::locked::{self, Cost, YardKey};
use ed25519_dalek::SigningKey;
use pintle_protocol::bundle::{BadNetwork, check_network};
use pintle_protocol::checkin::ClaimCode;
use pintle_protocol::id::{PublicKey, Role};
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

    /// The private key that belongs to a public one of this role: in use, next, or old.
    ///
    /// # Errors
    /// [`YardError`] if a box is damaged. `None` if there is no such key.
    pub fn signing_key_of(&self, role: Role, public: &PublicKey) -> Result<Option<SigningKey>, YardError> {
        let mut boxes = vec![format!("keys/{role}.box"), format!("keys/{role}-next.box")];
        boxes.push(old_key(role, public, "box"));
        for name in boxes {
            let path = self.dir.join(name);
            if !path.exists() {
                continue;
            }
            let purpose = format!("{role} key");
            let key = SigningKey::from_bytes(&exact(&purpose, &self.open(&path, &purpose)?)?);
            if key.verifying_key().to_bytes() == public.0 {
                return Ok(Some(key));
            }
        }
        Ok(None)
    }

    /// Makes the key that is to take the place of a role's. One that an interrupted run left is
    /// taken up, never overwritten.
    ///
    /// # Errors
    /// [`YardError`].
    pub fn make_next_key(&self, role: Role, rng: &mut dyn CryptoRng) -> Result<PublicKey, YardError> {
        let path = self.dir.join(format!("keys/{role}-next.box"));
        let purpose = format!("{role} key");
        let left_over = |text: &Zeroizing<Vec<u8>>| -> Result<bool, YardError> {
            let key = SigningKey::from_bytes(&exact(&purpose, text)?);
            Ok(read_public(&self.dir.join(format!("keys/{role}.pub")))?.0 == key.verifying_key().to_bytes())
        };
        // A key that took its place already, when removing its box was interrupted.
        if path.exists() && left_over(&self.open(&path, &purpose)?)? {
            remove(&path)?;
        }
        if !path.exists() {
            let mut seed = Zeroizing::new([0; 32]);
            rng.fill_bytes(seed.as_mut_slice());
            self.put(&path, &purpose, seed.as_slice(), rng)?;
        }
        let key = SigningKey::from_bytes(&exact(&purpose, &self.open(&path, &purpose)?)?);
        let public = PublicKey(key.verifying_key().to_bytes());
        // Last: with it the change of keys is under way.
        let text = format!("{public}\n");
        files::replace(&self.dir.join(format!("keys/{role}-next.pub")), text.as_bytes(), Readers::Usual)?;
        Ok(public)
    }

    /// Puts the next key of a role in the place of the one in use, which is kept in `keys/old/`.
    /// Can be repeated after it was interrupted anywhere.
    ///
    /// # Errors
    /// [`YardError`].
    pub fn promote(&self, role: Role) -> Result<(), YardError> {
        let [next_box, next_pub] = ["box", "pub"].map(|e| self.dir.join(format!("keys/{role}-next.{e}")));
        if !next_pub.exists() {
            return Ok(());
        }
        let [this_box, this_pub] = ["box", "pub"].map(|e| self.dir.join(format!("keys/{role}.{e}")));
        let old = read_public(&this_pub)?;
        if old != read_public(&next_pub)? {
            self.keep_old(role, &old, &this_box)?;
        }
        files::replace(&this_box, files::read_text(&next_box)?.as_bytes(), Readers::Owner)?;
        files::replace(&this_pub, files::read_text(&next_pub)?.as_bytes(), Readers::Usual)?;
        // What says that a change is under way goes first.
        remove(&next_pub)?;
        remove(&next_box)
    }

    /// Gives up the next key of a role; it is kept in `keys/old/`, for nodes may trust it.
    ///
    /// # Errors
    /// [`YardError`].
    pub fn put_aside_next(&self, role: Role) -> Result<(), YardError> {
        let [next_box, next_pub] = ["box", "pub"].map(|e| self.dir.join(format!("keys/{role}-next.{e}")));
        if next_pub.exists() {
            self.keep_old(role, &read_public(&next_pub)?, &next_box)?;
            remove(&next_pub)?;
        }
        remove(&next_box)
    }

    /// Copies a key into `keys/old/`. A copy that is there already is never written over.
    fn keep_old(&self, role: Role, public: &PublicKey, from: &Path) -> Result<(), YardError> {
        let [to_box, to_pub] = ["box", "pub"].map(|e| self.dir.join(old_key(role, public, e)));
        files::make_dir(&self.dir.join("keys/old"))?;
        if !to_box.exists() {
            files::replace(&to_box, files::read_text(from)?.as_bytes(), Readers::Owner)?;
        }
        Ok(files::replace(&to_pub, format!("{public}\n").as_bytes(), Readers::Usual)?)
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

/// Where an old key lies, by the first half of its public key.
fn old_key(role: Role, public: &PublicKey, extension: &str) -> String {
    let id: String = public.to_string().chars().take(32).collect();
    format!("keys/old/{role}-{id}.{extension}")
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

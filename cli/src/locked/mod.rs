//! Secrets at rest.
//!
//! A yard has one random yard key. The passphrase opens it (Argon2id, RFC 9106); it opens
//! every box. Both are short text files, fit for git:
//!
//! ```text
//! pintle lock 1                          pintle box 1
//! cost: 65536 KiB, 3 passes, 4 lanes     purpose: image key
//! salt: <32 hex digits>                  nonce: <48 hex digits>
//! nonce: <48 hex digits>                 sealed: <hex digits>
//! sealed: <96 hex digits>
//! ```
//!
//! - Lock: XChaCha20-Poly1305 over the yard key, under Argon2id(passphrase, salt, cost).
//! - Box: XChaCha20-Poly1305 over the secret, under HKDF-SHA-256(yard key, "pintle box " + purpose).
//! - The lines above `sealed:` are the additional data, so that none of them can be changed and
//!   no box can stand in for another.
//!
//! # Source
//! RFC 9106 section 4 (second recommended option: 64 MiB, 3 passes, 4 lanes); RFC 8439
//! (ChaCha20-Poly1305), draft-irtf-cfrg-xchacha-03 (24-byte nonces); RFC 5869 (HKDF).

mod text;

use argon2::{Algorithm, Argon2, Params, Version};
use chacha20poly1305::aead::{Aead, KeyInit, Payload};
use chacha20poly1305::{XChaCha20Poly1305, XNonce};
use hkdf::Hkdf;
use rand_core::CryptoRng;
use sha2::Sha256;
use text::hex_line;
use thiserror::Error;
use zeroize::Zeroizing;

/// Shortest passphrase for a yard, in bytes. Common practice, no source.
pub const MIN_PASSPHRASE: usize = 12;

/// What one guess at the passphrase costs.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Cost {
    /// Memory, in KiB.
    pub memory_kib: u32,
    /// Passes over the memory.
    pub passes: u32,
    /// Lanes.
    pub lanes: u32,
}

impl Cost {
    /// 64 MiB, 3 passes, 4 lanes: the second recommended option of RFC 9106 section 4.
    pub const RECOMMENDED: Self = Self { memory_kib: 65536, passes: 3, lanes: 4 };
    /// As cheap as Argon2id can be. For rehearsals and tests, whose yards hold no real secret.
    pub const REHEARSAL: Self = Self { memory_kib: 8, passes: 1, lanes: 1 };

    /// Most that a lock file may ask for, so that a damaged one cannot eat the machine.
    const LIMIT: Self = Self { memory_kib: 4 << 20, passes: 64, lanes: 64 };

    fn params(self) -> Result<Params, LockedError> {
        let most = Self::LIMIT;
        if self.memory_kib > most.memory_kib || self.passes > most.passes || self.lanes > most.lanes {
            return Err(LockedError::Cost(self));
        }
        Params::new(self.memory_kib, self.passes, self.lanes, Some(32)).map_err(|_| LockedError::Cost(self))
    }
}

impl std::fmt::Display for Cost {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{} KiB, {} passes, {} lanes", self.memory_kib, self.passes, self.lanes)
    }
}

/// Why a lock or a box does not open.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum LockedError {
    /// The passphrase does not open the lock.
    #[error("the yard's keys are locked: the passphrase does not open them")]
    WrongPassphrase,
    /// A passphrase that is too short to protect anything.
    #[error("the passphrase has {0} bytes; a yard takes {MIN_PASSPHRASE} or more")]
    ShortPassphrase(usize),
    /// The file is not in the one accepted form.
    #[error("line {line} is not what it should be: `{expected}` is expected")]
    Form {
        /// Line, counted from 1.
        line: usize,
        /// What is expected there.
        expected: &'static str,
    },
    /// The box is for something else.
    #[error("the box holds `{found}`, expected `{expected}`")]
    Purpose {
        /// What it says it holds.
        found: String,
        /// What was asked for.
        expected: String,
    },
    /// The box was changed, or belongs to another yard.
    #[error("the box with `{0}` is damaged, or was sealed in another yard")]
    Damaged(String),
    /// A cost that Argon2id does not allow or that is beyond all use.
    #[error("a cost of {0} cannot be used")]
    Cost(Cost),
    /// Not enough memory for the cost that the lock asks for.
    #[error("there is not enough memory to open the lock: it takes {} KiB", .0.memory_kib)]
    Memory(Cost),
}

/// The key that opens every box of a yard.
#[derive(Clone)]
pub struct YardKey(Zeroizing<[u8; 32]>);

impl std::fmt::Debug for YardKey {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("YardKey(hidden)")
    }
}

impl YardKey {
    /// A fresh one.
    pub fn generate(rng: &mut dyn CryptoRng) -> Self {
        let mut key = Zeroizing::new([0; 32]);
        rng.fill_bytes(key.as_mut_slice());
        Self(key)
    }

    /// Seals `secret` into a box for `purpose`, such as `image key`.
    pub fn seal(&self, purpose: &str, secret: &[u8], rng: &mut dyn CryptoRng) -> String {
        let mut nonce = [0; 24];
        rng.fill_bytes(&mut nonce);
        let head = format!("pintle box 1\npurpose: {purpose}\nnonce: {}\n", hex::encode(nonce));
        let sealed = encrypt(&self.box_key(purpose), &nonce, head.as_bytes(), secret);
        format!("{head}sealed: {}\n", hex::encode(sealed))
    }

    /// Opens a box for `purpose`.
    ///
    /// # Errors
    /// [`LockedError`] if the text is no box, is for something else, was changed or belongs to
    /// another yard.
    pub fn open(&self, purpose: &str, text: &str) -> Result<Zeroizing<Vec<u8>>, LockedError> {
        let (head, lines) = text::split(text)?;
        let [first, found, nonce, sealed] = text::exactly(&lines, "a box of 4 lines")?;
        first.is("pintle box 1")?;
        let found = found.value("purpose: ")?;
        if found != purpose {
            return Err(LockedError::Purpose { found: found.to_owned(), expected: purpose.to_owned() });
        }
        let nonce: [u8; 24] = hex_line(nonce, "nonce: ", "nonce: 48 hexadecimal digits")?;
        let sealed = sealed.hex("sealed: ", "sealed: hexadecimal digits")?;
        decrypt(&self.box_key(purpose), &nonce, head.as_bytes(), &sealed)
            .ok_or_else(|| LockedError::Damaged(purpose.to_owned()))
    }

    fn box_key(&self, purpose: &str) -> Zeroizing<[u8; 32]> {
        let mut key = Zeroizing::new([0; 32]);
        let info = [b"pintle box ", purpose.as_bytes()].concat();
        Hkdf::<Sha256>::new(None, self.0.as_slice())
            .expand(&info, key.as_mut_slice())
            .expect("32 bytes are within the 8160 that HKDF-SHA-256 gives");
        key
    }
}

/// Locks the yard key with a passphrase.
///
/// # Errors
/// [`LockedError::ShortPassphrase`]; [`LockedError::Cost`] or [`LockedError::Memory`] if the
/// cost cannot be paid.
pub fn lock(
    key: &YardKey,
    passphrase: &[u8],
    cost: Cost,
    rng: &mut dyn CryptoRng,
) -> Result<String, LockedError> {
    if passphrase.len() < MIN_PASSPHRASE {
        return Err(LockedError::ShortPassphrase(passphrase.len()));
    }
    let (mut salt, mut nonce) = ([0; 16], [0; 24]);
    rng.fill_bytes(&mut salt);
    rng.fill_bytes(&mut nonce);
    let over = stretch(passphrase, &salt, cost)?;
    let (salt, hex_nonce) = (hex::encode(salt), hex::encode(nonce));
    let head = format!("pintle lock 1\ncost: {cost}\nsalt: {salt}\nnonce: {hex_nonce}\n");
    let sealed = encrypt(&over, &nonce, head.as_bytes(), key.0.as_slice());
    Ok(format!("{head}sealed: {}\n", hex::encode(sealed)))
}

/// Opens a lock.
///
/// # Errors
/// [`LockedError::WrongPassphrase`] if the passphrase, or anything in the text, is another than
/// it was; other variants if the text is no lock.
pub fn unlock(text: &str, passphrase: &[u8]) -> Result<YardKey, LockedError> {
    let (head, lines) = text::split(text)?;
    let [first, cost, salt, nonce, sealed] = text::exactly(&lines, "a lock of 5 lines")?;
    first.is("pintle lock 1")?;
    let cost = cost.cost()?;
    let salt: [u8; 16] = hex_line(salt, "salt: ", "salt: 32 hexadecimal digits")?;
    let nonce: [u8; 24] = hex_line(nonce, "nonce: ", "nonce: 48 hexadecimal digits")?;
    let sealed = sealed.hex("sealed: ", "sealed: 96 hexadecimal digits")?;
    let over = stretch(passphrase, &salt, cost)?;
    let key = decrypt(&over, &nonce, head.as_bytes(), &sealed).ok_or(LockedError::WrongPassphrase)?;
    let key: [u8; 32] = key.as_slice().try_into().map_err(|_| LockedError::WrongPassphrase)?;
    Ok(YardKey(Zeroizing::new(key)))
}

fn stretch(passphrase: &[u8], salt: &[u8], cost: Cost) -> Result<Zeroizing<[u8; 32]>, LockedError> {
    let argon = Argon2::new(Algorithm::Argon2id, Version::V0x13, cost.params()?);
    let mut key = Zeroizing::new([0; 32]);
    argon.hash_password_into(passphrase, salt, key.as_mut_slice()).map_err(|e| match e {
        argon2::Error::OutOfMemory => LockedError::Memory(cost),
        _ => LockedError::Cost(cost),
    })?;
    Ok(key)
}

fn encrypt(key: &[u8; 32], nonce: &[u8; 24], aad: &[u8], msg: &[u8]) -> Vec<u8> {
    XChaCha20Poly1305::new(&(*key).into())
        .encrypt(&XNonce::from(*nonce), Payload { msg, aad })
        .expect("secrets are far below the 256 GiB that ChaCha20-Poly1305 takes")
}

fn decrypt(key: &[u8; 32], nonce: &[u8; 24], aad: &[u8], msg: &[u8]) -> Option<Zeroizing<Vec<u8>>> {
    XChaCha20Poly1305::new(&(*key).into())
        .decrypt(&XNonce::from(*nonce), Payload { msg, aad })
        .ok()
        .map(Zeroizing::new)
}

#[cfg(test)]
mod tests;

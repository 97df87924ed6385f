//! Making a yard.

use super::files::{self, FileError, Readers};
use super::sequences::Sequences;
use super::tables::YardFile;
use super::{LOCK, SEQUENCES, Unlocked, Yard, YardError, public_key_path};
use crate::locked::{self, Cost, YardKey};
use ed25519_dalek::SigningKey;
use pintle_protocol::id::{PublicKey, Role};
use rand_core::CryptoRng;
use std::fs;
use std::path::Path;

/// The board description that a new yard starts with, as `boards/two-chip.toml`.
pub const SAMPLE_BOARD: &str = include_str!("two-chip.toml");

/// The description of the sample images' board, for rehearsals.
pub const LATCHBOARD: &str = include_str!("latchboard.toml");

/// What a new yard is to be.
#[derive(Clone, Copy, Debug)]
pub struct NewYard<'a> {
    /// What people call it.
    pub name: &'a str,
    /// Its domain.
    pub domain: &'a str,
    /// The passphrase that opens its keys.
    pub passphrase: &'a [u8],
    /// What one guess at the passphrase costs.
    pub cost: Cost,
}

/// Makes a yard in `dir`, which must be missing or empty. It is made beside and renamed, so that
/// there is a whole yard or none.
///
/// # Errors
/// [`YardError`] if something is there already, the domain or the passphrase cannot be used, or
/// a file cannot be written.
pub fn start(dir: &Path, new: NewYard<'_>, rng: &mut dyn CryptoRng) -> Result<Yard, YardError> {
    check_domain(new.domain)?;
    if fs::read_dir(dir).is_ok_and(|mut entries| entries.next().is_some()) || dir.is_file() {
        return Err(YardError::NotEmpty(dir.to_owned()));
    }
    let full = std::path::absolute(dir).map_err(|error| FileError::Write { path: dir.to_owned(), error })?;
    let mut beside = full.file_name().unwrap_or_default().to_owned();
    beside.push(format!(".{}.part", std::process::id()));
    let beside = full.with_file_name(beside);
    let made = fill(&beside, new, rng).and_then(|()| {
        fs::rename(&beside, &full).map_err(|error| FileError::Write { path: full.clone(), error }.into())
    });
    if made.is_err() {
        let _ = fs::remove_dir_all(&beside);
    }
    made?;
    Yard::open(&full)
}

fn fill(dir: &Path, new: NewYard<'_>, rng: &mut dyn CryptoRng) -> Result<(), YardError> {
    let key = YardKey::generate(rng);
    let lock = locked::lock(&key, new.passphrase, new.cost, rng)
        .map_err(|error| YardError::Locked { path: LOCK.into(), error })?;
    for part in ["boards", "nodes", "calibration", "keys", "secrets", "images", "bundles", "state"] {
        files::make_dir(&dir.join(part))?;
    }
    let put = |name: &str, text: &str| files::write_new(&dir.join(name), text.as_bytes(), Readers::Usual);
    put("boards/two-chip.toml", SAMPLE_BOARD)?;
    put("networks.toml", NETWORKS_HEAD)?;
    files::write_new(&dir.join(LOCK), lock.as_bytes(), Readers::Owner)?;
    let unlocked = Unlocked::new(dir.to_owned(), key);
    for role in Role::ALL {
        let mut seed = zeroize::Zeroizing::new([0; 32]);
        rng.fill_bytes(seed.as_mut_slice());
        let signing = SigningKey::from_bytes(&seed);
        unlocked.put_signing_key(role, &signing, rng)?;
        let public = PublicKey(signing.verifying_key().to_bytes());
        files::write_new(&public_key_path(dir, role), format!("{public}\n").as_bytes(), Readers::Usual)?;
    }
    Sequences::create(&dir.join(SEQUENCES))?;
    let file =
        YardFile { name: new.name.to_owned(), domain: new.domain.to_owned(), time_zone: None, server: None };
    put("yard.toml", &yard_text(&file))?;
    Ok(())
}

/// `yard.toml` as text.
pub(crate) fn yard_text(file: &YardFile) -> String {
    let quoted = |s: &str| toml::Value::from(s).to_string();
    let mut text = format!(
        "# The yard. Identifiers of boards and nodes are made from the domain: it never changes.\n\
         name = {}\ndomain = {}\n",
        quoted(&file.name),
        quoted(&file.domain)
    );
    if let Some(zone) = &file.time_zone {
        text += &format!("# For the windows of rollouts.\ntime_zone = {}\n", quoted(zone));
    }
    if let Some(server) = &file.server {
        let addresses: Vec<_> = server.addresses.iter().map(|a| quoted(a)).collect();
        text += &format!(
            "\n[server]\n# Addresses that nodes try, in this order.\naddresses = [{}]\n",
            addresses.join(", ")
        );
        if let Some(ca) = &server.ca {
            text += &format!("# Only certificates of this authority are taken.\nca = {}\n", quoted(ca));
        }
        text += &format!("# Replies to nodes are signed with this key.\nkey = {}\n", quoted(&server.key));
    }
    text
}

pub(crate) const NETWORKS_HEAD: &str = "\
# Wi-Fi networks, the preferred one first. Passphrases lie encrypted in secrets/.
# Written by `pintle wifi add`, `pintle wifi change` and `pintle wifi finish`.
";

/// Two or more labels of letters, digits and hyphens (RFC 1035 section 2.3.1, digits first as
/// RFC 1123 section 2.1 allows).
fn check_domain(domain: &str) -> Result<(), YardError> {
    let label = |l: &str| {
        (1..=63).contains(&l.len())
            && l.bytes().all(|b| b.is_ascii_lowercase() || b.is_ascii_digit() || b == b'-')
            && !l.starts_with('-')
            && !l.ends_with('-')
    };
    let good = domain.len() <= 253 && domain.contains('.') && domain.split('.').all(label);
    if good { Ok(()) } else { Err(YardError::Domain(domain.to_owned())) }
}

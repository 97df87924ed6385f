//! Randomness, as a value: from the system for real work, from a seed for rehearsals.

use rand_chacha::ChaCha20Rng;
use rand_core::SeedableRng;
use thiserror::Error;

/// The system gives no randomness.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Error)]
#[error("the system gives no randomness")]
pub struct NoRandomness;

/// A generator seeded from the system.
///
/// # Errors
/// [`NoRandomness`] if the system has none to give.
pub fn from_system() -> Result<ChaCha20Rng, NoRandomness> {
    let mut seed = [0u8; 32];
    getrandom::fill(&mut seed).map_err(|_| NoRandomness)?;
    Ok(ChaCha20Rng::from_seed(seed))
}

/// A generator that gives the same every time: for rehearsals and tests only.
pub fn from_seed(seed: u64) -> ChaCha20Rng {
    ChaCha20Rng::seed_from_u64(seed)
}

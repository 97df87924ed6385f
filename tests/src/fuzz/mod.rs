//! Fuzzing without a special compiler: repeatable, bounded, aware of the formats.
//!
//! Each [`Target`] brings seeds (published vectors, and messages built as the operator's side builds
//! them), a check that must hold for every input, and, where a checksum or a signature stands in the
//! way, a repair that lets a changed input through it. Inputs that fail in a new way are kept and
//! changed further.
//!
//! `tests/fuzz.rs` runs a bounded number from a fixed seed; `cargo run --release -p pintle-tests --bin
//! fuzz` runs for as long as it is told.

mod cbor;
mod decoders;
mod files;
mod link;
mod mutate;
mod node;
mod processor;
mod random;
mod reports;
mod seeds;

use pintle_protocol::id::Digest;
use random::Random;
use std::collections::HashSet;
use std::fmt::Debug;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

/// Most inputs kept beside the seeds.
const MOST_KEPT: usize = 2000;

/// What an input led to, as a number: equal for what went the same way.
pub type Way = u64;

type Check = Box<dyn Fn(&[u8]) -> Result<Way, String>>;

/// Something that takes bytes from outside.
pub struct Target {
    /// Its name.
    pub name: &'static str,
    /// Inputs for the bounded run.
    pub runs: u32,
    /// Longest input, in bytes.
    longest: usize,
    seeds: Vec<Vec<u8>>,
    check: Check,
    /// Makes checksums right again.
    repair: Option<fn(&mut Vec<u8>)>,
}

impl Target {
    fn new(name: &'static str, runs: u32, seeds: Vec<Vec<u8>>, check: Check) -> Self {
        Self { name, runs, longest: 8192, seeds, check, repair: None }
    }

    /// Runs one input.
    ///
    /// # Errors
    /// What it broke. A panic counts.
    pub fn run(&self, input: &[u8]) -> Result<Way, String> {
        catch_unwind(AssertUnwindSafe(|| (self.check)(input))).unwrap_or_else(|panic| {
            let text = panic.downcast_ref::<String>().map(String::as_str);
            let text = text.or_else(|| panic.downcast_ref::<&str>().copied());
            Err(format!("panic: {}", text.unwrap_or("without a text")))
        })
    }
}

/// All targets.
pub fn targets() -> Vec<Target> {
    let mut all = decoders::targets();
    all.extend(processor::targets());
    all.extend(node::targets());
    all.extend(reports::targets());
    all.push(link::target());
    all.extend(files::targets());
    all
}

/// How long to go on.
#[derive(Clone, Copy, Debug)]
pub enum Budget {
    /// So many inputs.
    Runs(u32),
    /// For so long.
    Time(Duration),
}

/// How much was tried.
#[derive(Clone, Copy, Debug)]
pub struct Tally {
    /// Inputs.
    pub runs: u64,
    /// Different ways they went.
    pub ways: usize,
}

/// An input that broke something.
#[derive(Clone, Debug)]
pub struct Found {
    /// Of which target.
    pub target: &'static str,
    /// What it broke.
    pub what: String,
    /// The input.
    pub input: Vec<u8>,
}

/// Tries the seeds, then changed ones.
///
/// # Errors
/// The first input that breaks something.
pub fn fuzz(target: &Target, seed: u64, budget: Budget) -> Result<Tally, Found> {
    let found = |what, input: &[u8]| Found { target: target.name, what, input: input.to_vec() };
    let mut kept = target.seeds.clone();
    let mut ways = HashSet::new();
    for input in &target.seeds {
        ways.insert(target.run(input).map_err(|what| found(what, input))?);
    }
    let mut random = Random::new(seed, target.name);
    let start = Instant::now();
    let mut runs = 0u64;
    loop {
        let done = match budget {
            Budget::Runs(most) => runs >= u64::from(most),
            Budget::Time(most) => start.elapsed() >= most,
        };
        if done {
            return Ok(Tally { runs, ways: ways.len() });
        }
        let mut input = mutate::mutated(&kept, &mut random, target.longest);
        if let Some(repair) = target.repair
            && random.once_in(2)
        {
            repair(&mut input);
        }
        let way = target.run(&input).map_err(|what| found(what, &input))?;
        if ways.insert(way) && kept.len() < target.seeds.len() + MOST_KEPT {
            kept.push(input);
        }
        runs += 1;
    }
}

/// Stores a failing input in `folder` (under `target/`). Where it is.
///
/// # Errors
/// If it cannot be written.
pub fn store(found: &Found, folder: &Path) -> std::io::Result<PathBuf> {
    std::fs::create_dir_all(folder)?;
    let name = Digest::of(&found.input).to_string();
    let path = folder.join(format!("{}-{}.bin", found.target, &name[..16]));
    std::fs::write(&path, &found.input)?;
    Ok(path)
}

/// Where failing inputs are stored.
pub fn folder() -> PathBuf {
    let target = std::env::var_os("CARGO_TARGET_DIR")
        .map_or_else(|| Path::new(env!("CARGO_MANIFEST_DIR")).join("../target"), PathBuf::from);
    target.join("fuzz")
}

/// The way of something that can be shown.
fn way(of: &impl Debug) -> Way {
    // FNV-1a, 64 bits.
    format!("{of:?}")
        .bytes()
        .fold(0xcbf2_9ce4_8422_2325, |sum, b| (sum ^ u64::from(b)).wrapping_mul(0x0000_0100_0000_01b3))
}

/// Fails with a text unless something holds.
fn must(holds: bool, what: &str) -> Result<(), String> {
    if holds { Ok(()) } else { Err(what.to_owned()) }
}

//! Where the linked node core could still panic: every place that its machine code could hand to the panic handler.
//!
//! The programs of `firmware/size` are linked with feature `places`: their panic handler reads file, line and column
//! of the place it was called for, so that the linker keeps that record for every call which the compiler could not
//! leave out, and none besides. Each is a `core::panic::Location`, four words: where the name of the file stands, its
//! length, line, column. A panic function that takes no such record would not be seen, so there must be none.

use crate::tool::{MeasureError, cargo, timed, workspace};
use object::{Object as _, ObjectSegment as _, ObjectSymbol as _};
use std::collections::BTreeSet;
use std::path::PathBuf;

/// What the programs are linked for.
pub const TARGETS: [&str; 2] = ["riscv32imc-unknown-none-elf", "thumbv6m-none-eabi"];

/// One place: a file, `crate-1.2.3/src/...` for a dependency and `agent-protocol/src/...` for the node core, and a line.
pub type Place = (String, u32);

/// Links the programs for a target; returns the folder they are in.
///
/// # Errors
/// [`MeasureError`] if that does not work.
pub fn link(target: &str) -> Result<PathBuf, MeasureError> {
    let built = workspace().join("target/panics");
    // Run in that folder, where its own settings for small code lie.
    timed(
        cargo(&built)
            .args(["build", "--release", "--locked", "--features", "places", "--target", target])
            .args(["--config", "profile.release.strip=false"])
            .current_dir(workspace().join("firmware/size")),
    )?;
    Ok(built.join(target).join("release"))
}

/// What is in a linked program.
#[derive(Debug, Default)]
pub struct Found {
    /// Every place that could panic.
    pub places: BTreeSet<Place>,
    /// The panic functions, by their mangled names.
    pub functions: BTreeSet<String>,
}

/// Looks through a linked program.
///
/// # Errors
/// A file that is no such program.
pub fn look(program: &[u8]) -> Result<Found, object::read::Error> {
    let file = object::File::parse(program)?;
    let mut segments = Vec::new();
    for segment in file.segments() {
        segments.push((segment.address(), segment.data()?));
    }
    let at = |address: u32, len: u32| {
        segments.iter().find_map(|(start, data)| {
            let from = usize::try_from(u64::from(address).checked_sub(*start)?).ok()?;
            data.get(from..from.checked_add(len as usize)?)
        })
    };
    let mut found = Found::default();
    for (_, data) in &segments {
        for words in data.as_chunks::<4>().0.windows(4) {
            let [name, len, line, column] = [0, 1, 2, 3].map(|n| u32::from_le_bytes(words[n]));
            if len > 300 || line == 0 || column == 0 || column > 1_000 {
                continue;
            }
            let name = at(name, len).and_then(|bytes| std::str::from_utf8(bytes).ok());
            if let Some(name) = name.filter(|name| name.ends_with(".rs")) {
                found.places.insert((short(name), line));
            }
        }
    }
    let names = file.symbols().filter_map(|symbol| symbol.name().ok().map(str::to_owned));
    // Mangled names hold the parts of a path, each behind its length. The crate comes first in the older form, and
    // behind a hash in the newer one, in which the standard library is built.
    let core = names.filter(|name| name.starts_with("_ZN4core") || name.contains("_4core"));
    found.functions = core.filter(|name| name.contains("9panicking") || name.contains("_fail")).collect();
    Ok(found)
}

/// A file's name without where it lies on this machine.
fn short(name: &str) -> String {
    if let Some((_, name)) = name.rsplit_once("/registry/src/") {
        // Behind it the registry's folder.
        return name.split_once('/').map_or(name, |(_, name)| name).to_owned();
    }
    if let Some((_, name)) = name.rsplit_once("/library/") {
        return name.to_owned();
    }
    match name.rfind("agent-protocol/src/") {
        Some(at) => name[at..].to_owned(),
        None => name.to_owned(),
    }
}

//! What a node takes: flash, counted in the programs of `firmware/size`; memory and instructions, counted in
//! `firmware/emulated` while it runs on emulated chips.

use super::{Bound, Group, Row};
use crate::emulator::fixture::Fixture;
use crate::emulator::{Emulator, Machine};
use crate::tool::{MeasureError, cargo, timed, workspace};
use object::{Object, ObjectSection};
use std::collections::BTreeMap;
use std::path::Path;

const RISCV: &str = "riscv32imc-unknown-none-elf";
const ARMV6M: &str = "thumbv6m-none-eabi";

/// Name, target, program, bound in KiB. The whole node must leave room in a slot of 256 KiB for the radio.
const PROGRAMS: [(&str, &str, &str, f64); 4] = [
    ("wire parts on riscv32imc, KiB", RISCV, "wire", 160.0),
    ("wire parts on thumbv6m, KiB", ARMV6M, "wire", 110.0),
    ("whole node on riscv32imc, KiB", RISCV, "whole-node", 160.0),
    ("whole node on thumbv6m, KiB", ARMV6M, "whole-node", 110.0),
];
/// The node's state, `.data` and `.bss`, in KiB; without the one sector in which a piece of an image comes.
const STATIC_KIB: f64 = 8.0;
/// The deepest stack under the choice of a slot, a start, the first one too, a claim, a bundle or an image, also on its way
/// to the io chip, in KiB; without that sector.
const STACK_KIB: f64 = 12.0;
/// Taking an image, as a part of verifying one signature and hashing the image once, in percent.
const PROCESS_PERCENT: f64 = 110.0;
/// Bytes in the image that is taken.
const IMAGE: usize = 256 * 1024;

/// Links and runs each program.
pub(super) fn rows() -> Result<Vec<Row>, MeasureError> {
    let source = workspace().join("firmware/size");
    let built = workspace().join("target/size");
    for target in [RISCV, ARMV6M] {
        // Run in that folder, where its own settings for small code lie.
        timed(cargo(&built).args(["build", "--release", "--target", target]).current_dir(&source))?;
    }
    let mut rows = Vec::new();
    for (name, target, program, bound) in PROGRAMS {
        let bytes = flash_bytes(&built.join(target).join("release").join(program))?;
        rows.push(row(name, bytes as f64 / 1024.0, bound));
    }
    let fixture = Fixture::new(IMAGE)?;
    for machine in Machine::ALL {
        let kept = static_bytes(&built.join(machine.target()).join("release/whole-node"))?;
        rows.extend(run_rows(machine, &fixture, kept as f64)?);
    }
    Ok(rows)
}

fn row(name: &'static str, value: f64, bound: f64) -> Row {
    Row { group: Group::Node, name, value, bound: Bound::AtMost(bound) }
}

/// Counts what a program puts into flash: code, constants and initial values.
fn flash_bytes(program: &Path) -> Result<usize, MeasureError> {
    let path = || program.to_path_buf();
    let file = std::fs::read(program).map_err(|source| MeasureError::File { path: path(), source })?;
    let (_, bytes) = pintle::firmware::elf::read(&file, None)
        .map_err(|fault| MeasureError::Program { path: path(), fault })?;
    Ok(bytes.len())
}

/// Counts the variables of a program that lie in memory for good, of any crate: `.data` and `.bss`.
fn static_bytes(program: &Path) -> Result<u64, MeasureError> {
    let path = || program.to_path_buf();
    let file = std::fs::read(program).map_err(|source| MeasureError::File { path: path(), source })?;
    let read = object::File::parse(&*file)
        .map_err(|e| MeasureError::Unexpected { what: "a linked program", found: e.to_string() })?;
    let kept = |name: &str| read.section_by_name(name).map_or(0, |section| section.size());
    Ok(kept(".data") + kept(".bss"))
}

/// Names of the rows of one machine.
struct Names {
    memory: &'static str,
    stack: &'static str,
    process: &'static str,
    own: &'static str,
    beside: [&'static str; 4],
}

/// Names of the rows, by machine.
const fn names(machine: Machine) -> Names {
    match machine {
        Machine::RiscV => Names {
            memory: "static memory on riscv32imc, KiB",
            stack: "deepest stack on riscv32imc, KiB",
            process: "envelope and 256 KiB image on riscv32imc, % of bare signature and hash",
            own: "the same on riscv32imc, % of the node's own signature check and hash",
            beside: [
                "envelope verified on riscv32imc, million instructions",
                "bare Ed25519 verification on riscv32imc, million instructions",
                "envelope and 256 KiB image on riscv32imc, million instructions",
                "bare SHA-256 of 256 KiB on riscv32imc, million instructions",
            ],
        },
        Machine::Arm => Names {
            memory: "static memory on thumbv6m, KiB",
            stack: "deepest stack on thumbv6m, KiB",
            process: "envelope and 256 KiB image on thumbv6m, % of bare signature and hash",
            own: "the same on thumbv6m, % of the node's own signature check and hash",
            beside: [
                "envelope verified on thumbv6m, million instructions",
                "bare Ed25519 verification on thumbv6m, million instructions",
                "envelope and 256 KiB image on thumbv6m, million instructions",
                "bare SHA-256 of 256 KiB on thumbv6m, million instructions",
            ],
        },
    }
}

/// `kept`: bytes of variables besides the node.
fn run_rows(machine: Machine, fixture: &Fixture, kept: f64) -> Result<Vec<Row>, MeasureError> {
    let program = machine.build()?;
    let folder =
        tempfile::tempdir().map_err(|source| MeasureError::File { path: std::env::temp_dir(), source })?;
    fixture.write(folder.path())?;
    let mut said = Emulator::start(machine, &program, folder.path(), &["measure"], true)?.rest()?;
    said.extend(Emulator::start(machine, &program, folder.path(), &["first"], true)?.rest()?);
    let values: BTreeMap<&str, f64> = said
        .iter()
        .filter_map(|line| {
            let (name, value) = line.split_once(' ')?;
            Some((name, value.parse().ok()?))
        })
        .collect();
    let value = |name: &'static str| {
        values
            .get(name)
            .copied()
            .ok_or_else(|| MeasureError::Unexpected { what: name, found: said.join("\n") })
    };
    let (kib, million) = (1024.0, 1e6);
    let mut stack = 0.0_f64;
    for name in ["stack-slot", "stack-start", "stack-bundle", "stack-image", "stack-first", "stack-claim"] {
        stack = stack.max(value(name)?);
    }
    let (verify, bare) = (value("verify")?, value("verify-bare")?);
    let (process, hash) = (value("process")?, value("hash-bare")?);
    let Names { memory, stack: stack_name, process: process_name, own: own_name, beside } = names(machine);
    let mut rows = vec![
        row(memory, (value("node")? + kept) / kib, STATIC_KIB),
        row(stack_name, stack / kib, STACK_KIB),
        row(process_name, 100.0 * process / (bare + hash), PROCESS_PERCENT),
        Row { bound: Bound::Shown, ..row(own_name, 100.0 * process / (value("verify-own")? + hash), 0.0) },
    ];
    for (name, value) in beside.into_iter().zip([verify, bare, process, hash]) {
        rows.push(Row { bound: Bound::Shown, ..row(name, value / million, 0.0) });
    }
    Ok(rows)
}

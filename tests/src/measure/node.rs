//! How much flash a node takes: the programs of `firmware/size`, linked for both instruction sets.

use super::tool::{MeasureError, cargo, timed, workspace};
use super::{Group, Row};
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

/// Links each program and counts what it puts into flash: code, constants and initial values.
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
        rows.push(Row { group: Group::Node, name, value: bytes as f64 / 1024.0, bound });
    }
    Ok(rows)
}

fn flash_bytes(program: &Path) -> Result<usize, MeasureError> {
    let path = || program.to_path_buf();
    let file = std::fs::read(program).map_err(|source| MeasureError::File { path: path(), source })?;
    let (_, bytes) = pintle::firmware::elf::read(&file, None)
        .map_err(|fault| MeasureError::Program { path: path(), fault })?;
    Ok(bytes.len())
}

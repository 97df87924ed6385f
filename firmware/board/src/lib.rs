//! What both chips of latchboard rev B share.
//!
//! The board is invented: it exists so that rehearsals and tests have real machine code to carry, with
//! start-up code, registers and a link between two chips. README.md has its memory map.
#![no_std]

pub mod link;
pub mod note;
pub mod regs;
pub mod settings;
pub mod tables;
pub mod variant;

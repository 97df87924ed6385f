//! Why a firmware file is refused, in words.

use super::elf::ElfFault;
use super::hex::HexFault;
use super::layout::LayoutFault;
use pintle_protocol::id::Chip;
use pintle_protocol::image::NoteFault;
use thiserror::Error;

/// A firmware file that is refused.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
#[error("{file}: {fault}")]
pub struct FirmwareError {
    /// The file, as it was named to [`super::read`].
    pub file: String,
    /// What is wrong with it.
    pub fault: Fault,
}

/// What is wrong with a firmware file.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum Fault {
    /// No bytes at all.
    #[error("the file is empty")]
    Empty,
    /// A format that is not read.
    #[error("this is a UF2 file, which is not read; give the ELF, Intel HEX or binary file it was made from")]
    Uf2,
    /// Broken Intel HEX.
    #[error("Intel HEX: {0}")]
    Hex(#[from] HexFault),
    /// An ELF file that is broken or made for something else.
    #[error("ELF: {0}")]
    Elf(#[from] ElfFault),
    /// Pieces that cannot become one image.
    #[error("{0}")]
    Layout(#[from] LayoutFault),
    /// No usable image note.
    #[error("{0}; see docs/porting.md for how firmware carries its note")]
    Note(#[from] NoteFault),
    /// The note names the other chip.
    #[error("its image note says that it is for the {found} chip, expected one for the {expected} chip")]
    OtherChip {
        /// The chip in the note.
        found: Chip,
        /// The chip that was asked for.
        expected: Chip,
    },
}

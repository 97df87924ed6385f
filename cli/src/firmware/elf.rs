//! ELF: linked programs.
//!
//! Taken are 32-bit little-endian programs at fixed addresses (`ET_EXEC`). What goes to flash is the
//! file content of every `PT_LOAD` segment at its *physical* address: initialised data has its
//! address in RAM as virtual address, and the place in flash from where start-up code copies it as physical one.
//!
//! # Source
//! System V Application Binary Interface, chapters 4 and 5 (object files; program loading).

use super::Machine;
use super::layout::{self, LayoutFault, Piece};
use object::Endianness;
use object::elf::{self, FileHeader32};
use object::read::elf::{FileHeader as _, ProgramHeader as _};
use thiserror::Error;

/// What is wrong with an ELF file.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum ElfFault {
    /// The header or the table of segments cannot be read.
    #[error("{what} cannot be read: {why}; the file was cut or damaged")]
    Damaged {
        /// Which part.
        what: &'static str,
        /// What the reader says.
        why: String,
    },
    /// 64 bits.
    #[error("it is for a 64-bit machine; chips here have 32 bits or fewer")]
    SixtyFourBits,
    /// Big-endian.
    #[error("it is big-endian; little-endian is expected")]
    BigEndian,
    /// Not a program at fixed addresses.
    #[error("it is {found}, expected a program linked to fixed addresses (ET_EXEC)")]
    Kind {
        /// What it is.
        found: Kind,
    },
    /// Made for another instruction set.
    #[error(
        "it is for {} (machine number {number}), but the chip is {expected} (machine number {}); \
         was the other chip's file given?",
        name(*.number), .expected.number()
    )]
    Machine {
        /// `e_machine` of the file.
        number: u16,
        /// What the chip is.
        expected: Machine,
    },
    /// A segment's bytes lie outside the file.
    #[error(
        "segment {index} says that its {size} bytes start at byte {offset} of the file, which ends before; the file was cut"
    )]
    Outside {
        /// Number of the program header, from 0.
        index: usize,
        /// First byte in the file.
        offset: u64,
        /// Its bytes.
        size: u64,
    },
    /// Two segments claim the same address.
    #[error("segments {first} and {second} both claim physical address {at:#010x}; check the linker script")]
    Overlap {
        /// Number of a program header, from 0.
        first: usize,
        /// Number of the other.
        second: usize,
        /// First address that both claim.
        at: u64,
    },
}

/// What an ELF file is, from `e_type`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Error)]
pub enum Kind {
    /// `ET_REL`.
    #[error("an object file that was not linked")]
    Object,
    /// `ET_DYN`.
    #[error("position-independent")]
    PositionIndependent,
    /// Anything else.
    #[error("of type {0}")]
    Other(u16),
}

fn name(number: u16) -> String {
    Machine::from_number(number).map_or_else(|| "another machine".to_owned(), |m| m.word().to_owned())
}

/// Reads a file to its lowest physical address and all bytes from there on.
///
/// `machine`: what it must be for; `None` takes any.
///
/// # Errors
/// [`super::Fault::Elf`] says what is wrong; [`super::Fault::Layout`] if there is no data or it spans too much.
pub fn read(file: &[u8], machine: Option<Machine>) -> Result<(u64, Vec<u8>), super::Fault> {
    let pieces = segments(file, machine)?;
    layout::lay(pieces).map_err(|fault| match fault {
        LayoutFault::Overlap { at, first, second } => ElfFault::Overlap { first, second, at }.into(),
        other => other.into(),
    })
}

fn segments(file: &[u8], machine: Option<Machine>) -> Result<Vec<Piece<'_>>, ElfFault> {
    let damaged = |what| move |e: object::read::Error| ElfFault::Damaged { what, why: e.to_string() };
    // Class and byte order come first: they decide how to read the rest, and have words of their own.
    match (file.get(4), file.get(5)) {
        (Some(2), _) => return Err(ElfFault::SixtyFourBits),
        (_, Some(2)) => return Err(ElfFault::BigEndian),
        _ => {}
    }
    let header = FileHeader32::<Endianness>::parse(file).map_err(damaged("the file header"))?;
    let endian = Endianness::Little;
    match header.e_type(endian) {
        elf::ET_EXEC => {}
        elf::ET_REL => return Err(ElfFault::Kind { found: Kind::Object }),
        elf::ET_DYN => return Err(ElfFault::Kind { found: Kind::PositionIndependent }),
        other => return Err(ElfFault::Kind { found: Kind::Other(other.0) }),
    }
    let number = header.e_machine(endian).0;
    if let Some(expected) = machine
        && expected.number() != number
    {
        return Err(ElfFault::Machine { number, expected });
    }
    let table = header.program_headers(endian, file).map_err(damaged("the table of segments"))?;
    let mut pieces = Vec::new();
    for (index, segment) in table.iter().enumerate() {
        if segment.p_type(endian) != elf::PT_LOAD {
            continue;
        }
        let (offset, size) = segment.file_range(endian);
        let bytes = segment.data(endian, file).map_err(|()| ElfFault::Outside { index, offset, size })?;
        pieces.push(Piece { at: u64::from(segment.p_paddr(endian)), bytes, origin: index });
    }
    Ok(pieces)
}

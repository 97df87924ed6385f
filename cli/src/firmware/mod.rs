//! Reading a chip's firmware from the file that a compiler made.
//!
//! Three formats are read: raw binary, Intel HEX and 32-bit ELF. Which one a file has is seen
//! from its content, never from its name. All end as one run of bytes with a base address,
//! and all must carry the image note ([`pintle_protocol::image`]), from which version, link
//! range and actuation profile are taken.

pub mod elf;
mod error;
pub mod hex;
pub mod layout;
mod machine;
pub mod samples;

#[cfg(test)]
mod tests;

pub use error::{Fault, FirmwareError};
pub use layout::{FILL, MAX_IMAGE};
pub use machine::Machine;

use pintle_protocol::id::Chip;
use pintle_protocol::image::ImageNote;
use std::fmt;

/// Firmware of one chip, as it will lie in flash.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Image {
    /// All bytes from the lowest to the highest address; gaps hold [`FILL`].
    pub bytes: Vec<u8>,
    /// Address of the first byte; 0 for a raw binary, which does not tell.
    pub base: u64,
    /// The format of the file.
    pub format: Format,
    /// What the image says about itself.
    pub note: ImageNote,
}

/// How a firmware file is written.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Format {
    /// The bytes themselves.
    Raw,
    /// Text records with addresses.
    IntelHex,
    /// A linked program with segments.
    Elf,
}

impl fmt::Display for Format {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Raw => "raw binary",
            Self::IntelHex => "Intel HEX",
            Self::Elf => "ELF",
        })
    }
}

/// What the firmware must be made for.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Expect {
    /// The chip's instruction set; `None` if the board does not tell, then any is taken.
    pub machine: Option<Machine>,
    /// The chip.
    pub chip: Chip,
}

/// Reads `bytes`, the content of the file named `file` (for error texts only).
///
/// # Errors
/// [`FirmwareError`] names the file and the line, byte or address where it goes wrong.
///
/// ```
/// use pintle::firmware::{self, Expect, Format, Machine, samples};
/// use pintle_protocol::id::Chip;
///
/// let sample = samples::find("net-1.0.0").unwrap();
/// let expect = Expect { machine: Some(Machine::RiscV), chip: Chip::Net };
/// let image = firmware::read(sample.bytes, sample.file, expect).unwrap();
/// assert_eq!(image.format, Format::Elf);
/// assert_eq!(image.note.version.to_string(), "1.0.0");
///
/// // The same file for the other chip is refused, and the text says why.
/// let wrong = Expect { machine: Some(Machine::Arm), chip: Chip::Io };
/// assert!(firmware::read(sample.bytes, sample.file, wrong).unwrap_err().to_string().contains("riscv"));
/// ```
pub fn read(bytes: &[u8], file: &str, expect: Expect) -> Result<Image, FirmwareError> {
    read_inner(bytes, expect).map_err(|fault| FirmwareError { file: file.to_owned(), fault })
}

fn read_inner(bytes: &[u8], expect: Expect) -> Result<Image, Fault> {
    let format = detect(bytes)?;
    let (base, bytes) = match format {
        Format::Raw => layout::lay(vec![layout::Piece { at: 0, bytes, origin: 0 }])?,
        Format::IntelHex => hex::read(bytes)?,
        Format::Elf => elf::read(bytes, expect.machine)?,
    };
    let note = ImageNote::find(&bytes)?;
    if note.chip != expect.chip {
        return Err(Fault::OtherChip { found: note.chip, expected: expect.chip });
    }
    Ok(Image { bytes, base, format, note })
}

/// Tells the format from the first bytes.
///
/// ELF by its four magic bytes; Intel HEX by a colon, then at least ten characters of plain text (the
/// shortest record has eleven characters in all); anything else is raw.
fn detect(bytes: &[u8]) -> Result<Format, Fault> {
    const UF2: [u8; 4] = *b"UF2\n";
    if bytes.is_empty() {
        return Err(Fault::Empty);
    }
    if bytes.starts_with(b"\x7fELF") {
        return Ok(Format::Elf);
    }
    if bytes.starts_with(&UF2) {
        return Err(Fault::Uf2);
    }
    // A mark that some editors put before text does not make it another format.
    let text = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes).trim_ascii_start();
    let plain = |b: &u8| b.is_ascii_graphic() || matches!(b, b'\r' | b'\n' | b' ' | b'\t');
    match text.split_first() {
        Some((b':', rest)) if rest.len() >= 10 && rest.iter().take(10).all(plain) => Ok(Format::IntelHex),
        _ => Ok(Format::Raw),
    }
}

//! Intel HEX: text records with addresses.
//!
//! A record is `:LLAAAATT`, LL data bytes and a checksum, all as hexadecimal digits, big-endian:
//! LL counts the data bytes, AAAA is an offset, TT the type. The bytes of a record add up to 0 mod 256.
//!
//! | type | what | LL |
//! | --- | --- | --- |
//! | 00 | data at base + AAAA | any |
//! | 01 | end of file | 0 |
//! | 02 | base becomes value * 16 | 2 |
//! | 03 | start address CS:IP | 4 |
//! | 04 | base becomes value * 65536 | 2 |
//! | 05 | start address, linear | 4 |
//!
//! Strict where a file could mean two things: AAAA of all but data records is 0, a data record
//! stays below offset 0x10000, no address is given twice, nothing follows the end record. Upper and
//! lower case, CR LF and LF, and empty lines are taken.
//!
//! # Source
//! Intel Hexadecimal Object File Format Specification, Revision A, 1988.

use super::layout::{self, LayoutFault, Piece};
use std::fmt::Write as _;
use thiserror::Error;

/// What is wrong with an Intel HEX file. Lines and columns count from 1.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Error)]
pub enum HexFault {
    /// A line does not start with a colon.
    #[error("line {line} does not start with a colon")]
    NoColon {
        /// The line.
        line: usize,
    },
    /// A character is no hexadecimal digit.
    #[error("line {line}, column {column}: the character {found:?} is no hexadecimal digit")]
    Digit {
        /// The line.
        line: usize,
        /// The column.
        column: usize,
        /// The character; a byte beyond ASCII is shown as the Latin-1 letter of its value.
        found: char,
    },
    /// An odd number of digits.
    #[error("line {line} has {digits} hexadecimal digits; an even number is expected, was the line cut?")]
    OddDigits {
        /// The line.
        line: usize,
        /// Digits after the colon.
        digits: usize,
    },
    /// Too few bytes for any record.
    #[error("line {line} has {bytes} bytes; a record has at least 5")]
    Short {
        /// The line.
        line: usize,
        /// Bytes after the colon.
        bytes: usize,
    },
    /// The length field and the line disagree.
    #[error("line {line} says that it has {says} data bytes, but {has} are there")]
    Length {
        /// The line.
        line: usize,
        /// Value of the length field.
        says: usize,
        /// Data bytes in the line.
        has: usize,
    },
    /// The checksum does not match.
    #[error(
        "line {line}, byte {byte}: the checksum is {found:02X}, expected {expected:02X}; \
         the file was damaged or edited, build it again"
    )]
    Checksum {
        /// The line.
        line: usize,
        /// The checksum's place among the bytes of the record, from 1.
        byte: usize,
        /// What is written there.
        found: u8,
        /// What belongs there.
        expected: u8,
    },
    /// A type beyond 05.
    #[error("line {line} has record type {found:02X}; 00 to 05 are known")]
    Type {
        /// The line.
        line: usize,
        /// The type.
        found: u8,
    },
    /// A record whose type has a fixed length has another one.
    #[error("line {line}: a record of type {kind:02X} has {expected} data bytes, this one has {found}")]
    FixedLength {
        /// The line.
        line: usize,
        /// The type.
        kind: u8,
        /// Its data bytes.
        found: usize,
        /// What the type asks for.
        expected: usize,
    },
    /// The offset of a record that has none is not 0.
    #[error("line {line}: a record of type {kind:02X} has offset 0000, this one has {found:04X}")]
    Offset {
        /// The line.
        line: usize,
        /// The type.
        kind: u8,
        /// The offset.
        found: u16,
    },
    /// A data record runs past the end of its 64 KiB.
    #[error(
        "line {line}: {bytes} bytes at offset {offset:04X} run past offset FFFF; \
         it is not clear where the rest belongs"
    )]
    Wrap {
        /// The line.
        line: usize,
        /// The offset.
        offset: u16,
        /// Its data bytes.
        bytes: usize,
    },
    /// Two data records claim the same address.
    #[error("line {second} writes address {at:08X}, which line {first} wrote already")]
    Overlap {
        /// The line of the earlier record.
        first: usize,
        /// The line of the later record.
        second: usize,
        /// First address that both claim.
        at: u64,
    },
    /// Something follows the end record.
    #[error("line {line} follows the end record of line {end}; are two files joined in one?")]
    AfterEnd {
        /// The line.
        line: usize,
        /// The line of the end record.
        end: usize,
    },
    /// No end record.
    #[error("the end record :00000001FF is missing after line {lines}; the file was cut")]
    NoEnd {
        /// Lines in the file.
        lines: usize,
    },
}

/// A data record: its address, its bytes and its line.
struct Data {
    at: u64,
    bytes: Vec<u8>,
    line: usize,
}

/// Reads a file to its lowest address and all bytes from there on.
///
/// # Errors
/// [`super::Fault::Hex`] names the line; [`super::Fault::Layout`] if there is no data or it spans too much.
pub fn read(file: &[u8]) -> Result<(u64, Vec<u8>), super::Fault> {
    let data = records(file)?;
    let pieces = data.iter().map(|d| Piece { at: d.at, bytes: &d.bytes, origin: d.line }).collect();
    layout::lay(pieces).map_err(|fault| match fault {
        LayoutFault::Overlap { at, first, second } => {
            HexFault::Overlap { first: first.min(second), second: first.max(second), at }.into()
        }
        other => other.into(),
    })
}

fn records(file: &[u8]) -> Result<Vec<Data>, HexFault> {
    let file = file.strip_prefix(b"\xef\xbb\xbf").unwrap_or(file);
    let mut data = Vec::new();
    let mut base = 0u64;
    let mut end = None;
    let mut lines = 0;
    for (n, text) in file.split(|b| *b == b'\n').enumerate() {
        let line = n + 1;
        let text = text.trim_ascii();
        if text.is_empty() {
            continue;
        }
        lines = line;
        if let Some(end) = end {
            return Err(HexFault::AfterEnd { line, end });
        }
        let record = Record::parse(text, line)?;
        match record.kind {
            0x00 => {
                let past = usize::from(record.offset) + record.data.len();
                if past > 0x1_0000 {
                    return Err(HexFault::Wrap { line, offset: record.offset, bytes: record.data.len() });
                }
                data.push(Data { at: base + u64::from(record.offset), bytes: record.data, line });
            }
            0x01 => {
                record.fixed::<0>(line)?;
                end = Some(line);
            }
            0x02 => base = u64::from(u16::from_be_bytes(record.fixed(line)?)) << 4,
            0x04 => base = u64::from(u16::from_be_bytes(record.fixed(line)?)) << 16,
            // Where execution starts is the boot loader's business: checked, then left.
            0x03 | 0x05 => {
                record.fixed::<4>(line)?;
            }
            found => return Err(HexFault::Type { line, found }),
        }
    }
    end.ok_or(HexFault::NoEnd { lines })?;
    Ok(data)
}

struct Record {
    offset: u16,
    kind: u8,
    data: Vec<u8>,
}

impl Record {
    /// Reads one line without its line end.
    fn parse(text: &[u8], line: usize) -> Result<Self, HexFault> {
        let digits = text.strip_prefix(b":").ok_or(HexFault::NoColon { line })?;
        if let Some(at) = digits.iter().position(|b| !b.is_ascii_hexdigit()) {
            return Err(HexFault::Digit { line, column: at + 2, found: char::from(digits[at]) });
        }
        if digits.len() % 2 == 1 {
            return Err(HexFault::OddDigits { line, digits: digits.len() });
        }
        let value = |digit: u8| char::from(digit).to_digit(16).map_or(0, |v| v as u8);
        let bytes: Vec<u8> = digits.chunks_exact(2).map(|d| value(d[0]) << 4 | value(d[1])).collect();
        let [length, high, low, kind, data @ .., checksum] = bytes.as_slice() else {
            return Err(HexFault::Short { line, bytes: bytes.len() });
        };
        if usize::from(*length) != data.len() {
            return Err(HexFault::Length { line, says: usize::from(*length), has: data.len() });
        }
        let expected = checksum_of(&bytes[..bytes.len() - 1]);
        if *checksum != expected {
            return Err(HexFault::Checksum { line, byte: bytes.len(), found: *checksum, expected });
        }
        Ok(Self { offset: u16::from_be_bytes([*high, *low]), kind: *kind, data: data.to_vec() })
    }

    /// The data of a record whose type fixes its length and has no offset.
    fn fixed<const N: usize>(&self, line: usize) -> Result<[u8; N], HexFault> {
        let data = self.data.as_slice().try_into().map_err(|_| HexFault::FixedLength {
            line,
            kind: self.kind,
            found: self.data.len(),
            expected: N,
        })?;
        if self.offset != 0 {
            return Err(HexFault::Offset { line, kind: self.kind, found: self.offset });
        }
        Ok(data)
    }
}

/// The checksum that makes a record add up to 0 mod 256.
fn checksum_of(bytes: &[u8]) -> u8 {
    bytes.iter().fold(0u8, |sum, b| sum.wrapping_add(*b)).wrapping_neg()
}

/// Writes bytes as a file with 16 data bytes per record and LF line ends.
///
/// `base`: address of the first byte. Returns `None` if the last address does not fit in 32 bits.
pub fn write(base: u32, bytes: &[u8]) -> Option<String> {
    if u64::from(base) + bytes.len() as u64 > 1 << 32 {
        return None;
    }
    let mut out = String::with_capacity(bytes.len() * 45 / 16 + 64);
    let mut at = base;
    let mut upper = 0u16;
    let mut rest = bytes;
    while !rest.is_empty() {
        if (at >> 16) as u16 != upper {
            upper = (at >> 16) as u16;
            push(&mut out, 0x04, 0, &upper.to_be_bytes());
        }
        // Up to the next multiple of 16, so that no record crosses 64 KiB.
        let (now, later) = rest.split_at(rest.len().min(16 - (at % 16) as usize));
        push(&mut out, 0x00, at as u16, now);
        at = at.wrapping_add(now.len() as u32);
        rest = later;
    }
    push(&mut out, 0x01, 0, &[]);
    Some(out)
}

/// Appends one record; `data` has at most 16 bytes.
fn push(out: &mut String, kind: u8, offset: u16, data: &[u8]) {
    let [high, low] = offset.to_be_bytes();
    let mut bytes = vec![data.len() as u8, high, low, kind];
    bytes.extend_from_slice(data);
    bytes.push(checksum_of(&bytes));
    out.push(':');
    for b in bytes {
        // Writing to a string cannot fail.
        let _ = write!(out, "{b:02X}");
    }
    out.push('\n');
}

#[cfg(test)]
#[path = "hex_tests.rs"]
mod tests;

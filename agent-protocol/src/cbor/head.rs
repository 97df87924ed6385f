//! Writing the head of an item, for structures that are signed and so built by hand.

use heapless::Vec;

/// Longest head.
pub(crate) const MAX_HEAD: usize = 9;

/// The shortest head for this major type (0 to 7) and value.
pub(crate) fn head(major: u8, value: u64) -> Vec<u8, MAX_HEAD> {
    let mut out = Vec::new();
    let bytes = value.to_be_bytes();
    let (info, width) = match value {
        0..=23 => (value as u8, 0),
        24..=0xff => (24, 1),
        0x100..=0xffff => (25, 2),
        0x1_0000..=0xffff_ffff => (26, 4),
        _ => (27, 8),
    };
    // Neither can fail: one byte and at most eight fit into nine.
    let _ = out.push(major << 5 | info);
    let _ = out.extend_from_slice(bytes.get(8 - width..).unwrap_or_default());
    out
}

/// The head of a byte string of `len` bytes.
pub(crate) fn bytes_head(len: usize) -> Vec<u8, MAX_HEAD> {
    head(2, len as u64)
}

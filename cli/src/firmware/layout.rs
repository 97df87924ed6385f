//! Putting pieces with addresses together to one image.

use thiserror::Error;

/// What gaps between pieces hold: the value of erased flash.
pub const FILL: u8 = 0xff;

/// Longest image, in bytes, gaps included. Far above the flash of such chips; it keeps one stray
/// address from asking for gigabytes of filling.
pub const MAX_IMAGE: u64 = 16 << 20;

/// Bytes that belong at an address.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Piece<'a> {
    /// Address of the first byte.
    pub at: u64,
    /// The bytes.
    pub bytes: &'a [u8],
    /// Where it stands in the file, for error texts: a line, or the number of a program header.
    pub origin: usize,
}

/// Why pieces cannot become one image.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Error)]
pub enum LayoutFault {
    /// No piece has a byte.
    #[error("it holds no bytes for the chip's flash")]
    NoData,
    /// Two pieces claim the same address.
    #[error("two pieces of data claim address {at:#010x} (the {first}. and the {second}. of the file)")]
    Overlap {
        /// First address that both claim.
        at: u64,
        /// Origin of the one that starts lower, or earlier in the file.
        first: usize,
        /// Origin of the other.
        second: usize,
    },
    /// Lowest and highest address are too far apart.
    #[error(
        "its data spans {span} bytes, from address {from:#010x}; at most {MAX_IMAGE} are taken. \
         Is there data for another memory in it?"
    )]
    TooLong {
        /// Lowest address.
        from: u64,
        /// Bytes from the lowest to the highest address.
        span: u64,
    },
}

/// Lays pieces out by address. Empty pieces count for nothing.
///
/// Returns the lowest address and all bytes from there on, gaps filled with [`FILL`].
///
/// # Errors
/// [`LayoutFault`] if there is nothing, too much, or two pieces for one address.
pub fn lay(mut pieces: Vec<Piece<'_>>) -> Result<(u64, Vec<u8>), LayoutFault> {
    pieces.retain(|p| !p.bytes.is_empty());
    // Stable: pieces with the same address stay in the order of the file.
    pieces.sort_by_key(|p| p.at);
    let from = pieces.first().ok_or(LayoutFault::NoData)?.at;
    let end = |p: &Piece<'_>| p.at.saturating_add(p.bytes.len() as u64);
    for pair in pieces.windows(2) {
        if let [a, b] = pair
            && end(a) > b.at
        {
            return Err(LayoutFault::Overlap { at: b.at, first: a.origin, second: b.origin });
        }
    }
    // Sorted and apart, so the last piece ends highest.
    let span = pieces.last().map_or(0, end) - from;
    if span > MAX_IMAGE {
        return Err(LayoutFault::TooLong { from, span });
    }
    let mut out = Vec::with_capacity(span as usize);
    for piece in &pieces {
        out.resize((piece.at - from) as usize, FILL);
        out.extend_from_slice(piece.bytes);
    }
    Ok((from, out))
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn piece(at: u64, bytes: &[u8], origin: usize) -> Piece<'_> {
        Piece { at, bytes, origin }
    }

    #[test]
    fn gaps_are_erased_flash_and_order_does_not_count() {
        let got = lay(vec![piece(0x1006, &[6], 2), piece(0x1000, &[0, 1], 1), piece(0x1002, &[], 3)]);
        assert_eq!(got, Ok((0x1000, vec![0, 1, 0xff, 0xff, 0xff, 0xff, 6])));
    }

    #[test]
    fn one_address_twice_is_refused_even_with_the_same_byte() {
        let got = lay(vec![piece(4, &[1, 2, 3], 7), piece(6, &[3], 9)]);
        assert_eq!(got, Err(LayoutFault::Overlap { at: 6, first: 7, second: 9 }));
    }

    #[test]
    fn nothing_and_too_much_are_refused() {
        assert_eq!(lay(vec![]), Err(LayoutFault::NoData));
        assert_eq!(lay(vec![piece(4, &[], 1)]), Err(LayoutFault::NoData));
        let far = lay(vec![piece(0, &[1], 1), piece(MAX_IMAGE, &[1], 2)]);
        assert_eq!(far, Err(LayoutFault::TooLong { from: 0, span: MAX_IMAGE + 1 }));
        assert!(lay(vec![piece(0, &[1], 1), piece(MAX_IMAGE - 1, &[1], 2)]).is_ok());
        assert!(lay(vec![piece(u64::MAX, &[1, 2], 1)]).is_ok_and(|(at, _)| at == u64::MAX));
    }

    proptest! {
        /// Every byte of every piece stands at its address, and all else is filling.
        #[test]
        fn bytes_stand_where_they_belong(parts in proptest::collection::vec((0u64..200, proptest::collection::vec(0u8..0xff, 0..20)), 1..8)) {
            let pieces: Vec<_> = parts.iter().enumerate().map(|(n, (at, b))| piece(*at, b, n)).collect();
            let mut cells: Vec<Option<u8>> = vec![None; 256];
            let mut clash = false;
            for p in &pieces {
                for (n, b) in p.bytes.iter().enumerate() {
                    clash |= cells[p.at as usize + n].replace(*b).is_some();
                }
            }
            match lay(pieces) {
                Ok((from, bytes)) => {
                    prop_assert!(!clash);
                    let first = cells.iter().position(Option::is_some).unwrap();
                    let last = cells.iter().rposition(Option::is_some).unwrap();
                    prop_assert_eq!(from, first as u64);
                    let want: Vec<u8> = cells[first..=last].iter().map(|c| c.unwrap_or(FILL)).collect();
                    prop_assert_eq!(bytes, want);
                }
                Err(LayoutFault::NoData) => prop_assert!(cells.iter().all(Option::is_none)),
                Err(_) => prop_assert!(clash),
            }
        }
    }
}

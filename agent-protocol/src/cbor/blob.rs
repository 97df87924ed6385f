//! Byte strings of bounded length for derived messages: `#[cbor(with = "crate::cbor::blob")]`.

use heapless::Vec;
use minicbor::{Decoder, Encoder};

/// Writes a byte string.
pub fn encode<C, const N: usize, W: minicbor::encode::Write>(
    bytes: &Vec<u8, N>,
    e: &mut Encoder<W>,
    _: &mut C,
) -> Result<(), minicbor::encode::Error<W::Error>> {
    e.bytes(bytes)?;
    Ok(())
}

/// Reads a byte string of at most `N` bytes.
pub fn decode<'b, C, const N: usize>(
    d: &mut Decoder<'b>,
    _: &mut C,
) -> Result<Vec<u8, N>, minicbor::decode::Error> {
    let at = d.position();
    Vec::from_slice(d.bytes()?).map_err(|_| minicbor::decode::Error::message("byte string too long").at(at))
}

//! Lists and texts of bounded length for derived messages.
//!
//! Used as `#[cbor(with = "crate::cbor::list")]` on a `heapless::Vec` and
//! `#[cbor(with = "crate::cbor::text")]` on a `heapless::String`.

use heapless::Vec;
use minicbor::{Decode, Decoder, Encode, Encoder};

/// Writes an array of definite length.
pub fn encode<C, T: Encode<C>, const N: usize, W: minicbor::encode::Write>(
    list: &Vec<T, N>,
    e: &mut Encoder<W>,
    ctx: &mut C,
) -> Result<(), minicbor::encode::Error<W::Error>> {
    e.array(list.len() as u64)?;
    for item in list {
        item.encode(e, ctx)?;
    }
    Ok(())
}

/// Reads an array of definite length with at most `N` items.
pub fn decode<'b, C, T: Decode<'b, C>, const N: usize>(
    d: &mut Decoder<'b>,
    ctx: &mut C,
) -> Result<Vec<T, N>, minicbor::decode::Error> {
    let at = d.position();
    let len =
        d.array()?.ok_or_else(|| minicbor::decode::Error::message("array of indefinite length").at(at))?;
    let mut list = Vec::new();
    for _ in 0..len {
        let item = T::decode(d, ctx)?;
        list.push(item).map_err(|_| minicbor::decode::Error::message("too many items").at(at))?;
    }
    Ok(list)
}

//! Text of bounded length for derived messages: `#[cbor(with = "crate::cbor::text")]`.

use heapless::String;
use minicbor::{Decoder, Encoder};

/// Writes a text string.
pub fn encode<C, const N: usize, W: minicbor::encode::Write>(
    text: &String<N>,
    e: &mut Encoder<W>,
    _: &mut C,
) -> Result<(), minicbor::encode::Error<W::Error>> {
    e.str(text)?;
    Ok(())
}

/// Reads a text string of at most `N` bytes.
pub fn decode<'b, C, const N: usize>(
    d: &mut Decoder<'b>,
    _: &mut C,
) -> Result<String<N>, minicbor::decode::Error> {
    let at = d.position();
    String::try_from(d.str()?).map_err(|_| minicbor::decode::Error::message("text too long").at(at))
}

//! CBOR (RFC 8949): one strict rule for everything that comes in, and helpers for what goes out.
//!
//! Whatever arrives passes [`check()`] first: one item, well-formed, in deterministic encoding
//! (RFC 8949 section 4.2.1), nothing after it. Only then is it read with `minicbor`.

pub mod blob;
mod check;
mod fault;
mod head;
pub mod list;
mod message;
mod reader;
pub mod text;
mod writer;

pub use check::{Limits, MAX_DEPTH, MAX_UNORDERED, MapOrder, check};
pub use fault::{CborFault, CborKind};
pub use message::{MessageFault, decode_message, encode_message};

pub(crate) use check::item_end;
pub(crate) use head::{bytes_head, head};
pub(crate) use reader::{Reader, Unexpected};
pub(crate) use writer::{Bounded, Sink, Writer};

#[cfg(test)]
mod tests;

//! CBOR (RFC 8949): one strict rule for everything that comes in, and helpers for what goes out.
//!
//! Whatever arrives passes [`check()`] first: one item, well-formed, in deterministic encoding
//! (RFC 8949 section 4.2.1), nothing after it. Only then is it read, item by item.

pub mod blob;
mod check;
mod expected;
mod fault;
mod head;
mod item;
pub mod list;
mod message;
mod reader;
pub mod text;
mod writer;

pub use check::{Limits, MAX_DEPTH, MAX_UNORDERED, MapOrder, check};
pub use expected::Expected;
pub use fault::{CborFault, CborKind};
pub use item::Item;
pub use message::{MessageFault, decode_into, decode_message, encode_message};
pub use reader::{Reader, Unexpected};
pub use writer::{Bounded, Writer};

pub(crate) use head::{bytes_head, head};
pub(crate) use item::{Passed, Shape, codes, fields, list, read_fields, read_list, write_fields, write_list};
pub(crate) use message::decode_fields;
pub(crate) use writer::Sink;

#[cfg(test)]
mod item_tests;
#[cfg(test)]
mod tests;

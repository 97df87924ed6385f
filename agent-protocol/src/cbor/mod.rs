//! CBOR (RFC 8949): one strict rule for everything that comes in, and helpers for what goes out.

pub mod blob;
pub mod list;
pub mod text;

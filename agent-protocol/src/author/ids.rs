//! Identifiers made from names, so that anybody with the domain and the names gets the same ones.
//!
//! Source: RFC 9562 section 5.5 (UUIDv5); draft-ietf-suit-manifest-37 section 8.4.8.2 (vendor from
//! a domain, class from the vendor).

use crate::id::{NodeId, Uuid16};
use uuid::Uuid;

/// The vendor identifier of a yard: from its domain.
pub fn vendor_id(domain: &str) -> Uuid16 {
    Uuid16(*Uuid::new_v5(&Uuid::NAMESPACE_DNS, domain.as_bytes()).as_bytes())
}

/// A class identifier: from the vendor and the name of the board with its revision.
pub fn class_id(vendor: Uuid16, board: &str) -> Uuid16 {
    Uuid16(*Uuid::new_v5(&Uuid::from_bytes(vendor.0), board.as_bytes()).as_bytes())
}

/// A device identifier: from the vendor and the name of the node.
pub fn node_id(vendor: Uuid16, name: &str) -> NodeId {
    NodeId(*Uuid::new_v5(&Uuid::from_bytes(vendor.0), name.as_bytes()).as_bytes())
}

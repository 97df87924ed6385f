//! Identifiers made from names.
//!
//! Vendor, class and device identifiers are UUIDs of version 5, so that anybody with the yard's
//! domain and the names gets the same ones.
//!
//! # Source
//! RFC 9562 section 5.5 (UUIDv5) and appendix A (name space of domain names);
//! draft-ietf-suit-manifest-37 section 8.4.8.2 (vendor from a domain, class from the vendor).

use pintle_protocol::id::{Chip, NodeId, Uuid16};
use uuid::Uuid;

/// The vendor identifier of a yard: from its domain.
pub fn vendor_id(domain: &str) -> Uuid16 {
    Uuid16(*Uuid::new_v5(&Uuid::NAMESPACE_DNS, domain.as_bytes()).as_bytes())
}

/// The class identifier of one chip of a board: from the vendor, the board's name, its revision
/// and the chip. The net chip's is the class of the whole node.
pub fn class_id(vendor: Uuid16, board: &str, revision: &str, chip: Chip) -> Uuid16 {
    let name = format!("{board} revision {revision} {chip}");
    Uuid16(*Uuid::new_v5(&Uuid::from_bytes(vendor.0), name.as_bytes()).as_bytes())
}

/// The device identifier of a node: from the vendor and the node's name.
pub fn node_id(vendor: Uuid16, node: &str) -> NodeId {
    let name = format!("node {node}");
    NodeId(*Uuid::new_v5(&Uuid::from_bytes(vendor.0), name.as_bytes()).as_bytes())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: RFC 9562 appendix A.4, `www.example.com` in the name space of domain names.
    #[test]
    fn vendor_is_the_published_uuid() {
        let printed = Uuid16::parse("2ed6657d-e927-568b-95e1-2665a8aea6a2").unwrap();
        assert_eq!(vendor_id("www.example.com"), printed);
    }

    #[test]
    fn names_do_not_meet() {
        let vendor = vendor_id("yard.example");
        let class = |revision, chip| class_id(vendor, "gate", revision, chip);
        assert_ne!(class("a", Chip::Net).0, node_id(vendor, "gate revision a net").0);
        assert_ne!(class("a", Chip::Net), class("b", Chip::Net));
        assert_ne!(class("a", Chip::Net), class("a", Chip::Io));
        assert_ne!(node_id(vendor, "barn"), node_id(vendor_id("other.example"), "barn"));
    }
}

//! The starter card: what a new node needs at its first boot.
//!
//! One CBOR file, `card.cbor`, on the SD card or fed over serial. It holds the one-time claim
//! code and a Wi-Fi passphrase in clear, so it is wiped once the node is admitted.

use crate::bundle::{Address, MAX_SERVERS, Network};
use crate::cbor::fields;
use crate::checkin::ClaimCode;
use crate::id::{NodeId, Uuid16};
use crate::suit::TrustAnchors;
use heapless::{String, Vec};
use minicbor::{Decode, Encode};

/// The schema number written by this version.
pub const SCHEMA: u16 = 1;
/// Most bytes of the pinned certificate.
pub const CA_MAX: usize = 1024;

/// What a new node needs at its first boot.
#[derive(Clone, PartialEq, Eq, Encode, Decode)]
#[cbor(map)]
pub struct StarterCard {
    /// [`SCHEMA`].
    #[n(0)]
    pub schema: u16,
    /// The node's device identifier.
    #[n(1)]
    pub node: NodeId,
    /// Its name for people, at most 32 bytes.
    #[cbor(n(2), with = "crate::cbor::text")]
    pub name: String<32>,
    /// Vendor identifier of the yard.
    #[n(3)]
    pub vendor: Uuid16,
    /// Class of the board, as its net chip's images carry it.
    #[n(4)]
    pub net_class: Uuid16,
    /// Class that its io chip's images carry.
    #[n(5)]
    pub io_class: Uuid16,
    /// One-time claim code.
    #[cbor(n(6), with = "minicbor::bytes")]
    pub code: ClaimCode,
    /// The keys the node trusts.
    #[n(7)]
    pub anchors: TrustAnchors,
    /// Base addresses of the server in the order to try.
    #[cbor(n(8), with = "crate::cbor::list")]
    pub servers: Vec<Address, MAX_SERVERS>,
    /// The server's root certificate, DER; empty where the server is reached by plain HTTP.
    #[cbor(n(9), with = "crate::cbor::blob")]
    pub ca: Vec<u8, CA_MAX>,
    /// The network to join first.
    #[n(10)]
    pub network: Network,
}

fields!(StarterCard, Map:
    schema, node, name, vendor, net_class, io_class, code, anchors, servers, ca, network
);

impl core::fmt::Debug for StarterCard {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.debug_struct("StarterCard")
            .field("node", &self.node)
            .field("name", &self.name)
            .finish_non_exhaustive()
    }
}

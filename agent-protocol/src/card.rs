//! The starter card: what a new node needs at its first boot.
//!
//! One CBOR file, `card.cbor`, on the SD card or fed over serial. It holds the one-time claim
//! code and a Wi-Fi passphrase in clear, so it is wiped once the node is admitted.

use crate::bundle::{Address, MAX_SERVERS, Network};
use crate::cbor::{Item, MessageFault, Passed, decode_fields, fields};
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

/// What of a card a node is.
pub(crate) struct CardParts<'a> {
    pub(crate) node: &'a mut NodeId,
    pub(crate) vendor: &'a mut Uuid16,
    pub(crate) net_class: &'a mut Uuid16,
    pub(crate) io_class: &'a mut Uuid16,
    pub(crate) code: &'a mut ClaimCode,
}

/// How many fields a card has.
const FIELDS: usize = 11;

/// Reads some fields of a card, each given with its key, and passes over the others. Nothing is copied that is not
/// wanted: a whole card takes nearly two KiB.
fn read_some<const N: usize>(bytes: &[u8], wanted: [(usize, &mut dyn Item); N]) -> Result<(), MessageFault> {
    let mut passed = [const { Passed }; FIELDS];
    let mut fields = passed.each_mut().map(|p| -> &mut dyn Item { p });
    for (key, place) in wanted {
        if let Some(field) = fields.get_mut(key) {
            *field = place;
        }
    }
    decode_fields(&mut fields, bytes)
}

/// Reads who the node is.
pub(crate) fn read_parts(bytes: &[u8], parts: CardParts<'_>) -> Result<(), MessageFault> {
    let CardParts { node, vendor, net_class, io_class, code } = parts;
    read_some(bytes, [(1, node), (3, vendor), (4, net_class), (5, io_class), (6, code)])
}

/// Reads the keys that the node trusts.
pub(crate) fn read_anchors(bytes: &[u8], anchors: &mut TrustAnchors) -> Result<(), MessageFault> {
    read_some(bytes, [(7, anchors)])
}

/// Reads how to reach the server.
pub(crate) fn read_contact(
    bytes: &[u8],
    network: &mut Network,
    servers: &mut Vec<Address, MAX_SERVERS>,
) -> Result<(), MessageFault> {
    read_some(bytes, [(8, servers), (10, network)])
}

impl core::fmt::Debug for StarterCard {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.debug_struct("StarterCard")
            .field("node", &self.node)
            .field("name", &self.name)
            .finish_non_exhaustive()
    }
}

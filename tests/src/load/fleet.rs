//! Nodes that are not there, made from a seed.

use super::LoadError;
use pintle_protocol::author::{class_id, node_id, vendor_id};
use pintle_protocol::cbor::decode_message;
use pintle_protocol::checkin::{CheckIn, PROTOCOL, Phase, Position, Reply, Running, Wifi};
use pintle_protocol::cose::{AAD_CHECK_IN, AAD_REPLY, SigningKey, StaticSecret, sign1};
use pintle_protocol::id::{Digest, NodeId, Nonce, PublicKey, Uuid16};
use pintle_protocol::version::{ActuationProfile, LinkRange, Version};
use pintle_server::fleet::Member;

/// A check-in, signed by its node.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Signed {
    /// Which node of the fleet.
    pub node: u32,
    /// The counter in it.
    pub counter: u64,
    /// COSE_Sign1.
    pub bytes: Vec<u8>,
}

/// So many nodes, all of which follow from one seed.
#[derive(Clone, Copy, Debug)]
pub struct Fleet {
    /// From which everything follows.
    pub seed: u64,
    /// How many nodes.
    pub nodes: u32,
    vendor: Uuid16,
}

impl Fleet {
    /// A fleet.
    pub fn new(seed: u64, nodes: u32) -> Self {
        Self { seed, nodes, vendor: vendor_id("larkfield.example") }
    }

    /// What a node is called.
    pub fn name(&self, n: u32) -> String {
        format!("Hatch {n:07}")
    }

    /// Its identifier.
    pub fn id(&self, n: u32) -> NodeId {
        node_id(self.vendor, &self.name(n))
    }

    /// 32 bytes that follow from seed, purpose and node.
    fn bytes(&self, purpose: &str, n: u32) -> [u8; 32] {
        Digest::of(format!("{purpose} {} {n}", self.seed).as_bytes()).0
    }

    /// Its signing key.
    pub fn key(&self, n: u32) -> SigningKey {
        SigningKey::from_bytes(&self.bytes("signing", n))
    }

    /// What it reports: like every node that has nothing to do.
    ///
    /// `counter`: higher than in each check-in of the node before.
    pub fn check_in(&self, n: u32, counter: u64) -> CheckIn {
        let chance = self.bytes("report", n);
        let [a, b, c, d, ..] = chance;
        let image = |chip: &str| Running {
            version: Version::new(1, 2, u16::from(a % 4)),
            digest: Digest::of(format!("{chip} image {}", a % 4).as_bytes()),
            link: LinkRange { oldest: 1, newest: 2 },
            profile: ActuationProfile { id: 1, version: 1 },
            slot: b % 2,
        };
        let mut nonce = [0; 16];
        nonce.copy_from_slice(&Digest::of(format!("nonce {} {n} {counter}", self.seed).as_bytes()).0[..16]);
        CheckIn {
            protocol: PROTOCOL,
            node: self.id(n),
            counter,
            nonce: Nonce(nonce),
            uptime_seconds: 300 * u32::from(c),
            starts: 2 + u32::from(d % 8),
            net: image("net"),
            io: Some(image("io")),
            sequences: [1, 12, 7],
            bundle: Some(Digest(self.bytes("bundle", n))),
            position: if b % 5 == 0 { Position::Open } else { Position::Closed },
            phase: Phase::Idle,
            subject: None,
            holds: 0,
            outcome: None,
            wifi: Wifi { index: 0, rssi_dbm: -50 - i8::try_from(c % 32).unwrap_or(0), candidate: None },
            report: Default::default(),
            supply_mv: 4_900 + u16::from(d),
            relay_pulses: 12 + u32::from(a),
        }
    }

    /// A check-in as the node sends it: COSE_Sign1.
    ///
    /// # Errors
    /// [`LoadError::Answer`] if it could not be signed, which a test excludes.
    pub fn signed(&self, n: u32, counter: u64) -> Result<Vec<u8>, LoadError> {
        let odd = |found: String| LoadError::Answer { what: "a check-in that can be signed", found };
        let plain = minicbor::to_vec(self.check_in(n, counter)).map_err(|e| odd(e.to_string()))?;
        let mut out = vec![0; plain.len() + 128];
        let len = sign1::sign_attached(&self.key(n), None, &plain, AAD_CHECK_IN, &mut out)
            .map_err(|e| odd(e.to_string()))?;
        out.truncate(len);
        Ok(out)
    }

    /// So many check-ins, signed, for so many connections. Each node belongs to one of these, so that its counters
    /// arrive in order; nodes are taken from all over the fleet, and from the beginning when all had their turn.
    ///
    /// `counter`: higher than in each check-in before; each turn takes the next one.
    ///
    /// # Errors
    /// As [`Self::signed`].
    pub fn lanes(&self, connections: u32, count: u32, counter: u64) -> Result<Vec<Vec<Signed>>, LoadError> {
        let connections = connections.clamp(1, self.nodes.max(1));
        let of_each = count.div_ceil(connections);
        let lane = |first: u32| {
            let mine = (self.nodes - first).div_ceil(connections);
            (0..of_each)
                .map(|i| {
                    // A stride without a common factor with the number of nodes visits all of them.
                    let place = (u64::from(i) * u64::from(stride(mine)) % u64::from(mine.max(1))) as u32;
                    let n = first + place * connections;
                    let counter = counter + u64::from(i / mine.max(1));
                    Ok(Signed { node: n, counter, bytes: self.signed(n, counter)? })
                })
                .collect()
        };
        (0..connections).map(lane).collect()
    }

    /// Makes sure that `body` is the server's signed reply to this check-in.
    ///
    /// # Errors
    /// [`LoadError::Answer`] if it is not.
    pub fn check_reply(
        &self,
        (n, counter): (u32, u64),
        body: &[u8],
        server: &PublicKey,
    ) -> Result<Reply, LoadError> {
        let odd =
            |found: String| LoadError::Answer { what: "expected a signed reply to the check-in", found };
        let plain = sign1::open(body, server, AAD_REPLY).map_err(|e| odd(e.to_string()))?;
        let reply: Reply = decode_message(plain).map_err(|e| odd(e.to_string()))?;
        let asked = self.check_in(n, counter);
        if (reply.node, reply.nonce) == (asked.node, asked.nonce) {
            Ok(reply)
        } else {
            Err(odd(format!("one to {}", reply.node)))
        }
    }

    /// As it is written into a folder, with its first check-in.
    pub fn member(&self, n: u32) -> Member {
        let sealing = x25519_dalek::PublicKey::from(&StaticSecret::from(self.bytes("sealing", n)));
        Member {
            name: self.name(n),
            class: class_id(self.vendor, "Hatch board A"),
            code_digest: Digest::of(&self.bytes("claim code", n)),
            signing: PublicKey(self.key(n).verifying_key().to_bytes()),
            sealing: PublicKey(sealing.to_bytes()),
            check_in: self.check_in(n, 1),
        }
    }
}

/// About two thirds of `of`, without a common factor with it.
fn stride(of: u32) -> u32 {
    let gcd = |mut a: u32, mut b: u32| {
        while b > 0 {
            (a, b) = (b, a % b);
        }
        a
    };
    (of * 2 / 3..).find(|n| *n > 0 && gcd(*n, of) == 1).unwrap_or(1)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_fleet_follows_from_its_seed() {
        let fleet = Fleet::new(7, 10);
        assert_eq!(fleet.signed(3, 9).unwrap(), Fleet::new(7, 10).signed(3, 9).unwrap());
        assert_ne!(fleet.signed(3, 9).unwrap(), Fleet::new(8, 10).signed(3, 9).unwrap());
        assert_ne!(fleet.key(3).to_bytes(), fleet.key(4).to_bytes());
        assert_ne!(fleet.signed(3, 9).unwrap(), fleet.signed(3, 10).unwrap());
    }

    #[test]
    fn what_a_node_sends_is_verified_by_its_key() {
        let fleet = Fleet::new(7, 10);
        for n in 0..10 {
            let member = fleet.member(n);
            let bytes = fleet.signed(n, 2).unwrap();
            let plain = sign1::open(&bytes, &member.signing, AAD_CHECK_IN).unwrap();
            let check_in: CheckIn = decode_message(plain).unwrap();
            assert_eq!(check_in, fleet.check_in(n, 2));
        }
    }

    #[test]
    fn every_node_has_its_turn_on_one_connection_and_its_counters_go_up() {
        let fleet = Fleet::new(7, 23);
        let lanes = fleet.lanes(4, 4 * 20, 100).unwrap();
        let mut last = std::collections::BTreeMap::new();
        for (number, lane) in lanes.iter().enumerate() {
            assert_eq!(lane.len(), 20);
            for Signed { node, counter, .. } in lane {
                let before = last.insert(*node, (number, *counter));
                assert!(before.is_none_or(|(lane, was)| lane == number && was < *counter));
            }
        }
        assert_eq!(last.len(), 23);
    }

    #[test]
    fn a_reply_to_another_check_in_or_by_another_key_is_found_out() {
        let fleet = Fleet::new(7, 2);
        let (server, other) = (SigningKey::from_bytes(&[5; 32]), SigningKey::from_bytes(&[6; 32]));
        let asked = fleet.check_in(0, 2);
        let reply = Reply {
            protocol: PROTOCOL,
            nonce: asked.nonce,
            node: asked.node,
            time: 0,
            next_seconds: 300,
            offer: None,
        };
        let plain = minicbor::to_vec(&reply).unwrap();
        let mut out = [0; 512];
        let len = sign1::sign_attached(&server, None, &plain, AAD_REPLY, &mut out).unwrap();
        crate::held::schema::holds("reply-message", &out[..len]);
        crate::held::schema::holds("check-in-message", &fleet.signed(0, 2).unwrap());
        let key = |key: &SigningKey| PublicKey(key.verifying_key().to_bytes());
        assert_eq!(fleet.check_reply((0, 2), &out[..len], &key(&server)).unwrap(), reply);
        assert!(fleet.check_reply((0, 2), &out[..len], &key(&other)).is_err());
        assert!(fleet.check_reply((0, 3), &out[..len], &key(&server)).is_err());
        assert!(fleet.check_reply((1, 2), &out[..len], &key(&server)).is_err());
    }
}

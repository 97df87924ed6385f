//! A pretended server and radio: carries out what the core asks the board for.

use crate::board::{Chip, Pending};
use pintle_protocol::board::Event;
use pintle_protocol::cbor::{decode_message, encode_message};
use pintle_protocol::checkin::{CheckIn, Offer, Outcome, PROTOCOL, Reply};
use pintle_protocol::cose::{self, SigningKey, sign1};
use pintle_protocol::id::Digest;
use pintle_protocol::suit::peek;

/// The key that signs replies, as in the pretend yard of `sim::rig`.
const KEY: [u8; 32] = [4; 32];

/// The server.
pub(crate) struct Server {
    envelope: &'static [u8],
    payload: &'static [u8],
    digest: Digest,
    key: SigningKey,
    next_seconds: u32,
    /// The outcome in the last check-in.
    pub(crate) outcome: Option<Outcome>,
}

impl Server {
    /// A server that offers an envelope and has its payload. It wants a check-in every so many seconds.
    pub(crate) fn new(envelope: &'static [u8], payload: &'static [u8], next_seconds: u32) -> Option<Self> {
        let digest = peek(envelope).ok()?.digest;
        let key = SigningKey::from_bytes(&KEY);
        Some(Self { envelope, payload, digest, key, next_seconds, outcome: None })
    }

    /// How the offer ended, as the last check-in told it.
    pub(crate) fn ended(&self) -> Option<Outcome> {
        self.outcome.filter(|o| o.envelope == self.digest)
    }

    /// Does what the board was asked for, with room for a reply.
    pub(crate) fn serve<'a>(&mut self, chip: &mut Chip, reply: &'a mut [u8; 512]) -> Event<'a> {
        match core::mem::replace(&mut chip.pending, Pending::Nothing) {
            Pending::Nothing => Event::Nothing,
            Pending::Join => Event::Joined { rssi_dbm: -60 },
            Pending::CheckIn => match self.check_in(&chip.sent, reply) {
                Some(body) => Event::Response { status: 200, body },
                None => Event::Response { status: 400, body: &[] },
            },
            Pending::Envelope => Event::Response { status: 200, body: self.envelope },
            Pending::Payload { offset, len } => {
                match self.payload.get(offset as usize..(offset + len) as usize) {
                    Some(body) => Event::Response { status: 206, body },
                    None => Event::Response { status: 416, body: &[] },
                }
            }
            Pending::Other => Event::Response { status: 404, body: &[] },
        }
    }

    fn check_in<'a>(&mut self, sent: &[u8], reply: &'a mut [u8; 512]) -> Option<&'a [u8]> {
        let said: CheckIn = decode_message(sign1::parse(sent).ok()?.unverified_payload()?).ok()?;
        self.outcome = said.outcome;
        let offer = Offer { envelope: self.digest, size: self.envelope.len() as u32 };
        let answer = Reply {
            protocol: PROTOCOL,
            nonce: said.nonce,
            node: said.node,
            time: 0,
            next_seconds: self.next_seconds,
            offer: Some(offer),
        };
        let mut plain = [0; 256];
        let len = encode_message(&answer, &mut plain)?;
        let len = sign1::sign_attached(&self.key, None, plain.get(..len)?, cose::AAD_REPLY, reply).ok()?;
        reply.get(..len)
    }
}

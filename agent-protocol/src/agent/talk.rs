//! Talking to the server: claims, check-ins, replies, and whose turn it is on the wire.

use super::machine::{Agent, Radio, push};
use super::take::Fetch;
use super::trial::{CandidateProof, Millis, whole_seconds};
use super::types::{Action, Actions, Moment, OUT_MAX, RequestFault, Scratch};
use crate::cbor::{Item, decode_message, encode_message};
use crate::checkin::{
    Candidate, CheckIn, Claim, MAX_REPORT, PROTOCOL, Phase, Position, Reply, Running, Wifi, claim_proof,
};
use crate::cose::{self, sign1};
use crate::id::{Digest, Nonce, PublicKey};
use crate::reason::Reason;
use crate::slots::{Pair, SlotImage};
use crate::version::{ActuationProfile, LinkRange, Version};
use heapless::Vec;
use x25519_dalek::PublicKey as SealingKey;

/// Bytes that a signed message has around its payload.
pub(super) const SIGNED_OVERHEAD: usize = 76;
/// Interval before the first reply has said another, in seconds.
const FIRST_INTERVAL: u32 = 30;
/// A request without an answer for so long is given up.
const ANSWER_MILLIS: Millis = 60_000;
/// Changes of the preferred network that are saved by themselves after a start; later ones come along
/// when something else is saved.
const NETWORK_SAVES: u8 = 8;
/// Replies may not stretch the interval beyond a day, nor shrink it below a second.
const INTERVALS: core::ops::RangeInclusive<u32> = 1..=86_400;

/// A request that is out.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Out {
    Claim,
    CheckIn(Nonce),
    Envelope,
    Piece,
}

/// Where talking stands.
#[derive(Clone, Debug)]
pub(super) struct Talk {
    pub(super) next_at: Millis,
    interval: u32,
    pub(super) out: Option<(Out, Millis)>,
    pub(super) unknown_here: bool,
    report: Vec<u8, MAX_REPORT>,
}

impl Default for Talk {
    fn default() -> Self {
        Self { next_at: 0, interval: FIRST_INTERVAL, out: None, unknown_here: false, report: Vec::new() }
    }
}

impl Talk {
    /// There is something worth telling.
    pub(super) fn soon(&mut self, now: Millis) {
        self.next_at = self.next_at.min(now);
    }

    /// The network is gone, and with it whatever was out.
    pub(super) fn cut(&mut self) {
        self.out = None;
    }

    /// The report of the last manifest processed; sent until a reply has come.
    pub(super) fn report_buffer(&mut self) -> &mut Vec<u8, MAX_REPORT> {
        &mut self.report
    }
}

impl Agent {
    /// When the server last replied to a check-in, under its key.
    pub(super) fn last_answer(&self) -> Millis {
        self.last_answer
    }

    /// Sends whatever is next, if nothing is out and a network is joined.
    pub(super) fn tend_talk(&mut self, at: &Moment, scratch: &mut Scratch, out: &mut Actions) {
        if let Some((_, since)) = self.talk.out
            && at.now.saturating_sub(since) >= ANSWER_MILLIS
        {
            self.on_request_failed(at, RequestFault::Unreachable, scratch, out);
        }
        // A message would be written over a text that is being taken.
        if self.talk.out.is_some() || self.taking.holds_text() || !matches!(self.radio, Radio::On { .. }) {
            return;
        }
        let asked = if at.now >= self.talk.next_at {
            self.talk.next_at = at.now + Millis::from(self.talk.interval) * 1000;
            if self.talk.unknown_here {
                self.make_claim(scratch, out)
            } else {
                self.make_check_in(at, scratch, out)
            }
        } else {
            match self.taking.fetch() {
                Some(Fetch::Envelope(digest)) => Some((Out::Envelope, Action::GetEnvelope(digest))),
                Some(Fetch::Piece { digest, offset, len }) => {
                    Some((Out::Piece, Action::GetPayload { digest, offset, len }))
                }
                None => None,
            }
        };
        if let Some((kind, action)) = asked {
            self.talk.out = Some((kind, at.now));
            push(out, action);
        }
    }

    pub(super) fn on_answer(&mut self, at: &Moment, body: &[u8], scratch: &mut Scratch, out: &mut Actions) {
        match self.talk.out.take() {
            None => {}
            Some((Out::Claim, _)) => {
                // It is known now; whether it is admitted the next check-in shows.
                self.talk.unknown_here = false;
            }
            Some((Out::CheckIn(nonce), _)) => self.on_reply(at, body, nonce, out),
            Some((Out::Envelope, _)) => self.on_envelope(at, body, scratch, out),
            Some((Out::Piece, _)) => self.on_piece(at, body, scratch, out),
        }
    }

    pub(super) fn on_request_failed(
        &mut self,
        at: &Moment,
        fault: RequestFault,
        scratch: &mut Scratch,
        out: &mut Actions,
    ) {
        match self.talk.out.take() {
            None | Some((Out::Claim, _)) => {}
            // Not admitted, or not known at all: claim again, if there is a code to do it with.
            Some((Out::CheckIn(_), _)) => {
                if matches!(fault, RequestFault::Status(401 | 403 | 404)) && self.id.code.is_some() {
                    self.talk.unknown_here = true;
                }
            }
            Some((Out::Envelope | Out::Piece, _)) => self.on_take_failed(at, fault, scratch, out),
        }
    }

    fn on_reply(&mut self, at: &Moment, body: &[u8], nonce: Nonce, out: &mut Actions) {
        let opened = self.anchors.server_keys().find_map(|key| sign1::open(body, key, cose::AAD_REPLY).ok());
        let Some(payload) = opened else { return };
        let Ok(reply) = decode_message::<Reply>(payload) else { return };
        if reply.protocol != PROTOCOL || reply.nonce != nonce || reply.node != self.id.node {
            return;
        }
        self.last_answer = at.now;
        self.evidence.checked_in = true;
        self.talk.report.clear();
        // The server may ask for the next one sooner than the owner did, never later.
        let own = self.bundle.as_ref().map_or(u32::MAX, |bundle| bundle.checkin_seconds);
        self.talk.interval = reply.next_seconds.min(own).clamp(*INTERVALS.start(), *INTERVALS.end());
        self.talk.next_at = at.now + Millis::from(self.talk.interval) * 1000;
        self.network_works(out);
        self.taking.offered(reply.offer.map(|offer| offer.envelope));
        if let Some(offer) = reply.offer
            && at.now >= self.rest_until
            && self.wants(&offer, at.now)
        {
            self.take_up(offer, at.now, out);
        }
    }

    /// An authenticated answer came through the network in use: it is the preferred one now.
    fn network_works(&mut self, out: &mut Actions) {
        let Some(index) = self.network() else { return };
        if self.bundle.as_ref().and_then(|b| b.wifi_change).is_some_and(|c| c.candidate == index) {
            self.candidate_fault = None;
            if self.evidence.candidate == CandidateProof::Open {
                self.evidence.candidate = CandidateProof::Proved;
            }
        }
        if self.bundle.is_some() && self.record.network != index {
            self.record.network = index;
            // A server that answers now here, now there does not get to write flash each time.
            if self.network_saves < NETWORK_SAVES {
                self.network_saves += 1;
                push(out, Action::Save);
            }
        }
    }

    fn make_claim(&mut self, scratch: &mut Scratch, _: &mut Actions) -> Option<(Out, Action)> {
        let code = self.id.code?;
        let signing_key = self.id.signing_key().public();
        let sealing_key = PublicKey(SealingKey::from(&self.id.sealing).to_bytes());
        let claim = Claim {
            protocol: PROTOCOL,
            node: self.id.node,
            signing_key,
            sealing_key,
            class: self.id.net_class,
            code_digest: Digest::of(&code),
            proof: claim_proof(&code, &self.id.node, &signing_key, &sealing_key, &self.id.net_class),
        };
        self.sign(&claim, cose::AAD_CLAIM, scratch)?;
        Some((Out::Claim, Action::Claim))
    }

    fn make_check_in(
        &mut self,
        at: &Moment,
        scratch: &mut Scratch,
        out: &mut Actions,
    ) -> Option<(Out, Action)> {
        if self.counter >= self.record.counter_ceiling {
            self.counter = self.record.reserve_counters();
            push(out, Action::Save);
        }
        let nonce = Nonce(at.random);
        let check_in = self.check_in(at, nonce);
        self.sign(&check_in, cose::AAD_CHECK_IN, scratch)?;
        self.counter += 1;
        Some((Out::CheckIn(nonce), Action::CheckIn))
    }

    /// Signs a message into `scratch`, behind the envelope.
    #[inline(never)]
    fn sign(&self, message: &dyn Item, aad: &[u8], scratch: &mut Scratch) -> Option<()> {
        let mut plain = [0u8; OUT_MAX - SIGNED_OVERHEAD];
        let len = encode_message(message, &mut plain)?;
        let (_, mut rest) = scratch.split();
        let out = rest.room().get_mut(..OUT_MAX)?;
        let signed = sign1::sign_attached(&self.id.signing_key(), None, plain.get(..len)?, aad, out).ok()?;
        rest.set_len(signed);
        Some(())
    }

    fn check_in(&self, at: &Moment, nonce: Nonce) -> CheckIn {
        let status = at.sense.status;
        let phase = self.phase();
        let subject = match phase {
            Phase::Trial => self.record.trial.map(|t| t.change.manifest),
            Phase::Waiting => self.record.staged.map(|s| s.manifest),
            Phase::Fetching => self.taking.subject(),
            Phase::Idle => None,
        };
        let io = at.sense.hello.and_then(|h| {
            let stored = self.record.io.current().filter(|i| h.runs(&i.digest));
            stored.map(|i| running(&i, &self.record.io))
        });
        CheckIn {
            protocol: PROTOCOL,
            node: self.id.node,
            counter: self.counter,
            nonce,
            uptime_seconds: whole_seconds(at.now),
            starts: self.record.starts,
            net: self.record.net.current().map_or(NOTHING, |i| running(&i, &self.record.net)),
            io,
            sequences: self.record.sequences,
            // One that can no longer be read is not in force, whatever the record says.
            bundle: self.bundle.as_ref().and(self.record.conf.current()).map(|c| c.manifest),
            position: status.map_or(Position::Unknown, |s| s.position),
            phase,
            subject,
            holds: if phase == Phase::Waiting { self.holds.bits() } else { 0 },
            outcome: self.record.outcome,
            wifi: self.wifi(),
            report: self.talk.report.clone(),
            supply_mv: status.map_or(0, |s| s.supply_mv),
            relay_pulses: status.map_or(0, |s| s.relay_pulses),
        }
    }

    fn wifi(&self) -> Wifi {
        let (index, rssi_dbm) = match self.radio {
            Radio::On { index, rssi_dbm, .. } => (index, rssi_dbm),
            Radio::Apart { .. } | Radio::Joining { .. } => (self.record.network, i8::MIN),
        };
        let candidate = self.bundle.as_ref().and_then(|b| b.wifi_change).map(|change| {
            if change.candidate == self.record.network && self.evidence.candidate != CandidateProof::Open {
                return Candidate::Proved;
            }
            match (self.candidate_fault, change.after_loss_minutes) {
                (Some(Reason::NetworkNotFound), _) => Candidate::NotFound,
                (Some(Reason::WrongPassphrase), _) => Candidate::WrongPassphrase,
                (Some(Reason::NoAddress), _) => Candidate::NoAddress,
                (Some(_), _) => Candidate::NoServer,
                (None, Some(_)) => Candidate::WaitsForLoss,
                (None, None) => Candidate::Untried,
            }
        });
        Wifi { index, rssi_dbm, candidate }
    }
}

/// What is reported when the record knows of no image: a board started from a programmer.
const NOTHING: Running = Running {
    version: Version::new(0, 0, 0),
    digest: Digest([0; 32]),
    link: LinkRange { oldest: 0, newest: 0 },
    profile: ActuationProfile { id: 0, version: 0 },
    slot: 0,
};

fn running(image: &SlotImage, pair: &Pair<SlotImage>) -> Running {
    Running {
        version: image.version,
        digest: image.digest,
        link: image.link,
        profile: image.profile,
        slot: pair.active.index() as u8,
    }
}

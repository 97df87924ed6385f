//! The node of the vectors: the real agent, fed from memory.

use super::samples as s;
use pintle_protocol::agent::{
    Action, Actions, Agent, ENVELOPE_MAX, Identity, Input, Measured, Moment, RequestFault, Scratch, Sense,
    Start,
};
use pintle_protocol::checkin::{Ending, Offer, Outcome, Position};
use pintle_protocol::id::{Chip, Digest};
use pintle_protocol::image::ImageNote;
use pintle_protocol::link::{Hello, Status};
use pintle_protocol::reason::Reason;
use pintle_protocol::slots::{BootRecord, Change, Part, Slot, SlotImage, SlotText, Trial};

/// Reason and detail, as they travel in an outcome.
pub(crate) type Stop = (Reason, u32);

/// Bytes in each slot of the node of the vectors.
pub(crate) const ROOM: u32 = 65_536;
/// The longest envelope that it reads.
pub(crate) const ENVELOPE: usize = ENVELOPE_MAX;

/// What it has installed: an image in either chip, and the sample bundle.
pub(crate) fn installed(kept: [u64; 3]) -> BootRecord {
    let image = |chip| {
        let bytes = s::image(chip);
        SlotImage::new(Digest::of(&bytes), bytes.len() as u32, &s::note(chip))
    };
    let plain = s::bundle_plain();
    let text =
        SlotText { digest: Digest::of(&plain), size: plain.len() as u32, manifest: Digest::of(b"conf") };
    let mut record = BootRecord { counter_ceiling: 2048, sequences: kept, ..BootRecord::default() };
    record.net.put(Slot::A, Some(image(Chip::Net)));
    record.io.put(Slot::A, Some(image(Chip::Io)));
    record.conf.put(Slot::A, Some(text));
    record
}

fn agent(record: BootRecord) -> Agent {
    Agent::new(Start {
        identity: Identity {
            node: s::node(),
            vendor: s::vendor(),
            net_class: s::net_class(),
            io_class: s::io_class(),
            code: None,
            signing: s::signing(s::NODE).to_bytes().into(),
            sealing: s::sealing(),
        },
        record,
        counter: 1024,
        anchors: s::anchors(),
        bundle: Some(s::bundle()),
        other: None,
        room_net: ROOM,
        room_io: ROOM,
    })
}

/// What is offered to the node, and what the server then gives.
pub(crate) struct Offered<'a> {
    /// What comes when it asks for the envelope.
    pub(crate) envelope: &'a [u8],
    /// What comes when it asks for the payload.
    pub(crate) payload: &'a [u8],
    /// The sequence numbers it has kept: root, image, bundle.
    pub(crate) kept: [u64; 3],
    /// The digest in the server's signed offer.
    pub(crate) digest: Digest,
}

/// The manifest digest that an envelope claims in its first SUIT_Digest, whatever else is wrong with it.
pub(crate) fn claimed(envelope: &[u8]) -> Digest {
    let at = envelope.windows(4).position(|w| w == [0x82, 0x2f, 0x58, 0x20]).expect("a SUIT_Digest");
    Digest(envelope[at + 4..at + 36].try_into().unwrap())
}

/// Offers an envelope to the node. Taken means that all of it lies verified in the spare slot.
pub(crate) fn take(envelope: &[u8], payload: &[u8], kept: [u64; 3]) -> Result<(), Stop> {
    take_offered(&Offered { envelope, payload, kept, digest: claimed(envelope) })
}

/// The same, whatever the offer says.
pub(crate) fn take_offered(offered: &Offered<'_>) -> Result<(), Stop> {
    let record = installed(offered.kept);
    let mut node = Node { agent: agent(record), scratch: Scratch::default(), slot: Vec::new(), now: 0 };
    for _ in 0..100 {
        node.now += 1000;
        node.go_on(Input::Tick, offered);
        let record = node.agent.record();
        if let Some(Outcome { ending, reason, detail, .. }) = record.outcome {
            assert_eq!(ending, Ending::Refused);
            return Err((Reason::from_code(reason).unwrap(), detail));
        }
        if record.staged.is_some() {
            return Ok(());
        }
    }
    panic!("neither taken nor refused");
}

struct Node {
    agent: Agent,
    scratch: Scratch,
    /// The spare slot.
    slot: Vec<u8>,
    now: u64,
}

impl Node {
    fn step(&mut self, input: Input<'_>) -> Actions {
        let random = s::first_check_in().nonce.0;
        let at = Moment { now: self.now, sense: Sense::default(), random };
        self.agent.step(&at, input, &mut self.scratch)
    }

    /// Steps on until nothing more is asked for.
    fn go_on(&mut self, input: Input<'_>, offered: &Offered<'_>) {
        let mut actions = self.step(input);
        while let Some(last) = actions.last().copied() {
            let offer = Offer { envelope: offered.digest, size: offered.envelope.len() as u32 };
            let reply = s::signed_reply(Some(offer));
            let piece;
            let input = match last {
                Action::Join(index) => Input::Joined { index, rssi_dbm: -61 },
                Action::CheckIn => Input::Answered(&reply),
                Action::GetEnvelope(_) => Input::Answered(offered.envelope),
                Action::GetPayload { offset, len, .. } => {
                    let range = offset as usize..(offset + len) as usize;
                    piece = offered.payload.get(range);
                    piece.map_or(Input::Failed(RequestFault::Status(416)), Input::Answered)
                }
                Action::Erase { .. } => {
                    self.slot.clear();
                    Input::FlashDone
                }
                Action::StoreBody { offset, .. } => {
                    assert_eq!(offset as usize, self.slot.len());
                    self.slot.extend_from_slice(&offered.payload[offset as usize..]);
                    Input::FlashDone
                }
                Action::StorePlain { .. } => {
                    self.slot = self.scratch.rest().to_vec();
                    Input::FlashDone
                }
                Action::Measure { size, .. } => {
                    let held = self.slot.get(..size as usize).unwrap_or(&self.slot);
                    Input::Measured(Measured { digest: Digest::of(held), note: ImageNote::find(held).ok() })
                }
                Action::Save => return,
                other => panic!("{other:?} is not asked for here"),
            };
            actions = self.step(input);
        }
    }
}

/// How a trial ends in which the io chip says nothing else than this: the position before, and its
/// answers to hello and status. As on the wire, a status counts only from a chip that agreed.
pub(crate) fn trial(before: Position, hello: Hello, status: Status) -> Stop {
    let mut record = installed([0; 3]);
    let change = Change { part: Part::Net, manifest: Digest::of(b"on trial"), sequence: 8 };
    record.trial = Some(Trial { change, position_before: before, starts_left: 2, network_before: 0 });
    let mut agent = agent(record);
    let net = s::note(Chip::Net);
    let agrees = pintle_protocol::link::agree((net.link, net.profile), (hello.link, hello.profile)).is_some();
    let sense = Sense { hello: Some(hello), status: agrees.then_some(status), pressed: false };
    for second in 1..2000 {
        let at = Moment { now: second * 1000, sense, random: [0; 16] };
        agent.step(&at, Input::Tick, &mut Scratch::default());
        if let Some(outcome) = agent.record().outcome {
            assert_eq!(outcome.ending, Ending::WentBack);
            return (Reason::from_code(outcome.reason).unwrap(), outcome.detail);
        }
    }
    panic!("the trial never ends");
}

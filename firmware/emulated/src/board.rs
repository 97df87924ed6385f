//! The board around the core: flash, a pretended io chip, a pretended radio.

use crate::io::Io;
use crate::memory::Nor;
use pintle_protocol::agent::OUT_MAX;
use pintle_protocol::board::{Board, Layout, Request};
use pintle_protocol::link::{Ask, FRAME_MAX, decode_frame, encode_frame};
use pintle_protocol::slots::{RecordStore, Slot, slot_to_start};

/// Where things lie. The first MiB is as on the virtual board, where the node was commissioned; slot B of the net
/// chip is behind it, so that images of 256 KiB fit.
pub(crate) const LAYOUT: Layout = Layout {
    record: [0x0000, 0x1000],
    secrets: 0x2000,
    card: 0x3000,
    conf: [0x4000, 0x5000],
    keys: [0x6000, 0x7000],
    net: [0x1_0000, 0x10_0000],
    net_room: 0x4_0000,
    io: [0x5_0000, 0x7_0000],
    io_room: 0x2_0000,
    factory: [9_600; 2],
};

/// What the radio has to do.
#[derive(Clone, Copy)]
pub(crate) enum Pending {
    /// Nothing.
    Nothing,
    /// Join a network.
    Join,
    /// Send the check-in in `sent`.
    CheckIn,
    /// Get the envelope.
    Envelope,
    /// Get a piece of the payload.
    Payload { offset: u32, len: u32 },
    /// Something that this server does not know.
    Other,
}

/// The board.
pub(crate) struct Chip {
    /// Its flash.
    pub(crate) nor: Nor,
    /// What the radio has to do.
    pub(crate) pending: Pending,
    /// The last check-in.
    pub(crate) sent: heapless::Vec<u8, OUT_MAX>,
    /// The core asked for a restart.
    pub(crate) restarts: bool,
    running: Slot,
    /// The io chip.
    pub(crate) io: Io,
    random: u32,
    /// The starter card, on a board that was never started.
    card: Option<&'static [u8]>,
}

impl Chip {
    /// A board with this flash, as after a start.
    pub(crate) fn new(mut nor: Nor) -> Option<Self> {
        let record = RecordStore { sectors: LAYOUT.record }.load(&mut nor).ok()??;
        let running = slot_to_start(&mut nor, &LAYOUT, &record).ok()??;
        let io = Io::new(&record)?;
        let random = record.generation | 1 << 31;
        let (pending, sent) = (Pending::Nothing, heapless::Vec::new());
        Some(Self { nor, pending, sent, restarts: false, running, io, random, card: None })
    }

    /// A board that was never started, with its images from the bench in its flash, an io chip with blank flash, and
    /// its card.
    pub(crate) fn fresh(nor: Nor, io: &'static mut [u8], card: &'static [u8]) -> Self {
        let (pending, sent) = (Pending::Nothing, heapless::Vec::new());
        let (running, io) = (Slot::A, Io::in_loader(io));
        Self { nor, pending, sent, restarts: false, running, io, random: 1, card: Some(card) }
    }
}

impl Board for Chip {
    type Flash = Nor;

    fn flash(&mut self) -> &mut Nor {
        &mut self.nor
    }

    fn layout(&self) -> Layout {
        LAYOUT
    }

    fn running(&self) -> Option<Slot> {
        Some(self.running)
    }

    /// Not fit for keys that count: those that are made here are seen by nobody.
    fn random(&mut self, into: &mut [u8]) {
        for byte in into {
            self.random ^= self.random << 13;
            self.random ^= self.random >> 17;
            self.random ^= self.random << 5;
            *byte = self.random as u8;
        }
    }

    fn exchange(&mut self, frame: &[u8], answer: &mut [u8; FRAME_MAX]) -> bool {
        let said = decode_frame(frame).ok().and_then(|(kind, sequence, payload)| {
            let (kind, payload) = self.io.handle(&Ask::decode(kind, payload)?)?.encode();
            encode_frame(kind, sequence, &payload, answer)
        });
        said.is_some()
    }

    fn pressed(&mut self) -> bool {
        false
    }

    fn card(&mut self) -> Option<&[u8]> {
        self.card
    }

    fn join(&mut self, _: &[u8], _: &str) {
        self.pending = Pending::Join;
    }

    fn request(&mut self, _: &str, request: Request<'_>) {
        self.pending = match request {
            Request::CheckIn(body) => {
                self.sent.clear();
                match self.sent.extend_from_slice(body) {
                    Ok(()) => Pending::CheckIn,
                    Err(_) => Pending::Other,
                }
            }
            Request::Claim(_) => Pending::Other,
            Request::Envelope(_) => Pending::Envelope,
            Request::Payload { offset, len, .. } => Pending::Payload { offset, len },
        };
    }

    fn restart(&mut self) {
        self.restarts = true;
    }
}

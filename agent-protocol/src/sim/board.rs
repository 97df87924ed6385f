//! The virtual board.

use super::air::Air;
use super::chance::Chance;
use super::door::Door;
use super::flash::SimFlash;
use super::io_chip::IoChip;
use crate::agent::{BootFault, Node};
use crate::board::{Board, Event, FlashFault, JoinFault, Layout, Request};
use crate::id::{Chip, Digest};
use crate::image::{ImageNote, Quirk};
use crate::link::FRAME_MAX;
use crate::slots::{Part, RecordStore, Slot, count_start, slot_to_start};
use std::string::String;
use std::vec::Vec;

/// Bytes in each chip's slot of the virtual board.
const ROOM: u32 = 128 * 1024;
/// Bytes of flash.
const FLASH: usize = 0x10_0000;

/// Where things lie; the factory sizes are filled in by [`VirtualBoard::new`].
pub const LAYOUT: Layout = Layout {
    record: [0x0000, 0x1000],
    secrets: 0x2000,
    card: 0x3000,
    conf: [0x4000, 0x5000],
    keys: [0x6000, 0x7000],
    net: [0x1_0000, 0x1_0000 + ROOM],
    net_room: ROOM,
    io: [0x1_0000 + 2 * ROOM, 0x1_0000 + 3 * ROOM],
    io_room: ROOM,
    factory: [0, 0],
};

/// A request that the board wants to send.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum OwnedRequest {
    /// `POST /node/claim`.
    Claim(Vec<u8>),
    /// `POST /node/check-in`.
    CheckIn(Vec<u8>),
    /// `GET /node/envelope/<hex>`.
    Envelope(Digest),
    /// `GET /node/payload/<hex>` with a range.
    Payload {
        /// SHA-256 of the whole payload.
        digest: Digest,
        /// First byte.
        offset: u32,
        /// How many bytes.
        len: u32,
    },
}

/// What the radio will report next.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Pending {
    /// A network was joined, or not.
    Join(Result<i8, JoinFault>),
    /// A request waits to be carried out by whoever drives the board.
    Request {
        /// Base address of the server.
        base: String,
        /// The request.
        request: OwnedRequest,
    },
    /// A request that will never be answered.
    Silence,
    /// The network is gone.
    Lost,
    /// A server was heard on the local link.
    Found(Advert),
}

impl Pending {
    /// What it is to the node. A request, which somebody has to carry out, is one without an answer.
    pub fn event(&self) -> Event<'_> {
        match self {
            Self::Join(Ok(rssi_dbm)) => Event::Joined { rssi_dbm: *rssi_dbm },
            Self::Join(Err(why)) => Event::JoinFailed(*why),
            Self::Lost => Event::Lost,
            Self::Silence | Self::Request { .. } => Event::NoResponse,
            Self::Found(Advert { base, key }) => Event::Found { base, key: *key },
        }
    }
}

/// What somebody on the local link says of itself, as [`Event::Found`] has it.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Advert {
    /// Base address.
    pub base: String,
    /// Thumbprint of its key.
    pub key: [u8; 32],
}

/// A virtual board at a place in a yard.
#[derive(Clone, Debug)]
pub struct VirtualBoard {
    /// The net chip's flash.
    pub flash: SimFlash,
    /// The other chip.
    pub io: IoChip,
    /// The door.
    pub door: Door,
    /// Where it is screwed to the wall, as far as radio goes.
    pub place: String,
    /// When one chip's supply goes, the other keeps its own. Otherwise both go dark.
    pub supplies_apart: bool,
    /// The net chip alone loses power once the io chip's flash has done so many operations.
    pub net_resets_after: Option<u64>,
    /// What is heard when the local link is searched.
    pub adverts: Vec<Advert>,
    /// Whether the net chip can reset the io chip.
    pub reset_line: bool,
    /// Whether the boot loader counts starts.
    pub loader_counts: bool,
    /// An image of the net chip that dies before its node starts; the watchdog then starts the chip again.
    pub dies: Option<Digest>,
    layout: Layout,
    card: Vec<u8>,
    chance: Chance,
    joined: Option<Vec<u8>>,
    wants: Option<(Vec<u8>, String)>,
    pending: Option<Pending>,
    heard: Vec<Advert>,
    pressed: bool,
    restart: bool,
    seconds: u64,
    pub(crate) running: Slot,
    net_note: Option<ImageNote>,
}

impl VirtualBoard {
    /// A board fresh from the bench: both images burnt in, a starter card in its slot.
    pub fn new(place: &str, net: &[u8], io: &[u8], card: &[u8], door: Door, mut chance: Chance) -> Self {
        let mut flash = SimFlash::new(FLASH);
        flash.burn(LAYOUT.net[0], net);
        flash.burn(LAYOUT.io[0], io);
        let mut link = chance.clone();
        link.fill(&mut [0; 32]);
        chance.fill(&mut [0; 64]);
        let layout = Layout { factory: [net.len() as u32, io.len() as u32], ..LAYOUT };
        Self {
            flash,
            io: IoChip::new(io, link),
            door,
            place: place.into(),
            supplies_apart: false,
            net_resets_after: None,
            adverts: Vec::new(),
            reset_line: true,
            loader_counts: false,
            dies: None,
            heard: Vec::new(),
            layout,
            card: card.to_vec(),
            chance,
            joined: None,
            wants: None,
            pending: None,
            pressed: false,
            restart: false,
            seconds: 0,
            running: Slot::A,
            net_note: None,
        }
    }

    /// Starts a node: its boot loader chooses an image, and once more if that image asks for it at once.
    ///
    /// # Errors
    /// [`BootFault`], together with the board, so that power can come back.
    #[expect(clippy::result_large_err, reason = "the board comes back, as large as it went in")]
    pub fn start(mut self) -> Result<Node<Self>, (BootFault, Self)> {
        // More starts than any trial is given: what dies in all of them is never left.
        for _ in 0..10 {
            let runs = self.load();
            if self.flash.is_dark() {
                return Err((BootFault::Flash(FlashFault::PowerLost), self));
            }
            if runs.is_some() && runs == self.dies {
                continue;
            }
            let node = Node::start(self)?;
            if !node.board.restart {
                return Ok(node);
            }
            self = node.board;
            self.reset();
        }
        Err((BootFault::BadImage(Chip::Net), self))
    }

    /// The net chip's boot loader: chooses the image that runs from now on, and tells its digest.
    pub(crate) fn load(&mut self) -> Option<Digest> {
        let store = RecordStore { sectors: self.layout.record };
        let mut record = store.load(&mut self.flash).ok().flatten();
        let chosen = record.as_mut().and_then(|record| {
            let chosen = match self.loader_counts {
                true => count_start(&mut self.flash, &self.layout, record),
                false => slot_to_start(&mut self.flash, &self.layout, record),
            };
            chosen.ok().flatten()
        });
        self.running = chosen.unwrap_or(Slot::A);
        let runs = record.as_ref().and_then(|r| r.net.get(self.running));
        let size = record.as_ref().map_or(Some(self.layout.factory[0]), |_| runs.map(|i| i.size));
        let address = self.layout.slot(Part::Net, self.running);
        self.net_note = size.and_then(|size| ImageNote::find(&self.flash.peek(address, size)).ok());
        runs.map(|image| image.digest)
    }

    /// Both chips lose power and get it back; RAM is gone.
    pub fn power_cycle(&mut self) {
        self.flash.cut_after(None);
        self.io.power_on();
        self.reset();
    }

    /// The net chip alone starts again.
    pub fn reset(&mut self) {
        self.joined = None;
        self.wants = None;
        self.pending = None;
        self.heard.clear();
        self.restart = false;
        self.seconds = 0;
    }

    /// Whether the net chip wants to start again, or can no longer go on.
    pub fn wants_restart(&self) -> bool {
        self.restart
    }

    /// Somebody presses the node's own button.
    pub fn press_own_button(&mut self) {
        self.pressed = true;
    }

    /// The network joined.
    pub fn network(&self) -> Option<&[u8]> {
        self.joined.as_deref()
    }

    /// Time goes on by one second.
    pub fn second(&mut self, air: &Air) {
        self.seconds += 1;
        self.door.second();
        if self.io.flash().is_dark() && self.supplies_apart {
            self.io.power_on();
        }
        self.io.second();
        if self.net_note.is_some_and(|n| n.quirk == Quirk::ResetLoop) && self.seconds >= 6 {
            self.restart = true;
        }
        if let Some((ssid, passphrase)) = self.wants.take() {
            let result = air.join(&ssid, &passphrase, &self.place).map(|()| -55);
            self.joined = result.is_ok().then_some(ssid);
            self.pending = Some(Pending::Join(result));
        } else if let Some(ssid) = &self.joined
            && !air.is_there(ssid, &self.place)
        {
            self.joined = None;
            self.pending = Some(Pending::Lost);
        }
        if let (Some(Pending::Request { .. }), Some(ssid)) = (&self.pending, &self.joined)
            && !air.reaches_server(ssid, &self.place)
        {
            self.pending = Some(Pending::Silence);
        }
    }

    /// Whether nothing is asked for that has not been answered.
    pub fn is_quiet(&self) -> bool {
        self.pending.is_none() && self.heard.is_empty()
    }

    /// Takes what the radio has to report or wants done.
    pub fn take_pending(&mut self) -> Option<Pending> {
        self.pending.take().or_else(|| self.heard.pop().map(Pending::Found))
    }
}

impl Board for VirtualBoard {
    type Flash = SimFlash;

    fn flash(&mut self) -> &mut SimFlash {
        &mut self.flash
    }

    fn layout(&self) -> Layout {
        self.layout
    }

    fn running(&self) -> Option<Slot> {
        Some(self.running)
    }

    fn loader_counts(&self) -> bool {
        self.loader_counts
    }

    fn random(&mut self, into: &mut [u8]) {
        self.chance.fill(into);
    }

    fn reset_io(&mut self) {
        if self.reset_line {
            self.io.reset();
        }
    }

    fn exchange(&mut self, frame: &[u8], answer: &mut [u8; FRAME_MAX]) -> bool {
        if self.net_note.is_some_and(|n| n.quirk == Quirk::MuteLink) {
            return false;
        }
        let answered = self.io.exchange(frame, answer, &self.door);
        if self.net_resets_after.is_some_and(|n| self.io.flash().operations() >= n) {
            self.net_resets_after = None;
            self.flash.cut_after(Some(0));
            return false;
        }
        if self.io.flash().is_dark() {
            if !self.supplies_apart {
                self.flash.cut_after(Some(0));
            }
            return false;
        }
        answered
    }

    fn pressed(&mut self) -> bool {
        core::mem::take(&mut self.pressed)
    }

    fn card(&mut self) -> Option<&[u8]> {
        Some(&self.card)
    }

    fn join(&mut self, ssid: &[u8], passphrase: &str) {
        self.joined = None;
        self.wants = Some((ssid.to_vec(), passphrase.into()));
    }

    fn request(&mut self, base: &str, request: Request<'_>) {
        let request = match request {
            Request::Claim(body) => OwnedRequest::Claim(body.to_vec()),
            Request::CheckIn(body) => OwnedRequest::CheckIn(body.to_vec()),
            Request::Envelope(digest) => OwnedRequest::Envelope(digest),
            Request::Payload { digest, offset, len } => OwnedRequest::Payload { digest, offset, len },
        };
        let mute = self.net_note.is_some_and(|n| n.quirk == Quirk::NoCheckIn)
            && matches!(request, OwnedRequest::CheckIn(_));
        self.pending = Some(if mute || self.joined.is_none() {
            Pending::Silence
        } else {
            Pending::Request { base: base.into(), request }
        });
    }

    fn search(&mut self) {
        if self.joined.is_some() {
            self.heard = self.adverts.clone();
        }
    }

    fn restart(&mut self) {
        self.restart = true;
    }
}

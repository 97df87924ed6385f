//! The shell around the agent: does what it asks, on any [`Board`].

use super::boot::{anchors_in_force, boot, first_contact, read_bundle};
use super::in_force::InForce;
use super::machine::Agent;
use super::servers::{Servers, Went};
use super::storage::{erase, measure, store};
use super::trial::Millis;
use super::types::{Action, Actions, Input, Moment, RequestFault, Scratch, Sense};
use crate::board::{Board, Event, Flash, FlashFault, Layout, Request};
use crate::bundle::settings;
use crate::cbor::Item;
use crate::id::Chip;
use crate::link::{
    Answer, Ask, FRAME_MAX, Hello, Status, Transfer, TransferEnd, agree, decode_frame, encode_frame,
};
use crate::slots::{Part, RecordStore, Slot, StoreFault, is_image};
use crate::suit::TrustAnchors;

use core::mem::take;

pub use super::boot::BootFault;

/// Questions repeated to the io chip before a poll goes on without an answer.
const LINK_TRIES: u8 = 8;
/// Polls without an answer after which the io chip counts as silent.
const STALE_POLLS: u8 = 3;
/// Questions asked in one poll while an image is brought to the io chip.
const BURST: u32 = 400;
/// Questions without an answer after which a poll leaves the rest of them for later.
const SILENT_TRIES: u32 = 8;
/// How long it leaves them: a chip that is starting does not answer for some seconds.
const SILENT_PAUSE: Millis = 500;

/// A node on a board.
#[derive(Clone)]
pub struct Node<B> {
    /// The board, for whoever drives it.
    pub board: B,
    agent: Agent,
    scratch: Scratch,
    sense: Sense,
    silent_polls: u8,
    transfer: Option<(Transfer, Slot)>,
    burst_at: Millis,
    frame: u8,
    servers: Servers,
    /// A check-in or a claim is out.
    asks: bool,
    asked_network: u8,
    booted: bool,
}

/// Something went wrong below the agent. The node has to be started again.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NodeFault {
    /// Power was lost: only a virtual board reports it.
    PowerLost,
    /// Flash failed while reading what was there before.
    Flash(FlashFault),
    /// [`Node::boot`] was not called, or did not succeed.
    NotStarted,
}

impl From<FlashFault> for NodeFault {
    fn from(fault: FlashFault) -> Self {
        match fault {
            FlashFault::PowerLost => Self::PowerLost,
            other => Self::Flash(other),
        }
    }
}

impl<B: Board> Node<B> {
    /// A node that has not started yet; [`Node::boot`] starts it where it lies.
    #[inline]
    pub fn new(board: B) -> Self {
        Self {
            board,
            agent: Agent::blank(),
            scratch: Scratch::new(),
            sense: Sense::default(),
            silent_polls: 0,
            transfer: None,
            burst_at: 0,
            frame: 0,
            servers: Servers::default(),
            asks: false,
            asked_network: 0,
            booted: false,
        }
    }

    /// Starts a new node from what is in its flash, or from its starter card. Once, after every start of the chip.
    ///
    /// # Errors
    /// [`BootFault`]; the node is then of no use, but its board is.
    #[inline(never)]
    pub fn boot(&mut self) -> Result<(), BootFault> {
        let booted = boot(&mut self.board, &mut self.agent, self.scratch.work());
        // The card has been in there: its claim code and its passphrase.
        self.scratch.wipe();
        self.booted = booted.is_ok();
        booted
    }

    /// Starts a node in `place`. For chips: a node is several KiB, and this way it is on the stack for no longer than
    /// it takes to put it into its place.
    ///
    /// # Errors
    /// [`BootFault`]; the node in `place` is then of no use, but its board is.
    pub fn start_in(place: &mut Option<Self>, board: B) -> Result<&mut Self, BootFault> {
        let node = Self::put(place, board);
        node.boot()?;
        Ok(node)
    }

    #[inline(never)]
    fn put(place: &mut Option<Self>, board: B) -> &mut Self {
        place.insert(Self::new(board))
    }

    /// [`Node::new`] and [`Node::boot`], where there is stack enough for a node.
    ///
    /// # Errors
    /// [`BootFault`], together with the board, so that power can come back.
    pub fn start(board: B) -> Result<Self, (BootFault, B)> {
        let mut node = Self::new(board);
        match node.boot() {
            Ok(()) => Ok(node),
            Err(fault) => Err((fault, node.board)),
        }
    }

    /// The agent, to look at.
    pub fn agent(&self) -> &Agent {
        &self.agent
    }

    /// What was sensed last.
    pub fn sense(&self) -> &Sense {
        &self.sense
    }

    /// Whether an image is being brought to the io chip.
    pub fn programs_io(&self) -> bool {
        self.transfer.is_some()
    }

    /// One turn: look at the door, give the event to the agent, do what it asks.
    ///
    /// `now`: milliseconds since the start. Call at least once a second.
    ///
    /// # Errors
    /// [`NodeFault`]; the node has to be started again.
    pub fn poll(&mut self, now: Millis, event: Event<'_>) -> Result<(), NodeFault> {
        if !self.booted {
            return Err(NodeFault::NotStarted);
        }
        // Another image is to run: this one says and asks nothing any more.
        if self.agent.restarting {
            return Ok(());
        }
        if self.transfer.is_some() {
            self.burst(now)?;
        } else {
            self.look();
        }
        self.sense.pressed = self.board.pressed();
        let input = match event {
            Event::Nothing => Input::Tick,
            Event::Joined { rssi_dbm } => Input::Joined { index: self.asked_network, rssi_dbm },
            Event::JoinFailed(why) => Input::JoinFailed { index: self.asked_network, why },
            Event::Lost => Input::Lost,
            Event::Response { status: 200..=299, body } => Input::Answered(body),
            Event::Response { status, .. } => Input::Failed(RequestFault::Status(status)),
            Event::NoResponse => Input::Failed(RequestFault::Unreachable),
            Event::Found { base, key } => {
                let listed = self.agent.bundle.servers();
                self.servers.found(base, &key, listed, self.agent.anchors().server_keys());
                Input::Tick
            }
        };
        let asked = matches!(event, Event::Response { .. } | Event::NoResponse) && take(&mut self.asks);
        self.step(now, input)?;
        if asked {
            let how = match event {
                Event::Response { .. } if self.agent.last_answer() == now => Went::Proved,
                Event::Response { .. } => Went::Unproved,
                _ => Went::Silent,
            };
            self.mind(how, now);
        }
        if input != Input::Tick {
            self.step(now, Input::Tick)?;
        }
        Ok(())
    }

    /// Steps the agent until it asks for nothing more.
    fn step(&mut self, now: Millis, input: Input<'_>) -> Result<(), NodeFault> {
        let body = match input {
            Input::Answered(body) => body,
            _ => &[],
        };
        let (mut actions, mut next) = (&mut Actions::new(), &mut Actions::new());
        self.ask_agent(now, &input, actions);
        while !actions.is_empty() {
            next.clear();
            for action in &*actions {
                match self.perform(now, action, body)? {
                    None => {}
                    Some(input) => {
                        next.clear();
                        self.ask_agent(now, &input, next);
                        if matches!(input, Input::SaveFailed { .. }) {
                            break;
                        }
                    }
                }
            }
            core::mem::swap(&mut actions, &mut next);
        }
        Ok(())
    }

    #[inline(never)]
    fn ask_agent(&mut self, now: Millis, input: &Input<'_>, out: &mut Actions) {
        let mut random = [0u8; 16];
        self.board.random(&mut random);
        self.agent.step_into(&Moment { now, sense: self.sense, random }, *input, &mut self.scratch, out);
    }

    /// Does one thing; what it brings, if anything.
    #[inline(never)]
    fn perform(
        &mut self,
        now: Millis,
        action: &Action,
        body: &[u8],
    ) -> Result<Option<Input<'static>>, NodeFault> {
        let layout = self.board.layout();
        let flash_input = |result: Result<(), FlashFault>| match result {
            Ok(()) => Ok(Some(Input::FlashDone)),
            Err(FlashFault::PowerLost) => Err(NodeFault::PowerLost),
            Err(FlashFault::Worn { address } | FlashFault::Range { address }) => {
                Ok(Some(Input::FlashFailed(address)))
            }
            Err(FlashFault::Chip) => Ok(Some(Input::FlashFailed(0))),
        };
        match *action {
            Action::Save => {
                let store = RecordStore { sectors: layout.record };
                match store.save(self.board.flash(), self.agent.record_mut()) {
                    Ok(()) => return Ok(None),
                    Err(StoreFault::Flash(FlashFault::PowerLost)) => return Err(NodeFault::PowerLost),
                    Err(StoreFault::Flash(_) | StoreFault::TooLarge) => {}
                }
                let staged = self.agent.record().staged.map(|change| change.manifest);
                store.load_into(self.board.flash(), self.agent.record_mut())?;
                return Ok(Some(Input::SaveFailed { staged }));
            }
            Action::Join(index) => {
                self.asked_network = index;
                // The agent counts those that there are; without one it tries again after a while.
                if let Some(network) = self.agent.bundle.network(index) {
                    self.board.join(&network.ssid, &network.passphrase);
                }
            }
            Action::Claim => self.request(now, Request::Claim(&[])),
            Action::CheckIn => self.request(now, Request::CheckIn(&[])),
            Action::GetEnvelope(digest) => self.request(now, Request::Envelope(digest)),
            Action::GetPayload { digest, offset, len } => {
                self.request(now, Request::Payload { digest, offset, len });
            }
            Action::Erase { part, slot, size } => {
                return flash_input(erase(self.board.flash(), layout.slot(part, slot), size));
            }
            Action::StoreBody { part, slot, offset } => {
                return flash_input(store(self.board.flash(), layout.slot(part, slot) + offset, body));
            }
            Action::StorePlain { part, slot } => {
                let plain = self.scratch.rest();
                return flash_input(store(self.board.flash(), layout.slot(part, slot), plain));
            }
            Action::Measure { part, slot, size } => {
                let size = size.min(layout.room(part));
                return match measure(self.board.flash(), layout.slot(part, slot), size) {
                    Ok(measured) => Ok(Some(Input::Measured(measured))),
                    Err(fault) => flash_input(Err(fault)),
                };
            }
            Action::ProgramIo(slot) => {
                let Some(image) = self.agent.record().chip(Chip::Io).get(slot) else {
                    return Ok(Some(Input::IoEnded(TransferEnd::NoAnswer)));
                };
                // The io chip would erase what it has, and then measure another digest, each time.
                let address = layout.slot(Part::Io, slot);
                if !is_image(self.board.flash(), address, &image)? {
                    return Ok(Some(Input::IoEnded(TransferEnd::WrongDigest)));
                }
                if self.sense.hello.is_none() {
                    self.board.reset_io();
                }
                self.transfer = Some((Transfer::new(image.size, image.digest), slot));
                self.sense.hello = None;
                self.sense.status = None;
            }
            Action::Inhibit(on) => {
                let _ = self.exchange(&Ask::Inhibit(on));
            }
            Action::Reload => {
                let before = self.agent.bundle.servers().len();
                self.reload(now, &layout)?;
                self.servers.relisted(before, self.agent.bundle.servers().len());
            }
            Action::Restart => self.board.restart(),
        }
        Ok(None)
    }

    /// Loads the bundle and the trust anchors in force again. Nothing is being taken then.
    #[inline(never)]
    fn reload(&mut self, now: Millis, layout: &Layout) -> Result<(), FlashFault> {
        let (flash, work) = (self.board.flash(), self.scratch.work());
        let record = self.agent.record();
        let mut anchors = TrustAnchors::blank();
        if !anchors_in_force(flash, layout, record, &mut anchors, work)? {
            anchors.clone_from(self.agent.anchors());
        }
        let mut bundle = InForce::NOTHING;
        // A card that is not whole says nothing; then nobody is asked until the next start.
        if !read_bundle(flash, layout, record, record.conf.active, &mut bundle, work)?
            && let Err(BootFault::Flash(fault)) = first_contact(flash, layout, &mut bundle, work)
        {
            return Err(fault);
        }
        self.scratch.wipe();
        self.agent.goes_by(now, bundle, anchors);
        Ok(())
    }

    /// Goes on with this address of the server or the next, and searches if nothing comes.
    fn mind(&mut self, how: Went, now: Millis) {
        if self.servers.went(how, self.agent.bundle.servers(), now) {
            self.board.search();
        }
    }

    fn request(&mut self, now: Millis, request: Request<'_>) {
        if self.asks {
            // The one before was never answered, nor did the board say so.
            self.mind(Went::Silent, now);
        }
        let listed = self.agent.bundle.servers();
        self.asks = matches!(request, Request::Claim(_) | Request::CheckIn(_));
        let base = if self.asks { self.servers.to_ask(listed) } else { self.servers.to_fetch_from(listed) };
        let out = self.scratch.rest();
        let request = match request {
            Request::Claim(_) => Request::Claim(out),
            Request::CheckIn(_) => Request::CheckIn(out),
            other => other,
        };
        self.board.request(base, request);
    }

    /// Asks the io chip who it is and how the door is.
    fn look(&mut self) {
        let Some((link, profile)) = self.agent.record().net.current().map(|i| (i.link, i.profile)) else {
            return;
        };
        let hello = match self.exchange(&Ask::Hello { link, profile }) {
            Some(Answer::Hello(hello)) => Some(hello),
            _ => None,
        };
        // What a chip says that does not mean the same by it is not known.
        let agreed = hello.is_some_and(|h| agree((link, profile), (h.link, h.profile)).is_some());
        let status = match agreed.then(|| self.exchange(&Ask::Status)).flatten() {
            Some(Answer::Status(status)) => Some(status),
            _ => None,
        };
        self.sensed(hello, status);
        self.tell_settings();
    }

    /// Gives the io chip the settings of the bundle in force, if it goes by others.
    fn tell_settings(&mut self) {
        let (Some(status), Some(bundle)) = (self.sense.status, self.agent.bundle()) else { return };
        if status.settings == self.agent.bundle.sum() {
            return;
        }
        for (key, value) in settings(bundle) {
            if !matches!(self.exchange(&Ask::Setting { key, value }), Some(Answer::Done { .. })) {
                // The rest comes with the next poll: the sum will still differ.
                return;
            }
        }
    }

    fn sensed(&mut self, hello: Option<Hello>, status: Option<Status>) {
        if hello.is_some() {
            self.silent_polls = 0;
            self.sense.hello = hello;
            self.sense.status = status;
        } else {
            // An old status is never shown as a fresh one.
            self.sense.status = None;
            self.silent_polls = self.silent_polls.saturating_add(1);
            if self.silent_polls >= STALE_POLLS {
                self.sense.hello = None;
            }
        }
    }

    /// One question, repeated until a whole answer with its number comes.
    fn exchange(&mut self, ask: &Ask) -> Option<Answer> {
        self.frame = self.frame.wrapping_add(1);
        (0..LINK_TRIES).find_map(|_| self.exchange_once(ask))
    }

    fn exchange_once(&mut self, ask: &Ask) -> Option<Answer> {
        let (kind, payload) = ask.encode();
        let mut frame = [0u8; FRAME_MAX];
        let len = encode_frame(kind, self.frame, &payload, &mut frame)?;
        let mut answer = [0u8; FRAME_MAX];
        if !self.board.exchange(frame.get(..len)?, &mut answer) {
            return None;
        }
        let (kind, sequence, payload) = decode_frame(&answer).ok()?;
        if sequence == self.frame { Answer::decode(kind, payload) } else { None }
    }

    /// Goes on bringing an image to the io chip.
    fn burst(&mut self, now: Millis) -> Result<(), NodeFault> {
        if now < self.burst_at {
            return Ok(());
        }
        let layout = self.board.layout();
        let mut silent = 0;
        for _ in 0..BURST {
            let Some((mut transfer, slot)) = self.transfer else { break };
            let mut piece = [0u8; crate::link::DATA_MAX];
            let mut len = 0;
            if let Some((offset, wanted)) = transfer.wants() {
                len = wanted;
                let address = layout.slot(Part::Io, slot) + offset;
                let read = self.board.flash().read(address, piece.get_mut(..len).unwrap_or_default());
                if !FlashFault::readable(read)? {
                    // No piece, so that a try is spent.
                    len = 0;
                }
            }
            let ask = transfer.ask(piece.get(..len).unwrap_or_default());
            if let Some(ask) = ask {
                self.frame = self.frame.wrapping_add(1);
                if let Some(answer) = self.exchange_once(&ask) {
                    transfer.answered(&answer);
                    silent = 0;
                } else {
                    silent += 1;
                }
            }
            self.transfer = Some((transfer, slot));
            if let Some(end) = transfer.ended() {
                self.transfer = None;
                self.silent_polls = 0;
                self.step(now, Input::IoEnded(end))?;
            } else if silent >= SILENT_TRIES {
                // It may be starting: the tries that are left are for later, not for this second.
                self.burst_at = now + SILENT_PAUSE;
                break;
            }
        }
        Ok(())
    }
}

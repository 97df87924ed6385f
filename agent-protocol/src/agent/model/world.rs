//! The world around an agent, cut down to what the agent can tell apart: a door and the people at
//! it, an io chip on a wire, a network with a server behind it.

use super::setup::Setup;
use crate::checkin::Position;
use crate::image::Quirk;
use crate::link::{Hello, Mode, Status};
use crate::version::{ActuationProfile, LinkRange, Version};

/// What is in a slot: 0 what the node left the bench with, `n + 1` what change `n` brings.
pub(super) type Content = u8;
/// Nothing whole. Of an io chip: it is in its loader.
pub(super) const NOTHING: Content = u8::MAX;
/// A poll of the node's main loop, in milliseconds.
pub(super) const SECOND: u64 = 1_000;
/// Rest, trial and check-in interval of the bundles here.
pub(super) const TICK: u64 = 30_000;
/// As long as the longest time that the agent knows.
pub(super) const LONG: u64 = 600_000;

/// Where the door is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(super) enum Place {
    Open,
    Partly,
    Closed,
}

/// An unattended close.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(super) enum Closing {
    No,
    Pending,
    Warning,
}

/// What lies between the node and its server.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(super) enum Net {
    Up,
    NoServer,
    Down,
}

/// The world.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(super) struct World {
    pub(super) place: Place,
    /// Where it goes, while it moves.
    pub(super) goes: Option<Place>,
    /// It has been at rest for as long as the bundle asks.
    pub(super) rested: bool,
    pub(super) closing: Closing,
    /// The relay is closed in this moment.
    pub(super) pulse: bool,
    /// The range finder sees nothing.
    pub(super) blind: bool,
    /// The wire between the chips is whole.
    pub(super) wire: bool,
    pub(super) net: Net,
    /// What the io chip runs.
    pub(super) io: Content,
    pub(super) inhibited: bool,
    /// The sum of the settings that the io chip goes by.
    pub(super) settings: u16,
    /// The change that the server offers.
    pub(super) offered: u8,
}

/// What may happen between two polls.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(super) enum Event {
    /// A second passes.
    Second,
    /// Half a minute passes: a door that moves arrives, one at rest has rested.
    Tick,
    /// Ten minutes pass.
    Long,
    /// Ten minutes pass in which the door is used again and again.
    LongUse,
    /// Somebody uses the operator's own wall button.
    Wall,
    /// The same while the door moves: it stops on the way.
    WallAgain,
    /// Somebody presses the controller's button.
    Press,
    /// An unattended close falls due.
    CloseDue,
    /// Its warning begins.
    Warn,
    /// Its warning is over: the door closes if the relay may pulse.
    WarnEnds,
    Blind(bool),
    Wire(bool),
    Net(Net),
    /// Somebody presses the node's own button.
    Consent,
    /// The radio never says how the last request ended.
    Hush,
    /// The io chip alone starts again.
    IoReset,
    /// What is brought to the io chip arrives spoilt.
    Spoilt,
    /// The server offers the next change.
    NextOffer,
}

impl Event {
    /// How long it takes, in milliseconds.
    pub(super) const fn takes(self) -> u64 {
        match self {
            Self::Tick | Self::Spoilt => TICK,
            Self::Long | Self::LongUse => LONG,
            _ => SECOND,
        }
    }

    /// Whether something breaks by it. People at the door break nothing.
    pub(super) const fn disturbs(self) -> bool {
        match self {
            Self::Blind(true) | Self::Wire(false) | Self::Net(Net::NoServer | Net::Down) => true,
            Self::Hush | Self::IoReset | Self::Spoilt => true,
            Self::Second | Self::Tick | Self::Long | Self::LongUse => false,
            Self::Wall | Self::WallAgain | Self::Press => false,
            Self::CloseDue | Self::Warn | Self::WarnEnds | Self::Consent | Self::NextOffer => false,
            Self::Blind(false) | Self::Wire(true) | Self::Net(Net::Up) => false,
        }
    }
}

impl World {
    /// A closed door at rest, and everything in order.
    pub(super) const fn new(settings: u16) -> Self {
        Self {
            place: Place::Closed,
            goes: None,
            rested: true,
            closing: Closing::No,
            pulse: false,
            blind: false,
            wire: true,
            net: Net::Up,
            io: 0,
            inhibited: true,
            settings,
            offered: 0,
        }
    }

    /// The door alone after `event`, or `None` if that cannot happen now. The relay has pulsed if
    /// `pulse` is set then.
    pub(super) fn after(mut self, event: Event) -> Option<Self> {
        let was_moving = self.goes.is_some();
        self.pulse = false;
        let may_pulse = self.io != NOTHING && self.settings != 0 && !self.inhibited;
        let can = match event {
            Event::Second | Event::Consent | Event::Hush | Event::Spoilt | Event::NextOffer => true,
            Event::Tick | Event::Long => {
                self.arrive();
                self.rested = event == Event::Long || !was_moving;
                true
            }
            Event::LongUse => was_moving,
            Event::Wall | Event::WallAgain => {
                self.used();
                was_moving == (event == Event::WallAgain)
            }
            Event::Press => {
                self.pulse = may_pulse;
                self.used_if(may_pulse);
                may_pulse
            }
            Event::CloseDue => {
                let due =
                    may_pulse && self.place == Place::Open && !was_moving && self.closing == Closing::No;
                self.closing = Closing::Pending;
                due
            }
            Event::Warn => core::mem::replace(&mut self.closing, Closing::Warning) == Closing::Pending,
            Event::WarnEnds => {
                self.pulse = may_pulse;
                self.used_if(may_pulse && self.place == Place::Open && !was_moving);
                core::mem::replace(&mut self.closing, Closing::No) == Closing::Warning
            }
            Event::Blind(blind) => core::mem::replace(&mut self.blind, blind) != blind,
            Event::Wire(wire) => core::mem::replace(&mut self.wire, wire) != wire,
            Event::Net(net) => core::mem::replace(&mut self.net, net) != net,
            Event::IoReset => {
                self.io_restarts();
                true
            }
        };
        can.then_some(self)
    }

    fn used_if(&mut self, pulsed: bool) {
        if pulsed {
            self.used();
        }
    }

    /// The operator takes a push: it starts, or stops on the way.
    fn used(&mut self) {
        self.rested = false;
        self.goes = match (self.goes.take(), self.place) {
            (Some(_), _) => {
                self.place = Place::Partly;
                None
            }
            (None, Place::Closed) => Some(Place::Open),
            (None, Place::Open | Place::Partly) => Some(Place::Closed),
        };
    }

    fn arrive(&mut self) {
        if let Some(place) = self.goes.take() {
            self.place = place;
        }
    }

    /// The io chip starts: the relay is off until it is told otherwise, and no close is due.
    pub(super) fn io_restarts(&mut self) {
        self.inhibited = true;
        self.settings = 0;
        self.pulse = false;
        self.closing = Closing::No;
    }

    /// Whether a change that touches actuation may be applied in this moment, in truth.
    pub(super) fn is_safe(&self, rest: bool) -> bool {
        let known = !self.blind && self.wire && self.io != NOTHING && self.settings != 0;
        let still =
            self.goes.is_none() && (self.rested || !rest) && self.closing == Closing::No && !self.pulse;
        known && still && self.inhibited
    }

    /// What the io chip says to a hello.
    pub(super) fn hello(&self, setup: &Setup) -> Option<Hello> {
        if !self.wire {
            return None;
        }
        if self.io == NOTHING {
            return Some(Hello {
                mode: Mode::Loader,
                version: Version::default(),
                link: LinkRange { oldest: 0, newest: 0 },
                profile: ActuationProfile { id: 0, version: 0 },
                digest: [0; 8],
            });
        }
        let image = setup.io_image(self.io);
        if image.note.quirk == Quirk::MuteLink {
            return None;
        }
        let mut digest = [0; 8];
        digest.copy_from_slice(&image.digest.0[..8]);
        let note = &image.note;
        let (version, link, profile) = (note.version, note.link, note.profile);
        Some(Hello { mode: Mode::Application, version, link, profile, digest })
    }

    /// What the io chip says of the door.
    pub(super) fn status(&self, setup: &Setup) -> Option<Status> {
        self.hello(setup).filter(|h| h.mode == Mode::Application)?;
        let wrong = setup.io_image(self.io).note.quirk == Quirk::WrongPosition;
        let position = match (self.place, self.goes) {
            _ if self.blind || self.settings == 0 => Position::Unknown,
            (Place::Closed, None) => {
                if wrong {
                    Position::Open
                } else {
                    Position::Closed
                }
            }
            (Place::Open, None) => {
                if wrong {
                    Position::Closed
                } else {
                    Position::Open
                }
            }
            (_, Some(_)) | (Place::Partly, None) => Position::PartlyOpen,
        };
        Some(Status {
            position,
            moving: self.goes.is_some(),
            relay_pulse: self.pulse,
            close_pending: self.closing == Closing::Pending,
            warning: self.closing == Closing::Warning,
            button: false,
            gas_alarm: false,
            plausible: !self.blind,
            inhibited: self.inhibited,
            rest_seconds: if self.rested { 3600 } else { u16::from(self.goes.is_none()) },
            supply_mv: 5000,
            relay_pulses: 0,
            settings: self.settings,
        })
    }
}

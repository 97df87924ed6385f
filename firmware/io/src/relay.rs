//! The relay across the push-button terminals of the door's operator.

use latchboard::regs::reached;
use latchboard::settings::{GAP_MS, PULSE_MS, Settings};

/// After a start the relay stays off for this long, in milliseconds.
const START_MS: u32 = 10_000;
/// No pulse is longer, whatever the settings say, in milliseconds.
const PULSE_MAX_MS: u32 = 1_000;

/// What the relay does.
pub(crate) struct Relay {
    /// Before this no pulse starts.
    ready_at: u32,
    /// Set until the net chip has said what the bundle in force wants, and whenever it says so.
    inhibited: bool,
    /// A pulse is in progress until then.
    until: Option<u32>,
    pressed: bool,
}

impl Relay {
    /// A button that is held at the start must be let go first.
    pub(crate) const fn new(started: u32) -> Self {
        Self { ready_at: started.wrapping_add(START_MS), inhibited: true, until: None, pressed: true }
    }

    pub(crate) const fn closed(&self) -> bool {
        self.until.is_some()
    }

    pub(crate) const fn inhibited(&self) -> bool {
        self.inhibited
    }

    /// An inhibition ends a pulse in progress at the next step.
    pub(crate) const fn inhibit(&mut self, on: bool) {
        self.inhibited = on;
    }

    /// One pulse per press. `known`: the settings have all come. Whether the contact is to be closed now.
    pub(crate) fn step(&mut self, now: u32, pressed: bool, known: bool, settings: &Settings) -> bool {
        let press = pressed && !self.pressed;
        self.pressed = pressed;
        match self.until {
            Some(until) if self.inhibited || reached(now, until) => {
                self.until = None;
                self.ready_at = now.wrapping_add(settings[GAP_MS]);
            }
            None if press && known && !self.inhibited && reached(now, self.ready_at) => {
                self.until = Some(now.wrapping_add(settings[PULSE_MS].min(PULSE_MAX_MS)));
            }
            _ => {}
        }
        self.closed()
    }
}

//! Sample firmware for the net chip: shakes hands with the io chip, gives it its settings, asks it how the door
//! is, and reports that by radio.
//!
//! It shows the shape of such a program. The keys, the envelope and the signed check-in of a real node are
//! what `pintle-protocol` is for; `docs/porting.md` says how to put it in.
#![no_std]
#![no_main]

use latchboard::link::{self, Frame};
use latchboard::note::{self, Note};
use latchboard::regs::*;
use latchboard::settings;
use latchboard::tables::{GAMMA, GAMMA_LEN, SINE, SINE_LEN};
use latchboard::variant::{MUTE_LINK, NO_CHECK_IN, RESET_LOOP, WRONG_POSITION};

/// What this image says about itself.
#[unsafe(no_mangle)]
#[unsafe(link_section = ".pintle")]
#[used]
static NOTE: Note = Note(note::note(1, note::CLASS_NET));

/// Where the boot loader jumps to: sets the stack pointer, then runs. There is nothing to copy or to clear.
#[unsafe(no_mangle)]
#[unsafe(link_section = ".start")]
#[unsafe(naked)]
unsafe extern "C" fn start() -> ! {
    core::arch::naked_asm!("la sp, _stack_top", "tail {run}", run = sym run)
}

#[panic_handler]
fn panic(_: &core::panic::PanicInfo<'_>) -> ! {
    reset(RESET_NOW)
}

/// Time between two questions about the door, and between hellos that found no agreement, in milliseconds.
const ASK_MS: u32 = 1_000;
/// An answer that has not come by then is lost, in milliseconds.
const ANSWER_MS: u32 = 100;
/// After so many lost answers in a row the io chip is greeted anew.
const LOST_MAX: u8 = 3;
/// Time between two check-ins, in milliseconds.
const CHECK_IN_MS: u32 = 60_000;
/// A faulty image resets after this long, in milliseconds.
const RESET_AFTER_MS: u32 = 4_000;
/// Bytes in the io chip's answer about the door.
const STATUS_LEN: usize = 12;

/// Where things stand with the io chip.
#[derive(Clone, Copy, PartialEq, Eq)]
enum Stage {
    /// Asks who it is.
    Hello,
    /// Gives it its settings, this one next.
    Setting(u8),
    /// Lifts the inhibition of the relay.
    Release,
    /// Asks how the door is.
    Watch,
}

/// The io chip, as seen from here.
struct Peer {
    stage: Stage,
    sequence: u8,
    /// The next question goes out then.
    ask_at: u32,
    /// An answer is expected until then.
    waits: Option<u32>,
    lost: u8,
    /// Its last answer about the door.
    status: Option<[u8; STATUS_LEN]>,
}

extern "C" fn run() -> ! {
    let started = TICK.get();
    let mut peer =
        Peer { stage: Stage::Hello, sequence: 0, ask_at: started, waits: None, lost: 0, status: None };
    let mut check_in_at = started;
    loop {
        WATCHDOG.set(FEED);
        let now = TICK.get();
        if NOTE.quirk() == RESET_LOOP && reached(now, started.wrapping_add(RESET_AFTER_MS)) {
            reset(RESET_NOW);
        }
        if NOTE.quirk() != MUTE_LINK {
            peer.step(now, Frame::receive());
        }
        LAMP.set(lamp(now, peer.status.is_some()));
        if RADIO_STATUS.get() & 1 == 1 && reached(now, check_in_at) && NOTE.quirk() != NO_CHECK_IN {
            check_in(now, peer.status);
            check_in_at = now.wrapping_add(CHECK_IN_MS);
        }
    }
}

impl Peer {
    fn step(&mut self, now: u32, heard: Option<Frame>) {
        match (self.waits, heard) {
            (Some(_), Some(frame)) if frame.sequence() == self.sequence => {
                self.waits = None;
                self.lost = 0;
                self.heard(now, &frame);
            }
            (Some(until), _) if reached(now, until) => {
                self.waits = None;
                self.lost += 1;
                if self.lost >= LOST_MAX {
                    *self = Self { stage: Stage::Hello, lost: 0, status: None, ..*self };
                }
            }
            (None, _) if reached(now, self.ask_at) => {
                self.sequence = self.sequence.wrapping_add(1);
                self.ask();
                self.waits = Some(now.wrapping_add(ANSWER_MS));
            }
            _ => {}
        }
    }

    fn ask(&self) {
        let send = |kind, payload: &[u8]| Frame::new(kind, self.sequence, payload).send();
        match self.stage {
            Stage::Hello => send(link::HELLO, &link::hello(&NOTE)),
            Stage::Setting(key) => {
                let [a, b, c, d] = settings::SAMPLE[usize::from(key)].to_le_bytes();
                send(link::SETTING, &[key, a, b, c, d]);
            }
            Stage::Release => send(link::INHIBIT, &[0]),
            Stage::Watch => send(link::STATUS, &[]),
        }
    }

    /// Takes the answer to the last question. One of another kind changes nothing: the same is asked again.
    fn heard(&mut self, now: u32, frame: &Frame) {
        const HELLO: u8 = link::HELLO + link::ANSWER;
        const STATUS: u8 = link::STATUS + link::ANSWER;
        let later = now.wrapping_add(ASK_MS);
        (self.stage, self.ask_at) = match (self.stage, frame.kind()) {
            (Stage::Hello, HELLO) if link::agree(&NOTE, frame.payload()) => (Stage::Watch, now),
            (Stage::Setting(key), link::DONE) if usize::from(key) + 1 < settings::COUNT => {
                (Stage::Setting(key + 1), now)
            }
            (Stage::Setting(_), link::DONE) => (Stage::Release, now),
            (Stage::Release, link::DONE) => (Stage::Watch, now),
            (Stage::Watch, STATUS) => {
                self.status = frame.payload().try_into().ok();
                match self.status {
                    // It has other settings, or none since it started anew.
                    Some([.., s0, s1])
                        if u16::from_le_bytes([s0, s1]) != settings::sum(&settings::SAMPLE) =>
                    {
                        (Stage::Setting(0), now)
                    }
                    _ => (Stage::Watch, later),
                }
            }
            (stage, _) => (stage, later),
        };
    }
}

/// Breathes slowly while all is well, blinks while the io chip is not there.
fn lamp(now: u32, well: bool) -> u32 {
    if !well {
        return if now & 0x100 == 0 { 0 } else { u32::from(u16::MAX) };
    }
    let wave = i32::from(SINE[now as usize % SINE_LEN]) + 32_767;
    u32::from(GAMMA[(wave as usize / 4).min(GAMMA_LEN - 1)])
}

/// Sends version, uptime and what the io chip said last; nothing of that if it said nothing.
fn check_in(now: u32, status: Option<[u8; STATUS_LEN]>) {
    let mut status = status;
    // 1 is open, 3 is closed.
    if let Some([position @ (1..=3), ..]) = &mut status
        && NOTE.quirk() == WRONG_POSITION
    {
        *position = if *position == 1 { 3 } else { 1 };
    }
    for byte in NOTE.version().into_iter().chain(now.to_le_bytes()).chain(status.into_iter().flatten()) {
        RADIO_OUT.set(u32::from(byte));
    }
    RADIO_SEND.set(1);
}

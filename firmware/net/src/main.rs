//! Sample firmware for the net chip: shakes hands with the io chip, asks it for the state of the door, and
//! reports that by radio.
//!
//! It shows the shape of such a program. The keys, the envelope and the signed check-in of a real node are
//! what `pintle-protocol` is for; `docs/porting.md` says how to put it in.
#![no_std]
#![no_main]

use latchboard::link::{self, Frame, Receiver};
use latchboard::note::{self, Note};
use latchboard::regs::*;
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
    reset()
}

/// Time between two hellos while the io chip does not answer, in milliseconds.
const HELLO_MS: u32 = 500;
/// Time between two questions to the io chip, in milliseconds.
const ASK_MS: u32 = 1_000;
/// The io chip is taken for gone after this long without a word, in milliseconds.
const GONE_MS: u32 = 5_000;
/// Time between two check-ins, in milliseconds.
const CHECK_IN_MS: u32 = 60_000;
/// A faulty image resets after this long, in milliseconds.
const RESET_AFTER_MS: u32 = 4_000;

/// Where the link to the io chip stands.
enum Peer {
    /// Hellos go out; the next one at this time.
    Calling { hello_at: u32 },
    /// Both agree on a link version. The next question goes out at `ask_at`, and the last word came at `heard`.
    Speaking { ask_at: u32, heard: u32 },
}

extern "C" fn run() -> ! {
    let started = TICK.get();
    let mut link = Receiver::new();
    let mut peer = Peer::Calling { hello_at: started };
    let mut state = Frame::new(link::STATE, &[]);
    let mut check_in_at = started;
    loop {
        WATCHDOG.set(FEED);
        let now = TICK.get();
        if NOTE.quirk() == RESET_LOOP && reached(now, started.wrapping_add(RESET_AFTER_MS)) {
            reset();
        }
        let heard = link.poll().filter(|_| NOTE.quirk() != MUTE_LINK);
        peer = step(peer, now, heard, &mut state);
        LAMP.set(lamp(now, matches!(peer, Peer::Speaking { .. })));
        if RADIO_STATUS.get() & 1 == 1 && reached(now, check_in_at) && NOTE.quirk() != NO_CHECK_IN {
            check_in(now, &state);
            check_in_at = now.wrapping_add(CHECK_IN_MS);
        }
    }
}

fn step(peer: Peer, now: u32, heard: Option<Frame>, state: &mut Frame) -> Peer {
    // A muted image hears nothing (see `run`) and says nothing.
    let mute = NOTE.quirk() == MUTE_LINK;
    match (peer, heard) {
        (_, Some(frame)) if frame.kind == link::HELLO => match link::agree(&NOTE, &frame) {
            Some(_) => Peer::Speaking { ask_at: now, heard: now },
            None => Peer::Calling { hello_at: now.wrapping_add(HELLO_MS) },
        },
        (Peer::Speaking { ask_at, .. }, Some(frame)) if frame.kind == link::STATE => {
            *state = frame;
            Peer::Speaking { ask_at, heard: now }
        }
        (Peer::Speaking { heard, .. }, _) if reached(now, heard.wrapping_add(GONE_MS)) => {
            *state = Frame::new(link::STATE, &[]);
            Peer::Calling { hello_at: now }
        }
        (Peer::Speaking { ask_at, heard }, _) if reached(now, ask_at) => {
            Frame::new(link::STATE, &[]).send();
            Peer::Speaking { ask_at: now.wrapping_add(ASK_MS), heard }
        }
        (Peer::Calling { hello_at }, _) if reached(now, hello_at) && !mute => {
            link::hello(&NOTE).send();
            Peer::Calling { hello_at: now.wrapping_add(HELLO_MS) }
        }
        (peer, _) => peer,
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

/// Sends version, uptime and what the io chip said.
fn check_in(now: u32, state: &Frame) {
    let mut bytes = [0; link::MAX];
    let len = state.bytes().len();
    bytes[..len].copy_from_slice(state.bytes());
    // 1 is open, 3 is closed.
    if NOTE.quirk() == WRONG_POSITION && len > 0 {
        bytes[0] = match bytes[0] {
            1 => 3,
            3 => 1,
            other => other,
        };
    }
    for byte in NOTE.version().into_iter().chain(now.to_le_bytes()).chain(bytes[..len].iter().copied()) {
        RADIO_OUT.set(u32::from(byte));
    }
    RADIO_SEND.set(1);
}

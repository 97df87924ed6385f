//! Sample firmware for the io chip: sensors, button and relay.
//!
//! The relay stays open until the chip has run for ten seconds, whatever happens, and opens first thing at
//! every start and in every panic. The only thing that ever pulses it is the button on the node.
#![no_std]
#![no_main]

mod door;

use door::{Door, Position};
use latchboard::link::{self, Frame, Receiver};
use latchboard::note::{self, Note};
use latchboard::regs::*;
use latchboard::tables::{SINE, SINE_LEN};
use latchboard::variant::{MUTE_LINK, RESET_LOOP, WRONG_POSITION};

/// What this image says about itself.
#[unsafe(no_mangle)]
#[unsafe(link_section = ".pintle")]
#[used]
static NOTE: Note = Note(note::note(2, note::CLASS_IO));

/// The first two entries of the vector table: where the stack starts, and where the program does. Interrupts
/// stay off, so there are no more.
#[repr(C)]
struct Vectors {
    stack: *const u32,
    reset: unsafe extern "C" fn() -> !,
    faults: [unsafe extern "C" fn() -> !; 2],
}

// SAFETY: the table is never changed and its pointer is never followed by the program.
unsafe impl Sync for Vectors {}

unsafe extern "C" {
    /// End of RAM, from the linker script; only its address counts.
    #[link_name = "_stack_top"]
    static STACK_TOP: u32;
}

#[unsafe(no_mangle)]
#[unsafe(link_section = ".vectors")]
#[used]
static VECTORS: Vectors = Vectors { stack: &raw const STACK_TOP, reset: start, faults: [fault, fault] };

/// Where the boot loader jumps to. The stack pointer is set; there is nothing to copy or to clear.
#[unsafe(no_mangle)]
unsafe extern "C" fn start() -> ! {
    RELAY.set(0);
    run()
}

/// Any fault of the processor.
unsafe extern "C" fn fault() -> ! {
    RELAY.set(0);
    reset()
}

#[panic_handler]
fn panic(_: &core::panic::PanicInfo<'_>) -> ! {
    RELAY.set(0);
    reset()
}

/// After the start the relay stays open for this long, in milliseconds.
const RELAY_INHIBIT_MS: u32 = 10_000;
/// Length of a push-button pulse, in milliseconds.
const PULSE_MS: u32 = 300;
/// Shortest time between two pulses, in milliseconds.
const GAP_MS: u32 = 2_000;
/// Time between two measurements, in milliseconds; the sensor needs 60 for its echo to die away.
const MEASURE_MS: u32 = 100;
/// A faulty image resets after this long, in milliseconds.
const RESET_AFTER_MS: u32 = 4_000;

fn run() -> ! {
    let started = TICK.get();
    let mut door = Door::new();
    let mut link = Receiver::new();
    let mut relay = Relay::new(started);
    let mut spoken = None;
    let mut measure_at = started;
    let mut phase = 0usize;
    loop {
        WATCHDOG.set(FEED);
        let now = TICK.get();
        if NOTE.quirk() == RESET_LOOP && reached(now, started.wrapping_add(RESET_AFTER_MS)) {
            RELAY.set(0);
            reset();
        }
        if reached(now, measure_at) {
            door.add(RANGE.get(), AIR.get() as i32);
            RANGE_START.set(1);
            measure_at = now.wrapping_add(MEASURE_MS);
        }
        relay.step(now, BUTTON.get() & 1 == 1);
        // A soft tone while the relay is closed, so that whoever stands there hears the press.
        phase = (phase + 37) % SINE_LEN;
        let level = if relay.closed() { i32::from(SINE[phase]) / 512 } else { 0 };
        SOUNDER.set((128 + level) as u32);
        if let Some(frame) = link.poll()
            && NOTE.quirk() != MUTE_LINK
        {
            answer(&frame, &door, &relay, &mut spoken);
        }
    }
}

/// Answers the net chip. Nothing but a hello is answered before both agree.
fn answer(frame: &Frame, door: &Door, relay: &Relay, spoken: &mut Option<u8>) {
    match (frame.kind, *spoken) {
        (link::HELLO, _) => {
            *spoken = link::agree(&NOTE, frame);
            link::hello(&NOTE).send();
        }
        (link::STATE, Some(version)) => {
            let position = match (NOTE.quirk(), door.position()) {
                (WRONG_POSITION, Position::Open) => Position::Closed,
                (WRONG_POSITION, Position::Closed) => Position::Open,
                (_, position) => position,
            };
            let supply = SUPPLY.get().to_le_bytes();
            let gas = GAS.get().to_le_bytes();
            let light = LIGHT.get().to_le_bytes();
            let air = AIR.get().to_le_bytes();
            let state = [
                position as u8,
                relay.closed() as u8,
                supply[0],
                supply[1],
                gas[0],
                gas[1],
                light[0],
                light[1],
                air[0],
                air[1],
            ];
            // Link version 2 added the temperature.
            Frame::new(link::STATE, if version >= 2 { &state } else { &state[..8] }).send();
        }
        _ => {}
    }
}

/// The relay across the operator's push-button terminals.
struct Relay {
    /// Before this no pulse starts.
    ready_at: u32,
    /// A pulse is in progress until then.
    until: Option<u32>,
    pressed: bool,
}

impl Relay {
    const fn new(started: u32) -> Self {
        Self { ready_at: started.wrapping_add(RELAY_INHIBIT_MS), until: None, pressed: true }
    }

    const fn closed(&self) -> bool {
        self.until.is_some()
    }

    /// One pulse per press. A button that is held at the start must be let go first.
    fn step(&mut self, now: u32, pressed: bool) {
        let press = pressed && !self.pressed;
        self.pressed = pressed;
        match self.until {
            Some(until) if reached(now, until) => {
                self.until = None;
                self.ready_at = now.wrapping_add(GAP_MS);
            }
            None if press && reached(now, self.ready_at) => self.until = Some(now.wrapping_add(PULSE_MS)),
            _ => {}
        }
        RELAY.set(self.closed() as u32);
    }
}

//! Sample firmware for the io chip: sensors, button and relay.
//!
//! The relay is off first thing at every start, in every panic and fault. It stays off until the chip has run for
//! ten seconds, the settings have come and the net chip has lifted the inhibition. After that the only thing
//! that pulses it is the push button.
#![no_std]
#![no_main]

mod door;
mod relay;

use door::{Door, Position};
use latchboard::link::{self, Frame};
use latchboard::note::{self, Note};
use latchboard::regs::*;
use latchboard::settings::{self, CO_FAST_PPM, Settings};
use latchboard::tables::{SINE, SINE_LEN};
use latchboard::variant::{MUTE_LINK, RESET_LOOP, WRONG_POSITION};
use relay::Relay;

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
    reset(RESET_NOW)
}

#[panic_handler]
fn panic(_: &core::panic::PanicInfo<'_>) -> ! {
    RELAY.set(0);
    reset(RESET_NOW)
}

/// Time between two measurements, in milliseconds; the sensor needs 60 for its echo to die away.
const MEASURE_MS: u32 = 100;
/// A faulty image resets after this long, in milliseconds.
const RESET_AFTER_MS: u32 = 4_000;
/// Temperatures that the sensor can tell, in hundredths of a degree Celsius.
const AIR_PLAUSIBLE: core::ops::RangeInclusive<i32> = -4_000..=8_500;

/// All that the chip keeps; it lives on the stack of [`run`].
struct Io {
    door: Door,
    relay: Relay,
    settings: Settings,
    /// Sum of the settings in force; 0 before they have all come.
    sum: u16,
}

fn run() -> ! {
    let started = TICK.get();
    let mut io = Io { door: Door::new(), relay: Relay::new(started), settings: [0; settings::COUNT], sum: 0 };
    let mut measure_at = started;
    let mut phase = 0;
    loop {
        WATCHDOG.set(FEED);
        let now = TICK.get();
        if NOTE.quirk() == RESET_LOOP && reached(now, started.wrapping_add(RESET_AFTER_MS)) {
            RELAY.set(0);
            reset(RESET_NOW);
        }
        if reached(now, measure_at) {
            let settings = (io.sum != 0).then_some(&io.settings);
            io.door.add(now, RANGE.get(), AIR.get().cast_signed(), settings);
            RANGE_START.set(1);
            measure_at = now.wrapping_add(MEASURE_MS);
        }
        let pressed = BUTTON.get() & 1 == 1;
        RELAY.set(u32::from(io.relay.step(now, pressed, io.sum != 0, &io.settings)));
        // Loud while the gas alarm sounds, a soft tone while the relay is closed, else silence.
        phase = (phase + 37) % SINE_LEN;
        let divisor = if io.gas_alarm() { 257 } else { 2_048 };
        let sounds = io.gas_alarm() || io.relay.closed();
        SOUNDER.set((128 + if sounds { i32::from(SINE[phase]) / divisor } else { 0 }).cast_unsigned());
        if let Some(frame) = Frame::receive()
            && NOTE.quirk() != MUTE_LINK
        {
            io.answer(now, pressed, &frame);
        }
    }
}

impl Io {
    fn gas_alarm(&self) -> bool {
        self.sum != 0 && GAS.get() >= self.settings[CO_FAST_PPM]
    }

    /// Answers one question of the net chip; what is no question gets no answer.
    fn answer(&mut self, now: u32, pressed: bool, frame: &Frame) {
        let reply = |kind, payload: &[u8]| Frame::new(kind, frame.sequence(), payload).send();
        let done = || reply(link::DONE, &[0; 4]);
        match (frame.kind(), frame.payload()) {
            (link::HELLO, [_, _, _, _, _]) => reply(link::HELLO + link::ANSWER, &hello()),
            (link::STATUS, []) => reply(link::STATUS + link::ANSWER, &self.status(now, pressed)),
            (link::INHIBIT, [on @ (0 | 1)]) => {
                self.relay.inhibit(*on == 1);
                done();
            }
            (link::ENTER_LOADER, []) => {
                RELAY.set(0);
                done();
                reset(RESET_TO_LOADER);
            }
            // An application that answers has been started.
            (link::START, []) => done(),
            (link::BEGIN..link::START, _) => reply(link::NO, &[]),
            (link::SETTING, &[key, a, b, c, d]) => {
                let key = usize::from(key);
                let Some(place) = self.settings.get_mut(key) else { return };
                *place = u32::from_le_bytes([a, b, c, d]);
                if key + 1 == settings::COUNT {
                    self.sum = settings::sum(&self.settings);
                }
                done();
            }
            _ => {}
        }
    }

    /// Position, flags, seconds at rest (2), supply (2), relay pulses (4), sum of the settings (2).
    fn status(&self, now: u32, pressed: bool) -> [u8; 12] {
        let position = match (NOTE.quirk(), self.door.position()) {
            (WRONG_POSITION, Position::Open) => Position::Closed,
            (WRONG_POSITION, Position::Closed | Position::PartlyOpen) => Position::Open,
            (_, position) => position,
        };
        let supply = SUPPLY.get().min(0xffff);
        let plausible = self.door.heard() && AIR_PLAUSIBLE.contains(&AIR.get().cast_signed()) && supply != 0;
        // This program never closes the door by itself, so none is pending and no warning sounds.
        let (close_pending, warning) = (false, false);
        let flags = [
            self.door.moves(now),
            self.relay.closed(),
            close_pending,
            warning,
            pressed,
            self.gas_alarm(),
            plausible,
            self.relay.inhibited(),
        ];
        let flags = flags.iter().rev().fold(0, |all, flag| all << 1 | u8::from(*flag));
        let ([r0, r1], [v0, v1]) = (self.door.rest_seconds(now).to_le_bytes(), (supply as u16).to_le_bytes());
        let ([p0, p1, p2, p3], [s0, s1]) = (RELAY_PULSES.get().to_le_bytes(), self.sum.to_le_bytes());
        [position as u8, flags, r0, r1, v0, v1, p0, p1, p2, p3, s0, s1]
    }
}

/// Mode (1, the application), version (6), link range (2), profile id (2) and version, digest (8).
fn hello() -> [u8; 20] {
    let mut bytes = [1; 20];
    let digest = DIGEST.iter().flat_map(|half| half.get().to_le_bytes());
    let rest = NOTE.version().into_iter().chain(link::hello(&NOTE)).chain(digest);
    for (to, byte) in bytes[1..].iter_mut().zip(rest) {
        *to = byte;
    }
    bytes
}

//! Registers. All unsafe code for them is in this file; programs use the checked functions below.

use core::marker::PhantomData;

/// Start of the register block, on both chips.
const BLOCK: usize = 0x4000_0000;

/// A register that can be read.
pub struct Read;
/// A register that can be written.
pub struct Write;

/// One 32-bit register at a fixed offset in the block.
pub struct Reg<Access> {
    offset: usize,
    access: PhantomData<Access>,
}

impl<A> Reg<A> {
    const fn at(offset: usize) -> Self {
        assert!(offset < 0x1000 && offset.is_multiple_of(4));
        Self { offset, access: PhantomData }
    }
}

impl Reg<Read> {
    /// Reads it.
    pub fn get(&self) -> u32 {
        // SAFETY: the block is mapped on both chips, `at` has checked range and alignment, and reading any
        // of its registers touches no memory of the program.
        unsafe { ((BLOCK + self.offset) as *const u32).read_volatile() }
    }
}

impl Reg<Write> {
    /// Writes it.
    pub fn set(&self, value: u32) {
        // SAFETY: as for reading; no register of the board makes the chip write to memory by itself.
        unsafe { ((BLOCK + self.offset) as *mut u32).write_volatile(value) }
    }
}

/// Milliseconds since the start, wrapping.
pub const TICK: Reg<Read> = Reg::at(0x000);
/// Write [`FEED`] at least every 2 s, or the chip resets.
pub const WATCHDOG: Reg<Write> = Reg::at(0x004);
/// Write [`RESET_NOW`] or [`RESET_TO_LOADER`] to reset the chip.
pub const RESET: Reg<Write> = Reg::at(0x008);
/// io chip: the first eight bytes of the image's digest, as the loader measured it, in two registers.
pub const DIGEST: [Reg<Read>; 2] = [Reg::at(0x010), Reg::at(0x014)];
/// A whole frame came over the link (bit 0); its bytes (bits 8..16). Frames end where the hardware says so, as
/// transfers on a bus do.
pub const LINK_STATUS: Reg<Read> = Reg::at(0x100);
/// Takes the next byte of the frame that came.
pub const LINK_IN: Reg<Read> = Reg::at(0x104);
/// Appends a byte to the frame to send.
pub const LINK_OUT: Reg<Write> = Reg::at(0x108);
/// Write 1 to send the frame.
pub const LINK_SEND: Reg<Write> = Reg::at(0x10c);

/// io chip: distance to the door's upper edge in millimetres, right at 20 degrees Celsius (bits 0..16); the
/// echo was heard (bit 31).
pub const RANGE: Reg<Read> = Reg::at(0x200);
/// io chip: write 1 to measure once; done 60 ms later.
pub const RANGE_START: Reg<Write> = Reg::at(0x204);
/// io chip: temperature of the air in hundredths of a degree Celsius, signed.
pub const AIR: Reg<Read> = Reg::at(0x208);
/// io chip: carbon monoxide in ppm, as the sensor's own module works it out.
pub const GAS: Reg<Read> = Reg::at(0x20c);
/// io chip: supply voltage in millivolts.
pub const SUPPLY: Reg<Read> = Reg::at(0x210);
/// io chip: the push button is pressed (bit 0).
pub const BUTTON: Reg<Read> = Reg::at(0x214);
/// io chip: 1 closes the relay's contact, 0 opens it.
pub const RELAY: Reg<Write> = Reg::at(0x300);
/// io chip: how often the contact has closed since the board was made, counted by the hardware.
pub const RELAY_PULSES: Reg<Read> = Reg::at(0x304);
/// io chip: level of the sounder, 0..256; 128 is silence.
pub const SOUNDER: Reg<Write> = Reg::at(0x308);

/// net chip: a network is joined (bit 0).
pub const RADIO_STATUS: Reg<Read> = Reg::at(0x400);
/// net chip: appends a byte to the datagram.
pub const RADIO_OUT: Reg<Write> = Reg::at(0x404);
/// net chip: write 1 to send the datagram.
pub const RADIO_SEND: Reg<Write> = Reg::at(0x408);
/// net chip: brightness of the lamp on the board, 0..65536.
pub const LAMP: Reg<Write> = Reg::at(0x500);

/// The value that feeds the watchdog.
pub const FEED: u32 = 0x5afe;
/// The value that resets the chip.
pub const RESET_NOW: u32 = 0x0ff0;
/// The value that resets the chip and keeps its loader from starting the application.
pub const RESET_TO_LOADER: u32 = 0x10ad;

/// Resets the chip and does not come back. `how`: [`RESET_NOW`] or [`RESET_TO_LOADER`].
pub fn reset(how: u32) -> ! {
    loop {
        RESET.set(how);
    }
}

/// Whether `now` is at or after `then`; both wrap.
pub const fn reached(now: u32, then: u32) -> bool {
    now.wrapping_sub(then) < 0x8000_0000
}

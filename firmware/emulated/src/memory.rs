//! Flash in RAM, written through to a file of the host, so that it survives the emulator.

use crate::host::{File, stop};
use crate::say;
use pintle_protocol::board::{Flash, FlashFault};

/// Bytes of flash.
pub(crate) const FLASH: usize = 0x14_0000;
const SECTOR: usize = 4096;
const WORD: usize = 4;
/// A line says how far it came after every so many operations.
const TELL: u32 = 64;

/// Flash: sectors of 4096 bytes, bits that can only be cleared, power that goes at a chosen operation.
pub(crate) struct Nor {
    bytes: &'static mut [u8; FLASH],
    file: Option<File>,
    operations: u32,
    /// The operation in the middle of which power goes; 0: never.
    cut: u32,
}

impl Nor {
    /// Flash that starts with what the file holds, the rest erased. With `keep`, what is written goes to the file
    /// too; power goes in the middle of operation `cut`, an erase or a programmed word.
    pub(crate) fn new(bytes: &'static mut [u8; FLASH], name: &str, keep: bool, cut: u32) -> Self {
        let file = File::change(name);
        let len = file.read(bytes);
        bytes[len..].fill(0xff);
        Self { bytes, file: keep.then_some(file), operations: 0, cut }
    }

    /// Operations so far.
    pub(crate) fn operations(&self) -> u32 {
        self.operations
    }

    fn write_through(&self, from: usize, to: usize) {
        if let Some(file) = &self.file {
            file.write_at(from, &self.bytes[from..to]);
        }
    }

    /// Counts an operation. Whether power goes in it.
    fn spend(&mut self) -> bool {
        self.operations += 1;
        if self.file.is_some() && self.operations.is_multiple_of(TELL) {
            say!("operations {}", self.operations);
        }
        self.operations == self.cut
    }

    fn range(&self, address: u32, len: usize) -> Result<core::ops::Range<usize>, FlashFault> {
        let at = address as usize;
        match at.checked_add(len) {
            Some(end) if end <= FLASH => Ok(at..end),
            _ => Err(FlashFault::Range { address }),
        }
    }
}

/// Power is gone: the host ends the emulator.
fn dark() -> ! {
    say!("dark");
    loop {
        core::hint::spin_loop();
    }
}

impl Flash for Nor {
    fn read(&mut self, address: u32, into: &mut [u8]) -> Result<(), FlashFault> {
        let range = self.range(address, into.len())?;
        into.copy_from_slice(&self.bytes[range]);
        Ok(())
    }

    fn program(&mut self, address: u32, bytes: &[u8]) -> Result<(), FlashFault> {
        if !(address as usize).is_multiple_of(WORD) || !bytes.len().is_multiple_of(WORD) {
            return Err(FlashFault::Range { address });
        }
        let range = self.range(address, bytes.len())?;
        if self.file.is_none() {
            // What is measured is the core, so this costs as little as it can: a copy, onto erased flash.
            self.bytes[range].copy_from_slice(bytes);
            return Ok(());
        }
        for (n, word) in bytes.chunks(WORD).enumerate() {
            let last = self.spend();
            let at = range.start + n * WORD;
            // The word in which power goes is half programmed.
            let done = if last { WORD / 2 } else { WORD };
            for (to, from) in self.bytes[at..at + done].iter_mut().zip(word) {
                *to &= from;
            }
            if last {
                self.write_through(range.start, at + done);
                dark();
            }
        }
        self.write_through(range.start, range.end);
        Ok(())
    }

    fn erase(&mut self, address: u32) -> Result<(), FlashFault> {
        if !(address as usize).is_multiple_of(SECTOR) {
            return Err(FlashFault::Range { address });
        }
        let range = self.range(address, SECTOR)?;
        let last = self.spend();
        // Half an erase: part of the sector is blank, part still holds the old bytes.
        let half = range.start + SECTOR / 2;
        self.bytes[range.start..half].fill(0xff);
        self.write_through(range.start, half);
        if last {
            dark();
        }
        self.bytes[half..range.end].fill(0xff);
        self.write_through(half, range.end);
        Ok(())
    }
}

/// Memory with a place of its own, given away once. Aligned to words, as buffers of radios and flash are.
#[repr(C, align(4))]
pub(crate) struct Area<T>(core::cell::UnsafeCell<T>, core::sync::atomic::AtomicBool);

// SAFETY: what is in it is given away once, and nothing runs beside the main program.
unsafe impl<T> Sync for Area<T> {}

impl<T> Area<T> {
    /// An area that holds `value`.
    pub(crate) const fn new(value: T) -> Self {
        Self(core::cell::UnsafeCell::new(value), core::sync::atomic::AtomicBool::new(false))
    }

    /// Gives it away. A second time ends the program.
    #[allow(clippy::mut_from_ref, reason = "given away once")]
    pub(crate) fn take(&'static self) -> &'static mut T {
        use core::sync::atomic::Ordering::Relaxed;
        if self.1.load(Relaxed) {
            stop("an area is taken twice");
        }
        self.1.store(true, Relaxed);
        // SAFETY: nobody has it yet, and nobody gets it again.
        unsafe { &mut *self.0.get() }
    }
}

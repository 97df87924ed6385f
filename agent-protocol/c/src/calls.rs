//! The firmware's callbacks as a board.

use crate::board::{PintleBoard, PintleFlashFault};
use crate::code::{PINTLE_CARD_MAX, PintleCode};
use crate::event::request_out;
use core::ffi::{c_char, c_void};
use pintle_protocol::board::{Board, Flash, FlashFault, Layout, Request};
use pintle_protocol::link::FRAME_MAX;
use pintle_protocol::slots::Slot;
use zeroize::Zeroizing;

/// A table of callbacks that was found complete.
pub(crate) struct CBoard {
    table: PintleBoard,
    layout: Layout,
    /// No random bytes came: from here on nothing is written and nothing is sent.
    pub(crate) without_chance: bool,
    /// The node has asked to be started again.
    pub(crate) restarts: bool,
}

/// Why a table cannot be used, with more about it.
pub(crate) type TableFault = (PintleCode, u32);

impl CBoard {
    /// Takes over a table, if it is whole.
    pub(crate) fn new(table: &PintleBoard) -> Result<Self, TableFault> {
        if usize::try_from(table.size) != Ok(size_of::<PintleBoard>()) {
            return Err((PintleCode::Version, size_of::<PintleBoard>() as u32));
        }
        let given = [
            table.flash_read.is_some(),
            table.flash_program.is_some(),
            table.flash_erase.is_some(),
            table.random.is_some(),
            table.exchange.is_some(),
            table.pressed.is_some(),
            table.card.is_some(),
            table.join.is_some(),
            table.request.is_some(),
            table.restart.is_some(),
        ];
        if let Some(missing) = given.iter().position(|g| !g) {
            return Err((PintleCode::Callback, missing as u32));
        }
        let layout = table.layout.checked().map_err(|at| (PintleCode::Layout, at))?;
        Ok(Self { table: *table, layout, without_chance: false, restarts: false })
    }

    fn context(&self) -> *mut c_void {
        self.table.context
    }
}

fn flash_result(result: i32, address: u32) -> Result<(), FlashFault> {
    const RANGE: i32 = PintleFlashFault::Range as i32;
    const WORN: i32 = PintleFlashFault::Worn as i32;
    const POWER: i32 = PintleFlashFault::Power as i32;
    match result {
        0 => Ok(()),
        RANGE => Err(FlashFault::Range { address }),
        WORN => Err(FlashFault::Worn { address }),
        POWER => Err(FlashFault::PowerLost),
        _ => Err(FlashFault::Chip),
    }
}

impl Flash for CBoard {
    fn read(&mut self, address: u32, into: &mut [u8]) -> Result<(), FlashFault> {
        let Some(read) = self.table.flash_read else { return Err(FlashFault::Chip) };
        // SAFETY: the firmware's function for this; the pointer is good for the length.
        let result = unsafe { read(self.context(), address, into.as_mut_ptr(), into.len()) };
        flash_result(result, address)
    }

    fn program(&mut self, address: u32, bytes: &[u8]) -> Result<(), FlashFault> {
        let Some(program) = self.table.flash_program else { return Err(FlashFault::Chip) };
        if self.without_chance {
            // What would be written may hang on bytes that were never random. To the core it is as
            // if power had gone: it stops at once, and a start finds what was there before.
            return Err(FlashFault::PowerLost);
        }
        // SAFETY: the firmware's function for this; the pointer is good for the length.
        let result = unsafe { program(self.context(), address, bytes.as_ptr(), bytes.len()) };
        flash_result(result, address)
    }

    fn erase(&mut self, address: u32) -> Result<(), FlashFault> {
        let Some(erase) = self.table.flash_erase else { return Err(FlashFault::Chip) };
        if self.without_chance {
            return Err(FlashFault::PowerLost);
        }
        // SAFETY: the firmware's function for this.
        let result = unsafe { erase(self.context(), address) };
        flash_result(result, address)
    }
}

/// A copy with a zero behind it, cut to the room.
fn with_zero<const N: usize>(text: &str) -> Zeroizing<[u8; N]> {
    let mut copy = Zeroizing::new([0u8; N]);
    for (to, from) in copy.iter_mut().take(N - 1).zip(text.bytes()) {
        *to = from;
    }
    copy
}

impl Board for CBoard {
    type Flash = Self;

    fn flash(&mut self) -> &mut Self {
        self
    }

    fn layout(&self) -> Layout {
        self.layout
    }

    fn running(&self) -> Option<Slot> {
        match self.table.net_slot {
            0 => Some(Slot::A),
            1 => Some(Slot::B),
            _ => None,
        }
    }

    fn loader_counts(&self) -> bool {
        self.table.loader_counts != 0
    }

    fn random(&mut self, into: &mut [u8]) {
        into.fill(0);
        let Some(random) = self.table.random else { return };
        // SAFETY: the firmware's function for this; the pointer is good for the length.
        let result = unsafe { random(self.context(), into.as_mut_ptr(), into.len()) };
        // A generator that is not switched on gives the same byte again and again; a good one does
        // so once in 2^120 times.
        let same = into.len() >= 16 && into.iter().all(|b| Some(b) == into.first());
        self.without_chance |= result != 0 || same;
    }

    fn exchange(&mut self, frame: &[u8], answer: &mut [u8; FRAME_MAX]) -> bool {
        let Some(exchange) = self.table.exchange else { return false };
        // SAFETY: the firmware's function for this; the answer has the room that it is promised.
        unsafe { exchange(self.context(), frame.as_ptr(), frame.len(), answer.as_mut_ptr()) != 0 }
    }

    fn pressed(&mut self) -> bool {
        // SAFETY: the firmware's function for this.
        self.table.pressed.is_some_and(|pressed| unsafe { pressed(self.context()) != 0 })
    }

    fn card(&mut self) -> Option<&[u8]> {
        let card = self.table.card?;
        let mut bytes = core::ptr::null();
        let mut len = 0usize;
        // SAFETY: the firmware's function for this; both pointers are good.
        let there = unsafe { card(self.context(), &raw mut bytes, &raw mut len) };
        if there == 0 {
            return None;
        }
        // One byte more than a card may have is enough for the core to refuse it.
        let len = len.min(PINTLE_CARD_MAX + 1);
        // SAFETY: the firmware promised that they stay as they are until the next callback.
        unsafe { crate::raw::bytes(bytes, len) }.ok()
    }

    fn join(&mut self, ssid: &[u8], passphrase: &str) {
        let Some(join) = self.table.join else { return };
        if self.without_chance {
            return;
        }
        let ended = with_zero::<65>(passphrase);
        let (text, len) = (ended.as_ptr().cast::<c_char>(), passphrase.len());
        // SAFETY: the firmware's function for this; the pointers are good for their lengths.
        unsafe { join(self.context(), ssid.as_ptr(), ssid.len(), text, len) };
    }

    fn request(&mut self, base: &str, request: Request<'_>) {
        let Some(send) = self.table.request else { return };
        if self.without_chance {
            return;
        }
        let base = with_zero::<65>(base);
        let path = request.path();
        let path = with_zero::<81>(&path);
        let out = request_out(&base[..], &path[..], &request);
        // SAFETY: the firmware's function for this; what it points to lives until the call is over.
        unsafe { send(self.context(), &raw const out) };
    }

    fn search(&mut self) {
        let Some(search) = self.table.search else { return };
        // SAFETY: the firmware's function for this.
        unsafe { search(self.context()) };
    }

    fn reset_io(&mut self) {
        let Some(reset_io) = self.table.reset_io else { return };
        // SAFETY: the firmware's function for this.
        unsafe { reset_io(self.context()) };
    }

    fn restart(&mut self) {
        self.restarts = true;
        let Some(restart) = self.table.restart else { return };
        // SAFETY: the firmware's function for this; it may never return.
        unsafe { restart(self.context()) };
    }
}

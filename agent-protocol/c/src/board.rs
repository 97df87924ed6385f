//! What a board has to bring, as C writes it.

use crate::event::PintleRequest;
use core::ffi::{c_char, c_void};
use pintle_protocol::board::Layout;

/// Which of two slots.
#[repr(u8)]
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PintleSlot {
    /// The first.
    A = 0,
    /// The second.
    B = 1,
    /// Not known.
    Unknown = 255,
}

/// What a flash callback returns when it did not do what it was asked. Any other number but 0
/// counts as PINTLE_FLASH_FAULT_CHIP.
#[repr(i32)]
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum PintleFlashFault {
    /// Outside the flash, or not aligned.
    Range = 1,
    /// What was written does not read back.
    Worn = 2,
    /// The chip reports an error of its own.
    Chip = 3,
    /// Power was lost (virtual boards only: a real one is gone).
    Power = 4,
}

/// Where things lie in flash. Addresses are multiples of 4096, counted from the start of the part of
/// flash that the node may use; nothing may lie on top of anything else.
#[repr(C)]
#[derive(Clone, Copy, Debug, Default)]
pub struct PintleLayout {
    /// The boot record, two sectors.
    pub record: [u32; 2],
    /// The node's own keys, one sector.
    pub secrets: u32,
    /// The starter card's contents, one sector.
    pub card: u32,
    /// The bundle, two copies of one sector each.
    pub conf: [u32; 2],
    /// The trust anchors, two copies of one sector each.
    pub keys: [u32; 2],
    /// The net chip's slots.
    pub net: [u32; 2],
    /// Bytes in each of the net chip's slots, a multiple of 4096.
    pub net_room: u32,
    /// The io chip's images, as the net chip stores them.
    pub io: [u32; 2],
    /// Bytes in each of the io chip's slots, a multiple of 4096.
    pub io_room: u32,
    /// Sizes of the images that the board was made with, in slot A: net, io.
    pub factory: [u32; 2],
}

impl PintleLayout {
    /// The core's layout, or the address or size that is wrong.
    pub(crate) fn checked(&self) -> Result<Layout, u32> {
        let layout = Layout {
            record: self.record,
            secrets: self.secrets,
            card: self.card,
            conf: self.conf,
            keys: self.keys,
            net: self.net,
            net_room: self.net_room,
            io: self.io,
            io_room: self.io_room,
            factory: self.factory,
        };
        layout.check().map_err(|fault| fault.at()).map(|()| layout)
    }
}

/// What a board has to bring. Every callback gets the context as its first argument, and is called
/// only from within a function that was given this table or its node. None may call back into
/// that node, jump out (longjmp) or throw. Pointers that a callback is given are good until it
/// returns.
#[repr(C)]
#[derive(Clone, Copy)]
pub struct PintleBoard {
    /// sizeof(PintleBoard).
    pub size: u32,
    /// Which slot the running image of the net chip was started from: a PintleSlot.
    /// PINTLE_SLOT_UNKNOWN only where nothing is really started from a slot, as in a rehearsal.
    pub net_slot: u8,
    /// 1 if the boot loader counts the starts of a net image on trial, by pintle_boot_count; 0 if it asks
    /// pintle_boot_slot, and an image that dies before pintle_node_init is never left.
    pub loader_counts: u8,
    /// Where things lie in flash.
    pub layout: PintleLayout,
    /// Handed to every callback; may be null.
    pub context: *mut c_void,

    /// Reads flash. 0, or a PintleFlashFault.
    pub flash_read:
        Option<unsafe extern "C" fn(context: *mut c_void, address: u32, into: *mut u8, len: usize) -> i32>,
    /// Programs a multiple of 4 bytes at a multiple of 4, onto erased flash; returns when they are
    /// in flash. 0, or a PintleFlashFault.
    pub flash_program:
        Option<unsafe extern "C" fn(context: *mut c_void, address: u32, bytes: *const u8, len: usize) -> i32>,
    /// Erases the sector of 4096 bytes at address. 0, or a PintleFlashFault.
    pub flash_erase: Option<unsafe extern "C" fn(context: *mut c_void, address: u32) -> i32>,
    /// Fills into with random bytes fit for keys: from a hardware generator that was let settle, with
    /// the radio on where the chip's manual asks for it. 0; anything else if there are none.
    pub random: Option<unsafe extern "C" fn(context: *mut c_void, into: *mut u8, len: usize) -> i32>,
    /// Sends a frame to the io chip and reads its answer into answer, which has room for
    /// PINTLE_FRAME_MAX bytes. 1 if an answer came, 0 if none. Whether it is whole the node finds out.
    pub exchange: Option<
        unsafe extern "C" fn(context: *mut c_void, frame: *const u8, len: usize, answer: *mut u8) -> i32,
    >,
    /// 1 if the node's own button was pressed since the last call, else 0.
    pub pressed: Option<unsafe extern "C" fn(context: *mut c_void) -> i32>,
    /// The starter card's bytes: 1 and where they are, or 0 for no card. They must stay as they are
    /// until the next callback, or until pintle_node_init has returned.
    pub card:
        Option<unsafe extern "C" fn(context: *mut c_void, bytes: *mut *const u8, len: *mut usize) -> i32>,
    /// Begins to join a network; PINTLE_EVENT_KIND_JOINED or _JOIN_FAILED comes later. The passphrase
    /// is a secret: keep no copy longer than the radio needs it, and do not log it. It is ended by
    /// a zero that passphrase_len does not count.
    pub join: Option<
        unsafe extern "C" fn(
            context: *mut c_void,
            ssid: *const u8,
            ssid_len: usize,
            passphrase: *const c_char,
            passphrase_len: usize,
        ),
    >,
    /// Begins a request to the server; PINTLE_EVENT_KIND_RESPONSE or _NO_RESPONSE comes later. There
    /// is never more than one that counts: a new one takes the place of one without an answer.
    pub request: Option<unsafe extern "C" fn(context: *mut c_void, request: *const PintleRequest)>,
    /// The node wants to be started again. May reset the chip at once, or return: then
    /// pintle_node_poll or pintle_node_init returns PINTLE_CODE_RESTART.
    pub restart: Option<unsafe extern "C" fn(context: *mut c_void)>,
    /// Begins to look for servers on the local link: a DNS-SD query for _pintle._tcp.local. Every one heard
    /// comes as PINTLE_EVENT_KIND_FOUND, whenever that is. May be null: then the node finds the server at
    /// its listed addresses only.
    pub search: Option<unsafe extern "C" fn(context: *mut c_void)>,
    /// Resets the io chip by its reset line. Asked for only when that chip has to be brought an image and is
    /// silent. May be null where there is no such line: then the io chip's watchdog has to do it.
    pub reset_io: Option<unsafe extern "C" fn(context: *mut c_void)>,
}

//! For the net chip's boot loader: which slot to start.

use crate::board::PintleBoard;
use crate::calls::CBoard;
use crate::code::PintleCode;
use crate::node::flash_code;
use crate::raw;
use pintle_protocol::board::{Board, FlashFault, Layout};
use pintle_protocol::slots::{self, BootRecord, Part, RecordStore, Slot, count_start};

/// An image of the net chip to start.
#[repr(C)]
#[derive(Clone, Copy, Debug, Default)]
pub struct PintleBootSlot {
    /// A PintleSlot.
    pub slot: u8,
    /// 1 if what is in it is on trial: start the watchdog before it.
    pub on_trial: u8,
    /// Where it begins in flash.
    pub address: u32,
    /// Its bytes.
    pub size: u32,
    /// Its version: major, minor, patch.
    pub version: [u16; 3],
    /// Its SHA-256, just measured.
    pub digest: [u8; 32],
}

/// Tells the boot loader which image of the net chip to start: the one that the boot record names if
/// it is whole, else the other one if that is. Writes nothing; the start is counted by pintle_node_init,
/// which an image should call early, under a watchdog. Better, if the loader can write: pintle_boot_count.
///
/// PINTLE_CODE_NO_RECORD: the board is new, start slot A. PINTLE_CODE_BAD_IMAGE: neither is whole.
///
/// # Safety
/// board is a whole table; slot can be written.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn pintle_boot_slot(
    board: *const PintleBoard,
    slot: *mut PintleBootSlot,
) -> PintleCode {
    // SAFETY: as promised.
    unsafe { tell(board, slot, |flash, layout, record| slots::slot_to_start(flash, layout, record)) }
}

/// pintle_boot_slot for a boot loader that can write: counts the start first if a net image is on trial, so that even
/// one that dies before pintle_node_init is left. loader_counts of the table has to be 1, here and in every image.
///
/// PINTLE_CODE_RANGE: loader_counts is 0. Others as pintle_boot_slot.
///
/// # Safety
/// board is a whole table; slot can be written.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn pintle_boot_count(
    board: *const PintleBoard,
    slot: *mut PintleBootSlot,
) -> PintleCode {
    // SAFETY: as promised.
    match unsafe { raw::get(board) } {
        Ok(table) if table.loader_counts == 0 => PintleCode::Range,
        // SAFETY: as promised.
        _ => unsafe { tell(board, slot, count_start) },
    }
}

/// How a slot is chosen by a boot record.
type Choice = fn(&mut CBoard, &Layout, &mut BootRecord) -> Result<Option<Slot>, FlashFault>;

/// # Safety
/// board is a whole table; slot can be written.
unsafe fn tell(board: *const PintleBoard, slot: *mut PintleBootSlot, choice: Choice) -> PintleCode {
    // SAFETY: as promised.
    let table = unsafe { raw::get(board) };
    let found = raw::writable(slot).and(table).and_then(|table| choose(table, choice));
    // SAFETY: as promised.
    PintleCode::of(found.and_then(|value| unsafe { raw::put(slot, value) }))
}

fn choose(table: &PintleBoard, choice: Choice) -> Result<PintleBootSlot, PintleCode> {
    let fault = |fault: FlashFault| flash_code(fault).0;
    let mut board = CBoard::new(table).map_err(|(code, _)| code)?;
    let layout = board.layout();
    let store = RecordStore { sectors: layout.record };
    let mut record = store.load(board.flash()).map_err(fault)?.ok_or(PintleCode::NoRecord)?;
    let slot = choice(board.flash(), &layout, &mut record).map_err(fault)?.ok_or(PintleCode::BadImage)?;
    let active = record.net.active;
    let image = record.net.get(slot).ok_or(PintleCode::BadImage)?;
    let trial = record.trial.is_some_and(|t| t.change.part == Part::Net);
    Ok(PintleBootSlot {
        slot: slot.index() as u8,
        on_trial: (trial && slot == active).into(),
        address: layout.slot(Part::Net, slot),
        size: image.size,
        version: [image.version.major, image.version.minor, image.version.patch],
        digest: image.digest.0,
    })
}

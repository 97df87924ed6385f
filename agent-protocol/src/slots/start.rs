//! For the net chip's boot loader: which image to start.

use super::{BootRecord, Part, RecordStore, Slot, SlotImage, StoreFault};
use crate::board::{Flash, FlashFault, Layout};
use crate::id::Digest;

/// The slot whose image of the net chip is to be started: the one that the record names if that is whole,
/// else the other one if that is. None: neither is whole. Writes nothing; the start is counted by the node.
///
/// # Errors
/// [`FlashFault`] if power was lost; an image that cannot be read is not whole.
pub fn slot_to_start<F: Flash>(
    flash: &mut F,
    layout: &Layout,
    record: &BootRecord,
) -> Result<Option<Slot>, FlashFault> {
    for slot in [record.net.active, record.net.active.other()] {
        let Some(image) = record.net.get(slot).filter(|image| image.size <= layout.net_room) else {
            continue;
        };
        let address = layout.slot(Part::Net, slot);
        if is_image(flash, address, &image)? {
            return Ok(Some(slot));
        }
    }
    Ok(None)
}

/// Whether this image lies whole at an address. One that cannot be read is not.
pub(crate) fn is_image<F: Flash>(flash: &mut F, address: u32, image: &SlotImage) -> Result<bool, FlashFault> {
    match Digest::of_pieces(image.size, |at, into| flash.read(address + at, into)) {
        Ok(digest) => Ok(digest == image.digest),
        Err(fault) => FlashFault::readable(Err(fault)),
    }
}

/// [`slot_to_start`] for a boot loader that can write: counts the start of a net image that is on trial first, so that
/// even one that dies before its node starts is left. Writes only then. `record` is the one in flash, and is so
/// afterwards; [`crate::board::Board::loader_counts`] has to say that starts are counted here.
///
/// # Errors
/// As [`slot_to_start`]. A start that can no longer be written down is not counted.
pub fn count_start<F: Flash>(
    flash: &mut F,
    layout: &Layout,
    record: &mut BootRecord,
) -> Result<Option<Slot>, FlashFault> {
    if net_on_trial(record) {
        let before = record.clone();
        record.on_start();
        match (RecordStore { sectors: layout.record }).save(flash, record) {
            Ok(()) => {}
            Err(StoreFault::Flash(FlashFault::PowerLost)) => return Err(FlashFault::PowerLost),
            Err(_) => *record = before,
        }
    }
    slot_to_start(flash, layout, record)
}

/// Whether a net image is on trial.
pub(crate) fn net_on_trial(record: &BootRecord) -> bool {
    record.trial.is_some_and(|trial| trial.change.part == Part::Net)
}

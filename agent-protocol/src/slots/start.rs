//! For the net chip's boot loader: which image to start.

use super::{BootRecord, Part, Slot};
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
        match Digest::of_pieces(image.size, |at, into| flash.read(address + at, into)) {
            Ok(digest) if digest == image.digest => return Ok(Some(slot)),
            Err(FlashFault::PowerLost) => return Err(FlashFault::PowerLost),
            // Not whole, or not to be read.
            Ok(_) | Err(_) => {}
        }
    }
    Ok(None)
}

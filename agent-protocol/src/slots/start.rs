//! For the net chip's boot loader: which image to start.

use super::{BootRecord, Part, Slot};
use crate::board::{Flash, FlashFault, Layout};
use crate::id::Digest;
use sha2::{Digest as _, Sha256};

/// Bytes read and hashed at a time.
const PIECE: usize = 256;

/// The slot whose image of the net chip is to be started: the one that the record names if that is whole,
/// else the other one if that is. None: neither is whole. Writes nothing; the start is counted by the node.
///
/// # Errors
/// [`FlashFault`] if flash cannot be read.
pub fn slot_to_start<F: Flash>(
    flash: &mut F,
    layout: &Layout,
    record: &BootRecord,
) -> Result<Option<Slot>, FlashFault> {
    for slot in [record.net.active, record.net.active.other()] {
        let Some(image) = record.net.get(slot).filter(|image| image.size <= layout.net_room) else {
            continue;
        };
        if hash(flash, layout.slot(Part::Net, slot), image.size)? == image.digest {
            return Ok(Some(slot));
        }
    }
    Ok(None)
}

fn hash<F: Flash>(flash: &mut F, address: u32, size: u32) -> Result<Digest, FlashFault> {
    let mut sum = Sha256::new();
    let mut piece = [0u8; PIECE];
    let mut at = 0;
    while at < size {
        let len = (PIECE as u32).min(size - at);
        let part = piece.get_mut(..len as usize).unwrap_or_default();
        flash.read(address + at, part)?;
        sum.update(&*part);
        at += len;
    }
    Ok(Digest(sum.finalize().into()))
}

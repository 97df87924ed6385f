//! What is stored is compared with what was meant, byte for byte, and what is measured is what a packer finds.

use super::storage::{erase, measure, store};
use crate::board::{Flash, FlashFault};
use crate::id::{Chip, Digest};
use crate::image::{ImageNote, MAGIC, NOTE_ALIGN};
use crate::sim::{SimFlash, sample};
use crate::version::LinkRange;
use proptest::prelude::*;
use std::vec::Vec;

const ROOM: u32 = 4 * 4096;
/// Bytes that are programmed and compared at a time.
const PAGE: u32 = 256;

#[test]
fn a_bit_that_stays_is_found_wherever_it_is_and_however_the_bytes_lie() {
    // Whole pages, whole words and some bytes; from a buffer with words in place, and from one without.
    let buffer: Vec<u8> = (0..=700u32).map(|n| (n * 7 % 251) as u8).collect();
    let aligned = buffer.as_ptr().align_offset(4);
    for (from, len) in [(aligned, 600), (aligned, 603), (aligned, 3), (aligned + 1, 600), (aligned + 2, 602)]
    {
        let bytes = &buffer[from..from + len];
        for (at, byte) in (0u32..).zip(bytes) {
            let mut flash = SimFlash::new(ROOM as usize);
            // The lowest bit as it should not be.
            flash.stick(4096 + at, 1, byte & 1 == 0);
            let told = store(&mut flash, 4096, bytes);
            assert_eq!(
                told,
                Err(FlashFault::Worn { address: 4096 + at / PAGE * PAGE }),
                "{len} bytes, byte {at}"
            );
        }
        let mut flash = SimFlash::new(ROOM as usize);
        assert_eq!(store(&mut flash, 4096, bytes), Ok(()));
        assert_eq!(flash.peek(4096, len as u32), bytes);
    }
    assert_eq!(store(&mut SimFlash::new(ROOM as usize), 0, &[]), Ok(()));
}

fn note() -> ImageNote {
    sample::note(Chip::Net, 3, LinkRange { oldest: 1, newest: 2 })
}

proptest! {
    #[test]
    fn what_is_measured_is_what_a_packer_finds(
        len in 0usize..5000,
        notes in proptest::collection::vec((0usize..5000, any::<bool>(), 0usize..NOTE_ALIGN * 5), 0..4),
        tail in any::<bool>(),
        before in any::<bool>(),
    ) {
        let mut image: Vec<u8> = (0..len).map(|n| (n % 253) as u8).collect();
        for (at, aligned, cut) in notes {
            // Whole ones, and such as are cut off; at a place for notes or not.
            let at = if aligned { at / NOTE_ALIGN * NOTE_ALIGN } else { at };
            let bytes = note().encode();
            let bytes = &bytes[..bytes.len().saturating_sub(cut / 2)];
            if let Some(place) = image.get_mut(at..at + bytes.len()) {
                place.copy_from_slice(bytes);
            }
        }
        if tail && len >= MAGIC.len() {
            let at = (len - MAGIC.len()) / NOTE_ALIGN * NOTE_ALIGN;
            image[at..at + MAGIC.len()].copy_from_slice(&MAGIC);
        }
        let mut flash = SimFlash::new(ROOM as usize);
        // What lies behind the image does not count.
        let old = [note().encode(); 3].concat();
        if before {
            let at = (len as u32).next_multiple_of(4);
            store(&mut flash, at, &old).unwrap();
        }
        store(&mut flash, 0, &image).unwrap();
        let measured = measure(&mut flash, 0, len as u32).unwrap();
        prop_assert_eq!(measured.digest, Digest::of(&image));
        prop_assert_eq!(measured.note, ImageNote::find(&image).ok());
    }
}

#[test]
fn a_sector_is_erased_that_a_single_byte_touches() {
    let mut flash = SimFlash::new(ROOM as usize);
    flash.program(4096, &[0; 4]).unwrap();
    flash.program(8192, &[0; 4]).unwrap();
    erase(&mut flash, 0, 4097).unwrap();
    assert_eq!((flash.peek(4096, 4), flash.peek(8192, 4)), (vec![0xff; 4], vec![0; 4]));
}

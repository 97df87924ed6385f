//! Reading and writing slots, secrets and the starter card.

use super::types::{BUNDLE_MAX, Measured};
use crate::board::{Flash, FlashFault, Layout};
use crate::id::Digest;
use crate::image::{ImageNote, MAGIC, NOTE_ALIGN, NOTE_LEN};
use crate::slots::{Pair, Part, SECTOR, Slot, SlotText};
use sha2::{Digest as _, Sha256};

/// Bytes programmed at a time; also the size of a flash page.
const PAGE: usize = 256;
/// Bytes read and hashed at a time.
const PIECE: usize = 1024;
/// Words between two places where a note can begin.
const PLACE: usize = NOTE_ALIGN / 4;
/// The first bytes of a note, as a word in memory.
const MAGIC_WORD: u32 = u32::from_ne_bytes([MAGIC[0], MAGIC[1], MAGIC[2], MAGIC[3]]);
const CRC: crc::Crc<u32> = crc::Crc::<u32>::new(&crc::CRC_32_ISO_HDLC);

/// Erases the sectors that `size` bytes from `address` touch.
pub(super) fn erase<F: Flash>(flash: &mut F, address: u32, size: u32) -> Result<(), FlashFault> {
    for n in 0..size.div_ceil(SECTOR) {
        flash.erase(address + n * SECTOR)?;
    }
    Ok(())
}

/// Programs `bytes` at `address`, padded with `ff` to a multiple of 4, and reads them back.
#[inline(never)]
pub(super) fn store<F: Flash>(flash: &mut F, address: u32, bytes: &[u8]) -> Result<(), FlashFault> {
    let mut at = address;
    let mut back = [0u32; PAGE / 4];
    let back = bytemuck::bytes_of_mut(&mut back);
    let mut left = bytes;
    while let Some((chunk, more)) = left.split_at_checked(PAGE.min(left.len()))
        && !chunk.is_empty()
    {
        left = more;
        let (words, rest) = chunk.as_chunks::<4>();
        if !words.is_empty() {
            flash.program(at, words.as_flattened())?;
        }
        if !rest.is_empty() {
            let mut word = [0xff; 4];
            for (to, from) in word.iter_mut().zip(rest) {
                *to = *from;
            }
            flash.program(at + words.as_flattened().len() as u32, &word)?;
        }
        let back = back.get_mut(..chunk.len()).unwrap_or_default();
        flash.read(at, back)?;
        if !same(back, chunk) {
            return Err(FlashFault::Worn { address: at });
        }
        at += chunk.len() as u32;
    }
    Ok(())
}

/// Whether two slices hold the same. Four words at a time, if they lie so that words can be read: whole images pass
/// through here.
fn same(a: &[u8], b: &[u8]) -> bool {
    let (Ok(a), Ok(b)) = (bytemuck::try_cast_slice::<u8, u32>(a), bytemuck::try_cast_slice::<u8, u32>(b))
    else {
        return a == b;
    };
    let ((a, a_rest), (b, b_rest)) = (a.as_chunks(), b.as_chunks());
    let equal =
        |([a, b, c, d], [e, f, g, h]): (&[u32; 4], &[u32; 4])| (a ^ e) | (b ^ f) | (c ^ g) | (d ^ h) == 0;
    a.len() == b.len() && a.iter().zip(b).all(equal) && a_rest == b_rest
}

/// Hashes `size` bytes from `address`, and finds the image note among them.
#[inline(never)]
pub(super) fn measure<F: Flash>(flash: &mut F, address: u32, size: u32) -> Result<Measured, FlashFault> {
    let mut hash = Sha256::new();
    let mut note_at = None;
    let mut notes = 0u32;
    let mut words = [0u32; PIECE / 4];
    let mut at = 0;
    while at < size {
        let len = (PIECE as u32).min(size - at);
        let part = bytemuck::bytes_of_mut(&mut words).get_mut(..len as usize).unwrap_or_default();
        flash.read(address + at, part)?;
        hash.update(&*part);
        if part.as_chunks::<NOTE_ALIGN>().1.starts_with(&MAGIC) {
            notes += 1;
        }
        let places = words.as_chunks::<PLACE>().0.get(..len as usize / NOTE_ALIGN).unwrap_or_default();
        let mut look = |n: usize, places: &[[u32; PLACE]]| {
            for (n, place) in (n..).zip(places) {
                if bytemuck::bytes_of(place).starts_with(&MAGIC) {
                    notes += 1;
                    note_at = Some(at + (n * NOTE_ALIGN) as u32);
                }
            }
        };
        let (fours, last) = places.as_chunks();
        for (n, four) in fours.iter().enumerate() {
            let [[a, ..], [b, ..], [c, ..], [d, ..]] = *four;
            // The first words alone tell nearly always that there is none.
            if a == MAGIC_WORD || b == MAGIC_WORD || c == MAGIC_WORD || d == MAGIC_WORD {
                look(4 * n, four);
            }
        }
        look(4 * fours.len(), last);
        at += len;
    }
    let note = match (notes, note_at) {
        (1, Some(found)) if found + NOTE_LEN as u32 <= size => {
            let mut bytes = [0u8; NOTE_LEN];
            flash.read(address + found, &mut bytes)?;
            ImageNote::decode(&bytes).ok()
        }
        _ => None,
    };
    Ok(Measured { digest: Digest(hash.finalize().into()), note })
}

/// Reads a bundle or a set of trust anchors into `work`; `None` if there is none, or another than the record says.
#[inline(never)]
pub(super) fn read_text<'a, F: Flash>(
    flash: &mut F,
    layout: &Layout,
    part: Part,
    pair: &Pair<SlotText>,
    slot: Slot,
    work: &'a mut [u8],
) -> Result<Option<&'a [u8]>, FlashFault> {
    let Some(text) = pair.get(slot) else { return Ok(None) };
    let size = text.size as usize;
    let Some(bytes) = work.get_mut(..size).filter(|_| size <= BUNDLE_MAX) else { return Ok(None) };
    let whole =
        FlashFault::readable(flash.read(layout.slot(part, slot), bytes))? && Digest::of(bytes) == text.digest;
    Ok(whole.then_some(bytes))
}

/// Writes bytes to a sector of their own: length (4, little-endian), bytes, CRC-32.
#[inline(never)]
pub(super) fn write_sealed<F: Flash>(flash: &mut F, sector: u32, bytes: &[u8]) -> Result<(), FlashFault> {
    flash.erase(sector)?;
    store(flash, sector + 8, bytes)?;
    let mut head = [0u8; 8];
    let (len, sum) = head.split_at_mut(4);
    len.copy_from_slice(&(bytes.len() as u32).to_le_bytes());
    sum.copy_from_slice(&CRC.checksum(bytes).to_le_bytes());
    // The head comes last: a power cut before it leaves a sector that reads as empty.
    store(flash, sector, &head)
}

/// Reads what [`write_sealed`] wrote into `work`; `None` if it is not whole or does not fit.
#[inline(never)]
pub(super) fn read_sealed<'a, F: Flash>(
    flash: &mut F,
    sector: u32,
    work: &'a mut [u8],
) -> Result<Option<&'a [u8]>, FlashFault> {
    let mut head = [0u8; 8];
    flash.read(sector, &mut head)?;
    let [a, b, c, d, e, f, g, h] = head;
    let len = u32::from_le_bytes([a, b, c, d]);
    let Some(bytes) = work.get_mut(..len as usize).filter(|_| len <= SECTOR - 8) else { return Ok(None) };
    flash.read(sector + 8, bytes)?;
    Ok((CRC.checksum(bytes) == u32::from_le_bytes([e, f, g, h])).then_some(bytes))
}

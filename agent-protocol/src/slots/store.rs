//! Keeping the boot record in flash so that a power cut at any operation leaves a valid one.
//!
//! Two sectors hold the same log. Each sector has two places of 2048 bytes. A write goes to the
//! next free place of the sector whose newest record is older, then of the other; a sector with
//! no free place is erased first, while the other holds the newest record. Of all valid records
//! the one with the highest generation counts.
//!
//! A sector that no longer takes what is written is passed over, as long as the other does. Then
//! there is no second copy while that one is erased: such a board should be replaced.
//!
//! Layout of a place:
//!
//! | bytes | what |
//! | --- | --- |
//! | 0..4 | `50 42 52 31` ("PBR1") |
//! | 4..6 | length of the record, little-endian |
//! | 6..8 | zero |
//! | 8..12 | CRC-32/ISO-HDLC of bytes 0..8 and of the record, little-endian |
//! | 12.. | the record, deterministic CBOR; the rest is erased flash |

use super::record::BootRecord;
use crate::board::{Flash, FlashFault};
use crate::cbor::{Item, Reader, encode_message};

/// Bytes in one place.
pub const PLACE: usize = 2048;
/// Bytes in a sector.
pub const SECTOR: u32 = 4096;
const HEAD: usize = 12;
const MAGIC: [u8; 4] = *b"PBR1";
const CRC: crc::Crc<u32> = crc::Crc::<u32>::new(&crc::CRC_32_ISO_HDLC);

/// Why the record could not be kept.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum StoreFault {
    /// Flash failed, or does not hold what was written, in both sectors.
    Flash(FlashFault),
    /// The record does not fit its place.
    TooLarge,
}

impl From<FlashFault> for StoreFault {
    fn from(fault: FlashFault) -> Self {
        Self::Flash(fault)
    }
}

/// Where the two sectors are.
#[derive(Clone, Copy, Debug)]
pub struct RecordStore {
    /// Addresses of the two sectors.
    pub sectors: [u32; 2],
}

impl RecordStore {
    /// Reads the record that counts; `None` on a board that never had one.
    ///
    /// # Errors
    /// [`FlashFault`] if power was lost, or no record was found and there is a place that cannot be read.
    pub fn load<F: Flash>(&self, flash: &mut F) -> Result<Option<BootRecord>, FlashFault> {
        let mut record = BootRecord::default();
        Ok(self.load_into(flash, &mut record)?.then_some(record))
    }

    /// [`Self::load`] over a record that is there. Whether there is one in flash: if not, `record` is as it was.
    ///
    /// # Errors
    /// As [`Self::load`].
    #[inline(never)]
    pub fn load_into<F: Flash>(&self, flash: &mut F, record: &mut BootRecord) -> Result<bool, FlashFault> {
        let mut best = None;
        let mut unread = Ok(());
        let mut place = [0u8; PLACE];
        let mut found = BootRecord::default();
        for sector in self.sectors {
            for address in places(sector) {
                let read = flash.read(address, &mut place);
                if !FlashFault::readable(read)? {
                    unread = read;
                } else if parse(&place, &mut found) && best.is_none_or(|best| found.generation > best) {
                    best = Some(found.generation);
                    record.clone_from(&found);
                }
            }
        }
        // A board whose record cannot be read is not a new one: it must not begin anew.
        if best.is_none() {
            unread?;
        }
        Ok(best.is_some())
    }

    /// Writes `record` with the next generation, twice, and reads it back.
    ///
    /// # Errors
    /// [`StoreFault`] if neither sector took it; at least one still holds the record before.
    #[inline(never)]
    pub fn save<F: Flash>(&self, flash: &mut F, record: &mut BootRecord) -> Result<(), StoreFault> {
        let sectors = self.stalest_first(flash)?;
        let before = record.generation;
        record.generation = before.saturating_add(1);
        let saved = write_both(flash, sectors, record);
        if saved.is_err() {
            record.generation = before;
        }
        saved
    }

    /// The two sectors, the one whose newest record is older first. After a power cut between
    /// the two writes only one of them holds the newest record, and that one must not be erased
    /// before the other has it too.
    fn stalest_first<F: Flash>(&self, flash: &mut F) -> Result<[u32; 2], FlashFault> {
        let [a, b] = self.sectors;
        Ok(if newest(flash, a)? <= newest(flash, b)? { [a, b] } else { [b, a] })
    }
}

/// Writes a record to both sectors in turn.
#[inline(never)]
fn write_both<F: Flash>(flash: &mut F, sectors: [u32; 2], record: &BootRecord) -> Result<(), StoreFault> {
    let mut place = [0xffu8; PLACE];
    let len = write(record, &mut place).ok_or(StoreFault::TooLarge)?;
    let bytes = place.get(..len.next_multiple_of(4)).ok_or(StoreFault::TooLarge)?;
    let mut taken = 0;
    let mut last = Ok(());
    for sector in sectors {
        match put(flash, sector, bytes) {
            Ok(()) => taken += 1,
            // No power: nothing more can be done, and nothing more was done.
            Err(FlashFault::PowerLost) => return Err(FlashFault::PowerLost.into()),
            Err(fault) => last = Err(fault),
        }
    }
    if taken == 0 {
        last?;
    }
    Ok(())
}

/// The highest generation in a sector; `None` if it holds no valid record.
#[inline(never)]
fn newest<F: Flash>(flash: &mut F, sector: u32) -> Result<Option<u32>, FlashFault> {
    let mut best = None;
    let mut place = [0u8; PLACE];
    let mut found = BootRecord::default();
    for address in places(sector) {
        let read = FlashFault::readable(flash.read(address, &mut place))?;
        best = best.max((read && parse(&place, &mut found)).then_some(found.generation));
    }
    Ok(best)
}

fn places(sector: u32) -> impl Iterator<Item = u32> {
    (0..SECTOR / PLACE as u32).map(move |n| sector + n * PLACE as u32)
}

fn blank_place<F: Flash>(flash: &mut F, sector: u32) -> Result<Option<u32>, FlashFault> {
    for address in places(sector) {
        if is_blank(flash, address, PLACE)? {
            return Ok(Some(address));
        }
    }
    Ok(None)
}

#[inline(never)]
fn put<F: Flash>(flash: &mut F, sector: u32, bytes: &[u8]) -> Result<(), FlashFault> {
    let address = match blank_place(flash, sector)? {
        Some(address) => address,
        None => {
            flash.erase(sector)?;
            // Where one place holds a bit that stays cleared, the other may still do.
            blank_place(flash, sector)?.ok_or(FlashFault::Worn { address: sector })?
        }
    };
    flash.program(address, bytes)?;
    let mut back = [0u8; 256];
    for (n, chunk) in bytes.chunks(256).enumerate() {
        let Some(read) = back.get_mut(..chunk.len()) else { continue };
        flash.read(address + (n * 256) as u32, read)?;
        if read != chunk {
            return Err(FlashFault::Worn { address: address + (n * 256) as u32 });
        }
    }
    Ok(())
}

fn is_blank<F: Flash>(flash: &mut F, address: u32, len: usize) -> Result<bool, FlashFault> {
    let mut words = [0u32; 64];
    for n in 0..len / 256 {
        let read = flash.read(address + (n * 256) as u32, bytemuck::bytes_of_mut(&mut words));
        if !FlashFault::readable(read)? || words.iter().any(|word| *word != u32::MAX) {
            return Ok(false);
        }
    }
    Ok(true)
}

fn sum(head: &[u8], body: &[u8]) -> [u8; 4] {
    let mut digest = CRC.digest();
    digest.update(head);
    digest.update(body);
    digest.finalize().to_le_bytes()
}

#[inline(never)]
fn write(record: &BootRecord, place: &mut [u8; PLACE]) -> Option<usize> {
    let room = place.get_mut(HEAD..)?;
    let len = encode_message(record, room)?;
    let (head, body) = place.split_at_mut_checked(HEAD)?;
    head.get_mut(..4)?.copy_from_slice(&MAGIC);
    head.get_mut(4..6)?.copy_from_slice(&u16::try_from(len).ok()?.to_le_bytes());
    head.get_mut(6..8)?.copy_from_slice(&[0, 0]);
    let crc = sum(head.get(..8)?, body.get(..len)?);
    head.get_mut(8..12)?.copy_from_slice(&crc);
    Some(HEAD + len)
}

/// Reads a valid record over `found`. Whether there is one: if not, `found` means nothing.
#[inline(never)]
fn parse(place: &[u8; PLACE], found: &mut BootRecord) -> bool {
    record_in(place).is_some_and(|bytes| found.read(&mut Reader::new(bytes)).is_ok())
}

/// The bytes of the record in a place, if their sum is right.
fn record_in(place: &[u8; PLACE]) -> Option<&[u8]> {
    let (head, body) = place.split_at_checked(HEAD)?;
    let (magic, rest) = head.split_at_checked(4)?;
    let len: [u8; 2] = rest.get(..2)?.try_into().ok()?;
    let record = body.get(..usize::from(u16::from_le_bytes(len)))?;
    let whole = magic == MAGIC && head.get(8..12)? == sum(head.get(..8)?, record);
    whole.then_some(record)
}

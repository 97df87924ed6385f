use super::*;
use crate::slots::{BootRecord, RecordStore};
use embedded_storage::nor_flash::{ErrorType, ReadNorFlash};
use proptest::prelude::*;
use std::vec::Vec;

/// Bytes of flash: four sectors.
const SIZE: usize = 4 * 4096;

/// A driver that is strict about its units, and counts erases.
struct Driver<const READ: usize, const WRITE: usize> {
    bytes: Vec<u8>,
    erased: Vec<u32>,
    broken: bool,
}

impl<const READ: usize, const WRITE: usize> Driver<READ, WRITE> {
    fn new() -> Self {
        Self {
            bytes: (0..SIZE).map(|n| (n * 7 + n / 256) as u8).collect(),
            erased: Vec::new(),
            broken: false,
        }
    }

    fn check(
        &self,
        from: u32,
        len: usize,
        unit: usize,
    ) -> Result<core::ops::Range<usize>, NorFlashErrorKind> {
        let from = from as usize;
        if !from.is_multiple_of(unit) || !len.is_multiple_of(unit) {
            return Err(NorFlashErrorKind::NotAligned);
        }
        match from.checked_add(len) {
            Some(end) if end <= SIZE && !self.broken => Ok(from..end),
            Some(end) if end <= SIZE => Err(NorFlashErrorKind::Other),
            _ => Err(NorFlashErrorKind::OutOfBounds),
        }
    }
}

impl<const READ: usize, const WRITE: usize> ErrorType for Driver<READ, WRITE> {
    type Error = NorFlashErrorKind;
}

impl<const READ: usize, const WRITE: usize> ReadNorFlash for Driver<READ, WRITE> {
    const READ_SIZE: usize = READ;

    fn read(&mut self, offset: u32, into: &mut [u8]) -> Result<(), NorFlashErrorKind> {
        let range = self.check(offset, into.len(), READ)?;
        into.copy_from_slice(&self.bytes[range]);
        Ok(())
    }

    fn capacity(&self) -> usize {
        SIZE
    }
}

impl<const READ: usize, const WRITE: usize> NorFlash for Driver<READ, WRITE> {
    const WRITE_SIZE: usize = WRITE;
    const ERASE_SIZE: usize = 4096;

    fn erase(&mut self, from: u32, to: u32) -> Result<(), NorFlashErrorKind> {
        let len = to.checked_sub(from).ok_or(NorFlashErrorKind::OutOfBounds)?;
        let range = self.check(from, len as usize, Self::ERASE_SIZE)?;
        self.bytes[range].fill(0xff);
        self.erased.push(from);
        Ok(())
    }

    fn write(&mut self, offset: u32, bytes: &[u8]) -> Result<(), NorFlashErrorKind> {
        let range = self.check(offset, bytes.len(), WRITE)?;
        for (to, from) in self.bytes[range].iter_mut().zip(bytes) {
            *to &= from;
        }
        Ok(())
    }
}

/// Every way to lie across units: starts and lengths around the ends of units, of sectors and of the flash.
fn reads_what_is_there<const READ: usize>() {
    let mut flash = NorAdapter(Driver::<READ, 4>::new());
    let bytes = flash.0.bytes.clone();
    let around = |edge: usize| edge.saturating_sub(18)..(edge + 18).min(SIZE + 1);
    for start in [0, 4096, 8192, SIZE].into_iter().flat_map(around) {
        for len in (0..=35).chain([255, 256, 4095, 4096, 4097]) {
            let mut into = std::vec![0xaa; len];
            let found = flash.read(start as u32, &mut into);
            if start + len > SIZE {
                assert_eq!(found, Err(FlashFault::Range { address: start as u32 }), "{READ}: {start} {len}");
                assert!(into.iter().all(|b| *b == 0xaa), "{READ}: {start} {len}: read in part");
            } else {
                assert_eq!(found, Ok(()), "{READ}: {start} {len}");
                assert_eq!(into, bytes[start..start + len], "{READ}: {start} {len}");
            }
        }
    }
    for (address, len) in [(u32::MAX, 1), (u32::MAX - 3, 4), (u32::MAX - 3, 8)] {
        let mut into = std::vec![0; len];
        assert_eq!(flash.read(address, &mut into), Err(FlashFault::Range { address }));
    }
    flash.0.broken = true;
    assert_eq!(flash.read(1, &mut [0; 7]), Err(FlashFault::Chip));
    assert_eq!(flash.read(0, &mut [0; 32]), Err(FlashFault::Chip));
}

#[test]
fn reads_may_lie_anywhere_whatever_the_unit() {
    reads_what_is_there::<1>();
    reads_what_is_there::<2>();
    reads_what_is_there::<4>();
    reads_what_is_there::<8>();
    reads_what_is_there::<16>();
}

/// The core programs words: units up to 4 bytes take them, larger ones are refused when firmware is built.
#[test]
fn only_drivers_that_take_words_fit() {
    for write in 1..=16 {
        assert_eq!(fits(4096, write, 1), [1, 2, 4].contains(&write), "writes of {write} bytes");
    }
    for read in 0..=32 {
        assert_eq!(fits(4096, 4, read), [1, 2, 4, 8, 16].contains(&read), "reads of {read} bytes");
    }
    for erase in [0, 256, 2048, 8192] {
        assert!(!fits(erase, 4, 1), "sectors of {erase} bytes");
    }
}

fn programs_and_erases<const WRITE: usize>() {
    let mut flash = NorAdapter(Driver::<4, WRITE>::new());
    let before = flash.0.bytes.clone();
    flash.erase(4096).unwrap();
    assert_eq!((&flash.0.bytes[..4096], &flash.0.bytes[8192..]), (&before[..4096], &before[8192..]));
    assert!(flash.0.bytes[4096..8192].iter().all(|b| *b == 0xff));
    // The first and the last word of a sector, and one over and over: bits are only cleared.
    for (address, word) in [(4096, [1, 2, 3, 4]), (8188, [5, 6, 7, 8]), (4100, [0xf0; 4]), (4100, [0x0f; 4])]
    {
        flash.program(address, &word).unwrap();
    }
    let mut back = [0; 12];
    flash.read(4096, &mut back).unwrap();
    assert_eq!(back, [1, 2, 3, 4, 0, 0, 0, 0, 0xff, 0xff, 0xff, 0xff]);
    flash.read(8184, &mut back[..8]).unwrap();
    assert_eq!(back[..8], [0xff, 0xff, 0xff, 0xff, 5, 6, 7, 8]);
    assert_eq!((flash.0.bytes[4095], flash.0.bytes[8192]), (before[4095], before[8192]));
    // Beyond the end, and not at the start of a sector.
    let end = SIZE as u32;
    assert_eq!(flash.program(end - 4, &[0; 8]), Err(FlashFault::Range { address: end - 4 }));
    for address in [end, 4, 4095, u32::MAX, u32::MAX - 4095] {
        assert_eq!(flash.erase(address), Err(FlashFault::Range { address }));
    }
    assert_eq!(flash.0.erased, [4096]);
    flash.0.broken = true;
    assert_eq!(flash.erase(0), Err(FlashFault::Chip));
    assert_eq!(flash.program(0, &[0; 4]), Err(FlashFault::Chip));
}

#[test]
fn words_and_sectors_go_through_whatever_the_unit() {
    programs_and_erases::<1>();
    programs_and_erases::<2>();
    programs_and_erases::<4>();
}

/// The boot record on such flash: saved, read back, saved until sectors have been erased again and again.
#[test]
fn a_boot_record_lives_on_it() {
    let mut flash = NorAdapter(Driver::<16, 4>::new());
    flash.erase(0).unwrap();
    flash.erase(4096).unwrap();
    let store = RecordStore { sectors: [0, 4096] };
    let mut record = BootRecord::default();
    for starts in 1..=20 {
        record.starts = starts;
        store.save(&mut flash, &mut record).unwrap();
        assert_eq!(store.load(&mut flash).unwrap().as_ref(), Some(&record));
    }
    assert!(flash.0.erased.len() > 10, "{:?}", flash.0.erased);
}

proptest! {
    #[test]
    fn any_read_is_the_bytes_there(start in 0..SIZE, len in 0..600usize) {
        let mut flash = NorAdapter(Driver::<8, 4>::new());
        let len = len.min(SIZE - start);
        let mut into = std::vec![0; len];
        prop_assert_eq!(flash.read(start as u32, &mut into), Ok(()));
        prop_assert_eq!(&into[..], &flash.0.bytes[start..start + len]);
    }
}

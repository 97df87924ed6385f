//! Any `embedded_storage` NOR flash as [`Flash`].

use super::flash::{Flash, FlashFault};
use crate::copy::copy;
use embedded_storage::nor_flash::{NorFlash, NorFlashError, NorFlashErrorKind};

/// Largest unit in which a driver may read, in bytes.
const READ_MAX: usize = 16;

/// Wraps a NOR flash driver whose sectors are 4096 bytes, whose writes are 1, 2 or 4 bytes, and whose reads are 1, 2, 4,
/// 8 or 16 bytes.
///
/// Flash that is written in units of 8 or 16 bytes does not fit: the core programs words of 4 bytes, several of them in
/// such a unit one after the other, which flash with a check sum for each unit does not take.
#[derive(Debug)]
pub struct NorAdapter<T>(pub T);

fn fault<E: NorFlashError>(address: u32, error: &E) -> FlashFault {
    match error.kind() {
        NorFlashErrorKind::NotAligned | NorFlashErrorKind::OutOfBounds => FlashFault::Range { address },
        _ => FlashFault::Chip,
    }
}

/// Whether a driver with units of these sizes fits.
const fn fits(erase: usize, write: usize, read: usize) -> bool {
    erase == 4096 && matches!(write, 1 | 2 | 4) && matches!(read, 1 | 2 | 4 | 8 | READ_MAX)
}

impl<T: NorFlash> NorAdapter<T> {
    /// Compile-time proof that the driver fits.
    const FITS: () = assert!(fits(T::ERASE_SIZE, T::WRITE_SIZE, T::READ_SIZE));

    /// Reads less than a unit, or a part of one. Returns how many bytes there were.
    fn read_part(&mut self, address: u32, into: &mut [u8]) -> Result<usize, FlashFault> {
        let mut unit = [0; READ_MAX];
        let skip = address as usize % T::READ_SIZE;
        let unit = unit.get_mut(..T::READ_SIZE).unwrap_or_default();
        self.0.read(address - skip as u32, unit).map_err(|e| fault(address, &e))?;
        let part = unit.get(skip..).unwrap_or_default();
        copy(part, into);
        Ok(part.len().min(into.len()))
    }
}

impl<T: NorFlash> Flash for NorAdapter<T> {
    fn read(&mut self, address: u32, into: &mut [u8]) -> Result<(), FlashFault> {
        let () = Self::FITS;
        let range = FlashFault::Range { address };
        let end = u32::try_from(into.len()).ok().and_then(|len| address.checked_add(len)).ok_or(range)?;
        if end as usize > self.0.capacity() {
            return Err(range);
        }
        let (mut at, mut rest) = (address, into);
        // A driver reads whole units: what lies before the first and behind the last one is taken out of one.
        while !rest.is_empty() {
            let whole = rest.len() - rest.len() % T::READ_SIZE;
            let done = if (at as usize).is_multiple_of(T::READ_SIZE) && whole > 0 {
                let units = rest.get_mut(..whole).unwrap_or_default();
                self.0.read(at, units).map_err(|e| fault(at, &e))?;
                whole
            } else {
                self.read_part(at, rest)?
            };
            at += done as u32;
            rest = rest.get_mut(done..).unwrap_or_default();
        }
        Ok(())
    }

    fn program(&mut self, address: u32, bytes: &[u8]) -> Result<(), FlashFault> {
        let () = Self::FITS;
        self.0.write(address, bytes).map_err(|e| fault(address, &e))
    }

    fn erase(&mut self, address: u32) -> Result<(), FlashFault> {
        let () = Self::FITS;
        let end = address.checked_add(4096).ok_or(FlashFault::Range { address })?;
        self.0.erase(address, end).map_err(|e| fault(address, &e))
    }
}

#[cfg(test)]
#[path = "nor_tests.rs"]
mod tests;

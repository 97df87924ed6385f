//! Any `embedded_storage` NOR flash as [`Flash`].

use super::flash::{Flash, FlashFault};
use embedded_storage::nor_flash::{NorFlash, NorFlashError, NorFlashErrorKind};

/// Wraps a NOR flash driver whose sectors are 4096 bytes and whose writes are 1, 2 or 4 bytes.
#[derive(Debug)]
pub struct NorAdapter<T>(pub T);

fn fault<E: NorFlashError>(address: u32, error: &E) -> FlashFault {
    match error.kind() {
        NorFlashErrorKind::NotAligned | NorFlashErrorKind::OutOfBounds => FlashFault::Range { address },
        _ => FlashFault::Chip,
    }
}

impl<T: NorFlash> NorAdapter<T> {
    /// Compile-time proof that the driver fits.
    const FITS: () = assert!(T::ERASE_SIZE == 4096 && 4 % T::WRITE_SIZE == 0 && T::READ_SIZE == 1);
}

impl<T: NorFlash> Flash for NorAdapter<T> {
    fn read(&mut self, address: u32, into: &mut [u8]) -> Result<(), FlashFault> {
        let () = Self::FITS;
        self.0.read(address, into).map_err(|e| fault(address, &e))
    }

    fn program(&mut self, address: u32, bytes: &[u8]) -> Result<(), FlashFault> {
        let () = Self::FITS;
        self.0.write(address, bytes).map_err(|e| fault(address, &e))
    }

    fn erase(&mut self, address: u32) -> Result<(), FlashFault> {
        let () = Self::FITS;
        self.0.erase(address, address + 4096).map_err(|e| fault(address, &e))
    }
}

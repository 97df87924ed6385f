//! NOR flash as the core sees it.

/// Why flash did not do what it was asked.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum FlashFault {
    /// Outside the flash, or not aligned.
    Range {
        /// The address asked for.
        address: u32,
    },
    /// What was written does not read back.
    Worn {
        /// Where it was noticed.
        address: u32,
    },
    /// The chip reports an error of its own.
    Chip,
    /// Power was lost. Only a virtual board reports it: a real one is gone.
    PowerLost,
}

impl FlashFault {
    /// Takes what cannot be read for what is not there, so that another copy counts: flash with a checksum of its own
    /// reports a word in which power went as an error at every read. Whether it was read.
    pub(crate) fn readable(read: Result<(), Self>) -> Result<bool, Self> {
        match read {
            Ok(()) => Ok(true),
            Err(Self::PowerLost) => Err(Self::PowerLost),
            Err(Self::Range { .. } | Self::Worn { .. } | Self::Chip) => Ok(false),
        }
    }
}

/// NOR flash: sectors of 4096 bytes are erased to `ff`; programming clears bits. Addresses are
/// bytes from the start of the part of flash that the core may use.
///
/// Implemented for everything that implements `embedded_storage::nor_flash::NorFlash` by
/// [`super::NorAdapter`].
pub trait Flash {
    /// Reads `into.len()` bytes.
    ///
    /// # Errors
    /// [`FlashFault`].
    fn read(&mut self, address: u32, into: &mut [u8]) -> Result<(), FlashFault>;

    /// Programs `bytes`, a multiple of 4 at an address that is a multiple of 4, onto erased flash.
    ///
    /// # Errors
    /// [`FlashFault`].
    fn program(&mut self, address: u32, bytes: &[u8]) -> Result<(), FlashFault>;

    /// Erases the sector of 4096 bytes that starts at `address`.
    ///
    /// # Errors
    /// [`FlashFault`].
    fn erase(&mut self, address: u32) -> Result<(), FlashFault>;
}

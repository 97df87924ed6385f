//! NOR flash: sectors of 4096 bytes, pages of 256, bits that can only be cleared, wear that is
//! counted, and power that goes at a chosen operation.
//!
//! Source of the sizes and the endurance: component descriptions of 8 Mbit serial NOR parts
//! (sector 4 KiB, page 256 bytes, 100 000 cycles).

use crate::board::{Flash, FlashFault};
use std::collections::BTreeMap;
use std::vec::Vec;

const SECTOR: usize = 4096;
const WORD: usize = 4;

/// How a sector has worn.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Wear {
    /// Times it was erased.
    pub erases: u32,
}

/// Virtual flash.
#[derive(Clone, Debug)]
pub struct SimFlash {
    bytes: Vec<u8>,
    wear: Vec<Wear>,
    /// Operations left before power goes; `None`: power stays.
    cut_after: Option<u64>,
    operations: u64,
    /// Bits that stay cleared whatever is done: address and mask.
    stuck: BTreeMap<u32, u8>,
    /// Sectors that no longer erase.
    worn: Vec<u32>,
}

impl SimFlash {
    /// Erased flash of `size` bytes, a multiple of 4096.
    pub fn new(size: usize) -> Self {
        Self {
            bytes: vec![0xff; size],
            wear: vec![Wear::default(); size / SECTOR],
            cut_after: None,
            operations: 0,
            stuck: BTreeMap::new(),
            worn: Vec::new(),
        }
    }

    /// Lets power go at the `n`-th operation from now: an erase, or one programmed word of 4
    /// bytes. The operation itself is left half done.
    pub fn cut_after(&mut self, n: Option<u64>) {
        self.cut_after = n;
    }

    /// Operations so far.
    pub fn operations(&self) -> u64 {
        self.operations
    }

    /// Whether power has gone.
    pub fn is_dark(&self) -> bool {
        self.cut_after == Some(0)
    }

    /// A sector that no longer erases.
    pub fn wear_out(&mut self, sector: u32) {
        self.worn.push(sector);
    }

    /// A bit that stays cleared.
    pub fn stick(&mut self, address: u32, mask: u8) {
        self.stuck.insert(address, mask);
        self.bytes[address as usize] &= !mask;
    }

    /// The most that any sector was erased.
    pub fn most_erased(&self) -> u32 {
        self.wear.iter().map(|w| w.erases).max().unwrap_or(0)
    }

    /// Puts bytes in place as a programmer at the bench does, without counting.
    pub fn burn(&mut self, address: u32, bytes: &[u8]) {
        self.bytes[address as usize..address as usize + bytes.len()].copy_from_slice(bytes);
    }

    /// Looks at bytes without counting.
    pub fn peek(&self, address: u32, len: u32) -> &[u8] {
        &self.bytes[address as usize..(address + len) as usize]
    }

    /// Spends one operation. Whether power goes in it.
    fn spend(&mut self) -> Result<bool, FlashFault> {
        match self.cut_after {
            Some(0) => Err(FlashFault::PowerLost),
            Some(n) => {
                self.cut_after = Some(n - 1);
                self.operations += 1;
                Ok(n == 1)
            }
            None => {
                self.operations += 1;
                Ok(false)
            }
        }
    }

    fn range(&self, address: u32, len: usize) -> Result<std::ops::Range<usize>, FlashFault> {
        let at = address as usize;
        match at.checked_add(len) {
            Some(end) if end <= self.bytes.len() => Ok(at..end),
            _ => Err(FlashFault::Range { address }),
        }
    }

    fn apply_stuck(&mut self) {
        for (address, mask) in &self.stuck {
            self.bytes[*address as usize] &= !mask;
        }
    }
}

impl Flash for SimFlash {
    fn read(&mut self, address: u32, into: &mut [u8]) -> Result<(), FlashFault> {
        if self.is_dark() {
            return Err(FlashFault::PowerLost);
        }
        let range = self.range(address, into.len())?;
        into.copy_from_slice(&self.bytes[range]);
        Ok(())
    }

    fn program(&mut self, address: u32, bytes: &[u8]) -> Result<(), FlashFault> {
        if !(address as usize).is_multiple_of(WORD) || !bytes.len().is_multiple_of(WORD) {
            return Err(FlashFault::Range { address });
        }
        let range = self.range(address, bytes.len())?;
        for (n, word) in bytes.chunks(WORD).enumerate() {
            let last = self.spend()?;
            let at = range.start + n * WORD;
            // The word in which power goes is half programmed.
            let done = if last { WORD / 2 } else { WORD };
            for (m, b) in word.iter().take(done).enumerate() {
                self.bytes[at + m] &= b;
            }
            if last {
                return Err(FlashFault::PowerLost);
            }
        }
        self.apply_stuck();
        Ok(())
    }

    fn erase(&mut self, address: u32) -> Result<(), FlashFault> {
        if !(address as usize).is_multiple_of(SECTOR) {
            return Err(FlashFault::Range { address });
        }
        let range = self.range(address, SECTOR)?;
        let last = self.spend()?;
        self.wear[range.start / SECTOR].erases += 1;
        if self.worn.contains(&address) {
            return Err(FlashFault::Worn { address });
        }
        if last {
            // Half an erase: part of the sector is blank, part still holds the old bytes.
            self.bytes[range.start..range.start + SECTOR / 2].fill(0xff);
            return Err(FlashFault::PowerLost);
        }
        self.bytes[range].fill(0xff);
        self.apply_stuck();
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn bits_are_only_cleared_and_sectors_come_back_blank() {
        let mut f = SimFlash::new(8192);
        f.program(0, &[0xf0, 0xff, 0xff, 0xff]).unwrap();
        f.program(0, &[0x0f, 0xff, 0xff, 0xff]).unwrap();
        assert_eq!(f.peek(0, 1), [0]);
        f.erase(0).unwrap();
        assert_eq!(f.peek(0, 1), [0xff]);
        assert_eq!((f.operations(), f.most_erased()), (3, 1));
        assert_eq!(f.program(2, &[0; 4]), Err(FlashFault::Range { address: 2 }));
        assert_eq!(f.program(8192, &[0; 4]), Err(FlashFault::Range { address: 8192 }));
        assert_eq!(f.erase(100), Err(FlashFault::Range { address: 100 }));
    }

    #[test]
    fn power_goes_in_the_middle_of_the_chosen_operation() {
        let mut f = SimFlash::new(4096);
        f.cut_after(Some(2));
        assert_eq!(f.program(0, &[0; 12]), Err(FlashFault::PowerLost));
        assert_eq!(f.peek(0, 12), [0, 0, 0, 0, 0, 0, 0xff, 0xff, 0xff, 0xff, 0xff, 0xff]);
        assert!(f.is_dark());
        assert_eq!(f.read(0, &mut [0]), Err(FlashFault::PowerLost));
        assert_eq!(f.erase(0), Err(FlashFault::PowerLost));
        f.cut_after(None);
        f.erase(0).unwrap();
    }

    #[test]
    fn worn_sectors_and_stuck_bits_show() {
        let mut f = SimFlash::new(8192);
        f.wear_out(0);
        assert_eq!(f.erase(0), Err(FlashFault::Worn { address: 0 }));
        f.stick(5000, 1);
        f.erase(4096).unwrap();
        assert_eq!(f.peek(5000, 1), [0xfe]);
    }
}

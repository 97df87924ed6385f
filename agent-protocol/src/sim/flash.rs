//! NOR flash: sectors of 4096 bytes, pages of 256, bits that can only be cleared, wear that is
//! counted, spots that fail, and power that goes at a chosen operation.
//!
//! Source of the sizes and the endurance: component descriptions of 8 Mbit serial NOR parts
//! (sector 4 KiB, page 256 bytes, 100 000 cycles).

use crate::board::{Flash, FlashFault};
use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use std::vec::Vec;

const SECTOR: usize = 4096;
const WORD: usize = 4;

/// How a sector has worn.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub struct Wear {
    /// Times it was erased.
    pub erases: u32,
}

/// What an operation leaves behind when power goes in it.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq)]
pub enum Tear {
    /// Nothing: power goes just before it, so after a whole number of words or sectors.
    Nothing,
    /// The first half of it.
    #[default]
    Half,
    /// Every bit that was to change has changed or not, as this seed decides.
    Mixed(u64),
    /// All of it: power goes before anybody is told.
    All,
}

/// A sector that no longer erases.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Stale {
    /// The part reports it.
    Told,
    /// The part says that all is well.
    Silent,
}

/// Virtual flash. A copy shares its sectors until one of the two writes to them.
#[derive(Clone, Debug)]
pub struct SimFlash {
    sectors: Vec<Arc<[u8; SECTOR]>>,
    wear: Vec<Wear>,
    /// Operations left before power goes; `None`: power stays.
    cut_after: Option<u64>,
    tear: Tear,
    operations: u64,
    /// Bits that stay as they are whatever is done: address, mask, and whether they stay set.
    stuck: BTreeMap<u32, (u8, bool)>,
    /// Sectors that no longer erase.
    stale: BTreeMap<u32, Stale>,
    /// Sectors that read with an error until they are erased.
    unreadable: BTreeSet<u32>,
    touched: BTreeSet<u32>,
}

impl SimFlash {
    /// Erased flash of `size` bytes, a multiple of 4096.
    pub fn new(size: usize) -> Self {
        let blank = Arc::new([0xff; SECTOR]);
        Self {
            sectors: vec![blank; size / SECTOR],
            wear: vec![Wear::default(); size / SECTOR],
            cut_after: None,
            tear: Tear::default(),
            operations: 0,
            stuck: BTreeMap::new(),
            stale: BTreeMap::new(),
            unreadable: BTreeSet::new(),
            touched: BTreeSet::new(),
        }
    }

    /// Lets power go at the `n`-th operation from now: an erase, or one programmed word of 4
    /// bytes. `Some(0)`: it has gone.
    pub fn cut_after(&mut self, n: Option<u64>) {
        self.cut_after = n;
    }

    /// What the operation in which power goes leaves behind; [`Tear::Half`] unless said.
    pub fn tear(&mut self, tear: Tear) {
        self.tear = tear;
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
    pub fn wear_out(&mut self, sector: u32, how: Stale) {
        self.stale.insert(sector, how);
    }

    /// A sector that reads with an error until it is erased, as flash with a checksum of its own does.
    pub fn spoil(&mut self, sector: u32) {
        self.unreadable.insert(sector);
    }

    /// Bits that stay cleared, or stay set.
    pub fn stick(&mut self, address: u32, mask: u8, set: bool) {
        self.stuck.insert(address, (mask, set));
        self.apply_stuck(address as usize / SECTOR);
    }

    /// Sectors that were erased or programmed since the last call.
    pub fn take_touched(&mut self) -> BTreeSet<u32> {
        core::mem::take(&mut self.touched)
    }

    /// Erases so far, of all sectors.
    pub fn erases(&self) -> u64 {
        self.wear.iter().map(|w| u64::from(w.erases)).sum()
    }

    /// The most that any sector was erased.
    pub fn most_erased(&self) -> u32 {
        self.wear.iter().map(|w| w.erases).max().unwrap_or(0)
    }

    /// Puts bytes in place as a programmer at the bench does, without counting.
    pub fn burn(&mut self, address: u32, bytes: &[u8]) {
        for (n, byte) in bytes.iter().enumerate() {
            *self.byte(address as usize + n) = *byte;
        }
    }

    /// Looks at bytes without counting.
    pub fn peek(&self, address: u32, len: u32) -> Vec<u8> {
        let mut into = vec![0; len as usize];
        self.copy_out(address as usize, &mut into);
        into
    }

    fn copy_out(&self, mut at: usize, mut into: &mut [u8]) {
        while !into.is_empty() {
            let from = at % SECTOR;
            let len = into.len().min(SECTOR - from);
            let (now, later) = into.split_at_mut(len);
            now.copy_from_slice(&self.sectors[at / SECTOR][from..from + len]);
            into = later;
            at += len;
        }
    }

    fn byte(&mut self, at: usize) -> &mut u8 {
        &mut Arc::make_mut(&mut self.sectors[at / SECTOR])[at % SECTOR]
    }

    /// Spends one operation. What it leaves behind if power goes in it.
    fn spend(&mut self) -> Result<Option<Tear>, FlashFault> {
        match self.cut_after {
            Some(0) => Err(FlashFault::PowerLost),
            Some(n) => {
                self.cut_after = Some(n - 1);
                self.operations += 1;
                Ok((n == 1).then_some(self.tear))
            }
            None => {
                self.operations += 1;
                Ok(None)
            }
        }
    }

    fn check(&self, address: u32, len: usize) -> Result<usize, FlashFault> {
        let at = address as usize;
        match at.checked_add(len) {
            Some(end) if end <= self.sectors.len() * SECTOR => Ok(at),
            _ => Err(FlashFault::Range { address }),
        }
    }

    fn apply_stuck(&mut self, sector: usize) {
        let range = (sector * SECTOR) as u32..((sector + 1) * SECTOR) as u32;
        let spots: Vec<_> = self.stuck.range(range).map(|(a, s)| (*a, *s)).collect();
        for (address, (mask, set)) in spots {
            let byte = self.byte(address as usize);
            *byte = if set { *byte | mask } else { *byte & !mask };
        }
    }
}

/// A byte of noise for every place, the same for the same seed. The mixing function is
/// splitmix64 (G. L. Steele, D. Lea, C. H. Flood, "Fast splittable pseudorandom number
/// generators", 2014).
fn noise(seed: u64, at: usize) -> u8 {
    let mut z = seed.wrapping_add((at as u64 + 1).wrapping_mul(0x9e37_79b9_7f4a_7c15));
    z = (z ^ (z >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    z = (z ^ (z >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    (z ^ (z >> 31)) as u8
}

impl Flash for SimFlash {
    fn read(&mut self, address: u32, into: &mut [u8]) -> Result<(), FlashFault> {
        if self.is_dark() {
            return Err(FlashFault::PowerLost);
        }
        let at = self.check(address, into.len())?;
        let first = (at / SECTOR * SECTOR) as u32;
        if self.unreadable.range(first..address.saturating_add(into.len() as u32)).next().is_some() {
            return Err(FlashFault::Chip);
        }
        self.copy_out(at, into);
        Ok(())
    }

    fn program(&mut self, address: u32, bytes: &[u8]) -> Result<(), FlashFault> {
        if !(address as usize).is_multiple_of(WORD) || !bytes.len().is_multiple_of(WORD) {
            return Err(FlashFault::Range { address });
        }
        let start = self.check(address, bytes.len())?;
        for (n, word) in bytes.chunks(WORD).enumerate() {
            let torn = self.spend()?;
            let at = start + n * WORD;
            self.touched.insert((at / SECTOR * SECTOR) as u32);
            for (m, b) in word.iter().enumerate() {
                // Ones of this mask are bits that were not reached.
                let spared = match torn {
                    None | Some(Tear::All) => 0,
                    Some(Tear::Nothing) => 0xff,
                    Some(Tear::Half) => {
                        if m < WORD / 2 {
                            0
                        } else {
                            0xff
                        }
                    }
                    Some(Tear::Mixed(seed)) => noise(seed, at + m),
                };
                *self.byte(at + m) &= b | spared;
            }
            self.apply_stuck(at / SECTOR);
            if torn.is_some() {
                return Err(FlashFault::PowerLost);
            }
        }
        Ok(())
    }

    fn erase(&mut self, address: u32) -> Result<(), FlashFault> {
        if !(address as usize).is_multiple_of(SECTOR) {
            return Err(FlashFault::Range { address });
        }
        let at = self.check(address, SECTOR)?;
        let torn = self.spend()?;
        let sector = at / SECTOR;
        self.wear[sector].erases += 1;
        self.touched.insert(address);
        let stale = self.stale.get(&address).copied();
        if stale.is_none() {
            self.unreadable.remove(&address);
            match torn {
                None | Some(Tear::All) => self.sectors[sector] = Arc::new([0xff; SECTOR]),
                Some(Tear::Nothing) => {}
                Some(Tear::Half) => Arc::make_mut(&mut self.sectors[sector])[..SECTOR / 2].fill(0xff),
                Some(Tear::Mixed(seed)) => {
                    let bytes = Arc::make_mut(&mut self.sectors[sector]);
                    for (n, byte) in bytes.iter_mut().enumerate() {
                        *byte |= noise(seed, n);
                    }
                }
            }
            self.apply_stuck(sector);
        }
        match (torn, stale) {
            (Some(_), _) => Err(FlashFault::PowerLost),
            (None, Some(Stale::Told)) => Err(FlashFault::Worn { address }),
            (None, Some(Stale::Silent) | None) => Ok(()),
        }
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
    fn an_operation_is_torn_as_chosen() {
        let torn = |tear: Tear, erase: bool| {
            let mut f = SimFlash::new(8192);
            f.burn(4090, &[0; 100]);
            f.burn(0, &[0x55; 4]);
            f.tear(tear);
            f.cut_after(Some(1));
            let end = if erase { f.erase(4096) } else { f.program(0, &[0; 8]) };
            assert_eq!(end, Err(FlashFault::PowerLost));
            if erase { f.peek(4096, 94) } else { f.peek(0, 8) }
        };
        let rest = [0xff; 4];
        assert_eq!(torn(Tear::Nothing, false), [[0x55; 4], rest].concat());
        assert_eq!(torn(Tear::All, false), [[0; 4], rest].concat());
        let mixed = torn(Tear::Mixed(1), false);
        assert!(mixed[..4].iter().all(|b| b & !0x55 == 0) && mixed[..4] != [0; 4]);
        assert_eq!(torn(Tear::Nothing, true), [0; 94]);
        assert_eq!(torn(Tear::All, true), [0xff; 94]);
        assert_ne!(torn(Tear::Mixed(1), true), torn(Tear::Mixed(2), true));
    }

    #[test]
    fn worn_sectors_and_stuck_bits_show() {
        let mut f = SimFlash::new(8192);
        f.burn(0, &[0]);
        f.wear_out(0, Stale::Told);
        assert_eq!(f.erase(0), Err(FlashFault::Worn { address: 0 }));
        f.wear_out(0, Stale::Silent);
        assert_eq!(f.erase(0), Ok(()));
        assert_eq!(f.peek(0, 1), [0]);
        f.stick(5000, 1, false);
        f.stick(5001, 1, true);
        f.erase(4096).unwrap();
        assert_eq!(f.peek(5000, 2), [0xfe, 0xff]);
        f.program(5000, &[0; 4]).unwrap();
        assert_eq!(f.peek(5000, 2), [0, 1]);
        assert_eq!(f.take_touched().into_iter().collect::<Vec<_>>(), [0, 4096]);
    }

    #[test]
    fn a_copy_goes_its_own_way() {
        let mut f = SimFlash::new(8192);
        f.burn(4094, &[1, 2, 3, 4]);
        let mut g = f.clone();
        g.erase(0).unwrap();
        assert_eq!((f.peek(4094, 4), g.peek(4094, 4)), (vec![1, 2, 3, 4], vec![0xff, 0xff, 3, 4]));
    }
}

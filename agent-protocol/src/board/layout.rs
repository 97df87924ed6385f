//! Where things lie in flash.

use crate::slots::{Part, SECTOR, Slot};
use core::fmt;

/// Addresses in flash, all multiples of 4096.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Layout {
    /// The boot record, two sectors.
    pub record: [u32; 2],
    /// The node's own keys, one sector.
    pub secrets: u32,
    /// The starter card's contents, one sector.
    pub card: u32,
    /// The bundle, two copies of one sector each.
    pub conf: [u32; 2],
    /// The trust anchors, two copies of one sector each.
    pub keys: [u32; 2],
    /// The net chip's slots.
    pub net: [u32; 2],
    /// Bytes in each of the net chip's slots.
    pub net_room: u32,
    /// The io chip's images.
    pub io: [u32; 2],
    /// Bytes in each of the io chip's slots.
    pub io_room: u32,
    /// Sizes of the images that the board was made with, in slot A: net, io.
    pub factory: [u32; 2],
}

impl Layout {
    /// Where a slot begins.
    pub const fn slot(&self, part: Part, slot: Slot) -> u32 {
        let [a, b] = match part {
            Part::Net => self.net,
            Part::Io => self.io,
            Part::Conf => self.conf,
            Part::Keys => self.keys,
        };
        match slot {
            Slot::A => a,
            Slot::B => b,
        }
    }

    /// How many bytes fit a slot.
    pub const fn room(&self, part: Part) -> u32 {
        match part {
            Part::Net => self.net_room,
            Part::Io => self.io_room,
            Part::Conf | Part::Keys => SECTOR,
        }
    }

    /// Every area with its first address and its bytes.
    pub const fn areas(&self) -> [(Area, u32, u32); 12] {
        [
            (Area::Record, self.record[0], SECTOR),
            (Area::Record, self.record[1], SECTOR),
            (Area::Secrets, self.secrets, SECTOR),
            (Area::Card, self.card, SECTOR),
            (Area::Conf, self.conf[0], SECTOR),
            (Area::Conf, self.conf[1], SECTOR),
            (Area::Keys, self.keys[0], SECTOR),
            (Area::Keys, self.keys[1], SECTOR),
            (Area::Net, self.net[0], self.net_room),
            (Area::Net, self.net[1], self.net_room),
            (Area::Io, self.io[0], self.io_room),
            (Area::Io, self.io[1], self.io_room),
        ]
    }

    /// Checks that a node can live with it: whole sectors, nothing on top of anything else, and
    /// images that fit their slots.
    ///
    /// # Errors
    /// [`LayoutFault`], the first thing wrong.
    pub fn check(&self) -> Result<(), LayoutFault> {
        let areas = self.areas();
        for (n, (area, address, size)) in areas.iter().enumerate() {
            if !address.is_multiple_of(SECTOR) || !size.is_multiple_of(SECTOR) || *size == 0 {
                return Err(LayoutFault::Sector { area: *area, address: *address });
            }
            let end = address.checked_add(*size);
            let end = end.ok_or(LayoutFault::End { area: *area, address: *address })?;
            // Those before it have passed, so that their ends are no overflow.
            let before = areas.iter().take(n);
            for (other, start, length) in before {
                if *start < end && *address < start.saturating_add(*length) {
                    return Err(LayoutFault::Overlap { areas: [*other, *area], address: *address });
                }
            }
        }
        for (area, size, room) in
            [(Area::Net, self.factory[0], self.net_room), (Area::Io, self.factory[1], self.io_room)]
        {
            if size == 0 || size > room {
                return Err(LayoutFault::Factory { area, size, room });
            }
        }
        Ok(())
    }
}

/// A part of flash.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Area {
    /// The boot record.
    Record,
    /// The node's own keys.
    Secrets,
    /// The starter card.
    Card,
    /// The bundle.
    Conf,
    /// The trust anchors.
    Keys,
    /// The net chip's images.
    Net,
    /// The io chip's images.
    Io,
}

impl fmt::Display for Area {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Record => "the boot record",
            Self::Secrets => "the node's own keys",
            Self::Card => "the starter card",
            Self::Conf => "the bundle",
            Self::Keys => "the trust anchors",
            Self::Net => "the net chip's images",
            Self::Io => "the io chip's images",
        })
    }
}

/// Why no node can live with a layout.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum LayoutFault {
    /// An area that does not start at a multiple of 4096, or is not a multiple of 4096 bytes long.
    Sector {
        /// What.
        area: Area,
        /// Where it starts.
        address: u32,
    },
    /// An area that ends beyond the largest address.
    End {
        /// What.
        area: Area,
        /// Where it starts.
        address: u32,
    },
    /// Two areas on the same flash.
    Overlap {
        /// Which.
        areas: [Area; 2],
        /// Where the second one starts.
        address: u32,
    },
    /// A first image that is empty or does not fit its slot.
    Factory {
        /// Whose.
        area: Area,
        /// Its bytes.
        size: u32,
        /// The bytes of the slot.
        room: u32,
    },
}

impl LayoutFault {
    /// The address, or for a first image the size, that is wrong.
    pub const fn at(&self) -> u32 {
        match self {
            Self::Sector { address, .. } | Self::End { address, .. } | Self::Overlap { address, .. } => {
                *address
            }
            Self::Factory { size, .. } => *size,
        }
    }
}

impl fmt::Display for LayoutFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Sector { area, address } => write!(
                f,
                "{area} at {address:#x}: start and length must be multiples of {SECTOR}, and the length not 0"
            ),
            Self::End { area, address } => write!(f, "{area} at {address:#x} end beyond 32 bits"),
            Self::Overlap { areas: [one, other], address } => {
                write!(f, "{other} at {address:#x} lie on {one}")
            }
            Self::Factory { area, size, room } => {
                write!(f, "{area}: the first one has {size} bytes, expected 1 to {room}")
            }
        }
    }
}

impl core::error::Error for LayoutFault {}

#[cfg(test)]
mod tests {
    use super::*;

    const GOOD: Layout = Layout {
        record: [0, 0x1000],
        secrets: 0x2000,
        card: 0x3000,
        conf: [0x4000, 0x5000],
        keys: [0x6000, 0x7000],
        net: [0x8000, 0x1_0000],
        net_room: 0x8000,
        io: [0x1_8000, 0x1_c000],
        io_room: 0x4000,
        factory: [0x8000, 1],
    };

    #[test]
    fn a_layout_without_gaps_is_taken() {
        assert_eq!(GOOD.check(), Ok(()));
    }

    #[test]
    fn what_lies_wrong_is_named() {
        let overlap = |areas, address| Err(LayoutFault::Overlap { areas, address });
        let sector = |area, address| Err(LayoutFault::Sector { area, address });
        let cases = [
            (Layout { card: 0x3004, ..GOOD }, sector(Area::Card, 0x3004)),
            (Layout { net_room: 0, ..GOOD }, sector(Area::Net, 0x8000)),
            (Layout { io_room: 100, ..GOOD }, sector(Area::Io, 0x1_8000)),
            (Layout { keys: [0x6000, 0x6000], ..GOOD }, overlap([Area::Keys; 2], 0x6000)),
            (Layout { secrets: 0, ..GOOD }, overlap([Area::Record, Area::Secrets], 0)),
            (Layout { net: [0x8000, 0x9000], ..GOOD }, overlap([Area::Net; 2], 0x9000)),
            (Layout { io: [0x1_7000, 0x1_c000], ..GOOD }, overlap([Area::Net, Area::Io], 0x1_7000)),
            (
                Layout { io: [0xffff_e000, 0x1_c000], ..GOOD },
                Err(LayoutFault::End { area: Area::Io, address: 0xffff_e000 }),
            ),
            (
                Layout { factory: [0x8001, 1], ..GOOD },
                Err(LayoutFault::Factory { area: Area::Net, size: 0x8001, room: 0x8000 }),
            ),
            (
                Layout { factory: [1, 0], ..GOOD },
                Err(LayoutFault::Factory { area: Area::Io, size: 0, room: 0x4000 }),
            ),
        ];
        for (layout, fault) in cases {
            assert_eq!(layout.check(), fault);
        }
    }
}

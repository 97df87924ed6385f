//! Where things lie in flash.

use crate::slots::{Part, SECTOR, Slot};

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
}

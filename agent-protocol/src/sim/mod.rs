//! A virtual two-chip board: flash that wears and loses power, a lossy link, a door, a radio.
//!
//! Only the hardware is virtual: everything above [`crate::board::Board`] is the real node.
//! Nothing here knows the time but by being told.
//!
//! Images are not executed. A chip does what its image's note says: version, link range,
//! actuation profile, and for rehearsals the [`crate::image::Quirk`] by which it misbehaves.

#![allow(
    clippy::indexing_slicing,
    reason = "a virtual board may stop at the end of its flash; the node core may not"
)]

mod air;
mod board;
mod chance;
mod door;
mod flash;
mod io_chip;
pub mod rig;
pub mod sample;
#[cfg(test)]
mod witness;

pub use air::{AccessPoint, Air};
pub use board::{Advert, LAYOUT, OwnedRequest, Pending, VirtualBoard};
pub use chance::Chance;
pub use door::{Door, OPEN_MM, SHUT_MM};
pub use flash::{SimFlash, Stale, Tear, Wear};
pub use io_chip::IoChip;

//! The link between the two chips: the net chip asks, the io chip answers, one frame each.
//!
//! Frames fit the 32-byte buffers of common I2C peripherals. There is no message on this link
//! that moves the door.

mod frame;
mod handshake;
mod loader;
mod message;
#[cfg(test)]
mod tests;
mod transfer;

pub(crate) use frame::{CRC_START, crc16};
pub use frame::{FRAME_MAX, FrameFault, PAYLOAD_MAX, decode_frame, encode_frame};
pub use handshake::{Agreement, Speaks, agree, pair_facts};
pub use loader::{Loader, LoaderStore};
pub use message::{Answer, Ask, DATA_MAX, Hello, Mode, Status};
pub use transfer::{RESTARTS, RETRIES, Transfer, TransferEnd};

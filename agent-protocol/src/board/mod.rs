//! What a board has to bring: flash, chance, the wire to the other chip, a radio, a restart.

mod flash;
mod i2c;
mod layout;
mod nor;
mod request;

pub use flash::{Flash, FlashFault};
pub use i2c::I2cWire;
pub use layout::{Area, Layout, LayoutFault};
pub use nor::NorAdapter;
pub use request::{PATH_MAX, Request};

use crate::link::FRAME_MAX;
use crate::slots::Slot;

/// The service that servers advertise on the local link.
pub const SERVICE: &str = "_pintle._tcp.local";

/// A net chip with what is around it.
pub trait Board {
    /// Its flash.
    type Flash: Flash;

    /// Its flash.
    fn flash(&mut self) -> &mut Self::Flash;

    /// Where things lie in its flash.
    fn layout(&self) -> Layout;

    /// The slot of the net chip's image that runs, as the boot loader chose it ([`crate::slots::slot_to_start`]).
    /// If the record names another one after a start, the node asks for a restart before it does anything
    /// else. None where that cannot be known.
    fn running(&self) -> Option<Slot>;

    /// Whether the boot loader counts the starts of a net image on trial, by [`crate::slots::count_start`]. Otherwise the
    /// image does so when its node starts, and one that dies before that is never left.
    fn loader_counts(&self) -> bool {
        false
    }

    /// Fills `into` with random bytes fit for keys.
    fn random(&mut self, into: &mut [u8]);

    /// Sends a frame to the io chip and reads its answer into `answer`. Whether one came;
    /// whether it is whole the caller finds out.
    fn exchange(&mut self, frame: &[u8], answer: &mut [u8; FRAME_MAX]) -> bool;

    /// Resets the io chip by its reset line. Asked for only when it has to be brought an image and is silent: its loader
    /// then listens for a while, whatever its image does. A board without that line leaves this as it is, and relies on
    /// the io chip's watchdog.
    fn reset_io(&mut self) {}

    /// Whether the node's own button was pressed since the last call.
    fn pressed(&mut self) -> bool;

    /// The starter card, if one is in.
    fn card(&mut self) -> Option<&[u8]>;

    /// Begins to join a network; [`Event::Joined`] or [`Event::JoinFailed`] comes later.
    fn join(&mut self, ssid: &[u8], passphrase: &str);

    /// Begins a request to the server at `base`; [`Event::Response`] or [`Event::NoResponse`]
    /// comes later. There is never more than one.
    fn request(&mut self, base: &str, request: Request<'_>);

    /// Begins to look for servers on the local link: a DNS-SD query for [`SERVICE`]. Every one heard
    /// comes as [`Event::Found`], whenever that is. A board that cannot leaves this as it is: its node
    /// finds the server at the listed addresses only.
    ///
    /// # Source
    /// RFC 6763 section 4 (PTR, SRV, TXT), RFC 6762 (the query).
    fn search(&mut self) {}

    /// Starts again. The node is not polled any more after this.
    fn restart(&mut self);
}

/// Why a network was not joined.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum JoinFault {
    /// Not on the air.
    NotFound,
    /// The passphrase was refused.
    WrongPassphrase,
    /// No address was given.
    NoAddress,
}

/// Something that the radio reports.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Event<'a> {
    /// Nothing.
    Nothing,
    /// The network is joined.
    Joined {
        /// Signal, in dBm.
        rssi_dbm: i8,
    },
    /// The network was not joined.
    JoinFailed(JoinFault),
    /// The network is gone.
    Lost,
    /// The server answered.
    Response {
        /// HTTP status.
        status: u16,
        /// Its body.
        body: &'a [u8],
    },
    /// The server did not answer, or is not the one whose certificate is pinned.
    NoResponse,
    /// A server was heard on the local link. Nothing it says is believed for that.
    Found {
        /// `https://` or `http://` (TXT `tls` is `0`), the SRV record's target without the last dot,
        /// `:` and its port; at most 64 bytes. Resolved by multicast DNS when it is asked, and its
        /// certificate is checked for that name.
        base: &'a str,
        /// TXT `key`, 64 hex digits: the thumbprint of the key with which it signs replies.
        key: [u8; 32],
    },
}

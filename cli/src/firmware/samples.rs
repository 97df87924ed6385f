//! The sample images, for rehearsals and tests: see `firmware/README.md`.
//!
//! They are part of the program, so that a rehearsal needs no cross compiler. None of them is for a real door.

use pintle_protocol::id::Chip;
use pintle_protocol::image::Quirk;

/// The board that the samples are for; also the class name of its net chip's images.
pub const BOARD: &str = "latchboard rev B";
/// The class name of the io chip's images.
pub const BOARD_IO: &str = "latchboard rev B, io chip";
/// The domain of the vendor.
pub const VENDOR: &str = "larkfield.example";

/// One sample image.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Sample {
    /// Chip, version and, for a faulty one, how it misbehaves: `net-1.0.0`, `io-1.2.0-mute-link`.
    pub name: &'static str,
    /// The chip it is for.
    pub chip: Chip,
    /// How it misbehaves; the same as in its image note.
    pub quirk: Quirk,
    /// The name of the file.
    pub file: &'static str,
    /// The file: ELF for the net chip, Intel HEX for the io chip.
    pub bytes: &'static [u8],
}

macro_rules! samples {
    ($($name:literal, $chip:ident, $quirk:ident, $extension:literal;)*) => {
        /// All samples: good ones by version, then faulty ones; each time net before io.
        pub const SAMPLES: &[Sample] = &[$(Sample {
            name: $name,
            chip: Chip::$chip,
            quirk: Quirk::$quirk,
            file: concat!($name, ".", $extension),
            bytes: include_bytes!(concat!("../../../firmware/images/", $name, ".", $extension)),
        }),*];
    };
}

samples! {
    // Links 1, 1 to 2, and 2 only: from 1.0.0 to 2.0.0 leads no way but through 1.1.0.
    "net-1.0.0", Net, None, "elf";
    "io-1.0.0", Io, None, "hex";
    "net-1.1.0", Net, None, "elf";
    "io-1.1.0", Io, None, "hex";
    "net-2.0.0", Net, None, "elf";
    "io-2.0.0", Io, None, "hex";
    "net-1.2.0-mute-link", Net, MuteLink, "elf";
    "io-1.2.0-mute-link", Io, MuteLink, "hex";
    "net-1.2.0-wrong-position", Net, WrongPosition, "elf";
    "io-1.2.0-wrong-position", Io, WrongPosition, "hex";
    "net-1.2.0-no-check-in", Net, NoCheckIn, "elf";
    "net-1.2.0-reset-loop", Net, ResetLoop, "elf";
    "io-1.2.0-reset-loop", Io, ResetLoop, "hex";
}

/// The sample with this name.
pub fn find(name: &str) -> Option<&'static Sample> {
    SAMPLES.iter().find(|s| s.name == name)
}

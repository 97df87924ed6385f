//! The note that every chip image carries about itself.
//!
//! A packer, a node and a boot loader read version, link range and actuation profile from the
//! image, never from its file name. The note is 64 bytes, starts at a multiple of 16 bytes,
//! and may stand anywhere in the image:
//!
//! | bytes | what |
//! | --- | --- |
//! | 0..8 | `50 49 4e 54 4c 45 00 01` ("PINTLE", 0, layout 1) |
//! | 8 | chip: 1 net, 2 io |
//! | 9, 10 | oldest and newest link version |
//! | 11 | actuation profile version |
//! | 12..14 | actuation profile id, little-endian |
//! | 14..20 | version: major, minor, patch, 2 bytes each, little-endian |
//! | 20..36 | class identifier (UUID) |
//! | 36 | rehearsal quirk; 0 in every image meant for a real board |
//! | 37..60 | zero |
//! | 60..64 | CRC-32/ISO-HDLC of bytes 0..60, little-endian |

use crate::id::{Chip, Uuid16};
use crate::version::{ActuationProfile, LinkRange, Version};
use core::fmt;

/// The first eight bytes of the note.
pub const MAGIC: [u8; 8] = *b"PINTLE\x00\x01";
/// Bytes in the note.
pub const NOTE_LEN: usize = 64;
/// The note starts at a multiple of this many bytes.
pub const NOTE_ALIGN: usize = 16;

const CRC: crc::Crc<u32> = crc::Crc::<u32>::new(&crc::CRC_32_ISO_HDLC);

/// How a rehearsal image misbehaves. The sample firmware really does so, and the virtual board
/// reads this byte to do the same; a packer refuses anything but `None` outside rehearsals.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum Quirk {
    /// Behaves.
    #[default]
    None,
    /// Never answers the other chip. What an io chip's loader answers after a reset is not its doing.
    MuteLink,
    /// Reports another door position than the door has.
    WrongPosition,
    /// Never completes a check-in.
    NoCheckIn,
    /// Resets a few seconds after every start.
    ResetLoop,
}

impl Quirk {
    /// All quirks, by their byte.
    pub const ALL: [Self; 5] =
        [Self::None, Self::MuteLink, Self::WrongPosition, Self::NoCheckIn, Self::ResetLoop];

    /// The byte in the note.
    pub const fn byte(self) -> u8 {
        match self {
            Self::None => 0,
            Self::MuteLink => 1,
            Self::WrongPosition => 2,
            Self::NoCheckIn => 3,
            Self::ResetLoop => 4,
        }
    }

    fn from_byte(byte: u8) -> Option<Self> {
        Self::ALL.into_iter().find(|q| q.byte() == byte)
    }
}

/// What an image says about itself.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ImageNote {
    /// The chip it runs on.
    pub chip: Chip,
    /// Its version.
    pub version: Version,
    /// The link versions it speaks.
    pub link: LinkRange,
    /// What it means by moving the door.
    pub profile: ActuationProfile,
    /// The class of board it is built for.
    pub class: Uuid16,
    /// How it misbehaves in rehearsals.
    pub quirk: Quirk,
}

/// Why an image has no usable note.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum NoteFault {
    /// No note at any multiple of 16 bytes.
    Missing,
    /// More than one note; offsets of the first two.
    Twice {
        /// First offset.
        first: usize,
        /// Second offset.
        second: usize,
    },
    /// The checksum does not match, for the note at this offset.
    Checksum {
        /// Offset of the note in the image.
        at: usize,
    },
    /// A field has an impossible value; offset of the field in the image.
    Field {
        /// Offset of the field in the image.
        at: usize,
        /// Name of the field.
        field: &'static str,
    },
}

impl fmt::Display for NoteFault {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Missing => f.write_str("it carries no image note at any multiple of 16 bytes"),
            Self::Twice { first, second } => {
                write!(f, "it carries two image notes, at bytes {first} and {second}; one is expected")
            }
            Self::Checksum { at } => write!(f, "the checksum of the image note at byte {at} does not match"),
            Self::Field { at, field } => {
                write!(f, "the image note has an impossible value for {field} at byte {at}")
            }
        }
    }
}

impl core::error::Error for NoteFault {}

impl ImageNote {
    /// Finds and reads the one note in `image`.
    ///
    /// # Errors
    /// [`NoteFault`] if there is none, more than one, or it is damaged.
    pub fn find(image: &[u8]) -> Result<Self, NoteFault> {
        let mut found = None;
        for (n, chunk) in image.chunks(NOTE_ALIGN).enumerate() {
            if chunk.starts_with(&MAGIC) {
                let at = n * NOTE_ALIGN;
                match found {
                    None => found = Some(at),
                    Some(first) => return Err(NoteFault::Twice { first, second: at }),
                }
            }
        }
        let at = found.ok_or(NoteFault::Missing)?;
        let bytes = image.get(at..at + NOTE_LEN).ok_or(NoteFault::Checksum { at })?;
        let bytes: &[u8; NOTE_LEN] = bytes.try_into().map_err(|_| NoteFault::Checksum { at })?;
        Self::decode(bytes).map_err(|fault| fault.shifted(at))
    }

    /// Reads a note from exactly its bytes; offsets in faults count from its start.
    ///
    /// # Errors
    /// [`NoteFault`] if it is damaged or has an impossible value.
    pub fn decode(b: &[u8; NOTE_LEN]) -> Result<Self, NoteFault> {
        let u16_of = |low, high| u16::from_le_bytes([low, high]);
        let sum = u32::from_le_bytes([b[60], b[61], b[62], b[63]]);
        if b[..8] != MAGIC || CRC.checksum(&b[..60]) != sum {
            return Err(NoteFault::Checksum { at: 0 });
        }
        let field = |at, field| NoteFault::Field { at, field };
        if b[37..60].iter().any(|x| *x != 0) {
            return Err(field(37, "the reserved bytes"));
        }
        let mut class = [0; 16];
        class.copy_from_slice(&b[20..36]);
        Ok(Self {
            chip: match b[8] {
                1 => Chip::Net,
                2 => Chip::Io,
                _ => return Err(field(8, "the chip")),
            },
            link: LinkRange::new(b[9], b[10]).ok_or(field(9, "the link range"))?,
            profile: ActuationProfile { id: u16_of(b[12], b[13]), version: b[11] },
            version: Version::new(u16_of(b[14], b[15]), u16_of(b[16], b[17]), u16_of(b[18], b[19])),
            class: Uuid16(class),
            quirk: Quirk::from_byte(b[36]).ok_or(field(36, "the quirk"))?,
        })
    }

    /// Writes the note.
    pub fn encode(&self) -> [u8; NOTE_LEN] {
        let mut b = [0u8; NOTE_LEN];
        b[..8].copy_from_slice(&MAGIC);
        b[8] = match self.chip {
            Chip::Net => 1,
            Chip::Io => 2,
        };
        b[9] = self.link.oldest;
        b[10] = self.link.newest;
        b[11] = self.profile.version;
        b[12..14].copy_from_slice(&self.profile.id.to_le_bytes());
        b[14..16].copy_from_slice(&self.version.major.to_le_bytes());
        b[16..18].copy_from_slice(&self.version.minor.to_le_bytes());
        b[18..20].copy_from_slice(&self.version.patch.to_le_bytes());
        b[20..36].copy_from_slice(&self.class.0);
        b[36] = self.quirk.byte();
        let sum = CRC.checksum(&b[..60]);
        b[60..].copy_from_slice(&sum.to_le_bytes());
        b
    }
}

impl NoteFault {
    fn shifted(self, by: usize) -> Self {
        match self {
            Self::Checksum { at } => Self::Checksum { at: at + by },
            Self::Field { at, field } => Self::Field { at: at + by, field },
            same @ (Self::Missing | Self::Twice { .. }) => same,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn note() -> ImageNote {
        ImageNote {
            chip: Chip::Io,
            version: Version::new(1, 2, 3),
            link: LinkRange { oldest: 2, newest: 4 },
            profile: ActuationProfile { id: 258, version: 7 },
            class: Uuid16([9; 16]),
            quirk: Quirk::None,
        }
    }

    #[test]
    fn reads_back_from_the_middle_of_an_image() {
        let mut image = vec![0u8; 48];
        image.extend_from_slice(&note().encode());
        image.extend_from_slice(&[0xff; 30]);
        assert_eq!(ImageNote::find(&image), Ok(note()));
    }

    #[test]
    fn none_two_and_cut_notes_are_refused() {
        assert_eq!(ImageNote::find(&[0; 100]), Err(NoteFault::Missing));
        let twice = [note().encode(), note().encode()].concat();
        assert_eq!(ImageNote::find(&twice), Err(NoteFault::Twice { first: 0, second: 64 }));
        assert_eq!(ImageNote::find(&note().encode()[..63]), Err(NoteFault::Checksum { at: 0 }));
    }

    /// Source of the check value: catalogue of parametrised CRC algorithms, CRC-32/ISO-HDLC.
    #[test]
    fn checksum_is_the_catalogued_one() {
        assert_eq!(CRC.checksum(b"123456789"), 0xcbf4_3926);
    }

    proptest! {
        #[test]
        fn any_changed_bit_is_noticed(bit in 0usize..NOTE_LEN * 8) {
            let mut bytes = note().encode();
            bytes[bit / 8] ^= 1 << (bit % 8);
            prop_assert!(ImageNote::decode(&bytes).is_err());
        }

        #[test]
        fn any_bytes_are_read_without_panic(bytes in proptest::collection::vec(any::<u8>(), 0..300)) {
            let _ = ImageNote::find(&bytes);
        }
    }
}

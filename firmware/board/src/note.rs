//! The image note: 64 bytes by which packers, boot loaders and the image itself know what it is.
//!
//! The layout is that of `pintle_protocol::image`, written out here a second time on purpose: firmware in
//! any language has to do it by hand, and the images built from this show that it can be done.

use crate::variant::BUILT;

/// Bytes in the note.
pub const LEN: usize = 64;

/// Class of the net chip's images: UUIDv5 of "latchboard rev B" in the name space of the vendor, which is
/// UUIDv5 of "larkfield.example" in the DNS name space (RFC 9562 section 5.5).
pub const CLASS_NET: [u8; 16] = 0x1d06e6b3_0d35_5fcd_bd63_8a09aac9647a_u128.to_be_bytes();
/// Class of the io chip's images, the same with the name "latchboard rev B, io chip".
pub const CLASS_IO: [u8; 16] = 0x3ebda3a1_5bc7_56de_a75e_fb1ca326d80b_u128.to_be_bytes();

/// The note of the image that is being built. `chip`: 1 net, 2 io.
pub const fn note(chip: u8, class: [u8; 16]) -> [u8; LEN] {
    let mut b = [0; LEN];
    put(&mut b, 0, b"PINTLE\x00\x01");
    b[8] = chip;
    b[9] = BUILT.link[0];
    b[10] = BUILT.link[1];
    b[11] = BUILT.profile.1;
    put(&mut b, 12, &BUILT.profile.0.to_le_bytes());
    put(&mut b, 14, &BUILT.version[0].to_le_bytes());
    put(&mut b, 16, &BUILT.version[1].to_le_bytes());
    put(&mut b, 18, &BUILT.version[2].to_le_bytes());
    put(&mut b, 20, &class);
    b[36] = BUILT.quirk;
    let sum = crc32(&b, 60);
    put(&mut b, 60, &sum.to_le_bytes());
    b
}

/// A note as it lies in flash. Aligned, because it is looked for at multiples of 16 bytes only.
#[repr(C, align(16))]
pub struct Note(pub [u8; LEN]);

impl Note {
    /// One byte of the note, read from flash each time.
    ///
    /// The compiler must not fold it to a constant: the code of all variants is then the same, and a byte
    /// changed in the image changes what the image does.
    fn byte(&self, at: usize) -> u8 {
        let byte: *const u8 = &self.0[at];
        // SAFETY: `byte` comes from a reference, so it is valid for reads of one byte.
        unsafe { byte.read_volatile() }
    }

    /// Oldest and newest link version.
    pub fn link(&self) -> [u8; 2] {
        [self.byte(9), self.byte(10)]
    }

    /// Actuation profile: id and version.
    pub fn profile(&self) -> (u16, u8) {
        (u16::from_le_bytes([self.byte(12), self.byte(13)]), self.byte(11))
    }

    /// The six bytes of the version.
    pub fn version(&self) -> [u8; 6] {
        core::array::from_fn(|n| self.byte(14 + n))
    }

    /// How this image misbehaves; see [`crate::variant`].
    pub fn quirk(&self) -> u8 {
        self.byte(36)
    }
}

const fn put(to: &mut [u8; LEN], at: usize, from: &[u8]) {
    let mut n = 0;
    while n < from.len() {
        to[at + n] = from[n];
        n += 1;
    }
}

/// CRC-32/ISO-HDLC of the first `len` bytes, bit by bit.
const fn crc32(bytes: &[u8], len: usize) -> u32 {
    let mut crc = u32::MAX;
    let mut n = 0;
    while n < len {
        crc ^= bytes[n] as u32;
        let mut bit = 0;
        while bit < 8 {
            crc = if crc & 1 == 1 { (crc >> 1) ^ 0xedb8_8320 } else { crc >> 1 };
            bit += 1;
        }
        n += 1;
    }
    !crc
}

// The check value of the catalogue of parametrised CRC algorithms, at compile time.
const _: () = assert!(crc32(b"123456789", 9) == 0xcbf4_3926);

//! Names of things: nodes, vendors, classes, digests, roles and components.

use crate::cbor::{Bounded, Item, Reader, Unexpected, Writer};
use core::fmt;
use minicbor::{Decode, Decoder, Encode, Encoder, decode, encode};

/// Why a text is no identifier.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BadId {
    /// Another number of hexadecimal digits than expected.
    Length {
        /// Digits found, hyphens not counted.
        found: usize,
        /// Digits expected.
        expected: usize,
    },
    /// A character that is no hexadecimal digit, at this byte offset.
    Digit {
        /// Byte offset in the text.
        at: usize,
    },
}

impl fmt::Display for BadId {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Length { found, expected } => {
                write!(f, "it has {found} hexadecimal digits, expected {expected}")
            }
            Self::Digit { at } => write!(f, "the character at byte {at} is no hexadecimal digit"),
        }
    }
}

impl core::error::Error for BadId {}

macro_rules! bytes_id {
    ($(#[$doc:meta])* $name:ident, $len:literal) => {
        $(#[$doc])*
        #[derive(Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
        pub struct $name(pub [u8; $len]);

        impl $name {
            /// Length in bytes.
            pub const LEN: usize = $len;

            /// Reads hexadecimal text; hyphens are skipped.
            ///
            /// # Errors
            /// [`BadId`] for a wrong number of digits or a character that is none.
            pub fn parse(text: &str) -> Result<Self, BadId> {
                let mut out = [0u8; $len];
                parse_hex(text, &mut out)?;
                Ok(Self(out))
            }

            /// Takes exactly [`Self::LEN`] bytes.
            pub fn from_slice(bytes: &[u8]) -> Option<Self> {
                bytes.try_into().ok().map(Self)
            }
        }

        impl fmt::Display for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                for b in self.0 {
                    write!(f, "{b:02x}")?;
                }
                Ok(())
            }
        }

        impl fmt::Debug for $name {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                write!(f, concat!(stringify!($name), "({})"), self)
            }
        }

        impl core::str::FromStr for $name {
            type Err = BadId;
            fn from_str(text: &str) -> Result<Self, BadId> {
                Self::parse(text)
            }
        }

        impl Item for $name {
            fn blank() -> Self {
                Self([0; $len])
            }

            fn read(&mut self, r: &mut Reader<'_>) -> Result<(), Unexpected> {
                r.fill(&mut self.0)
            }

            fn write(&self, w: &mut Writer<Bounded<'_>>) {
                w.bytes(&self.0);
            }
        }

        impl<C> Encode<C> for $name {
            fn encode<W: encode::Write>(
                &self,
                e: &mut Encoder<W>,
                _: &mut C,
            ) -> Result<(), encode::Error<W::Error>> {
                e.bytes(&self.0)?;
                Ok(())
            }
        }

        impl<'b, C> Decode<'b, C> for $name {
            fn decode(d: &mut Decoder<'b>, _: &mut C) -> Result<Self, decode::Error> {
                let at = d.position();
                Self::from_slice(d.bytes()?)
                    .ok_or_else(|| decode::Error::message("wrong length of a byte string").at(at))
            }
        }
    };
}

bytes_id!(
    /// A node's device identifier: UUIDv5 from the yard's domain and the node's name.
    /// Source: RFC 9562 section 5.5; draft-ietf-suit-manifest-37 section 8.4.8.2 for its use.
    NodeId, 16
);
bytes_id!(
    /// A vendor or class identifier: a UUID as RFC 9562 defines, 16 bytes in network order.
    Uuid16, 16
);
bytes_id!(
    /// A SHA-256 digest (FIPS 180-4).
    Digest, 32
);
bytes_id!(
    /// A fresh random value, used once.
    Nonce, 16
);
bytes_id!(
    /// A public key: Ed25519 (RFC 8032) or X25519 (RFC 7748), 32 raw bytes.
    PublicKey, 32
);

impl Digest {
    /// Hashes `bytes` in one go.
    pub fn of(bytes: &[u8]) -> Self {
        use sha2::Digest as _;
        Self(sha2::Sha256::digest(bytes).into())
    }

    /// Hashes `size` bytes that `read` brings from an offset, piece by piece.
    ///
    /// # Errors
    /// The first one of `read`.
    pub fn of_pieces<E>(size: u32, mut read: impl FnMut(u32, &mut [u8]) -> Result<(), E>) -> Result<Self, E> {
        use sha2::Digest as _;
        let mut sum = sha2::Sha256::new();
        let mut piece = [0u8; 256];
        let mut at = 0;
        while at < size {
            let len = (piece.len() as u32).min(size - at);
            let part = piece.get_mut(..len as usize).unwrap_or_default();
            read(at, part)?;
            sum.update(&*part);
            at += len;
        }
        Ok(Self(sum.finalize().into()))
    }

    /// The first eight hexadecimal digits, for people.
    pub fn short(&self) -> impl fmt::Display + '_ {
        struct Short<'a>(&'a Digest);
        impl fmt::Display for Short<'_> {
            fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                for b in self.0.0.iter().take(4) {
                    write!(f, "{b:02x}")?;
                }
                Ok(())
            }
        }
        Short(self)
    }
}

fn parse_hex(text: &str, out: &mut [u8]) -> Result<(), BadId> {
    let expected = out.len() * 2;
    let found = text.bytes().filter(|b| *b != b'-').count();
    if found != expected {
        return Err(BadId::Length { found, expected });
    }
    let digits = text.bytes().enumerate().filter(|(_, b)| *b != b'-');
    for (n, (at, b)) in digits.enumerate() {
        let value = (b as char).to_digit(16).ok_or(BadId::Digit { at })? as u8;
        if let Some(slot) = out.get_mut(n / 2) {
            *slot = (*slot << 4) | value;
        }
    }
    Ok(())
}

/// What a signing key is for. Each role has its own keys and its own sequence numbers.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Role {
    /// Signs the set of trust anchors, nothing else.
    Root,
    /// Signs chip images.
    Image,
    /// Signs bundles.
    Bundle,
}

impl Role {
    /// All roles, in the order in which sequence numbers are stored.
    pub const ALL: [Self; 3] = [Self::Root, Self::Image, Self::Bundle];

    /// Position in tables of sequence numbers.
    pub const fn index(self) -> usize {
        match self {
            Self::Root => 0,
            Self::Image => 1,
            Self::Bundle => 2,
        }
    }

    /// The word for people.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Root => "root",
            Self::Image => "image",
            Self::Bundle => "bundle",
        }
    }
}

impl fmt::Display for Role {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}

/// One of the two chips of a node.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Chip {
    /// The chip with the radio, the keys and the manifest processor.
    Net,
    /// The chip with the sensors and the relay.
    Io,
}

impl Chip {
    /// Both chips, net first.
    pub const ALL: [Self; 2] = [Self::Net, Self::Io];

    /// The other one.
    pub const fn other(self) -> Self {
        match self {
            Self::Net => Self::Io,
            Self::Io => Self::Net,
        }
    }

    /// Position in tables of chips.
    pub const fn index(self) -> usize {
        match self {
            Self::Net => 0,
            Self::Io => 1,
        }
    }

    /// The word for people and in component identifiers.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Net => "net",
            Self::Io => "io",
        }
    }
}

impl fmt::Display for Chip {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}

/// A part of a node that a manifest can change. On the wire: an array of one byte string,
/// the ASCII word (`["net"]`, `["io"]`, `["conf"]`, `["keys"]`).
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub enum Component {
    /// Firmware of one chip.
    Chip(Chip),
    /// The bundle.
    Conf,
    /// The set of trust anchors.
    Keys,
}

impl Component {
    /// The ASCII word on the wire.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Chip(c) => c.word(),
            Self::Conf => "conf",
            Self::Keys => "keys",
        }
    }

    /// Reads the word.
    pub fn from_word(word: &[u8]) -> Option<Self> {
        match word {
            b"net" => Some(Self::Chip(Chip::Net)),
            b"io" => Some(Self::Chip(Chip::Io)),
            b"conf" => Some(Self::Conf),
            b"keys" => Some(Self::Keys),
            _ => None,
        }
    }

    /// The only role that may write this component.
    pub const fn writer(self) -> Role {
        match self {
            Self::Chip(_) => Role::Image,
            Self::Conf => Role::Bundle,
            Self::Keys => Role::Root,
        }
    }
}

impl fmt::Display for Component {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn hex_reads_back_and_skips_hyphens() {
        let id = NodeId::parse("e6950e6f-1d0d-56cc-aeaa-cd71134924ac").unwrap();
        assert_eq!(id.0[0], 0xe6);
        assert_eq!(id.0[15], 0xac);
        assert_eq!(NodeId::parse(&format!("{id}")), Ok(id));
    }

    #[test]
    fn in_pieces_it_is_the_same_digest_and_a_fault_comes_through() {
        let bytes: [u8; 600] = core::array::from_fn(|n| n as u8);
        for size in [0, 1, 255, 256, 257, 512, 600] {
            let read = |at: u32, into: &mut [u8]| {
                into.copy_from_slice(&bytes[at as usize..][..into.len()]);
                Ok::<_, u32>(())
            };
            assert_eq!(Digest::of_pieces(size, read), Ok(Digest::of(&bytes[..size as usize])), "{size}");
        }
        let second = |at: u32, _: &mut [u8]| if at == 256 { Err(at) } else { Ok(()) };
        assert_eq!(Digest::of_pieces(600, second), Err(256));
    }

    #[test]
    fn bad_hex_names_the_place() {
        assert_eq!(NodeId::parse("e6"), Err(BadId::Length { found: 2, expected: 32 }));
        assert_eq!(NodeId::parse("x6950e6f1d0d56ccaeaacd71134924ac"), Err(BadId::Digit { at: 0 }));
    }

    #[test]
    fn each_component_has_one_writer() {
        assert_eq!(Component::Chip(Chip::Io).writer(), Role::Image);
        assert_eq!(Component::Conf.writer(), Role::Bundle);
        assert_eq!(Component::Keys.writer(), Role::Root);
        for c in [Component::Chip(Chip::Net), Component::Chip(Chip::Io), Component::Conf, Component::Keys] {
            assert_eq!(Component::from_word(c.word().as_bytes()), Some(c));
        }
        assert_eq!(Component::from_word(b"cfg"), None);
    }
}

//! The messages on the link: what the net chip asks and what the io chip answers.
//!
//! Numbers are little-endian. Layouts stand with each variant.

use crate::checkin::Position;
use crate::id::Digest;
use crate::version::{ActuationProfile, LinkRange, Version};
use heapless::Vec;

/// Most image bytes in one [`Ask::Data`].
pub const DATA_MAX: usize = 20;

/// What the io chip runs right now.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Mode {
    /// Its loader: it takes an image, and the relay is off.
    Loader,
    /// Its application.
    Application,
}

/// Who the io chip is.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Hello {
    /// What it runs.
    pub mode: Mode,
    /// Version of its application.
    pub version: Version,
    /// Link versions of its application.
    pub link: LinkRange,
    /// Actuation profile of its application.
    pub profile: ActuationProfile,
    /// First eight bytes of its application's digest, as its loader measured it; all zero
    /// while there is no whole image.
    pub digest: [u8; 8],
}

impl Hello {
    /// Whether the image with this digest runs. It does not while the chip is in its loader, which may have it.
    pub fn runs(&self, image: &Digest) -> bool {
        self.mode == Mode::Application && image.0.starts_with(&self.digest)
    }
}

/// What the io chip sees of the door.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Status {
    /// Where the door is.
    pub position: Position,
    /// It moves.
    pub moving: bool,
    /// A relay pulse is in progress.
    pub relay_pulse: bool,
    /// An unattended close is pending.
    pub close_pending: bool,
    /// The warning before one sounds.
    pub warning: bool,
    /// Somebody is at the button.
    pub button: bool,
    /// The gas alarm sounds.
    pub gas_alarm: bool,
    /// All fitted sensors give plausible readings.
    pub plausible: bool,
    /// The relay is inhibited.
    pub inhibited: bool,
    /// At rest for this many seconds; stays at 65535.
    pub rest_seconds: u16,
    /// Supply voltage, in millivolts.
    pub supply_mv: u16,
    /// Pulses that the relay has given since the board was made.
    pub relay_pulses: u32,
    /// [`crate::bundle::settings_sum`] of the settings in force; 0 before the first.
    pub settings: u16,
}

/// A question of the net chip.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Ask {
    /// 1: who are you? Payload: oldest and newest link version of the net chip, profile id (2), profile version.
    Hello {
        /// Link versions the net chip speaks.
        link: LinkRange,
        /// Its actuation profile.
        profile: ActuationProfile,
    },
    /// 2: how is the door? No payload.
    Status,
    /// 3: keep the relay off, or stop doing so. Payload: 0 or 1.
    Inhibit(bool),
    /// 4: leave the application for the loader. No payload.
    EnterLoader,
    /// 5: an image of this size comes. Payload: size (4).
    Begin {
        /// Bytes in the image.
        size: u32,
    },
    /// 6: half of the image's digest. Payload: 0 or 1, 16 bytes.
    Digest {
        /// Which half.
        half: u8,
        /// The bytes.
        bytes: [u8; 16],
    },
    /// 7: image bytes. Payload: offset (4), 1 to 20 bytes.
    Data {
        /// Offset in the image.
        offset: u32,
        /// The bytes.
        bytes: Vec<u8, DATA_MAX>,
    },
    /// 8: check the digest. No payload.
    Finish,
    /// 9: start the application. No payload.
    Start,
    /// 10: one setting of the bundle in force, see [`crate::bundle::settings`]. They count only
    /// when the last one has come. Payload: key, value (4).
    Setting {
        /// Which setting.
        key: u8,
        /// Its value.
        value: u32,
    },
}

/// An answer of the io chip.
#[derive(Clone, Debug, PartialEq, Eq)]
pub enum Answer {
    /// 129. Payload: mode, version (6), link (2), profile id (2), profile version, digest (8).
    Hello(Hello),
    /// 130. Payload: position, flags (1), at rest (2), supply (2), pulses (4), settings (2).
    Status(Status),
    /// 131: done; for image questions the next offset wanted. Payload: offset (4).
    Done {
        /// Next offset wanted.
        next: u32,
    },
    /// 132: not done. Payload: none.
    No,
}

impl Ask {
    /// Kind byte and payload.
    pub fn encode(&self) -> (u8, Vec<u8, 27>) {
        let mut p = Vec::new();
        let kind = match self {
            Self::Hello { link, profile } => {
                let [id0, id1] = profile.id.to_le_bytes();
                fill(&mut p, &[link.oldest, link.newest, id0, id1, profile.version]);
                1
            }
            Self::Status => 2,
            Self::Inhibit(on) => {
                fill(&mut p, &[u8::from(*on)]);
                3
            }
            Self::EnterLoader => 4,
            Self::Begin { size } => {
                fill(&mut p, &size.to_le_bytes());
                5
            }
            Self::Digest { half, bytes } => {
                fill(&mut p, &[*half]);
                fill(&mut p, bytes);
                6
            }
            Self::Data { offset, bytes } => {
                fill(&mut p, &offset.to_le_bytes());
                fill(&mut p, bytes);
                7
            }
            Self::Finish => 8,
            Self::Start => 9,
            Self::Setting { key, value } => {
                fill(&mut p, &[*key]);
                fill(&mut p, &value.to_le_bytes());
                10
            }
        };
        (kind, p)
    }

    /// Reads a question; `None` for anything else.
    pub fn decode(kind: u8, p: &[u8]) -> Option<Self> {
        Some(match (kind, p) {
            (1, [oldest, newest, id0, id1, version]) => Self::Hello {
                link: LinkRange::new(*oldest, *newest)?,
                profile: ActuationProfile { id: u16::from_le_bytes([*id0, *id1]), version: *version },
            },
            (2, []) => Self::Status,
            (3, [on @ (0 | 1)]) => Self::Inhibit(*on == 1),
            (4, []) => Self::EnterLoader,
            (5, size) => Self::Begin { size: u32::from_le_bytes(size.try_into().ok()?) },
            (6, [half @ (0 | 1), bytes @ ..]) => Self::Digest { half: *half, bytes: bytes.try_into().ok()? },
            (7, [a, b, c, d, bytes @ ..]) if !bytes.is_empty() => Self::Data {
                offset: u32::from_le_bytes([*a, *b, *c, *d]),
                bytes: Vec::from_slice(bytes).ok()?,
            },
            (8, []) => Self::Finish,
            (9, []) => Self::Start,
            (10, [key, value @ ..]) => {
                Self::Setting { key: *key, value: u32::from_le_bytes(value.try_into().ok()?) }
            }
            _ => return None,
        })
    }
}

impl Answer {
    /// Kind byte and payload.
    pub fn encode(&self) -> (u8, Vec<u8, 27>) {
        let mut p = Vec::new();
        let kind = match self {
            Self::Hello(h) => {
                let v = h.version;
                fill(&mut p, &[u8::from(h.mode == Mode::Application)]);
                for n in [v.major, v.minor, v.patch] {
                    fill(&mut p, &n.to_le_bytes());
                }
                fill(&mut p, &[h.link.oldest, h.link.newest]);
                fill(&mut p, &h.profile.id.to_le_bytes());
                fill(&mut p, &[h.profile.version]);
                fill(&mut p, &h.digest);
                129
            }
            Self::Status(s) => {
                let position = match s.position {
                    Position::Unknown => 0,
                    Position::Open => 1,
                    Position::PartlyOpen => 2,
                    Position::Closed => 3,
                };
                let flags = [
                    s.moving,
                    s.relay_pulse,
                    s.close_pending,
                    s.warning,
                    s.button,
                    s.gas_alarm,
                    s.plausible,
                    s.inhibited,
                ];
                let flags = flags.iter().enumerate().fold(0u8, |all, (n, flag)| all | (u8::from(*flag) << n));
                fill(&mut p, &[position, flags]);
                fill(&mut p, &s.rest_seconds.to_le_bytes());
                fill(&mut p, &s.supply_mv.to_le_bytes());
                fill(&mut p, &s.relay_pulses.to_le_bytes());
                fill(&mut p, &s.settings.to_le_bytes());
                130
            }
            Self::Done { next } => {
                fill(&mut p, &next.to_le_bytes());
                131
            }
            Self::No => 132,
        };
        (kind, p)
    }

    /// Reads an answer; `None` for anything else.
    pub fn decode(kind: u8, p: &[u8]) -> Option<Self> {
        let u16_of = |a: &u8, b: &u8| u16::from_le_bytes([*a, *b]);
        Some(match (kind, p) {
            (129, [mode @ (0 | 1), a, b, c, d, e, f, oldest, newest, i, j, profile, digest @ ..]) => {
                Self::Hello(Hello {
                    mode: if *mode == 1 { Mode::Application } else { Mode::Loader },
                    version: Version::new(u16_of(a, b), u16_of(c, d), u16_of(e, f)),
                    link: LinkRange::new(*oldest, *newest)?,
                    profile: ActuationProfile { id: u16_of(i, j), version: *profile },
                    digest: digest.try_into().ok()?,
                })
            }
            (130, [position, flags, a, b, c, d, p0, p1, p2, p3, s0, s1]) => {
                let flag = |n: u8| flags & (1 << n) != 0;
                Self::Status(Status {
                    position: match position {
                        0 => Position::Unknown,
                        1 => Position::Open,
                        2 => Position::PartlyOpen,
                        3 => Position::Closed,
                        _ => return None,
                    },
                    moving: flag(0),
                    relay_pulse: flag(1),
                    close_pending: flag(2),
                    warning: flag(3),
                    button: flag(4),
                    gas_alarm: flag(5),
                    plausible: flag(6),
                    inhibited: flag(7),
                    rest_seconds: u16_of(a, b),
                    supply_mv: u16_of(c, d),
                    relay_pulses: u32::from_le_bytes([*p0, *p1, *p2, *p3]),
                    settings: u16_of(s0, s1),
                })
            }
            (131, next) => Self::Done { next: u32::from_le_bytes(next.try_into().ok()?) },
            (132, []) => Self::No,
            _ => return None,
        })
    }
}

/// Every message is shorter than the payload's room, which a test walks through.
fn fill(p: &mut Vec<u8, 27>, bytes: &[u8]) {
    let fits = p.extend_from_slice(bytes);
    debug_assert!(fits.is_ok());
}

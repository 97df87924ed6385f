//! What a bundle says: the whole configuration of one node, in integers with units in the names.
//!
//! Encoded as a deterministic CBOR map with small integer keys; see `docs/pintle.cddl`.

use crate::cbor::{Bounded, Item, Reader, Unexpected, Writer, codes, fields, list};
use crate::id::NodeId;
use heapless::{String, Vec};
use minicbor::{Decode, Encode};

/// The schema number written into bundles by this version.
pub const SCHEMA: u16 = 1;
/// Most networks in one bundle.
pub const MAX_NETWORKS: usize = 4;
/// Most server addresses in one bundle.
pub const MAX_SERVERS: usize = 3;

/// The configuration of one node.
#[derive(Clone, Debug, PartialEq, Eq, Encode, Decode)]
#[cbor(map)]
pub struct Bundle {
    /// [`SCHEMA`].
    #[n(0)]
    pub schema: u16,
    /// 16 random bytes, so that the plaintext's digest in a readable manifest tells nothing.
    #[cbor(n(1), with = "minicbor::bytes")]
    pub salt: [u8; 16],
    /// The node it is for.
    #[n(2)]
    pub node: NodeId,
    /// Its name for people, at most 32 bytes.
    #[cbor(n(3), with = "crate::cbor::text")]
    pub name: String<32>,
    /// Networks, the preferred one first.
    #[cbor(n(4), with = "crate::cbor::list")]
    pub networks: Vec<Network, MAX_NETWORKS>,
    /// Set while the Wi-Fi is being changed.
    #[n(5)]
    pub wifi_change: Option<WifiChange>,
    /// Base addresses of the server in the order to try, such as `https://192.0.2.7:8443`.
    #[cbor(n(6), with = "crate::cbor::list")]
    pub servers: Vec<Address, MAX_SERVERS>,
    /// Longest time between check-ins, in seconds; the server may ask for them sooner.
    #[n(7)]
    pub checkin_seconds: u32,
    /// The door and how its position is told.
    #[n(8)]
    pub door: Door,
    /// Closing with nobody at the door.
    #[n(9)]
    pub close: UnattendedClose,
    /// When to make noise.
    #[n(10)]
    pub alarms: Alarms,
    /// When an update may be applied.
    #[n(11)]
    pub policy: Policy,
}

fields!(Bundle, Map:
    schema, salt, node, name, networks, wifi_change, servers, checkin_seconds, door, close, alarms, policy
);

/// A server's base address, at most 64 bytes.
#[derive(Clone, Debug, PartialEq, Eq, Encode, Decode)]
#[cbor(transparent)]
pub struct Address(
    /// The text.
    #[cbor(n(0), with = "crate::cbor::text")]
    pub String<64>,
);

impl Item for Address {
    fn blank() -> Self {
        Self(String::new())
    }

    fn read(&mut self, r: &mut Reader<'_>) -> Result<(), Unexpected> {
        self.0.read(r)
    }

    fn write(&self, w: &mut Writer<Bounded<'_>>) {
        self.0.write(w);
    }
}

list!(Address, MAX_SERVERS);
list!(Network, MAX_NETWORKS);

/// A Wi-Fi network.
#[derive(Clone, PartialEq, Eq, Encode, Decode)]
#[cbor(map)]
pub struct Network {
    /// 1 to 32 bytes (IEEE 802.11).
    #[cbor(n(0), with = "crate::cbor::blob")]
    pub ssid: Vec<u8, 32>,
    /// Passphrase of 8 to 63 characters with codes 32 to 126, or 64 hexadecimal digits
    /// (IEEE 802.11i-2004 annex H.4.1).
    #[cbor(n(1), with = "crate::cbor::text")]
    pub passphrase: String<64>,
}

fields!(Network, Map: ssid, passphrase);

impl core::fmt::Debug for Network {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        f.debug_struct("Network").field("ssid", &self.ssid).field("passphrase", &"(hidden)").finish()
    }
}

/// A Wi-Fi change: make before break. The candidate takes over only after an authenticated
/// check-in through it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Encode, Decode)]
#[cbor(map)]
pub struct WifiChange {
    /// Index of the candidate in [`Bundle::networks`].
    #[n(0)]
    pub candidate: u8,
    /// `None`: prove now, both networks are on the air. `Some`: try the candidate when the
    /// others have been gone for this many minutes.
    #[n(1)]
    pub after_loss_minutes: Option<u16>,
}

fields!(WifiChange, Map: candidate, after_loss_minutes);

/// How a door moves.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Encode, Decode)]
#[cbor(index_only)]
pub enum DoorKind {
    /// Horizontal panels on a curved track.
    #[n(0)]
    Sectional,
    /// A curtain on a drum.
    #[n(1)]
    Rolling,
    /// Slides sideways.
    #[n(2)]
    Sliding,
    /// One rigid panel that tips up.
    #[n(3)]
    OnePiece,
    /// Hinged leaves.
    #[n(4)]
    Swinging,
    /// A small hatch that lifts, such as a pop-hole.
    #[n(5)]
    Hatch,
    /// Not stated.
    #[n(6)]
    Unknown,
}

codes!(DoorKind: Sectional, Rolling, Sliding, OnePiece, Swinging, Hatch, Unknown);

/// The door and how its position is told from the range finder.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Encode, Decode)]
#[cbor(map)]
pub struct Door {
    /// How it moves.
    #[n(0)]
    pub kind: DoorKind,
    /// Compensated distance below which the door is open, in millimetres.
    #[n(1)]
    pub open_below_mm: u16,
    /// Compensated distance above which the door is closed, in millimetres.
    #[n(2)]
    pub closed_above_mm: u16,
    /// A threshold is left only when passed by this much, in millimetres.
    #[n(3)]
    pub hysteresis_mm: u16,
    /// Whether distances are corrected for the temperature of the air.
    #[n(4)]
    pub temperature_compensated: bool,
    /// Length of a push-button pulse, in milliseconds.
    #[n(5)]
    pub pulse_ms: u16,
    /// Shortest time between two pulses, in milliseconds.
    #[n(6)]
    pub gap_ms: u16,
    /// Longest time the door may take, in seconds.
    #[n(7)]
    pub travel_seconds: u8,
}

fields!(Door, Map:
    kind, open_below_mm, closed_above_mm, hysteresis_mm, temperature_compensated, pulse_ms, gap_ms,
    travel_seconds
);

/// Closing with nobody at the door. Off unless asked for.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Encode, Decode)]
#[cbor(map)]
pub struct UnattendedClose {
    /// Whether the door ever closes by itself.
    #[n(0)]
    pub enabled: bool,
    /// Minutes open before it does.
    #[n(1)]
    pub after_minutes: u16,
    /// Warning before it moves, in tenths of a second.
    #[n(2)]
    pub warn_tenths: u16,
    /// The warning sounds.
    #[n(3)]
    pub sound: bool,
    /// The warning flashes.
    #[n(4)]
    pub light: bool,
    /// Failed tries after which it stops trying until a person comes.
    #[n(5)]
    pub max_failed: u8,
    /// Blocked while carbon monoxide is present.
    #[n(6)]
    pub blocked_by_co: bool,
    /// The owner states that the operator has its own working photo sensor.
    #[n(7)]
    pub photo_sensor: bool,
    /// Frequency of the sound, in hertz.
    #[n(8)]
    pub tone_hz: u16,
    /// Pulsations of the sound per second, in tenths; 0 is a continuous tone.
    #[n(9)]
    pub pulses_tenths: u8,
    /// Flashes of the light per second, in tenths.
    #[n(10)]
    pub flashes_tenths: u8,
}

fields!(UnattendedClose, Map:
    enabled, after_minutes, warn_tenths, sound, light, max_failed, blocked_by_co, photo_sensor, tone_hz,
    pulses_tenths, flashes_tenths
);

/// When to make noise.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Encode, Decode)]
#[cbor(map)]
pub struct Alarms {
    /// Carbon monoxide that alarms at once, in ppm; `None` where no sensor is fitted.
    #[n(0)]
    pub co_fast_ppm: Option<u16>,
    /// Carbon monoxide that alarms after [`Self::co_slow_minutes`], in ppm.
    #[n(1)]
    pub co_slow_ppm: Option<u16>,
    /// Minutes above [`Self::co_slow_ppm`] before the alarm.
    #[n(2)]
    pub co_slow_minutes: u16,
    /// Minutes open before the left-open alarm; `None` for none.
    #[n(3)]
    pub left_open_minutes: Option<u16>,
    /// Photocell reading, in counts, above which the light is on; `None` where none is fitted.
    #[n(4)]
    pub light_on_above: Option<u16>,
    /// Minutes of light before the light-left-on alarm.
    #[n(5)]
    pub light_minutes: u16,
    /// Curve of the gas sensor, `ppm = a * (Rs/R0)^b`: a in thousandths of ppm.
    #[n(6)]
    pub co_curve_a_milli: u32,
    /// b of the curve, in millionths.
    #[n(7)]
    pub co_curve_b_micro: i32,
    /// R0 of this sensor, in ohms.
    #[n(8)]
    pub co_r0_ohms: u32,
}

fields!(Alarms, Map:
    co_fast_ppm, co_slow_ppm, co_slow_minutes, left_open_minutes, light_on_above, light_minutes,
    co_curve_a_milli, co_curve_b_micro, co_r0_ohms
);

/// When an update may be applied to this node.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Encode, Decode)]
#[cbor(map)]
pub struct Policy {
    /// The door must have been at rest for this long, in seconds.
    #[n(0)]
    pub rest_seconds: u16,
    /// How long a trial lasts, in seconds.
    #[n(1)]
    pub trial_seconds: u16,
    /// Changes that touch the door wait for a press on the node's own button.
    #[n(2)]
    pub consent: bool,
    /// Lowest supply voltage for an update, in millivolts.
    #[n(3)]
    pub supply_min_mv: u16,
    /// Highest supply voltage for an update, in millivolts.
    #[n(4)]
    pub supply_max_mv: u16,
}

fields!(Policy, Map: rest_seconds, trial_seconds, consent, supply_min_mv, supply_max_mv);

/// Why a network cannot be used.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BadNetwork {
    /// SSID of this many bytes; 1 to 32 are expected.
    SsidLength(usize),
    /// Passphrase of this many bytes; 8 to 63, or 64 hexadecimal digits, are expected.
    PassphraseLength(usize),
    /// A character with a code outside 32 to 126, at this byte.
    PassphraseCharacter {
        /// Byte offset in the passphrase.
        at: usize,
    },
    /// 64 characters that are not all hexadecimal digits; the first bad one is at this byte.
    PassphraseHex {
        /// Byte offset in the passphrase.
        at: usize,
    },
}

impl core::fmt::Display for BadNetwork {
    fn fmt(&self, f: &mut core::fmt::Formatter<'_>) -> core::fmt::Result {
        match self {
            Self::SsidLength(n) => write!(f, "the SSID has {n} bytes, 1 to 32 are allowed"),
            Self::PassphraseLength(n) => write!(
                f,
                "the passphrase has {n} characters; 8 to 63 are allowed, or exactly 64 hexadecimal digits"
            ),
            Self::PassphraseCharacter { at } => write!(
                f,
                "the passphrase has a character at byte {at} that Wi-Fi does not allow; use letters, digits, space and signs of plain ASCII"
            ),
            Self::PassphraseHex { at } => write!(
                f,
                "a passphrase of 64 characters must be all hexadecimal digits; the one at byte {at} is not"
            ),
        }
    }
}

impl core::error::Error for BadNetwork {}

/// Checks SSID and passphrase by the rules of IEEE 802.11.
///
/// # Errors
/// [`BadNetwork`], the first thing found wrong.
///
/// # Source
/// IEEE 802.11i-2004 annex H.4.1 (8 to 63 characters, codes 32 to 126; 64 hexadecimal digits
/// are the key itself); IEEE 802.11 (SSID of 0 to 32 bytes; the empty one is a wildcard).
pub fn check_network(ssid: &[u8], passphrase: &[u8]) -> Result<(), BadNetwork> {
    if ssid.is_empty() || ssid.len() > 32 {
        return Err(BadNetwork::SsidLength(ssid.len()));
    }
    match passphrase.len() {
        8..=63 => match passphrase.iter().position(|b| !(32..=126).contains(b)) {
            Some(at) => Err(BadNetwork::PassphraseCharacter { at }),
            None => Ok(()),
        },
        64 => match passphrase.iter().position(|b| !b.is_ascii_hexdigit()) {
            Some(at) => Err(BadNetwork::PassphraseHex { at }),
            None => Ok(()),
        },
        n => Err(BadNetwork::PassphraseLength(n)),
    }
}

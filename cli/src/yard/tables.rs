//! The yard's files as values. Every table refuses keys that it does not know.

use super::units::Tenths;
use crate::firmware::Machine;
use pintle_protocol::bundle::DoorKind;
use serde::{Deserialize, Deserializer, Serialize};
use std::collections::BTreeMap;

/// `yard.toml`: the yard itself.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct YardFile {
    /// What people call it.
    pub name: String,
    /// A domain name that is yours or ends in `.example`; identifiers are made from it, so it
    /// never changes.
    pub domain: String,
    /// Its time zone, a name of the IANA database; rollouts with windows need it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub time_zone: Option<String>,
    /// The server, once joined.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub server: Option<ServerTable>,
}

/// Where the server is.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ServerTable {
    /// Base addresses in the order to try, such as `https://192.0.2.7:8443`.
    pub addresses: Vec<String>,
    /// File with the certificate of the server's authority, beside `yard.toml`; none for plain HTTP.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ca: Option<String>,
    /// The server's Ed25519 key, with which it signs replies to nodes.
    pub key: String,
}

/// `boards/NAME.toml`: a kind of board.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct BoardFile {
    /// What it is, for people and for the class identifier.
    pub name: String,
    /// Revision of the board; another revision is another class.
    pub revision: String,
    /// Whether the io chip verifies envelopes itself. None does: it checks the digest that the net chip verified.
    /// A board may say so, and none may say otherwise.
    #[serde(default, deserialize_with = "io_does_not_verify")]
    pub io_verifies: (),
    /// The chip with the radio.
    pub net: ChipTable,
    /// The chip with the sensors and the relay.
    pub io: ChipTable,
    /// Supply range in which an update is safe.
    pub supply: SupplyTable,
    /// What is fitted.
    pub fitted: FittedTable,
}

/// One chip of a board.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct ChipTable {
    /// Bytes in a slot.
    pub slot_bytes: u32,
    /// Instruction set: `arm`, `avr`, `riscv`, `xtensa`; left out if any is taken.
    #[serde(default, deserialize_with = "machine")]
    pub machine: Option<Machine>,
    /// Erase cycles that its flash bears.
    #[serde(default = "default_endurance")]
    pub flash_cycles: u32,
}

/// Supply range, in millivolts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct SupplyTable {
    /// Lowest.
    pub min_mv: u16,
    /// Highest.
    pub max_mv: u16,
}

/// What a board has.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FittedTable {
    /// A sounder.
    pub sounder: bool,
    /// A lamp for warnings.
    pub lamp: bool,
    /// A carbon monoxide sensor.
    pub co_sensor: bool,
    /// A photocell that sees whether the light is on.
    pub photocell: bool,
    /// A thermometer.
    pub thermometer: bool,
}

/// `nodes/NAME.toml`: one node.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NodeFile {
    /// Its board, by the name of the board's file.
    pub board: String,
    /// What people call it, at most 32 bytes.
    pub label: String,
    /// Labels by which waves of a rollout find it, such as `outbuildings`.
    #[serde(default)]
    pub labels: Vec<String>,
    /// Its networks by name, the preferred one first; left out: all of the yard in their order.
    #[serde(default)]
    pub networks: Option<Vec<String>>,
    /// Longest time between check-ins, in seconds; the server may ask for them sooner.
    #[serde(default = "default_checkin")]
    pub checkin_seconds: u32,
    /// Warnings that were read and accepted.
    #[serde(default)]
    pub accept: Vec<Accepted>,
    /// The door.
    pub door: DoorTable,
    /// Closing with nobody at the door.
    #[serde(default)]
    pub close: CloseTable,
    /// When to make noise.
    #[serde(default)]
    pub alarms: AlarmsTable,
    /// When an update may be applied.
    #[serde(default)]
    pub policy: PolicyTable,
    /// Its public keys, written when it is admitted.
    #[serde(default)]
    pub keys: Option<KeysTable>,
}

/// A warning that was read and accepted.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Accepted {
    /// The rule, such as `R21`.
    pub rule: String,
    /// Why it is right here.
    pub why: String,
}

/// `[door]`.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DoorTable {
    /// How it moves.
    #[serde(deserialize_with = "door_kind")]
    pub kind: DoorKind,
    /// Distance below which it is open; left out: from the calibration.
    #[serde(default)]
    pub open_below_mm: Option<u16>,
    /// Distance above which it is closed; left out: from the calibration.
    #[serde(default)]
    pub closed_above_mm: Option<u16>,
    /// A threshold is left only when passed by this much.
    #[serde(default = "default_hysteresis")]
    pub hysteresis_mm: u16,
    /// Whether distances are corrected for the temperature of the air.
    #[serde(default = "yes")]
    pub temperature_compensated: bool,
    /// Length of a push-button pulse.
    #[serde(default = "default_pulse")]
    pub pulse_ms: u16,
    /// Shortest time between two pulses.
    #[serde(default = "default_gap")]
    pub gap_ms: u16,
    /// Longest time the door may take.
    pub travel_seconds: u8,
    /// Time that it takes, as measured.
    #[serde(default)]
    pub measured_travel_seconds: Option<Tenths>,
}

/// `[close]`: off unless asked for.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct CloseTable {
    /// Whether the door ever closes by itself.
    pub enabled: bool,
    /// Stated together with `enabled`: it is known that the door then moves with nobody there.
    pub acknowledged: bool,
    /// Minutes open before it does.
    pub after_minutes: u16,
    /// Warning before it moves.
    pub warn_seconds: Tenths,
    /// The warning sounds.
    pub sound: bool,
    /// The warning flashes.
    pub light: bool,
    /// Failed tries after which it stops trying until a person comes.
    pub max_failed: u8,
    /// Blocked while carbon monoxide is present.
    pub blocked_by_co: bool,
    /// The operator has its own working photo sensor.
    pub photo_sensor: bool,
    /// Frequency of the sound.
    pub tone_hz: u16,
    /// Pulsations of the sound; 0 is a continuous tone.
    pub pulses_per_second: Tenths,
    /// Flashes of the light.
    pub flashes_per_second: Tenths,
}

impl Default for CloseTable {
    fn default() -> Self {
        Self {
            enabled: false,
            acknowledged: false,
            after_minutes: 15,
            warn_seconds: Tenths(100),
            sound: true,
            light: true,
            max_failed: 2,
            blocked_by_co: true,
            photo_sensor: false,
            tone_hz: 2000,
            pulses_per_second: Tenths(0),
            flashes_per_second: Tenths(20),
        }
    }
}

/// `[alarms]`.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct AlarmsTable {
    /// Carbon monoxide; left out where no sensor is fitted.
    pub co: Option<CoTable>,
    /// Minutes open before the left-open alarm; left out for none.
    pub left_open_minutes: Option<u16>,
    /// Light left on; left out for none.
    pub light: Option<LightTable>,
}

impl Default for AlarmsTable {
    fn default() -> Self {
        Self { co: None, left_open_minutes: Some(10), light: None }
    }
}

/// `[alarms.co]`. The sensor's curve comes from the calibration.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CoTable {
    /// Alarms at once.
    pub fast_ppm: u16,
    /// Alarms after `slow_minutes`.
    pub slow_ppm: u16,
    /// Minutes above `slow_ppm` before the alarm.
    pub slow_minutes: u16,
    /// Heater cycles of 150 s that the firmware averages over.
    #[serde(default = "one")]
    pub average_cycles: u8,
}

/// `[alarms.light]`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LightTable {
    /// Reading above which the light is on; left out: from the calibration.
    #[serde(default)]
    pub on_above: Option<u16>,
    /// Minutes of light before the alarm.
    #[serde(default = "default_light")]
    pub minutes: u16,
}

/// `[policy]`.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct PolicyTable {
    /// The door must have been at rest for this long.
    pub rest_seconds: u16,
    /// How long a trial lasts.
    pub trial_seconds: u16,
    /// Changes that touch the door wait for a press on the node's own button.
    pub consent: bool,
    /// Lowest supply voltage for an update; left out: from the board.
    pub supply_min_mv: Option<u16>,
    /// Highest supply voltage for an update; left out: from the board.
    pub supply_max_mv: Option<u16>,
}

impl Default for PolicyTable {
    fn default() -> Self {
        Self {
            rest_seconds: 120,
            trial_seconds: 300,
            consent: false,
            supply_min_mv: None,
            supply_max_mv: None,
        }
    }
}

/// `[keys]`: a node's public keys.
#[derive(Clone, Debug, PartialEq, Eq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct KeysTable {
    /// Ed25519, 64 hexadecimal digits.
    pub signing: String,
    /// X25519, 64 hexadecimal digits.
    pub sealing: String,
}

/// `networks.toml`: the Wi-Fi networks, without their passphrases.
#[derive(Clone, Debug, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NetworksFile {
    /// By name, in the order of preference.
    #[serde(default, rename = "network")]
    pub networks: Vec<NetworkTable>,
}

/// One network.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NetworkTable {
    /// Its name in this yard.
    pub name: String,
    /// Its SSID, 1 to 32 bytes.
    pub ssid: String,
    /// Set while the Wi-Fi is being changed to it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub candidate: Option<CandidateTable>,
}

/// How a node moves to a new network.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CandidateTable {
    /// The network that it takes the place of.
    pub replaces: String,
    /// Left out: both are on the air, it is proved at once. Otherwise it is tried when the others
    /// have been gone for this many minutes.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub after_loss_minutes: Option<u16>,
    /// The nodes that change.
    pub nodes: Vec<String>,
}

/// `calibration/NODE.toml`: what was measured at one node.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CalibrationFile {
    /// From `pintle calibrate distance`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub distance: Option<DistanceTable>,
    /// From `pintle calibrate light`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub light: Option<LightCalibration>,
    /// From `pintle calibrate gas`.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub gas: Option<GasTable>,
}

/// Distances that mean open and closed.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct DistanceTable {
    /// Threshold.
    pub open_below_mm: u16,
    /// Threshold.
    pub closed_above_mm: u16,
    /// Mean of the open readings, corrected for temperature.
    pub open_mean_mm: f64,
    /// Mean of the closed readings, corrected for temperature.
    pub closed_mean_mm: f64,
    /// Lowest air temperature among the readings.
    pub coldest_c: f64,
    /// Highest air temperature among the readings.
    pub warmest_c: f64,
    /// Readings in all.
    pub readings: u32,
}

/// The reading that means that the light is on.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LightCalibration {
    /// Threshold, in counts.
    pub on_above: u16,
    /// How far apart dark and light are, in standard deviations.
    pub apart: f64,
}

/// The gas sensor's curve, `ppm = a * (Rs/R0)^b`.
#[derive(Clone, Copy, Debug, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct GasTable {
    /// a, in ppm.
    pub a: f64,
    /// b.
    pub b: f64,
    /// R0, in ohms.
    pub r0_ohms: u32,
}

/// All nodes' files by name.
pub type Nodes = BTreeMap<String, NodeFile>;

const fn default_endurance() -> u32 {
    10_000
}
const fn default_checkin() -> u32 {
    300
}
const fn default_hysteresis() -> u16 {
    20
}
const fn default_pulse() -> u16 {
    500
}
const fn default_gap() -> u16 {
    2000
}
const fn default_light() -> u16 {
    30
}
const fn yes() -> bool {
    true
}
const fn one() -> u8 {
    1
}

/// The words for door kinds, in yard files.
pub const DOOR_KINDS: [(&str, DoorKind); 7] = [
    ("sectional", DoorKind::Sectional),
    ("rolling", DoorKind::Rolling),
    ("sliding", DoorKind::Sliding),
    ("one-piece", DoorKind::OnePiece),
    ("swinging", DoorKind::Swinging),
    ("hatch", DoorKind::Hatch),
    ("unknown", DoorKind::Unknown),
];

fn door_kind<'de, D: Deserializer<'de>>(d: D) -> Result<DoorKind, D::Error> {
    let word = String::deserialize(d)?;
    DOOR_KINDS.iter().find(|(w, _)| *w == word).map(|(_, kind)| *kind).ok_or_else(|| {
        let words: Vec<_> = DOOR_KINDS.iter().map(|(w, _)| *w).collect();
        serde::de::Error::custom(format!("`{word}` is no kind of door; known are {}", words.join(", ")))
    })
}

fn io_does_not_verify<'de, D: Deserializer<'de>>(d: D) -> Result<(), D::Error> {
    if bool::deserialize(d)? {
        return Err(serde::de::Error::custom(
            "no io chip verifies envelopes itself: it checks the digest that the net chip verified. \
             Leave the line out, or say false",
        ));
    }
    Ok(())
}

fn machine<'de, D: Deserializer<'de>>(d: D) -> Result<Option<Machine>, D::Error> {
    let word = String::deserialize(d)?;
    Machine::from_word(&word).map(Some).ok_or_else(|| {
        let words: Vec<_> = Machine::ALL.iter().map(|m| m.word()).collect();
        serde::de::Error::custom(format!("`{word}` is no known machine; known are {}", words.join(", ")))
    })
}

//! From a node's files to the bundle it is to get.

use super::Yard;
use super::tables::{BoardFile, CalibrationFile, NodeFile};
use pintle_protocol::bundle::{
    Address, Alarms, Bundle, Door, MAX_NETWORKS, MAX_SERVERS, Network, Policy, SCHEMA, UnattendedClose,
    WifiChange,
};
use pintle_protocol::id::{Chip, NodeId, PublicKey, Uuid16};
use thiserror::Error;

/// All that is known about one node, and the bundle that follows from it.
#[derive(Clone, Debug)]
pub struct NodePlan {
    /// Name in the yard.
    pub name: String,
    /// Device identifier.
    pub id: NodeId,
    /// Vendor identifier.
    pub vendor: Uuid16,
    /// Class identifiers of its chips, by [`Chip::index`]; the net chip's is the node's.
    pub classes: [Uuid16; 2],
    /// Its file.
    pub file: NodeFile,
    /// Its board.
    pub board: BoardFile,
    /// What was measured.
    pub calibration: CalibrationFile,
    /// Names of its networks, in the order of the bundle.
    pub networks: Vec<String>,
    /// Its public keys, once admitted.
    pub keys: Option<NodeKeys>,
    /// The bundle with a salt of zeros and without passphrases. Rules are checked on it; it is
    /// never sealed.
    pub draft: Bundle,
}

/// A node's public keys.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct NodeKeys {
    /// Ed25519.
    pub signing: PublicKey,
    /// X25519.
    pub sealing: PublicKey,
}

/// Why a node's files give no bundle.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum PlanError {
    /// A node of that name is not there.
    #[error("there is no node `{name}` in this yard")]
    NoNode {
        /// The name.
        name: String,
        /// The one that was probably meant.
        nearest: Option<String>,
    },
    /// A board of that name is not there.
    #[error("nodes/{node}.toml: board `{board}` is not in boards/")]
    NoBoard {
        /// The node.
        node: String,
        /// The board.
        board: String,
        /// The one that was probably meant.
        nearest: Option<String>,
    },
    /// A network of that name is not there.
    #[error("nodes/{node}.toml: network `{network}` is not in networks.toml")]
    NoNetwork {
        /// The node.
        node: String,
        /// The network.
        network: String,
        /// The one that was probably meant.
        nearest: Option<String>,
    },
    /// A value stands neither in the node's file nor in its calibration.
    #[error("nodes/{node}.toml: `{key}` is not set and not calibrated")]
    NotCalibrated {
        /// The node.
        node: String,
        /// The key.
        key: &'static str,
        /// The command that measures it.
        command: &'static str,
    },
    /// A value stands in both, and they differ.
    #[error("nodes/{node}.toml says `{key} = {file}`, calibration/{node}.toml says {calibrated}")]
    SetTwice {
        /// The node.
        node: String,
        /// The key.
        key: &'static str,
        /// Value in the node's file.
        file: u16,
        /// Calibrated value.
        calibrated: u16,
    },
    /// More than a bundle holds.
    #[error("nodes/{node}.toml: {found} {what} are more than the {most} that a bundle holds")]
    TooMany {
        /// The node.
        node: String,
        /// Of what.
        what: &'static str,
        /// How many there are.
        found: usize,
        /// How many fit.
        most: usize,
    },
    /// A text that is too long, or empty.
    #[error("{file}: `{key}` has {found} bytes; 1 to {most} are allowed")]
    Length {
        /// The file.
        file: String,
        /// The key.
        key: &'static str,
        /// Bytes found.
        found: usize,
        /// Bytes allowed.
        most: usize,
    },
    /// A key that is no key.
    #[error("nodes/{node}.toml: `keys.{key}` is no key: {fault}")]
    BadKey {
        /// The node.
        node: String,
        /// Which key.
        key: &'static str,
        /// What is wrong.
        fault: pintle_protocol::id::BadId,
    },
    /// A calibrated curve that a bundle cannot hold.
    #[error("calibration/{node}.toml: `gas.{key}` = {value} cannot be a curve of a gas sensor")]
    Curve {
        /// The node.
        node: String,
        /// Which value.
        key: &'static str,
        /// The value.
        value: String,
    },
}

impl PlanError {
    /// What to do about it.
    pub fn hint(&self) -> String {
        let meant = |nearest: &Option<String>, otherwise: &str| match nearest {
            Some(name) => format!("did you mean `{name}`?"),
            None => otherwise.to_owned(),
        };
        match self {
            Self::NoNode { nearest, .. } => meant(nearest, "see the nodes with `pintle node list`"),
            Self::NoBoard { nearest, .. } => meant(nearest, "boards are described in boards/NAME.toml"),
            Self::NoNetwork { nearest, .. } => {
                meant(nearest, "add it with `pintle wifi add NAME --ssid SSID`")
            }
            Self::NotCalibrated { node, command, .. } => {
                format!("record readings at the door, then run `{command} {node} --readings FILE.csv`")
            }
            Self::SetTwice { node, .. } => {
                format!("take the line out of nodes/{node}.toml, or calibrate again")
            }
            Self::TooMany { .. } => "list the ones to use, the preferred one first".to_owned(),
            Self::Length { .. } => "a letter that is not plain ASCII takes more than one byte".to_owned(),
            Self::BadKey { node, .. } => format!("admit the node again with `pintle node admit {node}`"),
            Self::Curve { node, .. } => format!("run `pintle calibrate gas {node}` again"),
        }
    }
}

impl Yard {
    /// What node `name` is to get.
    ///
    /// # Errors
    /// [`PlanError`] if its files give no bundle.
    pub fn plan(&self, name: &str) -> Result<NodePlan, PlanError> {
        let file = self.node(name)?.clone();
        let board = self.boards.get(&file.board).cloned().ok_or_else(|| PlanError::NoBoard {
            node: name.to_owned(),
            board: file.board.clone(),
            nearest: near(&file.board, self.boards.keys()),
        })?;
        let vendor = self.vendor();
        let calibration = self.calibrations.get(name).cloned().unwrap_or_default();
        let (networks, wifi_change) = self.networks_of(name, &file)?;
        let keys = node_keys(name, &file)?;
        let draft = Bundle {
            schema: SCHEMA,
            salt: [0; 16],
            node: self.node_id(name),
            name: bounded(format!("nodes/{name}.toml"), "label", &file.label, 32)?,
            networks: self.drafted(name, &networks)?,
            wifi_change,
            servers: self.server_addresses(name)?,
            checkin_seconds: file.checkin_seconds,
            door: door(name, &file, &calibration)?,
            close: close(&file),
            alarms: alarms(name, &file, &calibration)?,
            policy: policy(&file, &board),
        };
        let classes = Chip::ALL.map(|chip| self.class_of(&board, chip));
        let name = name.to_owned();
        Ok(NodePlan {
            name,
            id: draft.node,
            vendor,
            classes,
            file,
            board,
            calibration,
            networks,
            keys,
            draft,
        })
    }

    /// As [`Self::plan`], for a node that is only being commissioned: distances and gas curve may
    /// still be missing, since they are measured with the board in its place.
    ///
    /// # Errors
    /// [`PlanError`] if anything else is missing.
    pub fn plan_for_card(&self, name: &str) -> Result<NodePlan, PlanError> {
        let mut yard = self.clone();
        let mut calibration = yard.calibrations.remove(name).unwrap_or_default();
        if let Some(file) = yard.nodes.get_mut(name) {
            file.alarms.co = None;
            file.alarms.light = None;
            file.door.open_below_mm = Some(0);
            file.door.closed_above_mm = Some(0);
        }
        calibration.distance = None;
        yard.calibrations.insert(name.to_owned(), calibration);
        let plan = yard.plan(name)?;
        Ok(NodePlan { file: self.node(name)?.clone(), ..plan })
    }

    /// Names of a node's networks, and the change that it is to make.
    fn networks_of(
        &self,
        name: &str,
        file: &NodeFile,
    ) -> Result<(Vec<String>, Option<WifiChange>), PlanError> {
        let all = &self.networks.networks;
        let concerns = |n: &&super::tables::NetworkTable| match &n.candidate {
            None => file.networks.as_ref().is_none_or(|listed| listed.contains(&n.name)),
            Some(candidate) => candidate.nodes.iter().any(|c| c == name),
        };
        if let Some(listed) = &file.networks {
            for network in listed {
                if !all.iter().any(|n| n.name == *network) {
                    return Err(PlanError::NoNetwork {
                        node: name.to_owned(),
                        network: network.clone(),
                        nearest: near(network, all.iter().map(|n| &n.name)),
                    });
                }
            }
        }
        let mut mine: Vec<_> = all.iter().filter(concerns).collect();
        if let Some(listed) = &file.networks {
            mine.sort_by_key(|n| listed.iter().position(|l| *l == n.name).unwrap_or(usize::MAX));
        }
        if mine.len() > MAX_NETWORKS {
            let (found, most) = (mine.len(), MAX_NETWORKS);
            return Err(PlanError::TooMany { node: name.to_owned(), what: "networks", found, most });
        }
        let change = mine.iter().zip(0u8..).find_map(|(n, index)| {
            let candidate = n.candidate.as_ref()?;
            Some(WifiChange { candidate: index, after_loss_minutes: candidate.after_loss_minutes })
        });
        Ok((mine.into_iter().map(|n| n.name.clone()).collect(), change))
    }

    fn drafted(
        &self,
        node: &str,
        names: &[String],
    ) -> Result<heapless::Vec<Network, MAX_NETWORKS>, PlanError> {
        let too_many = || {
            let (found, most) = (names.len(), MAX_NETWORKS);
            PlanError::TooMany { node: node.to_owned(), what: "networks", found, most }
        };
        let mut list = heapless::Vec::new();
        let named = names.iter().filter_map(|name| self.networks.networks.iter().find(|n| n.name == *name));
        for network in named {
            let (file, found) = ("networks.toml".to_owned(), network.ssid.len());
            let ssid = heapless::Vec::from_slice(network.ssid.as_bytes()).map_err(|_| PlanError::Length {
                file,
                key: "ssid",
                found,
                most: 32,
            })?;
            list.push(Network { ssid, passphrase: heapless::String::new() }).map_err(|_| too_many())?;
        }
        Ok(list)
    }

    fn server_addresses(&self, node: &str) -> Result<heapless::Vec<Address, MAX_SERVERS>, PlanError> {
        let addresses = self.file.server.as_ref().map_or(&[][..], |s| &s.addresses);
        let mut list = heapless::Vec::new();
        for address in addresses {
            let address = Address(bounded("yard.toml".to_owned(), "server.addresses", address, 64)?);
            list.push(address).map_err(|_| PlanError::TooMany {
                node: node.to_owned(),
                what: "server addresses",
                found: addresses.len(),
                most: MAX_SERVERS,
            })?;
        }
        Ok(list)
    }
}

fn node_keys(node: &str, file: &NodeFile) -> Result<Option<NodeKeys>, PlanError> {
    let Some(keys) = &file.keys else { return Ok(None) };
    let read = |key, text: &str| {
        PublicKey::parse(text).map_err(|fault| PlanError::BadKey { node: node.to_owned(), key, fault })
    };
    Ok(Some(NodeKeys { signing: read("signing", &keys.signing)?, sealing: read("sealing", &keys.sealing)? }))
}

fn door(node: &str, file: &NodeFile, calibration: &CalibrationFile) -> Result<Door, PlanError> {
    let d = &file.door;
    let measured = calibration.distance;
    let one = |key, value, calibrated| from_either(node, key, "pintle calibrate distance", value, calibrated);
    Ok(Door {
        kind: d.kind,
        open_below_mm: one("door.open_below_mm", d.open_below_mm, measured.map(|m| m.open_below_mm))?,
        closed_above_mm: one("door.closed_above_mm", d.closed_above_mm, measured.map(|m| m.closed_above_mm))?,
        hysteresis_mm: d.hysteresis_mm,
        temperature_compensated: d.temperature_compensated,
        pulse_ms: d.pulse_ms,
        gap_ms: d.gap_ms,
        travel_seconds: d.travel_seconds,
    })
}

fn from_either(
    node: &str,
    key: &'static str,
    command: &'static str,
    file: Option<u16>,
    calibrated: Option<u16>,
) -> Result<u16, PlanError> {
    let node = node.to_owned();
    match (file, calibrated) {
        (None, None) => Err(PlanError::NotCalibrated { node, key, command }),
        (Some(file), Some(calibrated)) if file != calibrated => {
            Err(PlanError::SetTwice { node, key, file, calibrated })
        }
        (Some(value), _) | (None, Some(value)) => Ok(value),
    }
}

fn close(file: &NodeFile) -> UnattendedClose {
    let c = &file.close;
    UnattendedClose {
        enabled: c.enabled,
        after_minutes: c.after_minutes,
        warn_tenths: c.warn_seconds.0,
        sound: c.sound,
        light: c.light,
        max_failed: c.max_failed,
        blocked_by_co: c.blocked_by_co,
        photo_sensor: c.photo_sensor,
        tone_hz: c.tone_hz,
        // A bundle holds these in one byte; 25.5 per second is far outside every rule, so that a
        // larger value is refused there.
        pulses_tenths: c.pulses_per_second.0.min(255) as u8,
        flashes_tenths: c.flashes_per_second.0.min(255) as u8,
    }
}

fn alarms(node: &str, file: &NodeFile, calibration: &CalibrationFile) -> Result<Alarms, PlanError> {
    let a = &file.alarms;
    let light = match a.light {
        None => None,
        Some(light) => Some(from_either(
            node,
            "alarms.light.on_above",
            "pintle calibrate light",
            light.on_above,
            calibration.light.map(|l| l.on_above),
        )?),
    };
    let (a_milli, b_micro, r0) = match (a.co, calibration.gas) {
        (None, _) => (0, 0, 0),
        (Some(_), None) => {
            let (key, command) = ("alarms.co", "pintle calibrate gas");
            return Err(PlanError::NotCalibrated { node: node.to_owned(), key, command });
        }
        (Some(_), Some(gas)) => (
            whole(node, "a", gas.a, gas.a * 1e3, 1.0..=f64::from(u32::MAX))? as u32,
            whole(node, "b", gas.b, gas.b * 1e6, -1e7..=-1e5)? as i32,
            whole(node, "r0_ohms", gas.r0_ohms.into(), gas.r0_ohms.into(), 1.0..=f64::from(u32::MAX))? as u32,
        ),
    };
    Ok(Alarms {
        co_fast_ppm: a.co.map(|c| c.fast_ppm),
        co_slow_ppm: a.co.map(|c| c.slow_ppm),
        co_slow_minutes: a.co.map_or(0, |c| c.slow_minutes),
        left_open_minutes: a.left_open_minutes,
        light_on_above: light,
        light_minutes: a.light.map_or(0, |l| l.minutes),
        co_curve_a_milli: a_milli,
        co_curve_b_micro: b_micro,
        co_r0_ohms: r0,
    })
}

fn whole(
    node: &str,
    key: &'static str,
    value: f64,
    scaled: f64,
    range: std::ops::RangeInclusive<f64>,
) -> Result<f64, PlanError> {
    let scaled = scaled.round();
    if range.contains(&scaled) {
        Ok(scaled)
    } else {
        Err(PlanError::Curve { node: node.to_owned(), key, value: value.to_string() })
    }
}

fn policy(file: &NodeFile, board: &BoardFile) -> Policy {
    let p = &file.policy;
    Policy {
        rest_seconds: p.rest_seconds,
        trial_seconds: p.trial_seconds,
        consent: p.consent,
        supply_min_mv: p.supply_min_mv.unwrap_or(board.supply.min_mv),
        supply_max_mv: p.supply_max_mv.unwrap_or(board.supply.max_mv),
    }
}

fn bounded<const N: usize>(
    file: String,
    key: &'static str,
    text: &str,
    most: usize,
) -> Result<heapless::String<N>, PlanError> {
    let found = text.len();
    let length = || PlanError::Length { file: file.clone(), key, found, most };
    if text.is_empty() {
        return Err(length());
    }
    heapless::String::try_from(text).map_err(|_| length())
}

fn near<'a>(name: &str, known: impl Iterator<Item = &'a String>) -> Option<String> {
    super::names::nearest(name, known.map(String::as_str)).map(str::to_owned)
}

//! What a change touches, worked out from the change itself and never from a label.

use crate::bundle::Bundle;
use crate::slots::Part;

/// What a change touches.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub struct Touches {
    /// How, when or whether the door moves or is watched: firmware of either chip, the door,
    /// unattended closing, alarms, the update policy.
    pub actuation: bool,
    /// Which network and server the node talks to.
    pub network: bool,
}

/// What a change of `part` touches, where the bundle's contents do not matter.
///
/// A bundle counts as touching everything here; [`bundle_touches`] says less where it can.
pub const fn part_touches(part: Part) -> Touches {
    match part {
        Part::Net | Part::Io => Touches { actuation: true, network: true },
        Part::Conf => Touches { actuation: true, network: true },
        Part::Keys => Touches { actuation: false, network: false },
    }
}

/// What replacing `old` by `new` touches. Without an old bundle: everything.
pub fn bundle_touches(old: Option<&Bundle>, new: &Bundle) -> Touches {
    let Some(old) = old else { return part_touches(Part::Conf) };
    // Destructured, so that a new field cannot be forgotten here.
    let Bundle {
        schema,
        salt: _,
        node: _,
        name: _,
        networks,
        wifi_change,
        servers,
        checkin_seconds,
        door,
        close,
        alarms,
        policy,
    } = new;
    Touches {
        actuation: *schema != old.schema
            || *door != old.door
            || *close != old.close
            || *alarms != old.alarms
            || *policy != old.policy,
        network: *networks != old.networks
            || *wifi_change != old.wifi_change
            || *servers != old.servers
            || *checkin_seconds != old.checkin_seconds,
    }
}

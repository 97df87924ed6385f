//! Larkfield: an invented smallholding with eight doors, gates and hatches.

use crate::locked::Cost;
use crate::yard::{NewYard, Yard, start};
use rand_core::CryptoRng;
use std::fmt::Write as _;
use std::fs;
use std::path::Path;

/// Opens the rehearsal's keys. They hold no real secret and are gone with the rehearsal.
pub(super) const PASSPHRASE: &[u8] = b"a rehearsal has no secrets";
/// The old network: name in the yard, SSID, passphrase.
pub(super) const OLD: (&str, &str, &str) = ("old", "larkfield", "hinges and latches");
/// The new network.
pub(super) const NEW: (&str, &str, &str) = ("new", "larkfield-meadow", "gudgeons and pintles");

/// A door, gate or hatch.
pub(super) struct Place {
    pub(super) name: &'static str,
    label: &'static str,
    kind: &'static str,
    /// Closes by itself when it was left open.
    closes: bool,
    pub(super) open: bool,
}

const fn place(
    name: &'static str,
    label: &'static str,
    kind: &'static str,
    closes: bool,
    open: bool,
) -> Place {
    Place { name, label, kind, closes, open }
}

/// All eight, in the order of their names.
pub(super) const PLACES: [Place; 8] = [
    place("barn-north", "Barn, north door", "sliding", false, false),
    place("barn-south", "Barn, south door", "sliding", false, true),
    place("cart-shed", "Cart shed", "sectional", true, false),
    place("duck-hatch", "Duck house hatch", "hatch", false, true),
    place("hen-hatch", "Hen house hatch", "hatch", false, true),
    place("lane-gate", "Gate to the lane", "swinging", false, false),
    place("tool-shed", "Tool shed", "rolling", false, false),
    place("workshop", "Workshop", "sectional", true, true),
];

/// The gas sensor's curve: least squares over the points of a component data sheet as digitised in
/// public; R0 is invented.
const GAS: &str = "[gas]\na = 99.269\nb = -1.518033\nr0_ohms = 9289\n";

/// Makes the yard in `dir`: boards, nodes, both networks.
pub(super) fn make(dir: &Path, rng: &mut dyn CryptoRng) -> Result<Yard, String> {
    let new = NewYard {
        name: "Larkfield",
        domain: crate::firmware::samples::VENDOR,
        passphrase: PASSPHRASE,
        cost: Cost::REHEARSAL,
    };
    let yard = start(dir, new, rng).map_err(|e| e.to_string())?;
    let write = |name: &str, text: &str| fs::write(yard.path(name), text).map_err(|e| format!("{name}: {e}"));
    write("boards/latchboard.toml", include_str!("../yard/latchboard.toml"))?;
    for place in &PLACES {
        write(&format!("nodes/{}.toml", place.name), &node_file(place))?;
        write(&format!("calibration/{}.toml", place.name), GAS)?;
    }
    write_networks(&yard, None)?;
    let unlocked = yard.unlock(PASSPHRASE).map_err(|e| e.to_string())?;
    for (name, ssid, passphrase) in [OLD, NEW] {
        unlocked.put_passphrase(name, ssid, passphrase, rng).map_err(|e| e.to_string())?;
    }
    Yard::open(dir).map_err(|e| e.to_string())
}

/// How the nodes come to the new network.
pub(super) struct Change<'a> {
    /// Those that go there.
    pub(super) nodes: &'a [&'a str],
    /// `None`: both networks are on the air.
    pub(super) after_loss_minutes: Option<u16>,
}

/// Writes `networks.toml`: the old network, and the new one as a candidate.
pub(super) fn write_networks(yard: &Yard, change: Option<&Change<'_>>) -> Result<(), String> {
    let mut text = format!("[[network]]\nname = \"{}\"\nssid = \"{}\"\n", OLD.0, OLD.1);
    if let Some(change) = change {
        let nodes: Vec<_> = change.nodes.iter().map(|n| format!("\"{n}\"")).collect();
        let _ = write!(text, "\n[[network]]\nname = \"{}\"\nssid = \"{}\"\n", NEW.0, NEW.1);
        let _ = write!(text, "candidate = {{ replaces = \"{}\", nodes = [{}]", OLD.0, nodes.join(", "));
        if let Some(minutes) = change.after_loss_minutes {
            let _ = write!(text, ", after_loss_minutes = {minutes}");
        }
        text += " }\n";
    }
    fs::write(yard.path("networks.toml"), text).map_err(|e| format!("networks.toml: {e}"))
}

/// Says in `yard.toml` where the server is.
pub(super) fn write_server(yard: &Yard, address: &str, key: &str) -> Result<Yard, String> {
    let path = yard.path("yard.toml");
    let mut text = fs::read_to_string(&path).map_err(|e| format!("yard.toml: {e}"))?;
    let _ =
        write!(text, "\n[server]\naddresses = [\"{address}\"]\nca = \"server-ca.pem\"\nkey = \"{key}\"\n");
    fs::write(&path, text).map_err(|e| format!("yard.toml: {e}"))?;
    Yard::open(yard.dir()).map_err(|e| e.to_string())
}

fn node_file(place: &Place) -> String {
    let mut text = format!(
        "board = \"latchboard\"\nlabel = \"{}\"\ncheckin_seconds = 60\n\n\
         [door]\nkind = \"{}\"\nopen_below_mm = 450\nclosed_above_mm = 2200\ntravel_seconds = 20\n\
         measured_travel_seconds = 12.0\n\n[alarms]\nleft_open_minutes = 30\n\n\
         [alarms.co]\nfast_ppm = 100\nslow_ppm = 50\nslow_minutes = 30\n\n[policy]\nrest_seconds = 60\ntrial_seconds = 90\n",
        place.label, place.kind
    );
    if place.closes {
        text += "\n[close]\nenabled = true\nacknowledged = true\nafter_minutes = 30\nwarn_seconds = 8.0\n\
                 sound = true\nlight = true\nmax_failed = 2\nblocked_by_co = true\nphoto_sensor = true\n\
                 tone_hz = 2000\npulses_per_second = 4.5\nflashes_per_second = 2.0\n";
    }
    text
}

//! A small yard for tests.

use super::{NewYard, Yard, start};
use crate::locked::Cost;
use crate::random::from_seed;
use std::fs;
use std::path::Path;

pub(crate) const PASSPHRASE: &[u8] = b"seven hinges and a latch";

/// A node file that breaks no rule.
pub(crate) const GOOD_NODE: &str = r#"
board = "two-chip"
label = "Barn door"

[door]
kind = "sectional"
open_below_mm = 370
closed_above_mm = 2250
travel_seconds = 20
measured_travel_seconds = 14.5
"#;

/// A yard at Larkfield with one node `barn` and a network `house`.
pub(crate) fn yard(dir: &Path) -> Yard {
    let new = NewYard {
        name: "Larkfield",
        domain: "larkfield.example",
        passphrase: PASSPHRASE,
        cost: Cost::REHEARSAL,
    };
    let mut rng = from_seed(7);
    let made = start(&dir.join("yard"), new, &mut rng).unwrap();
    fs::write(made.path("nodes/barn.toml"), GOOD_NODE).unwrap();
    fs::write(made.path("networks.toml"), "[[network]]\nname = \"house\"\nssid = \"Larkfield\"\n").unwrap();
    let unlocked = made.unlock(PASSPHRASE).unwrap();
    unlocked.put_passphrase("house", "Larkfield", "correct hinges", &mut rng).unwrap();
    Yard::open(made.dir()).unwrap()
}

//! Waves as they are shown before anything is signed or sent.

use super::rollout::Telling;
use pintle_server::rollout::proof;
use serde::Serialize;

/// A wave as it would be sent.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct PlannedWave {
    /// Its nodes.
    pub nodes: Vec<String>,
    /// What it would prove with those before it, if all of them keep.
    pub would_prove: String,
}

pub(super) fn shown<'a>(waves: impl Iterator<Item = Vec<&'a str>>) -> Vec<PlannedWave> {
    let mut before = 0;
    let mut show = |nodes: Vec<&str>| {
        before += u32::try_from(nodes.len()).unwrap_or(u32::MAX);
        let nodes = nodes.into_iter().map(str::to_owned).collect();
        PlannedWave { nodes, would_prove: proof::prospect(before, 0) }
    };
    waves.map(&mut show).collect()
}

pub(super) fn tell_waves<'a>(waves: impl Iterator<Item = Vec<&'a str>>, tell: Telling<'_>) {
    for (n, wave) in shown(waves).iter().enumerate() {
        tell(&format!("wave {}: {}; {}", n + 1, wave.nodes.join(", "), wave.would_prove));
    }
}

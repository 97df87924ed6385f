//! A change of Wi-Fi: adding the candidate, counting who has proved it, finishing.

use crate::seal;
use crate::yard::files::{self, FileError, Readers};
use crate::yard::names::{self, What};
use crate::yard::tables::{CandidateTable, NetworkTable, NetworksFile};
use crate::yard::{Unlocked, Yard, YardError};
use pintle_protocol::id::Digest;
use pintle_server::contract::NodeView;
use pintle_server::rollout::wifi as campaign;
pub use pintle_server::rollout::wifi::Stand;
use rand_core::CryptoRng;
use serde::Serialize;
use thiserror::Error;

/// Why a change of Wi-Fi cannot begin or end. Nothing is changed then.
#[derive(Debug, Error)]
pub enum WifiError {
    /// A change is under way.
    #[error("a change to network `{0}` is under way")]
    UnderWay(String),
    /// No change is under way.
    #[error("no change of Wi-Fi is under way")]
    None,
    /// A network of that name is there.
    #[error("there is a network `{0}` already")]
    Exists(String),
    /// No network of that name.
    #[error("there is no network `{name}` in networks.toml")]
    NoNetwork {
        /// The name.
        name: String,
        /// The one that was probably meant.
        nearest: Option<String>,
    },
    /// Nodes have not proved the new network.
    #[error("not every node has proved the new network: {} would be lost", .0.join(", "))]
    NotProved(Vec<String>),
    /// Node files name the old network.
    #[error("these node files list network `{network}`, which is to go: {}", nodes.join(", "))]
    Listed {
        /// The old network.
        network: String,
        /// The nodes.
        nodes: Vec<String>,
    },
    /// The yard.
    #[error(transparent)]
    Yard(#[from] YardError),
    /// `networks.toml` cannot be written.
    #[error(transparent)]
    File(#[from] FileError),
}

/// A new network for the yard.
#[derive(Clone, Copy, Debug)]
pub struct NewNetwork<'a> {
    /// Its name in the yard.
    pub name: &'a str,
    /// Its SSID.
    pub ssid: &'a str,
    /// Its passphrase.
    pub passphrase: &'a str,
}

/// Adds a network that nodes use from their next bundle on.
///
/// # Errors
/// [`WifiError`]; a passphrase or SSID that Wi-Fi does not allow is among them.
pub fn add(
    yard: &Yard,
    unlocked: &Unlocked,
    new: NewNetwork<'_>,
    rng: &mut dyn CryptoRng,
) -> Result<(), WifiError> {
    put(yard, unlocked, new, None, rng)
}

/// Adds a candidate network, to which `nodes` change; `after_loss_minutes`: see
/// [`pintle_protocol::bundle::WifiChange`].
///
/// # Errors
/// [`WifiError`], also while another change is under way.
pub fn change(
    yard: &Yard,
    unlocked: &Unlocked,
    new: NewNetwork<'_>,
    candidate: CandidateTable,
    rng: &mut dyn CryptoRng,
) -> Result<(), WifiError> {
    if let Some((network, _)) = candidate_of(yard) {
        return Err(WifiError::UnderWay(network.name.clone()));
    }
    find(yard, &candidate.replaces)?;
    put(yard, unlocked, new, Some(candidate), rng)
}

fn put(
    yard: &Yard,
    unlocked: &Unlocked,
    new: NewNetwork<'_>,
    candidate: Option<CandidateTable>,
    rng: &mut dyn CryptoRng,
) -> Result<(), WifiError> {
    names::check(What::Network, new.name).map_err(YardError::from)?;
    if yard.networks.networks.iter().any(|n| n.name == new.name) {
        return Err(WifiError::Exists(new.name.to_owned()));
    }
    unlocked.put_passphrase(new.name, new.ssid, new.passphrase, rng)?;
    let mut file = yard.networks.clone();
    let (name, ssid) = (new.name.to_owned(), new.ssid.to_owned());
    file.networks.push(NetworkTable { name, ssid, candidate });
    write(yard, &file)
}

/// The candidate network, while a change is under way.
pub fn candidate_of(yard: &Yard) -> Option<(&NetworkTable, &CandidateTable)> {
    yard.networks.networks.iter().find_map(|n| n.candidate.as_ref().map(|c| (n, c)))
}

fn find<'a>(yard: &'a Yard, name: &str) -> Result<&'a NetworkTable, WifiError> {
    let all = &yard.networks.networks;
    all.iter().find(|n| n.name == name).ok_or_else(|| WifiError::NoNetwork {
        name: name.to_owned(),
        nearest: names::nearest(name, all.iter().map(|n| n.name.as_str())).map(str::to_owned),
    })
}

/// How far a change of Wi-Fi has come.
#[derive(Clone, Debug, PartialEq, Eq, Serialize)]
pub struct Tally {
    /// The new network.
    pub candidate: String,
    /// The old network.
    pub replaces: String,
    /// Where each node stands.
    pub nodes: Vec<(String, Stand)>,
}

impl Tally {
    /// Nodes that would be lost if the old network went now.
    pub fn lost(&self) -> Vec<&str> {
        campaign::lost(&self.nodes)
    }

    /// Nodes that have not proved the new network, but will try it when the old one goes.
    pub fn untested(&self) -> Vec<&str> {
        campaign::untested(&self.nodes)
    }

    /// Whether the old network can be switched off.
    pub fn safe(&self) -> bool {
        self.lost().is_empty()
    }

    /// Whether the old network can be switched off, as a sentence without its stop.
    pub fn verdict(&self) -> String {
        campaign::verdict(&self.replaces, &self.candidate, &self.nodes)
    }
}

/// Whether a bundle of a node, by its manifest digest, brought the candidate network.
pub fn brought(yard: &Yard, unlocked: &Unlocked, node: &str, bundle: &Digest) -> bool {
    let Some((network, _)) = candidate_of(yard) else { return false };
    let kept = seal::kept(yard, node).unwrap_or_default().into_iter().find(|k| k.digest == *bundle);
    let bundle = kept.and_then(|k| seal::open_kept(unlocked, node, &k).ok());
    bundle.is_some_and(|b| {
        let named = b.wifi_change.and_then(|w| b.networks.get(usize::from(w.candidate)));
        named.is_some_and(|n| n.ssid.as_slice() == network.ssid.as_bytes())
    })
}

/// Counts who has proved the new network. `views`: what the server knows. `brought`: whether a
/// bundle of a node brought the candidate.
///
/// # Errors
/// [`WifiError::None`] if no change is under way.
pub fn tally(
    yard: &Yard,
    views: &[NodeView],
    brought: &dyn Fn(&str, &Digest) -> bool,
) -> Result<Tally, WifiError> {
    let (network, candidate) = candidate_of(yard).ok_or(WifiError::None)?;
    let uses_old = |name: &String| {
        let listed = yard.nodes.get(name).and_then(|n| n.networks.as_ref());
        listed.is_none_or(|l| l.contains(&candidate.replaces))
    };
    let mut nodes = Vec::new();
    for name in yard.nodes.keys() {
        let view = views.iter().find(|v| v.id == yard.node_id(name));
        let asked = candidate.nodes.contains(name);
        // Only nodes in service can be lost.
        if asked && view.is_some_and(|v| v.admitted && !v.in_service()) {
            continue;
        }
        if !asked {
            if uses_old(name) && view.is_some_and(NodeView::in_service) {
                nodes.push((name.clone(), Stand::NotAsked));
            }
            continue;
        }
        nodes.push((
            name.clone(),
            view.map_or(Stand::NotHeard, |v| Stand::of(v, &|bundle| brought(name, bundle))),
        ));
    }
    Ok(Tally { candidate: network.name.clone(), replaces: candidate.replaces.clone(), nodes })
}

/// Ends a change: the candidate takes the place of the old network in `networks.toml`, and the old
/// one is removed. `without`: nodes that are given up.
///
/// # Errors
/// [`WifiError::NotProved`] if a node has not proved the new network; nodes that wait for the old
/// one to go have not.
pub fn finish(yard: &Yard, tally: &Tally, without: &[String]) -> Result<NetworksFile, WifiError> {
    let (network, candidate) = candidate_of(yard).ok_or(WifiError::None)?;
    let lost: Vec<String> = tally
        .nodes
        .iter()
        .filter(|(name, stand)| *stand != Stand::Proved && !without.contains(name))
        .map(|(name, _)| name.clone())
        .collect();
    if !lost.is_empty() {
        return Err(WifiError::NotProved(lost));
    }
    let lists = |n: &crate::yard::tables::NodeFile| {
        n.networks.as_ref().is_some_and(|l| l.contains(&candidate.replaces))
    };
    let listed: Vec<String> =
        yard.nodes.iter().filter(|(_, n)| lists(n)).map(|(name, _)| name.clone()).collect();
    if !listed.is_empty() {
        return Err(WifiError::Listed { network: candidate.replaces.clone(), nodes: listed });
    }
    let promoted = NetworkTable { candidate: None, ..network.clone() };
    let mut file = NetworksFile::default();
    for old in &yard.networks.networks {
        if old.name == candidate.replaces {
            file.networks.push(promoted.clone());
        } else if old.name != network.name {
            file.networks.push(old.clone());
        }
    }
    write(yard, &file)?;
    Ok(file)
}

/// Takes back what [`finish`] wrote: `networks.toml` is again as `yard` was read.
///
/// # Errors
/// [`WifiError::File`] if it cannot be written.
pub fn unfinish(yard: &Yard) -> Result<(), WifiError> {
    write(yard, &yard.networks)
}

/// Gives a change up: the candidate is removed.
///
/// # Errors
/// [`WifiError::None`] if no change is under way.
pub fn give_up(yard: &Yard) -> Result<NetworksFile, WifiError> {
    let (network, _) = candidate_of(yard).ok_or(WifiError::None)?;
    let name = network.name.clone();
    let mut file = yard.networks.clone();
    file.networks.retain(|n| n.name != name);
    write(yard, &file)?;
    Ok(file)
}

fn write(yard: &Yard, file: &NetworksFile) -> Result<(), WifiError> {
    let body = toml::to_string(file).unwrap_or_default();
    let text = format!("{}\n{body}", crate::yard::NETWORKS_HEAD);
    Ok(files::replace(&yard.path("networks.toml"), text.as_bytes(), Readers::Usual)?)
}

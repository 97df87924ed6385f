//! Bundles: the configuration of one node.

mod schema;
#[cfg(test)]
pub(crate) mod tests;

pub use schema::{
    Address, Alarms, BadNetwork, Bundle, Door, DoorKind, MAX_NETWORKS, MAX_SERVERS, Network, Policy, SCHEMA,
    UnattendedClose, WifiChange, check_network,
};

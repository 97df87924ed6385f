//! Bundles: the configuration of one node.

mod node_rules;
#[cfg(any(test, feature = "sim"))]
pub mod sample;
mod schema;
mod settings;
#[cfg(test)]
mod tests;

pub use node_rules::node_refuses;
pub use schema::{
    Address, Alarms, BadNetwork, Bundle, Door, DoorKind, MAX_NETWORKS, MAX_SERVERS, Network, Policy, SCHEMA,
    UnattendedClose, WifiChange, check_network,
};
pub use settings::{SETTINGS, settings, settings_sum, sum_of};

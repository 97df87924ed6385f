//! What is stored, as the contract shows it.

mod nodes;
mod rollouts;

pub(crate) use nodes::{all_node_views, node_view};
pub(crate) use rollouts::rollout_view;

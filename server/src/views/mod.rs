//! What is stored, as the contract shows it.

mod nodes;
mod rollouts;

pub(crate) use nodes::{node_view, node_views};
pub(crate) use rollouts::rollout_view;

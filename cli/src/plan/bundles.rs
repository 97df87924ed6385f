//! Which bundles nodes get, and to which they would come back.

use super::RolloutError;
use crate::seal::{self, KeptBundle};
use crate::yard::{NodePlan, Unlocked, Yard};
use pintle_protocol::bundle::Bundle;
use pintle_server::contract::NodeView;

/// What one node gets.
#[derive(Clone, Debug)]
pub struct BundleStep {
    /// The node and its new bundle.
    pub plan: NodePlan,
    /// The bundle in force, to which the way back leads; `None` before the first.
    pub before: Option<KeptBundle>,
}

/// Plans one node's next bundle. `None` if what is in force says the same already.
///
/// # Errors
/// [`RolloutError`] if the node is not admitted, never checked in, or runs a bundle that was not
/// sealed here.
pub fn step_of(
    yard: &Yard,
    unlocked: &Unlocked,
    node: &str,
    view: &NodeView,
) -> Result<Option<BundleStep>, RolloutError> {
    if !view.admitted {
        return Err(RolloutError::NotAdmitted(node.to_owned()));
    }
    let report = view.report.as_ref().ok_or_else(|| RolloutError::NeverSeen(node.to_owned()))?;
    let plan = yard.plan(node)?;
    let before = match report.bundle {
        None => None,
        Some(digest) => {
            let foreign = || RolloutError::ForeignBundle { node: node.to_owned(), digest };
            let kept = seal::kept(yard, node)?.into_iter().find(|k| k.digest == digest);
            Some(kept.ok_or_else(foreign)?)
        }
    };
    if let Some(kept) = &before {
        let old = seal::open_kept(unlocked, node, kept)?;
        if same(&plan, unlocked, &old)? {
            return Ok(None);
        }
    }
    Ok(Some(BundleStep { plan, before }))
}

/// Whether a bundle says what the plan says, salt aside.
fn same(plan: &NodePlan, unlocked: &Unlocked, old: &Bundle) -> Result<bool, RolloutError> {
    let passphrases = plan.networks.iter().map(|n| unlocked.passphrase(n)).collect::<Result<Vec<_>, _>>()?;
    let mut new = Bundle { salt: old.salt, ..plan.draft.clone() };
    for (network, passphrase) in new.networks.iter_mut().zip(&passphrases) {
        network.passphrase = heapless::String::try_from(passphrase.as_str()).unwrap_or_default();
    }
    Ok(new == *old)
}

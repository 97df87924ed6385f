//! Which images a node takes, in which order.

use super::RolloutError;
use crate::image::{Library, Packed};
use crate::yard::NodePlan;
use pintle_protocol::id::{Chip, Digest};
use pintle_protocol::image::Quirk;
use pintle_protocol::order::{self, Speaks};
use pintle_protocol::version::{ActuationProfile, LinkRange};
use pintle_server::contract::{NodeView, ReportView, RunningView};

/// One single-chip update, and the image that the chip runs before it.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct ImageStep {
    /// The chip.
    pub chip: Chip,
    /// Digest of what it is to run.
    pub to: Digest,
    /// Digest of what it runs before.
    pub from: Digest,
}

/// What a node is to do.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct NodeSteps {
    /// The node.
    pub node: String,
    /// Steps in order; empty if it has everything already.
    pub steps: Vec<ImageStep>,
}

/// Plans one node: the shortest safe order of single-chip updates that ends with `wanted`,
/// through other images of the library where the direct way is barred.
///
/// `wanted`: images for any boards; those for this node's board count. `rehearsal`: whether
/// images that misbehave on purpose may be used.
///
/// # Errors
/// [`RolloutError`] if it is not known what the node runs, there is no safe order, or what it runs
/// is not at hand for the way back.
pub fn steps_of(
    plan: &NodePlan,
    view: &NodeView,
    wanted: &[&Packed],
    library: &Library,
    rehearsal: bool,
) -> Result<NodeSteps, RolloutError> {
    let node = || plan.name.clone();
    if !view.admitted {
        return Err(RolloutError::NotAdmitted(node()));
    }
    let report = view.report.as_ref().ok_or_else(|| RolloutError::NeverSeen(node()))?;
    let io = report.io.as_ref().ok_or_else(|| RolloutError::IoSilent(node()))?;
    let net_wanted = for_chip(plan, wanted, Chip::Net)?;
    let io_wanted = for_chip(plan, wanted, Chip::Io)?;
    if net_wanted.is_none() && io_wanted.is_none() {
        return Err(RolloutError::NoImage { node: node(), board: plan.file.board.clone() });
    }
    let at_hand = |chip: Chip, running: &RunningView, wanted: Option<&Packed>| -> Vec<Packed> {
        let mut list: Vec<Packed> = library
            .images
            .iter()
            .filter(|i| i.class == plan.classes[chip.index()] && i.digest != running.digest)
            .filter(|i| i.quirk == Quirk::None || rehearsal && wanted.is_some_and(|w| w.digest == i.digest))
            .cloned()
            .collect();
        // The newest are weighed if there are more than can be; what is wanted always is.
        list.sort_by_key(|i| (wanted.is_none_or(|w| w.digest != i.digest), std::cmp::Reverse(i.version)));
        list.truncate(order::MAX_AT_HAND);
        list
    };
    let nets = at_hand(Chip::Net, &report.net, net_wanted);
    let ios = at_hand(Chip::Io, io, io_wanted);
    let speak = |list: &[Packed]| list.iter().map(Packed::speaks).collect::<Vec<_>>();
    let (net_speaks, io_speaks) = (speak(&nets), speak(&ios));
    let index = |list: &[Packed], wanted: Option<&Packed>| {
        wanted.and_then(|w| list.iter().position(|i| i.digest == w.digest))
    };
    let route = order::route(&order::Plan {
        net: speaks(&report.net),
        io: speaks(io),
        net_images: &net_speaks,
        io_images: &io_speaks,
        want_net: index(&nets, net_wanted),
        want_io: index(&ios, io_wanted),
    })
    .map_err(|fault| RolloutError::Order { node: node(), fault })?;

    let mut running = [report.net.digest, io.digest];
    let mut steps = Vec::new();
    for step in &route {
        let list = if step.chip == Chip::Net { &nets } else { &ios };
        let factory = if step.chip == Chip::Net { report.net.digest } else { io.digest };
        let to = step.image.and_then(|i| list.get(i)).map_or(factory, |i| i.digest);
        let from = std::mem::replace(&mut running[step.chip.index()], to);
        check_at_hand(plan, library, step.chip, &from, report)?;
        check_at_hand(plan, library, step.chip, &to, report)?;
        steps.push(ImageStep { chip: step.chip, to, from });
    }
    Ok(NodeSteps { node: node(), steps })
}

/// The image among `wanted` for one chip of a node's board.
fn for_chip<'a>(
    plan: &NodePlan,
    wanted: &[&'a Packed],
    chip: Chip,
) -> Result<Option<&'a Packed>, RolloutError> {
    let mut fitting = wanted.iter().filter(|i| i.chip == chip && i.class == plan.classes[chip.index()]);
    let first = fitting.next().copied();
    match (first, fitting.find(|i| first.is_some_and(|f| f.digest != i.digest))) {
        (Some(first), Some(second)) => Err(RolloutError::TwoImages {
            chip,
            board: plan.file.board.clone(),
            first: first.name.clone(),
            second: second.name.clone(),
        }),
        _ => Ok(first),
    }
}

fn check_at_hand(
    plan: &NodePlan,
    library: &Library,
    chip: Chip,
    digest: &Digest,
    report: &ReportView,
) -> Result<(), RolloutError> {
    let of_this = |i: &&Packed| i.digest == *digest && i.class == plan.classes[chip.index()];
    if library.images.iter().any(|i| of_this(&i)) {
        return Ok(());
    }
    let running = if chip == Chip::Net { Some(&report.net) } else { report.io.as_ref() };
    let version = running.map_or_else(String::new, |r| r.version.clone());
    Err(RolloutError::NoWayBack { node: plan.name.clone(), chip, version, digest: *digest })
}

fn speaks(running: &RunningView) -> Speaks {
    Speaks {
        link: LinkRange { oldest: running.link_oldest, newest: running.link_newest.max(running.link_oldest) },
        profile: ActuationProfile { id: running.profile_id, version: running.profile_version },
    }
}

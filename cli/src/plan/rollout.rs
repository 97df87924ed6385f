//! From a plan to a rollout under way: sign, upload, start.

use super::care::{Approval, Care};
use super::images::{ImageStep, NodeSteps, steps_of};
use super::preview::{PlannedWave, shown, tell_waves};
use super::waves::Choice;
use super::{RolloutError, bundles, waves};
use crate::api::{Action, Client};
use crate::image::{Library, Packed};
use crate::seal::{self, Envelope};
use crate::yard::{NodePlan, Unlocked, Yard};
use ed25519_dalek::SigningKey;
use pintle_protocol::id::{Digest, NodeId, Role, Uuid16};
use pintle_protocol::image::Quirk;
use pintle_server::contract::{
    Kind, NewRollout, NewStep, NewTarget, NewWave, NodeView, OnFailure, RolloutView,
};
use rand_core::CryptoRng;
use std::collections::{BTreeMap, BTreeSet};

/// A rollout of images.
#[derive(Clone, Debug)]
pub struct ImageRollout<'a> {
    /// What people call it.
    pub title: &'a str,
    /// Names of packed images.
    pub images: &'a [String],
    /// Waves as asked for; see [`waves::split`].
    pub waves: &'a [String],
    /// How careful it is.
    pub care: Care,
    /// Whether images that misbehave on purpose may be used.
    pub rehearsal: bool,
}

/// A rollout of bundles.
#[derive(Clone, Debug)]
pub struct BundleRollout<'a> {
    /// What people call it.
    pub title: &'a str,
    /// [`Kind::Bundle`] or [`Kind::Wifi`].
    pub kind: Kind,
    /// Nodes; empty for all.
    pub nodes: &'a [String],
    /// Waves as asked for; see [`waves::split`].
    pub waves: &'a [String],
    /// How careful it is.
    pub care: Care,
}

/// What a rollout is told about while it is prepared.
pub type Telling<'a> = &'a mut dyn FnMut(&str);

/// Plans, signs, uploads and starts a rollout of images.
///
/// Nothing is signed before every node has a safe order, and nothing is offered before everything
/// is uploaded.
///
/// # Errors
/// [`RolloutError`]; no rollout is started then.
pub fn start_images(
    yard: &Yard,
    unlocked: &Unlocked,
    client: &Client,
    request: &ImageRollout<'_>,
    tell: Telling<'_>,
) -> Result<RolloutView, RolloutError> {
    let library = Library::read(yard)?;
    let wanted = wanted(&library, request)?;
    let views = views(yard, client)?;
    let planned = plan_images(yard, &views, &wanted, &library, request)?;
    tell_waves(planned.iter().map(|wave| wave.iter().map(|n| n.node.as_str()).collect()), tell);
    let key = unlocked.signing_key(Role::Image)?;
    follow(yard, Role::Image, &views)?;
    let signed = sign_images(yard, &library, &planned, &key)?;
    let payloads: BTreeSet<Digest> =
        planned.iter().flatten().flat_map(|n| &n.steps).flat_map(|s| [s.to, s.from]).collect();
    for digest in payloads {
        let Some(image) = library.with_digest(&digest) else { continue };
        tell(&format!("uploading image {}", image.name));
        let stored = client.put_payload(image.payload()?)?;
        if stored.digest != digest {
            let (what, found) = (image.name.clone(), stored.digest);
            return Err(RolloutError::Stored { what, expected: digest, found });
        }
    }
    let envelopes = signed.values().flatten().flat_map(|(forward, back)| [forward, back]);
    upload(client, envelopes, tell)?;
    let steps = |node: &NodeSteps, class: [Uuid16; 2]| -> Vec<NewStep> {
        let list = signed.get(&(class, node.steps.clone())).map_or(&[][..], Vec::as_slice);
        list.iter()
            .map(|(forward, back)| NewStep { envelope: forward.digest, way_back: Some(back.digest) })
            .collect()
    };
    let mut new = Vec::new();
    for wave in &planned {
        let mut targets = Vec::new();
        for node in wave {
            let plan = yard.plan(&node.node)?;
            targets.push(NewTarget { node: plan.id, steps: steps(node, plan.classes) });
        }
        new.push(targets);
    }
    begin(client, request.title, Kind::Image, new, request.care.clone(), tell)
}

/// The steps of every node, wave by wave; nodes and waves with nothing to do are left out.
fn plan_images(
    yard: &Yard,
    views: &BTreeMap<NodeId, NodeView>,
    wanted: &[&Packed],
    library: &Library,
    request: &ImageRollout<'_>,
) -> Result<Vec<Vec<NodeSteps>>, RolloutError> {
    let fits = |plan: &NodePlan| wanted.iter().any(|i| plan.classes[i.chip.index()] == i.class);
    let mut choices = Vec::new();
    for (name, file) in &yard.nodes {
        let plan = yard.plan(name)?;
        let admitted = views.get(&plan.id).is_some_and(NodeView::in_service);
        choices.push(Choice { name, labels: &file.labels, fits: admitted && fits(&plan) });
    }
    let mut planned = Vec::new();
    for wave in waves::split(&choices, request.waves)? {
        let mut nodes = Vec::new();
        for name in wave {
            let plan = yard.plan(&name)?;
            let view = views.get(&plan.id).ok_or(RolloutError::Unknown(name))?;
            nodes.push(steps_of(&plan, view, wanted, library, request.rehearsal)?);
        }
        nodes.retain(|n| !n.steps.is_empty());
        planned.push(nodes);
    }
    planned.retain(|wave| !wave.is_empty());
    if planned.is_empty() { Err(RolloutError::NothingToDo) } else { Ok(planned) }
}

/// Envelopes for every different list of steps: nodes of one class that walk the same steps share
/// them.
type Signed = BTreeMap<([Uuid16; 2], Vec<ImageStep>), Vec<(Envelope, Envelope)>>;

/// Signs forward envelopes in the order of the steps, then ways back in the reverse order. A node
/// that walks back takes the last step's first, so that its numbers go up all the way.
fn sign_images(
    yard: &Yard,
    library: &Library,
    planned: &[Vec<NodeSteps>],
    key: &SigningKey,
) -> Result<Signed, RolloutError> {
    let mut signed = Signed::new();
    for node in planned.iter().flatten() {
        let plan = yard.plan(&node.node)?;
        let way = (plan.classes, node.steps.clone());
        if signed.contains_key(&way) {
            continue;
        }
        let count = node.steps.len() as u64;
        let numbers = yard.sequences()?.take(Role::Image, 2 * count)?;
        let mut list = Vec::new();
        for (step, forward) in node.steps.iter().zip(numbers.clone()) {
            // Forward n, n+1, .. and back n+2c-1, n+2c-2, ..: mirrored about the middle.
            let back = numbers.start + numbers.end - 1 - forward;
            let sign = |digest: &Digest, sequence| {
                let of_this = |i: &&Packed| i.digest == *digest && i.class == plan.classes[step.chip.index()];
                let image = library.images.iter().find(of_this).ok_or_else(|| RolloutError::NoWayBack {
                    node: node.node.clone(),
                    chip: step.chip,
                    version: String::new(),
                    digest: *digest,
                })?;
                Ok::<_, RolloutError>(seal::image_envelope(yard.vendor(), image, sequence, key)?)
            };
            list.push((sign(&step.to, forward)?, sign(&step.from, back)?));
        }
        signed.insert(way, list);
    }
    Ok(signed)
}

/// Plans, seals, uploads and starts a rollout of bundles. Nodes whose bundle says the same
/// already are left out.
///
/// A node's first bundle has no way back; then the rollout holds on failure, whatever was
/// asked for, since there is nothing to return to.
///
/// # Errors
/// [`RolloutError`]; no rollout is started then.
pub fn start_bundles(
    yard: &Yard,
    unlocked: &Unlocked,
    client: &Client,
    request: &BundleRollout<'_>,
    rng: &mut dyn CryptoRng,
    tell: Telling<'_>,
) -> Result<RolloutView, RolloutError> {
    let views = views(yard, client)?;
    let planned = plan_bundles(yard, unlocked, &views, request)?;
    tell_waves(planned.iter().map(|wave| wave.iter().map(|s| s.plan.name.as_str()).collect()), tell);
    // All are checked before the first is sealed.
    for step in planned.iter().flatten() {
        seal::allowed(unlocked, &step.plan, step.before.as_ref())?;
    }
    follow(yard, Role::Bundle, &views)?;
    let mut care = request.care.clone();
    let mut new = Vec::new();
    let mut envelopes = Vec::new();
    for wave in &planned {
        let mut targets = Vec::new();
        for step in wave {
            tell(&format!("sealing the bundle of {}", step.plan.name));
            let sealed = seal::seal_node(yard, unlocked, &step.plan, step.before.as_ref(), rng)?;
            let way_back = sealed.way_back.as_ref().map(|e| e.digest);
            if way_back.is_none() && care.on_failure == OnFailure::TurnBack {
                tell("a first bundle has nothing to go back to: the rollout holds on failure");
                care.on_failure = OnFailure::Hold;
            }
            let steps = vec![NewStep { envelope: sealed.forward.digest, way_back }];
            targets.push(NewTarget { node: step.plan.id, steps });
            envelopes.push(sealed.forward);
            envelopes.extend(sealed.way_back);
        }
        new.push(targets);
    }
    upload(client, envelopes.iter(), tell)?;
    begin(client, request.title, request.kind, new, care, tell)
}

/// The step of every node, wave by wave; nodes and waves with nothing to do are left out.
fn plan_bundles(
    yard: &Yard,
    unlocked: &Unlocked,
    views: &BTreeMap<NodeId, NodeView>,
    request: &BundleRollout<'_>,
) -> Result<Vec<Vec<bundles::BundleStep>>, RolloutError> {
    for name in request.nodes {
        yard.node(name)?;
    }
    let mut choices = Vec::new();
    for (name, file) in &yard.nodes {
        let asked = request.nodes.contains(name);
        let admitted = views.get(&yard.node_id(name)).is_some_and(NodeView::in_service);
        let fits = asked || request.nodes.is_empty() && admitted;
        if fits || request.nodes.is_empty() {
            choices.push(Choice { name, labels: &file.labels, fits });
        }
    }
    let mut planned = Vec::new();
    for wave in waves::split(&choices, request.waves)? {
        let mut steps = Vec::new();
        for name in wave {
            let view = views.get(&yard.node_id(&name)).ok_or_else(|| RolloutError::Unknown(name.clone()))?;
            steps.extend(bundles::step_of(yard, unlocked, &name, view)?);
        }
        if !steps.is_empty() {
            planned.push(steps);
        }
    }
    if planned.is_empty() { Err(RolloutError::NothingToDo) } else { Ok(planned) }
}

/// The waves of a rollout of images, without signing or sending anything.
///
/// # Errors
/// As [`start_images`].
pub fn waves_of_images(
    yard: &Yard,
    client: &Client,
    request: &ImageRollout<'_>,
) -> Result<Vec<PlannedWave>, RolloutError> {
    let library = Library::read(yard)?;
    let wanted = wanted(&library, request)?;
    let planned = plan_images(yard, &views(yard, client)?, &wanted, &library, request)?;
    Ok(shown(planned.iter().map(|wave| wave.iter().map(|n| n.node.as_str()).collect())))
}

/// The waves of a rollout of bundles, without sealing or sending anything.
///
/// # Errors
/// As [`start_bundles`].
pub fn waves_of_bundles(
    yard: &Yard,
    unlocked: &Unlocked,
    client: &Client,
    request: &BundleRollout<'_>,
) -> Result<Vec<PlannedWave>, RolloutError> {
    let planned = plan_bundles(yard, unlocked, &views(yard, client)?, request)?;
    Ok(shown(planned.iter().map(|wave| wave.iter().map(|s| s.plan.name.as_str()).collect())))
}

fn wanted<'a>(library: &'a Library, request: &ImageRollout<'_>) -> Result<Vec<&'a Packed>, RolloutError> {
    let mut wanted = Vec::new();
    for name in request.images {
        wanted.extend(library.named(name)?);
    }
    if let Some(faulty) = wanted.iter().find(|i| i.quirk != Quirk::None && !request.rehearsal) {
        return Err(RolloutError::Misbehaves(faulty.name.clone()));
    }
    Ok(wanted)
}

/// What the server says of every node, once it is seen that it has the keys which this yard admitted:
/// by other ones it would take somebody else's reports for the node's.
pub(crate) fn views(yard: &Yard, client: &Client) -> Result<BTreeMap<NodeId, NodeView>, RolloutError> {
    let views: BTreeMap<NodeId, NodeView> = client.nodes()?.into_iter().map(|v| (v.id, v)).collect();
    for (name, file) in &yard.nodes {
        let view = views.get(&yard.node_id(name)).filter(|view| view.admitted);
        let (Some(ours), Some(view)) = (&file.keys, view) else { continue };
        let pairs =
            [("signing", &ours.signing, view.signing_key), ("sealing", &ours.sealing, view.sealing_key)];
        for (which, ours, theirs) in pairs {
            let theirs = theirs.map_or_else(|| "none".to_owned(), |key| key.to_string());
            if !theirs.eq_ignore_ascii_case(ours) {
                return Err(RolloutError::OtherKeys {
                    node: name.clone(),
                    which,
                    ours: ours.clone(),
                    theirs,
                });
            }
        }
    }
    Ok(views)
}

/// Raises the yard's numbers to what its own nodes have kept.
pub(crate) fn follow(
    yard: &Yard,
    role: Role,
    views: &BTreeMap<NodeId, NodeView>,
) -> Result<(), RolloutError> {
    let mut sequences = yard.sequences()?;
    for name in yard.nodes.keys() {
        let report = views.get(&yard.node_id(name)).and_then(|v| v.report.as_ref());
        if let Some(report) = report {
            sequences.follow(role, name, report.sequences[role.index()])?;
        }
    }
    Ok(())
}

pub(crate) fn upload<'a>(
    client: &Client,
    envelopes: impl Iterator<Item = &'a Envelope>,
    tell: Telling<'_>,
) -> Result<(), RolloutError> {
    for envelope in envelopes {
        tell(&format!("uploading envelope {}", envelope.sequence));
        let stored = client.put_envelope(&envelope.digest, envelope.bytes.clone())?;
        if stored.digest != envelope.digest {
            let what = format!("envelope {}", envelope.sequence);
            return Err(RolloutError::Stored { what, expected: envelope.digest, found: stored.digest });
        }
    }
    Ok(())
}

pub(crate) fn begin(
    client: &Client,
    title: &str,
    kind: Kind,
    waves: Vec<Vec<NewTarget>>,
    care: Care,
    tell: Telling<'_>,
) -> Result<RolloutView, RolloutError> {
    let wave = |(n, targets)| NewWave {
        targets,
        soak_seconds: care.soak_seconds,
        evidence: care.evidence,
        approval: match care.approval {
            Approval::None => false,
            Approval::Later => n > 0,
            Approval::Every => true,
        },
        gate: care.gate,
    };
    let waves = waves.into_iter().enumerate().map(wave).collect();
    let (on_failure, windows) = (care.on_failure, care.windows);
    let new = NewRollout { title: title.to_owned(), kind, waves, on_failure, windows };
    let planned = client.new_rollout(&new)?;
    tell(&format!("starting rollout {}", planned.id));
    Ok(client.act(planned.id, Action::Start, None)?)
}

//! Planning the rehearsal's rollouts from what the yard has sealed and signed.

use crate::api::Client;
use crate::image::Packed;
use crate::seal::{self, Envelope, SealedNode};
use crate::yard::{Unlocked, Yard};
use pintle_protocol::id::{Chip, NodeId, Role};
use pintle_protocol::order::{Plan, Speaks, route};
use pintle_server::contract::{Gate, Kind, NewRollout, NewStep, NewTarget, NewWave, OnFailure, RolloutView};

/// One failure is enough; a node that misses check-ins for ten minutes is silent.
const GATE: Gate = Gate { max_failed: 0, max_silent: 0, silent_after_seconds: 600 };

/// Uploads an envelope.
fn put(client: &Client, envelope: &Envelope) -> Result<(), String> {
    client.put_envelope(&envelope.digest, envelope.bytes.clone()).map(drop).map_err(|e| e.to_string())
}

/// Plans a rollout of bundles in the waves given.
pub(super) fn bundles(
    client: &Client,
    title: &str,
    kind: Kind,
    waves: &[Vec<(NodeId, SealedNode)>],
    soak_seconds: u32,
) -> Result<RolloutView, String> {
    let mut planned = Vec::new();
    for wave in waves {
        let mut targets = Vec::new();
        for (node, sealed) in wave {
            put(client, &sealed.forward)?;
            if let Some(way_back) = &sealed.way_back {
                put(client, way_back)?;
            }
            let way_back = sealed.way_back.as_ref().map(|w| w.digest);
            let steps = vec![NewStep { envelope: sealed.forward.digest, way_back }];
            targets.push(NewTarget { node: *node, steps });
        }
        planned.push(NewWave { targets, soak_seconds, gate: GATE });
    }
    let new = NewRollout { title: title.to_owned(), kind, waves: planned, on_failure: OnFailure::Hold };
    client.new_rollout(&new).map_err(|e| e.to_string())
}

/// What the chips run, and what they are to run.
pub(super) struct Images<'a> {
    pub(super) from: [&'a Packed; 2],
    pub(super) to: [Option<&'a Packed>; 2],
}

fn side(chip: Chip) -> usize {
    chip.index()
}

/// Plans a rollout of images: the safe order of the two chips first, then one signed envelope for
/// each step and its way back, numbered so that a node takes them in any order that can come up.
pub(super) fn images(
    client: &Client,
    yard: &Yard,
    unlocked: &Unlocked,
    title: &str,
    images: &Images<'_>,
    waves: &[Vec<NodeId>],
    soak_seconds: u32,
) -> Result<RolloutView, String> {
    let speaks = |p: &Packed| p.speaks();
    let at_hand: Vec<Vec<Speaks>> = images.to.iter().map(|p| p.iter().map(|p| speaks(p)).collect()).collect();
    let plan = Plan {
        net: speaks(images.from[0]),
        io: speaks(images.from[1]),
        net_images: &at_hand[0],
        io_images: &at_hand[1],
        want_net: images.to[0].map(|_| 0),
        want_io: images.to[1].map(|_| 0),
    };
    let order = route(&plan).map_err(|e| e.to_string())?;
    let key = unlocked.signing_key(Role::Image).map_err(|e| e.to_string())?;
    let count = order.len() as u64;
    let mut sequences = yard.sequences().map_err(|e| e.to_string())?;
    let first = sequences.take(Role::Image, 2 * count).map_err(|e| e.to_string())?.start;
    let mut steps = Vec::new();
    for (n, step) in (0u64..).zip(&order) {
        let to = images.to[side(step.chip)].ok_or("the order names an image that is not at hand")?;
        let from = images.from[side(step.chip)];
        let sign = |image: &Packed, sequence| {
            seal::image_envelope(yard.vendor(), image, sequence, &key).map_err(|e| e.to_string())
        };
        let forward = sign(to, first + n)?;
        let way_back = sign(from, first + 2 * count - 1 - n)?;
        for image in [to, from] {
            let payload = image.payload().map_err(|e| e.to_string())?;
            client.put_payload(payload).map_err(|e| e.to_string())?;
        }
        put(client, &forward)?;
        put(client, &way_back)?;
        steps.push(NewStep { envelope: forward.digest, way_back: Some(way_back.digest) });
    }
    let waves = waves
        .iter()
        .map(|nodes| NewWave {
            targets: nodes.iter().map(|node| NewTarget { node: *node, steps: steps.clone() }).collect(),
            soak_seconds,
            gate: GATE,
        })
        .collect();
    let new = NewRollout { title: title.to_owned(), kind: Kind::Image, waves, on_failure: OnFailure::Hold };
    client.new_rollout(&new).map_err(|e| e.to_string())
}

//! Sending the set of trust anchors to the nodes that lack it.

use super::sets::Sets;
use super::{Has, KeysError, Tally, tally};
use crate::api::Client;
use crate::node::card::anchors;
use crate::plan::care::Care;
use crate::plan::rollout::{Telling, begin, follow, upload, views};
use crate::plan::waves::Choice;
use crate::plan::{RolloutError, waves};
use crate::seal::{Envelope, SealError};
use crate::yard::{Unlocked, Yard};
use ed25519_dalek::SigningKey;
use pintle_protocol::author::KeysManifest;
use pintle_protocol::id::{PublicKey, Role};
use pintle_protocol::suit::TrustAnchors;
use pintle_server::contract::{Kind, NewStep, NewTarget, OnFailure, RolloutView};

/// A rollout of the set.
#[derive(Clone, Debug)]
pub struct KeysRollout<'a> {
    /// What people call it.
    pub title: &'a str,
    /// Nodes; empty for all.
    pub nodes: &'a [String],
    /// Waves as asked for; see [`waves::split`].
    pub waves: &'a [String],
    /// How careful it is.
    pub care: Care,
}

/// The envelopes for nodes that have the same set now.
struct Signed {
    before: Option<TrustAnchors>,
    forward: Envelope,
    way_back: Option<Envelope>,
}

/// Signs, uploads and starts a rollout of the set that the yard's keys make now, to the nodes that
/// lack it. Each gets it signed with the root key that it trusts; the way back is signed with the
/// root key of the new set, which it will trust by then. Where a key is to go there is no way back:
/// whoever has that key and the server could use it at any time, on any node.
///
/// # Errors
/// [`KeysError`]; no rollout is started then.
pub fn send(
    yard: &Yard,
    unlocked: &Unlocked,
    client: &Client,
    request: &KeysRollout<'_>,
    tell: Telling<'_>,
) -> Result<RolloutView, KeysError> {
    let wanted = anchors(yard)?;
    for name in request.nodes {
        yard.node(name).map_err(RolloutError::from)?;
    }
    let views = views(yard, client)?;
    let listed: Vec<_> = views.values().cloned().collect();
    let Tally { nodes } = tally(yard, &listed)?;
    let mut lacking = Vec::new();
    for (name, has, sequence) in &nodes {
        let asked = request.nodes.contains(name);
        if !request.nodes.is_empty() && !asked {
            continue;
        }
        match (has, sequence) {
            (Has::This, _) => {}
            (_, Some(sequence)) => lacking.push((name.as_str(), *sequence)),
            (_, None) if asked => return Err(RolloutError::NeverSeen(name.clone()).into()),
            (_, None) => tell(&format!("{name} has never checked in: send it the set later")),
        }
    }
    if lacking.is_empty() {
        return Err(RolloutError::NothingToDo.into());
    }
    let choice = |(name, _): &(&'_ str, u64)| {
        let labels = yard.nodes.get(*name).map_or(&[][..], |file| &file.labels);
        (name.to_string(), labels)
    };
    let named: Vec<_> = lacking.iter().map(choice).collect();
    let choices: Vec<_> = named.iter().map(|(name, labels)| Choice { name, labels, fits: true }).collect();
    let planned = waves::split(&choices, request.waves).map_err(RolloutError::from)?;
    follow(yard, Role::Root, &views)?;

    let mut sets = Sets::open(yard)?;
    let mut signed: Vec<Signed> = Vec::new();
    let mut care = request.care.clone();
    let mut new = Vec::new();
    for wave in &planned {
        let mut targets = Vec::new();
        for name in wave {
            let Some((_, sequence)) = lacking.iter().find(|(n, _)| n == name) else { continue };
            let before = sets.of(name, *sequence)?;
            let at = match signed.iter().position(|s| s.before == before) {
                Some(at) => at,
                None => {
                    signed.push(sign(yard, unlocked, &mut sets, name, before.clone(), &wanted)?);
                    signed.len() - 1
                }
            };
            let Some(Signed { forward, way_back, .. }) = signed.get(at) else { continue };
            if way_back.is_none() && care.on_failure == OnFailure::TurnBack {
                let why = match before {
                    None => format!("it is not known which set {name} has"),
                    Some(_) => format!("a way back would let {name} trust a key again that is to go"),
                };
                tell(&format!("{why}: the rollout holds on failure"));
                care.on_failure = OnFailure::Hold;
            }
            let way_back = way_back.as_ref().map(|e| e.digest);
            let steps = vec![NewStep { envelope: forward.digest, way_back }];
            targets.push(NewTarget { node: yard.node_id(name), steps });
        }
        new.push(targets);
    }
    let envelopes = signed.iter().flat_map(|s| core::iter::once(&s.forward).chain(&s.way_back));
    upload(client, envelopes, tell)?;
    Ok(begin(client, request.title, Kind::Keys, new, care, tell)?)
}

fn sign(
    yard: &Yard,
    unlocked: &Unlocked,
    sets: &mut Sets,
    node: &str,
    before: Option<TrustAnchors>,
    wanted: &TrustAnchors,
) -> Result<Signed, KeysError> {
    let root = |public: PublicKey| -> Result<SigningKey, KeysError> {
        let key = unlocked.signing_key_of(Role::Root, &public)?;
        key.ok_or_else(|| KeysError::NoRoot { node: node.to_owned(), root: public })
    };
    // Of a set that is not written down, the root key in use is the best guess there is.
    let trusted = root(before.as_ref().map_or_else(|| yard.public_key(Role::Root), |b| b.root))?;
    let afterwards = root(wanted.root)?;
    let back_to = before.as_ref().filter(|before| trusts_no_more(before, wanted));
    let mut numbers =
        yard.sequences()?.take(Role::Root, 1 + u64::from(back_to.is_some())).map_err(RolloutError::from)?;
    let mut next = |set: &TrustAnchors, key: &SigningKey| -> Result<Envelope, KeysError> {
        // As many were taken as are used.
        let sequence = numbers.next().unwrap_or(u64::MAX);
        let reference_uri = format!("keys/{sequence}");
        let manifest = KeysManifest { vendor: yard.vendor(), sequence, reference_uri: &reference_uri };
        let bytes = manifest.envelope(set, key).map_err(|fault| {
            RolloutError::from(SealError::Author { what: "the set of trust anchors".to_owned(), fault })
        })?;
        let envelope = Envelope::of(bytes).map_err(RolloutError::from)?;
        sets.note_set(sequence, &envelope.digest, set)?;
        Ok(envelope)
    };
    let forward = next(wanted, &trusted)?;
    let way_back = back_to.map(|set| next(set, &afterwards)).transpose()?;
    Ok(Signed { before, forward, way_back })
}

/// Whether every key that a set trusts is trusted by another one too, for the same.
fn trusts_no_more(set: &TrustAnchors, other: &TrustAnchors) -> bool {
    let servers = |set: &TrustAnchors| [Some(set.server), set.server_next];
    set.root == other.root
        && set.image.iter().all(|key| other.image.contains(key))
        && set.bundle.iter().all(|key| other.bundle.contains(key))
        && servers(set).into_iter().flatten().all(|key| servers(other).contains(&Some(key)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn set(root: u8, image: &[u8], bundle: &[u8], server: u8, next: Option<u8>) -> TrustAnchors {
        let key = |n: u8| PublicKey([n; 32]);
        TrustAnchors {
            root: key(root),
            image: image.iter().copied().map(key).collect(),
            bundle: bundle.iter().copied().map(key).collect(),
            server: key(server),
            server_next: next.map(key),
        }
    }

    #[test]
    fn there_is_a_way_back_only_if_it_brings_no_key_back() {
        let now = set(1, &[2], &[3], 4, None);
        assert!(trusts_no_more(&now, &now));
        for more in
            [set(1, &[2, 5], &[3], 4, None), set(1, &[2], &[5, 3], 4, None), set(1, &[2], &[3], 4, Some(5))]
        {
            assert!(trusts_no_more(&now, &more), "keys were added: {more:?}");
            assert!(!trusts_no_more(&more, &now), "keys are to go: {more:?}");
        }
        for other in [
            set(5, &[2], &[3], 4, None),
            set(1, &[5], &[3], 4, None),
            set(1, &[2], &[5], 4, None),
            set(1, &[2], &[3], 5, None),
            // In another role a key is another one.
            set(1, &[3], &[2], 4, None),
        ] {
            assert!(!trusts_no_more(&other, &now) && !trusts_no_more(&now, &other), "{other:?}");
        }
        // The server's new key moves into the place of the old one.
        let (both, switched) = (set(1, &[2], &[3], 4, Some(5)), set(1, &[2], &[3], 5, None));
        assert!(trusts_no_more(&switched, &both) && !trusts_no_more(&both, &switched));
    }
}

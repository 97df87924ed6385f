//! Starter cards.

use super::NodeError;
use crate::api::Client;
use crate::keys::sets::Sets;
use crate::yard::files::{self, Readers};
use crate::yard::{NodePlan, Unlocked, Yard};
use pintle_protocol::bundle::Network;
use pintle_protocol::card::{CA_MAX, SCHEMA, StarterCard};
use pintle_protocol::checkin::ClaimCode;
use pintle_protocol::id::{Digest, PublicKey, Role};
use pintle_protocol::suit::{MAX_KEYS, TrustAnchors};
use pintle_server::contract::ExpectNode;
use rand_core::CryptoRng;
use rustls::pki_types::CertificateDer;
use rustls::pki_types::pem::PemObject;
use std::path::{Path, PathBuf};

/// The keys that this yard's nodes trust.
///
/// # Errors
/// [`NodeError`] if the yard has joined no server, or a key cannot be used.
pub fn anchors(yard: &Yard) -> Result<TrustAnchors, NodeError> {
    let server = yard.file.server.as_ref().ok_or(NodeError::NoServer)?;
    // While keys change, nodes trust both; but there is one root at a time.
    let both = |role| [Some(yard.public_key(role)), yard.next.of(role)].into_iter().flatten();
    let list = |role| both(role).take(MAX_KEYS).collect();
    let anchors = TrustAnchors {
        root: yard.next.of(Role::Root).unwrap_or(yard.public_key(Role::Root)),
        image: list(Role::Image),
        bundle: list(Role::Bundle),
        server: PublicKey::parse(&server.key).map_err(NodeError::ServerKey)?,
        server_next: yard.next.server,
    };
    anchors.check().map_err(NodeError::Anchors)?;
    Ok(anchors)
}

/// Makes the card of a node.
///
/// # Errors
/// [`NodeError`] if the node has no network, or the certificate does not fit.
pub fn make(
    yard: &Yard,
    unlocked: &Unlocked,
    plan: &NodePlan,
    code: ClaimCode,
) -> Result<StarterCard, NodeError> {
    let no_network = || NodeError::NoNetwork(plan.name.clone());
    // The network in use, not one that is being changed to.
    let candidate = plan.draft.wifi_change.map(|w| usize::from(w.candidate));
    let mut usable = plan.networks.iter().enumerate().filter(|(n, _)| Some(*n) != candidate);
    let (index, name) = usable.next().ok_or_else(no_network)?;
    let draft = plan.draft.networks.get(index).ok_or_else(no_network)?;
    let passphrase = unlocked.passphrase(name)?;
    let network = Network {
        ssid: draft.ssid.clone(),
        passphrase: heapless::String::try_from(passphrase.as_str()).map_err(|_| no_network())?,
    };
    Ok(StarterCard {
        schema: SCHEMA,
        node: plan.id,
        name: plan.draft.name.clone(),
        vendor: plan.vendor,
        net_class: plan.classes[0],
        io_class: plan.classes[1],
        code,
        anchors: anchors(yard)?,
        servers: plan.draft.servers.clone(),
        ca: ca(yard)?,
        network,
    })
}

fn ca(yard: &Yard) -> Result<heapless::Vec<u8, CA_MAX>, NodeError> {
    let Some(file) = yard.file.server.as_ref().and_then(|s| s.ca.clone()) else {
        return Ok(heapless::Vec::new());
    };
    let wrong = |what: String| NodeError::Ca { file: file.clone(), what };
    let pem = files::read_text(&yard.path(&file))?;
    let der = CertificateDer::from_pem_slice(pem.as_bytes())
        .map_err(|e| wrong(format!("it holds no PEM certificate: {e}")))?;
    heapless::Vec::from_slice(&der)
        .map_err(|_| wrong(format!("the certificate has {} bytes, a card takes {CA_MAX}", der.len())))
}

/// Writes a node's card into `out`, keeps its claim code, and announces the node to the server.
///
/// The code is kept and the node announced before the card is written, so that no card is about
/// whose code is not known. `replace`: a new board takes the place of an admitted one.
///
/// # Errors
/// [`NodeError`]; a card that is there already is never overwritten.
pub fn issue(
    yard: &Yard,
    unlocked: &Unlocked,
    client: &Client,
    node: &str,
    out: &Path,
    replace: bool,
    rng: &mut dyn CryptoRng,
) -> Result<PathBuf, NodeError> {
    let plan = yard.plan_for_card(node)?;
    if plan.keys.is_some() && !replace {
        return Err(NodeError::Admitted(node.to_owned()));
    }
    let path = out.join("card.cbor");
    if path.exists() {
        return Err(files::FileError::Exists(path).into());
    }
    let mut code = [0; 16];
    rng.fill_bytes(&mut code);
    let card = make(yard, unlocked, &plan, code)?;
    let mut bytes = zeroize::Zeroizing::new(Vec::with_capacity(4096));
    minicbor::encode(&card, &mut *bytes).map_err(|_| NodeError::Encode)?;
    files::make_dir(out)?;
    unlocked.put_claim_code(node, &code, rng)?;
    let expect = ExpectNode {
        name: plan.draft.name.to_string(),
        class: plan.classes[0],
        code_digest: Digest::of(&code),
        replace,
    };
    client.expect_node(&plan.id, &expect)?;
    // By this the yard knows later what a node trusts that has not taken any other set.
    Sets::open(yard)?.note_card(node, &card.anchors)?;
    files::write_new(&path, &bytes, Readers::Owner)?;
    Ok(path)
}

//! What there is to start from: the published vectors, and messages built as the operator's side and
//! a node build them.

use super::cbor::{byte_string, items};
use pintle_protocol::author::{KeysManifest, encode_bundle};
use pintle_protocol::bundle::{self, Bundle, WifiChange};
use pintle_protocol::cbor::encode_message;
use pintle_protocol::cose::{SigningKey, key, sign1};
use pintle_protocol::id::{Chip, Digest, PublicKey, Role};
use pintle_protocol::image::ImageNote;
use pintle_protocol::sim::rig::{VENDOR, Yard};
use pintle_protocol::sim::sample;
use pintle_protocol::version::LinkRange;

/// The bytes of one column of a vector file.
pub(super) fn column(file: &str, column: usize) -> Vec<Vec<u8>> {
    file.lines()
        .filter(|line| !line.starts_with('#'))
        .filter_map(|line| hex::decode(line.split(' ').nth(column)?).ok())
        .collect()
}

/// The bytes under a name, wherever it stands in a file of `docs/vectors`.
pub(super) fn vectors(file: &str, name: &str) -> Vec<Vec<u8>> {
    fn look(value: &serde_json::Value, name: &str, found: &mut Vec<Vec<u8>>) {
        match value {
            serde_json::Value::Array(list) => list.iter().for_each(|value| look(value, name, found)),
            serde_json::Value::Object(map) => {
                let here = map.get(name).and_then(|value| hex::decode(value.as_str()?).ok());
                found.extend(here);
                map.values().for_each(|value| look(value, name, found));
            }
            _ => {}
        }
    }
    let path = format!("{}/../docs/vectors/{file}.json", env!("CARGO_MANIFEST_DIR"));
    let text = std::fs::read_to_string(&path).unwrap_or_else(|fault| panic!("{path}: {fault}"));
    let value = serde_json::from_str(&text).unwrap_or_else(|fault| panic!("{path}: {fault}"));
    let mut found = Vec::new();
    look(&value, name, &mut found);
    assert!(!found.is_empty(), "docs/vectors/{file}.json has no {name}");
    found
}

/// An encoded message.
pub(super) fn encoded(message: &dyn pintle_protocol::cbor::Item) -> Vec<u8> {
    let mut out = vec![0; 8192];
    let len = encode_message(message, &mut out).unwrap_or(0);
    out.truncate(len);
    out
}

/// An image that behaves.
pub(super) fn image(chip: Chip, minor: u16) -> Vec<u8> {
    sample::image(&sample::note(chip, minor, LinkRange { oldest: 1, newest: 1 }), 2076)
}

/// The sample, with a change of Wi-Fi.
pub(super) fn bundle() -> Bundle {
    let mut bundle = bundle::sample::bundle();
    bundle.networks = ["larkfield", "larkfield-2"].map(bundle::sample::network).into_iter().collect();
    bundle.wifi_change = Some(WifiChange { candidate: 1, after_loss_minutes: Some(10) });
    bundle.policy.trial_seconds = 60;
    bundle
}

/// Envelopes of every kind, signed by the yard of the virtual board.
pub(super) fn envelopes(yard: &Yard, sealing_key: PublicKey, bundle: &Bundle) -> Vec<Vec<u8>> {
    let mut all = Vec::new();
    for chip in Chip::ALL {
        let image = image(chip, 1);
        let note = ImageNote::find(&image);
        all.extend(note.ok().and_then(|note| sample::image_envelope(&image, &note, 5, &yard.image).ok()));
    }
    all.extend(sample::bundle_envelope(bundle, 5, sealing_key, &yard.bundle));
    let m = KeysManifest { vendor: VENDOR, sequence: 5, reference_uri: "keys" };
    all.extend(m.envelope(&yard.anchors(), &yard.root));
    all
}

/// A bundle as it is before it is sealed.
pub(super) fn plain_bundle() -> Vec<u8> {
    encode_bundle(&bundle()).unwrap_or_default()
}

/// The manifest inside an envelope: what stands under key 3.
pub(super) fn manifest(envelope: &[u8]) -> Vec<u8> {
    // The last string of the outermost level, in those that carry no payload.
    let outer = items(envelope);
    let last = outer.iter().filter(|i| i.major == 2 && i.end == envelope.len()).min_by_key(|i| i.start);
    last.map_or_else(Vec::new, |i| envelope[i.start + i.head..i.end].to_vec())
}

/// The signing key of a role.
pub(super) fn signer(yard: &Yard, role: Role) -> &SigningKey {
    match role {
        Role::Root => &yard.root,
        Role::Image => &yard.image,
        Role::Bundle => &yard.bundle,
    }
}

/// An envelope around any bytes that are to be a manifest, with digest and signature right.
pub(super) fn signed(manifest: &[u8], by: &SigningKey) -> Vec<u8> {
    let wrapped = byte_string(manifest);
    let mut digest = vec![0x82, 0x2f];
    digest.extend(byte_string(&Digest::of(&wrapped).0));
    let mut block = vec![0; 256];
    let public = PublicKey(by.verifying_key().to_bytes());
    let len = sign1::sign_detached(by, Some(&key::kid(&public)), &digest, &[], &mut block).unwrap_or(0);
    block.truncate(len);
    let mut wrapper = vec![0x82];
    wrapper.extend(byte_string(&digest));
    wrapper.extend(byte_string(&block));
    let mut envelope = vec![0xd8, 0x6b, 0xa2, 0x02];
    envelope.extend(byte_string(&wrapper));
    envelope.push(0x03);
    envelope.extend(wrapped);
    envelope
}

//! What there is to start from: the published vectors, and messages built as the operator's side and
//! a node build them.

use super::cbor::{byte_string, items};
use pintle_protocol::author::{
    BundleManifest, ImageManifest, KeysManifest, SealRandom, encode_bundle, payload_uri,
};
use pintle_protocol::bundle::{
    Address, Alarms, Bundle, Door, DoorKind, Network, Policy, SCHEMA, UnattendedClose, WifiChange,
};
use pintle_protocol::cbor::encode_message;
use pintle_protocol::cose::{SigningKey, key, sign1};
use pintle_protocol::id::{Chip, Digest, PublicKey, Role};
use pintle_protocol::image::{ImageNote, Quirk};
use pintle_protocol::sim::rig::{IO, NET, NODE, VENDOR, Yard};
use pintle_protocol::version::{ActuationProfile, LinkRange, Version};

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
    let note = ImageNote {
        chip,
        version: Version::new(1, minor, 0),
        link: LinkRange { oldest: 1, newest: 1 },
        profile: ActuationProfile { id: 1, version: 1 },
        class: if chip == Chip::Net { NET } else { IO },
        quirk: Quirk::None,
    };
    let mut bytes = vec![0x13; 512];
    bytes.extend_from_slice(&note.encode());
    bytes.extend((0..1500u32).map(|n| (n * 31 % 251) as u8));
    bytes
}

/// The bundle of an invented node.
pub(super) fn bundle() -> Bundle {
    let network = |ssid: &[u8]| Network {
        ssid: ssid.iter().copied().collect(),
        passphrase: heapless_text("published test phrase"),
    };
    Bundle {
        schema: SCHEMA,
        salt: [7; 16],
        node: NODE,
        name: heapless_text("cart shed"),
        networks: [network(b"larkfield"), network(b"larkfield-2")].into_iter().collect(),
        wifi_change: Some(WifiChange { candidate: 1, after_loss_minutes: Some(10) }),
        servers: [Address(heapless_text("https://192.0.2.7:8443"))].into_iter().collect(),
        checkin_seconds: 300,
        door: Door {
            kind: DoorKind::Sectional,
            open_below_mm: 450,
            closed_above_mm: 2100,
            hysteresis_mm: 20,
            temperature_compensated: true,
            pulse_ms: 500,
            gap_ms: 1500,
            travel_seconds: 20,
        },
        close: UnattendedClose {
            enabled: true,
            after_minutes: 30,
            warn_tenths: 80,
            sound: true,
            light: true,
            max_failed: 2,
            blocked_by_co: true,
            photo_sensor: true,
            tone_hz: 2000,
            pulses_tenths: 45,
            flashes_tenths: 20,
        },
        alarms: Alarms {
            co_fast_ppm: Some(300),
            co_slow_ppm: Some(50),
            co_slow_minutes: 60,
            left_open_minutes: Some(15),
            light_on_above: None,
            light_minutes: 30,
            co_curve_a_milli: 99_269,
            co_curve_b_micro: -1_518_033,
            co_r0_ohms: 9_289,
        },
        policy: Policy {
            rest_seconds: 30,
            trial_seconds: 60,
            consent: false,
            supply_min_mv: 4750,
            supply_max_mv: 5250,
        },
    }
}

/// A short text; longer ones do not fit and come out empty.
pub(super) fn heapless_text<T: for<'a> TryFrom<&'a str> + Default>(text: &str) -> T {
    T::try_from(text).unwrap_or_default()
}

/// Envelopes of every kind, signed by the yard of the virtual board.
pub(super) fn envelopes(yard: &Yard, sealing_key: PublicKey, bundle: &Bundle) -> Vec<Vec<u8>> {
    let mut all = Vec::new();
    for chip in Chip::ALL {
        let image = image(chip, 1);
        if let Ok(note) = ImageNote::find(&image) {
            let digest = Digest::of(&image);
            let m = ImageManifest {
                vendor: VENDOR,
                class: note.class,
                chip,
                sequence: 5,
                version: note.version,
                digest,
                size: image.len() as u32,
                uri: &payload_uri(&digest),
                reference_uri: "image",
                link: note.link,
                profile: note.profile,
            };
            all.extend(m.envelope(&yard.image));
        }
    }
    let random = SealRandom { ephemeral: [5; 32], content_key: [6; 32], nonce: [7; 12] };
    let m = BundleManifest { vendor: VENDOR, class: NET, sequence: 5, sealing_key, reference_uri: "bundle" };
    all.extend(m.envelope(bundle, &random, &yard.bundle));
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

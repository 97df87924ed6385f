//! One of every message, from published test keys and fixed values. Larkfield is invented.

use pintle_protocol::author::{
    BundleManifest, ImageManifest, KeysManifest, SealRandom, class_id, encode_bundle, node_id, payload_uri,
    vendor_id,
};
use pintle_protocol::bundle::sample::{network, servers};
use pintle_protocol::bundle::{Bundle, Network, WifiChange};
use pintle_protocol::card::{self, StarterCard};
use pintle_protocol::checkin::{
    Candidate, CheckIn, Claim, Ending, Offer, Outcome, PROTOCOL, Phase, Position, Reply, Running, Wifi,
    claim_proof,
};
use pintle_protocol::cose::{AAD_REPLY, SigningKey, StaticSecret, sign1};
use pintle_protocol::id::{Chip, Digest, NodeId, Nonce, PublicKey, Uuid16};
use pintle_protocol::image::{ImageNote, Quirk};
use pintle_protocol::interlock::Hold;
use pintle_protocol::link::{Hello, Mode, Status};
use pintle_protocol::reason::Reason;
use pintle_protocol::slots::{BootRecord, Change, Part, Slot, SlotImage, SlotText, Trial};
use pintle_protocol::suit::TrustAnchors;
use pintle_protocol::version::{ActuationProfile, LinkRange, Version};

/// Name, private half, public half, source.
pub(crate) type Key = (&'static str, &'static str, &'static str, &'static str);

pub(crate) const ROOT: Key = (
    "root",
    "9d61b19deffd5a60ba844af492ec2cc44449c5697b326919703bac031cae7f60",
    "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a",
    "RFC 8032 section 7.1, TEST 1",
);
pub(crate) const IMAGE: Key = (
    "image",
    "4ccd089b28ff96da9db6c346ec114e0f5b8a319f35aba624da8cf6ed4fb8a6fb",
    "3d4017c3e843895a92b70aa74d1b7ebc9c982ccf2ec4968cc0cd55f12af4660c",
    "RFC 8032 section 7.1, TEST 2",
);
pub(crate) const BUNDLE: Key = (
    "bundle",
    "c5aa8df43f9f837bedb7442f31dcb7b166d38535076f094b85ce3a2e0b4458f7",
    "fc51cd8e6218a1a38da47ed00230f0580816ed13ba3303ac5deb911548908025",
    "RFC 8032 section 7.1, TEST 3",
);
pub(crate) const SERVER: Key = (
    "server",
    "f5e5767cf153319517630f226876b86c8160cc583bc013744c6bf255f5cc0ee5",
    "278117fc144c72340f67d0f2316e8386ceffbf2b2428c9c51fef7c597f1d426e",
    "RFC 8032 section 7.1, TEST 1024",
);
pub(crate) const NODE: Key = (
    "node",
    "833fe62409237b9d62ec77587520911e9a759cec1d19755b7da901b96dca3d42",
    "ec172b93ad5e563bf4932c70e1245034c35467ef2efd4d64ebf819683467e2bf",
    "RFC 8032 section 7.1, TEST SHA(abc)",
);
pub(crate) const SEALING: Key = (
    "sealing",
    "5dab087e624a8a4b79e17f8b83800ee66f3bb1292618b6fd1c2f8b27ff88e0eb",
    "de9edb7d7b7dc1b4d35b61c2ece435373f8343c85b78674dadfc7e146f882b4f",
    "RFC 7748 section 6.1, Bob",
);
pub(crate) const EPHEMERAL: Key = (
    "ephemeral",
    "77076d0a7318a57d3c16c17251b26645df4c2f87ebc0992ab177fba51db92c2a",
    "8520f0098930a754748b7ddcb43ef75a0dbf3a0d26381af4eba4a98eaa9b4e6a",
    "RFC 7748 section 6.1, Alice",
);
/// RFC 8439 section 2.8.2: its key as content key, its nonce.
pub(crate) const CONTENT_KEY: &str = "808182838485868788898a8b8c8d8e8f909192939495969798999a9b9c9d9e9f";
pub(crate) const CONTENT_NONCE: &str = "070000004041424344454647";
pub(crate) const CLAIM_CODE: [u8; 16] = *b"0123456789abcdef";

pub(crate) fn array<const N: usize>(text: &str) -> [u8; N] {
    hex::decode(text).unwrap().try_into().unwrap()
}

pub(crate) fn signing(key: Key) -> SigningKey {
    SigningKey::from_bytes(&array(key.1))
}

pub(crate) fn public(key: Key) -> PublicKey {
    PublicKey(array(key.2))
}

pub(crate) fn sealing() -> StaticSecret {
    StaticSecret::from(array::<32>(SEALING.1))
}

pub(crate) fn random() -> SealRandom {
    SealRandom { ephemeral: array(EPHEMERAL.1), content_key: array(CONTENT_KEY), nonce: array(CONTENT_NONCE) }
}

pub(crate) fn vendor() -> Uuid16 {
    vendor_id("larkfield.example")
}

pub(crate) fn net_class() -> Uuid16 {
    class_id(vendor(), "latchboard rev A net")
}

pub(crate) fn io_class() -> Uuid16 {
    class_id(vendor(), "latchboard rev A io")
}

pub(crate) fn node() -> NodeId {
    node_id(vendor(), "cart-shed")
}

pub(crate) fn plain<T: minicbor::Encode<()>>(message: &T) -> Vec<u8> {
    minicbor::to_vec(message).unwrap()
}

pub(crate) fn signed(key: &SigningKey, payload: &[u8], aad: &[u8]) -> Vec<u8> {
    let mut out = vec![0; payload.len() + 128];
    let len = sign1::sign_attached(key, None, payload, aad, &mut out).unwrap();
    out.truncate(len);
    out
}

pub(crate) fn claim() -> Claim {
    let (signing_key, sealing_key, class) = (public(NODE), public(SEALING), net_class());
    Claim {
        protocol: PROTOCOL,
        node: node(),
        signing_key,
        sealing_key,
        class,
        code_digest: Digest::of(&CLAIM_CODE),
        proof: claim_proof(&CLAIM_CODE, &node(), &signing_key, &sealing_key, &class),
    }
}

fn running(chip: Chip, slot: u8) -> Running {
    Running {
        version: Version::new(1, 2, 3),
        digest: Digest::of(&image(chip)),
        link: LinkRange { oldest: 1, newest: 2 },
        profile: ActuationProfile { id: 1, version: 2 },
        slot,
    }
}

/// With as little as possible in it.
pub(crate) fn first_check_in() -> CheckIn {
    CheckIn {
        protocol: PROTOCOL,
        node: node(),
        counter: 1024,
        nonce: Nonce(*b"a nonce, 16 long"),
        uptime_seconds: 31,
        starts: 1,
        net: running(Chip::Net, 0),
        io: None,
        sequences: [0; 3],
        bundle: None,
        position: Position::Unknown,
        phase: Phase::Idle,
        subject: None,
        holds: 0,
        outcome: None,
        wifi: Wifi { index: 0, rssi_dbm: -61, candidate: None },
        report: Default::default(),
        supply_mv: 5010,
        relay_pulses: 0,
    }
}

/// With everything in it.
pub(crate) fn full_check_in() -> CheckIn {
    CheckIn {
        counter: 4_294_967_300,
        uptime_seconds: 86_400,
        starts: 300,
        io: Some(running(Chip::Io, 1)),
        sequences: [1, 70_000, 12],
        bundle: Some(Digest::of(b"the bundle in force")),
        position: Position::PartlyOpen,
        phase: Phase::Waiting,
        subject: Some(Digest::of(b"what waits")),
        holds: Hold::DoorMoving as u32 | Hold::ConsentMissing as u32,
        outcome: Some(Outcome {
            envelope: Digest::of(b"what ended"),
            ending: Ending::WentBack,
            reason: Reason::NoHandshake.code(),
            detail: 0,
        }),
        wifi: Wifi { index: 1, rssi_dbm: i8::MIN, candidate: Some(Candidate::WaitsForLoss) },
        report: heapless_report(&super::vectors::failed_report()),
        relay_pulses: 70_001,
        ..first_check_in()
    }
}

fn heapless_report<const N: usize>(bytes: &[u8]) -> heapless::Vec<u8, N> {
    heapless::Vec::from_slice(bytes).unwrap()
}

pub(crate) fn reply(offer: Option<Offer>) -> Reply {
    let nonce = first_check_in().nonce;
    Reply { protocol: PROTOCOL, nonce, node: node(), time: 1_800_000_000, next_seconds: 300, offer }
}

pub(crate) fn signed_reply(offer: Option<Offer>) -> Vec<u8> {
    signed(&signing(SERVER), &plain(&reply(offer)), AAD_REPLY)
}

pub(crate) fn anchors() -> TrustAnchors {
    TrustAnchors {
        root: public(ROOT),
        image: [public(IMAGE)].into_iter().collect(),
        bundle: [public(BUNDLE)].into_iter().collect(),
        server: public(SERVER),
        server_next: None,
    }
}

/// The sample as the vectors have it: with a change of Wi-Fi, and with consent.
pub(crate) fn bundle() -> Bundle {
    let meadow =
        Network { passphrase: "another test phrase".try_into().unwrap(), ..network("larkfield-meadow") };
    let mut bundle = Bundle {
        salt: *b"sixteen of chaff",
        node: node(),
        networks: [network("larkfield"), meadow].into_iter().collect(),
        wifi_change: Some(WifiChange { candidate: 1, after_loss_minutes: Some(10) }),
        ..pintle_protocol::bundle::sample::bundle()
    };
    bundle.policy.consent = true;
    bundle
}

pub(crate) fn starter_card() -> StarterCard {
    StarterCard {
        schema: card::SCHEMA,
        node: node(),
        name: "cart shed".try_into().unwrap(),
        vendor: vendor(),
        net_class: net_class(),
        io_class: io_class(),
        code: CLAIM_CODE,
        anchors: anchors(),
        servers: servers(),
        ca: Default::default(),
        network: network("larkfield"),
    }
}

pub(crate) fn note(chip: Chip) -> ImageNote {
    ImageNote {
        chip,
        version: Version::new(1, 2, 3),
        link: LinkRange { oldest: 1, newest: 2 },
        profile: ActuationProfile { id: 1, version: 2 },
        class: if chip == Chip::Net { net_class() } else { io_class() },
        quirk: Quirk::None,
    }
}

/// 200 bytes with the note at byte 64; no processor would run them.
pub(crate) fn image(chip: Chip) -> Vec<u8> {
    image_with(&note(chip))
}

pub(crate) fn image_with(note: &ImageNote) -> Vec<u8> {
    let mut bytes: Vec<u8> = (0..200u32).map(|n| (n * 7 % 251) as u8).collect();
    bytes[64..128].copy_from_slice(&note.encode());
    bytes
}

pub(crate) fn image_envelope(chip: Chip, sequence: u64, key: Key) -> Vec<u8> {
    envelope_of(chip, sequence, key, &note(chip), &image(chip))
}

/// An envelope for any payload, which says of it what `note` says.
pub(crate) fn envelope_of(chip: Chip, sequence: u64, key: Key, note: &ImageNote, payload: &[u8]) -> Vec<u8> {
    let digest = Digest::of(payload);
    let reference_uri = format!("image/{chip}/{sequence}");
    let manifest = ImageManifest {
        vendor: vendor(),
        class: note.class,
        chip,
        sequence,
        version: note.version,
        digest,
        size: payload.len() as u32,
        uri: &payload_uri(&digest),
        link: note.link,
        profile: note.profile,
        reference_uri: &reference_uri,
    };
    manifest.envelope(&signing(key)).unwrap()
}

pub(crate) fn bundle_envelope(bundle: &Bundle, recipient: PublicKey, key: Key) -> Vec<u8> {
    let manifest = BundleManifest {
        vendor: vendor(),
        class: net_class(),
        sequence: 3,
        sealing_key: recipient,
        reference_uri: "bundle/3",
    };
    manifest.envelope(bundle, &random(), &signing(key)).unwrap()
}

pub(crate) fn bundle_plain() -> Vec<u8> {
    encode_bundle(&bundle()).unwrap()
}

pub(crate) fn keys_envelope(key: Key) -> Vec<u8> {
    let manifest = KeysManifest { vendor: vendor(), sequence: 2, reference_uri: "keys/2" };
    manifest.envelope(&anchors(), &signing(key)).unwrap()
}

pub(crate) fn boot_record() -> BootRecord {
    let slot = |chip| {
        let bytes = image(chip);
        SlotImage::new(Digest::of(&bytes), bytes.len() as u32, &note(chip))
    };
    let mut record = BootRecord { generation: 9, starts: 4, counter_ceiling: 2048, ..BootRecord::default() };
    record.net.put(Slot::A, Some(slot(Chip::Net)));
    record.io.put(Slot::B, Some(slot(Chip::Io)));
    record.io.active = Slot::B;
    let plain = bundle_plain();
    let manifest = Digest::of(b"the bundle in force");
    let text = SlotText { digest: Digest::of(&plain), size: plain.len() as u32, manifest };
    record.conf.put(Slot::A, Some(text));
    record.sequences = [1, 7, 3];
    record.staged = Some(Change { part: Part::Conf, manifest, sequence: 4 });
    record.trial = Some(Trial {
        change: Change { part: Part::Net, manifest, sequence: 8 },
        position_before: Position::Closed,
        starts_left: 2,
        network_before: 0,
    });
    record.outcome = Some(Outcome { envelope: manifest, ending: Ending::Kept, reason: 0, detail: 0 });
    record
}

/// What the io chip says of itself.
pub(crate) fn hello() -> Hello {
    let note = note(Chip::Io);
    Hello {
        mode: Mode::Application,
        version: note.version,
        link: note.link,
        profile: note.profile,
        digest: Digest::of(&image(Chip::Io)).0[..8].try_into().unwrap(),
    }
}

/// What the io chip says of a door at rest, by the bundle's settings.
pub(crate) fn status() -> Status {
    Status { settings: pintle_protocol::bundle::settings_sum(&bundle()), ..pintle_tests::samples::status() }
}

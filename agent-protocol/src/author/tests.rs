use super::*;
use crate::bundle::sample;
use crate::cose::{SigningKey, StaticSecret, encrypt};
use crate::id::{Chip, Digest, NodeId, PublicKey, Role, Uuid16};
use crate::suit::{Answer, Ask, Device, FailureKind, Run, TrustAnchors, envelope, node_components, peek};
use crate::version::{ActuationProfile, LinkRange, Version};
use std::string::ToString;
use std::vec::Vec;

const VENDOR: Uuid16 = Uuid16([1; 16]);
const NET: Uuid16 = Uuid16([2; 16]);
const IO: Uuid16 = Uuid16([3; 16]);

fn key(n: u8) -> SigningKey {
    SigningKey::from_bytes(&[n; 32])
}

fn public(n: u8) -> PublicKey {
    PublicKey(key(n).verifying_key().to_bytes())
}

fn anchors() -> TrustAnchors {
    TrustAnchors {
        root: public(1),
        image: [public(2)].into_iter().collect(),
        bundle: [public(3)].into_iter().collect(),
        server: public(4),
        server_next: None,
    }
}

fn image() -> ImageManifest<'static> {
    ImageManifest {
        vendor: VENDOR,
        class: NET,
        chip: Chip::Net,
        sequence: 7,
        version: Version::new(1, 2, 3),
        digest: Digest([9; 32]),
        size: 70_000,
        link: LinkRange { oldest: 1, newest: 2 },
        profile: ActuationProfile { id: 1, version: 2 },
        uri: "payload/0909090909090909090909090909090909090909090909090909090909090909",
        reference_uri: "image/net/7",
    }
}

fn random() -> SealRandom {
    SealRandom { ephemeral: [5; 32], content_key: [6; 32], nonce: [7; 12] }
}

/// Source of the identifiers: computed with two libraries from RFC 9562 section 5.5.
#[test]
fn identifiers_follow_from_names() {
    let vendor = vendor_id("vendor.example");
    assert_eq!(vendor.to_string(), "bcc169656f3a53389d83d8b565c63bc7");
    assert_eq!(class_id(vendor, "two-mcu node rev A").to_string(), "eb262ea0c44a5ed1ab622a6d67c31f87");
    assert_eq!(node_id(vendor, "node 0001").to_string(), "e6950e6f1d0d56ccaeaacd71134924ac");
    // Source: draft-ietf-suit-manifest-37, the vendor identifier of its examples.
    assert_eq!(vendor_id("arm.com").to_string(), "fa6b4a53d5ad5fdfbe9de663e4d41ffe");
}

#[test]
fn an_image_envelope_is_taken_up_step_by_step() {
    let bytes = image().envelope(&key(2)).unwrap();
    let specs = node_components(NET, IO);
    let device = Device { vendor: VENDOR, device: NodeId([4; 16]), components: &specs };
    let authentic = envelope::open(&bytes, &anchors()).unwrap();
    assert_eq!((authentic.role(), authentic.digest()), (Role::Image, peek(&bytes).unwrap().digest));
    let manifest = authentic.manifest(&device).unwrap();
    assert_eq!((manifest.sequence(), manifest.components()), (7, &[0u8][..]));
    assert_eq!(manifest.version(), Some(Version::new(1, 2, 3)));
    let mut run = Run::update(&manifest);
    let uri = format!("payload/{}", Digest([9; 32]));
    assert_eq!(
        run.next(&manifest, Answer::Start),
        Ok(Ask::Fetch { component: 0, uri: &uri, size: Some(70_000), digest: Some(Digest([9; 32])) })
    );
    let p = run.parameters(0);
    assert_eq!((p.link, p.profile), (Some(image().link), Some(image().profile)));
    let measure = Ask::Measure { component: 0, size: Some(70_000) };
    assert_eq!(run.next(&manifest, Answer::Done), Ok(measure));
    let measured = Answer::Measured { digest: Digest([9; 32]), size: 70_000 };
    // Once after the fetch, once in validate.
    assert_eq!(run.next(&manifest, measured), Ok(measure));
    let mut other = run.clone();
    assert_eq!(run.next(&manifest, measured), Ok(Ask::Done));
    let wrong = Answer::Measured { digest: Digest([8; 32]), size: 70_000 };
    assert_eq!(other.next(&manifest, wrong).unwrap_err().kind, FailureKind::ImageOther);
}

#[test]
fn other_roles_vendors_classes_and_nodes_are_refused() {
    let bytes = image().envelope(&key(3)).unwrap();
    let specs = node_components(NET, IO);
    let device = Device { vendor: VENDOR, device: NodeId([4; 16]), components: &specs };
    let authentic = envelope::open(&bytes, &anchors()).unwrap();
    assert!(authentic.manifest(&device).is_err(), "a bundle key must not sign images");
    let bytes = image().envelope(&key(9)).unwrap();
    assert!(envelope::open(&bytes, &anchors()).is_err(), "an unknown key");
    for (vendor, class) in [(Uuid16([0; 16]), NET), (VENDOR, IO)] {
        let bytes = ImageManifest { vendor, class, ..image() }.envelope(&key(2)).unwrap();
        let authentic = envelope::open(&bytes, &anchors()).unwrap();
        let manifest = authentic.manifest(&device).unwrap();
        let failure = Run::update(&manifest).next(&manifest, Answer::Start).unwrap_err();
        assert_eq!(failure.kind, FailureKind::ClassOther);
    }
}

#[test]
fn a_bundle_opens_for_its_node_only() {
    let secret = StaticSecret::from([8; 32]);
    let recipient = PublicKey(x25519_dalek::PublicKey::from(&secret).to_bytes());
    let m = BundleManifest {
        vendor: VENDOR,
        class: NET,
        sequence: 3,
        sealing_key: recipient,
        reference_uri: "bundle/3",
    };
    let bundle = sample::bundle();
    let bytes = m.envelope(&bundle, &random(), &key(3)).unwrap();
    assert!(!bytes.windows(9).any(|w| w == b"larkfield"), "an SSID in clear");
    let specs = node_components(NET, IO);
    let device = Device { vendor: VENDOR, device: NodeId([4; 16]), components: &specs };
    let authentic = envelope::open(&bytes, &anchors()).unwrap();
    let manifest = authentic.manifest(&device).unwrap();
    let mut run = Run::update(&manifest);
    let Ok(Ask::Write { content, encryption: Some(info), .. }) = run.next(&manifest, Answer::Start) else {
        panic!("a write was expected")
    };
    let mut buffer = content.to_vec();
    let len = encrypt::decrypt(info, &mut buffer, &secret).unwrap();
    let back: crate::bundle::Bundle = crate::cbor::decode_message(&buffer[..len]).unwrap();
    assert_eq!(back, bundle);
    let mut buffer = content.to_vec();
    assert!(encrypt::decrypt(info, &mut buffer, &StaticSecret::from([1; 32])).is_err());

    let other = Device { device: NodeId([5; 16]), ..device };
    let manifest = authentic.manifest(&other).unwrap();
    let failure = Run::update(&manifest).next(&manifest, Answer::Start).unwrap_err();
    assert_eq!(failure.kind, FailureKind::DeviceOther);
}

/// A node has one place for the envelope and the text in it, so nothing is signed that does not fit there.
#[test]
fn a_text_that_no_node_has_room_for_is_not_signed() {
    let mut bundle = sample::bundle();
    let network = crate::bundle::Network {
        ssid: [b's'; 32].into_iter().collect(),
        passphrase: core::iter::repeat_n('p', 64).collect(),
    };
    bundle.networks = (0..4).map(|_| network.clone()).collect();
    let address = || crate::bundle::Address(core::iter::repeat_n('a', 64).collect());
    bundle.servers = (0..3).map(|_| address()).collect();
    let sealing_key = PublicKey(*x25519_dalek::PublicKey::from(&StaticSecret::from([9; 32])).as_bytes());
    let signed = |uri: usize| {
        let uri = "u".repeat(uri);
        let m = BundleManifest { vendor: VENDOR, class: NET, sequence: 1, sealing_key, reference_uri: &uri };
        m.envelope(&bundle, &random(), &key(3))
    };
    let text = encode_bundle(&bundle).unwrap().len() + 16;
    let short = signed(0).unwrap().len();
    // The longest that fits is taken whole, and the next is refused with all that matters.
    let most = (0..4096).rev().find(|uri| signed(*uri).is_ok()).unwrap();
    let longest = signed(most).unwrap().len();
    assert_eq!(longest + text, crate::agent::ENVELOPE_AND_TEXT_MAX, "short: {short}");
    let fault = AuthorFault::NoRoom { envelope: longest + 1, text };
    assert_eq!(signed(most + 1), Err(fault));
    assert!(fault.to_string().contains("4864"), "{fault}");
}

#[test]
fn trust_anchors_are_written_by_root_only() {
    let m = KeysManifest { vendor: VENDOR, sequence: 1, reference_uri: "keys/1" };
    let specs = node_components(NET, IO);
    let device = Device { vendor: VENDOR, device: NodeId([4; 16]), components: &specs };
    for (signer, good) in [(1, true), (2, false), (3, false)] {
        let bytes = m.envelope(&anchors(), &key(signer)).unwrap();
        let authentic = envelope::open(&bytes, &anchors()).unwrap();
        assert_eq!(authentic.manifest(&device).is_ok(), good);
    }
    let twice = TrustAnchors { server: public(1), ..anchors() };
    assert!(matches!(m.envelope(&twice, &key(1)), Err(AuthorFault::Anchors(_))));
}

#[test]
fn no_flipped_bit_and_no_cut_gets_through() {
    let bytes = image().envelope(&key(2)).unwrap();
    for bit in 0..bytes.len() * 8 {
        let mut hurt = bytes.clone();
        hurt[bit / 8] ^= 1 << (bit % 8);
        assert!(envelope::open(&hurt, &anchors()).is_err(), "bit {bit}");
    }
    for len in 0..bytes.len() {
        assert!(envelope::open(&bytes[..len], &anchors()).is_err(), "cut at {len}");
    }
    let longer: Vec<u8> = bytes.iter().copied().chain([0]).collect();
    assert!(envelope::open(&longer, &anchors()).is_err());
}

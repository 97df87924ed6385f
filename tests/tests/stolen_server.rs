//! Somebody has the whole server: its folder, its keys, every envelope that went through it. What
//! can be made of that is tried on a virtual node, whose server answers as the thief wants, signed by
//! the real online key. Nothing may be taken, and each refusal has its reason.

mod server_common;

use pintle_protocol::author::KeysManifest;
use pintle_protocol::bundle::{self, Bundle};
use pintle_protocol::checkin::{Ending, Offer};
use pintle_protocol::cose::SigningKey;
use pintle_protocol::id::{Chip, Digest, NodeId, PublicKey, Uuid16};
use pintle_protocol::image::ImageNote;
use pintle_protocol::reason::Reason;
use pintle_protocol::sim::rig::{IO, NET, NODE, Rig, VENDOR, Yard};
use pintle_protocol::sim::{Door, sample};
use pintle_protocol::suit::peek;
use pintle_protocol::version::LinkRange;
use server_common::Server;
use std::collections::BTreeMap;
use std::path::Path;

fn image(chip: Chip, minor: u16, class: Uuid16) -> Vec<u8> {
    let note = sample::note(chip, minor, LinkRange { oldest: 1, newest: 2 });
    sample::image(&ImageNote { class, ..note }, 3576)
}

fn packed(image: &[u8], sequence: u64, key: &SigningKey) -> Vec<u8> {
    sample::image_envelope(image, &ImageNote::find(image).unwrap(), sequence, key).unwrap()
}

fn bundle(node: NodeId) -> Bundle {
    Bundle { node, ..bundle::sample::bundle() }
}

fn sealed(bundle: &Bundle, sequence: u64, sealing_key: PublicKey, key: &SigningKey) -> Vec<u8> {
    sample::bundle_envelope(bundle, sequence, sealing_key, key).unwrap()
}

fn ended(rig: &Rig, digest: Digest) -> Option<(Ending, u16)> {
    let outcome = rig.server.seen.as_ref()?.outcome?;
    (outcome.envelope == digest).then_some((outcome.ending, outcome.reason))
}

fn take(rig: &mut Rig, envelope: Vec<u8>, payload: Option<&[u8]>) -> (Ending, u16) {
    let digest = rig.offer(envelope, payload);
    assert!(rig.until(4000, |r| ended(r, digest).is_some()).unwrap(), "it did not end");
    ended(rig, digest).unwrap()
}

/// What runs, what is kept, what is trusted: whatever a thief could want to change.
fn state(rig: &Rig) -> String {
    let record = rig.record().unwrap();
    let seen = rig.server.seen.as_ref().unwrap();
    format!(
        "{:?} {:?} {:?} {:?} {:?} {} {:?}",
        record.net.current(),
        record.io.current(),
        record.conf.current(),
        record.keys.current(),
        record.sequences,
        seen.relay_pulses,
        record.trial,
    )
}

/// A node whose genuine history went through a real server, and what a thief finds in the folder.
struct Theft {
    rig: Rig,
    /// Every envelope, by manifest digest.
    envelopes: BTreeMap<Digest, Vec<u8>>,
    /// The only signing key in the folder.
    online: SigningKey,
    /// Genuine, for this node, and kept: version 1.1 of the net image, then 1.2.
    old: Vec<u8>,
    old_image: Vec<u8>,
    new_image: Vec<u8>,
}

fn files(folder: &Path) -> Vec<std::path::PathBuf> {
    let entries = std::fs::read_dir(folder).unwrap();
    entries.map(|e| e.unwrap().path()).filter(|p| p.is_file()).collect()
}

impl Theft {
    fn new() -> Self {
        // The server's online key is the one that the virtual node was told on its card.
        let folder = tempfile::tempdir().unwrap();
        let data = folder.path().join("data");
        let yard = Yard::default();
        let first = pintle_server::start(server_common::config(&data)).unwrap();
        let token = first.operator_token.clone().unwrap();
        first.stop().unwrap();
        std::fs::write(data.join("online.key"), yard.server.to_bytes()).unwrap();
        let running = pintle_server::start(server_common::config(&data)).unwrap();
        assert_eq!(running.server_key, yard.anchors().server);
        let server = Server { running, folder, token };

        let (net, io) = (image(Chip::Net, 0, NET), image(Chip::Io, 0, IO));
        let network = bundle::sample::network("larkfield");
        let mut rig = Rig::new(&net, &io, Door::at_rest(false), network);
        rig.server.heard = pintle_tests::held::heard;
        assert!(rig.until(120, |r| r.server.seen.is_some()).unwrap());
        let sealing = rig.server.claim.as_ref().unwrap().sealing_key;
        let (old_image, new_image) = (image(Chip::Net, 1, NET), image(Chip::Net, 2, NET));
        let first = sealed(&bundle(NODE), 1, sealing, &rig.yard.bundle);
        let old = packed(&old_image, 1, &rig.yard.image);
        let new = packed(&new_image, 2, &rig.yard.image);
        for (envelope, payload) in [(&first, None), (&old, Some(&old_image)), (&new, Some(&new_image))] {
            if let Some(image) = payload {
                let path = format!("/api/v1/payloads/{}", Digest::of(image));
                assert_eq!(server.operator("PUT", &path, image).status, 200);
            }
            let path = format!("/api/v1/envelopes/{}", peek(envelope).unwrap().digest);
            assert_eq!(server.operator("PUT", &path, envelope).status, 200);
            let ending = take(&mut rig, envelope.clone(), payload.map(Vec::as_slice));
            assert_eq!(ending, (Ending::Kept, 0));
        }
        let folder = server.folder;
        server.running.stop().unwrap();

        let data = folder.path().join("data");
        let online: [u8; 32] = std::fs::read(data.join("online.key")).unwrap().try_into().unwrap();
        let envelopes = files(&data.join("envelopes")).into_iter().map(|path| {
            let bytes = std::fs::read(path).unwrap();
            let digest = peek(&bytes).unwrap().digest;
            (digest, bytes)
        });
        let envelopes: BTreeMap<_, _> = envelopes.collect();
        assert_eq!(envelopes.len(), 3);
        // No other file holds 32 bytes that are a signing key of the operator, in any place.
        let operators = [&rig.yard.root, &rig.yard.image, &rig.yard.bundle].map(SigningKey::to_bytes);
        for path in [files(&data), files(&data.join("payloads")), files(&data.join("envelopes"))].concat() {
            let bytes = std::fs::read(&path).unwrap();
            for key in &operators {
                assert!(!bytes.windows(32).any(|w| w == key), "{} holds a key", path.display());
            }
        }
        Self { rig, online: SigningKey::from_bytes(&online), envelopes, old, old_image, new_image }
    }

    /// Offers an envelope, which must be refused for this reason and change nothing.
    #[track_caller]
    fn refused(&mut self, what: &str, envelope: Vec<u8>, payload: Option<&[u8]>, reason: Reason) {
        let before = state(&self.rig);
        let ending = take(&mut self.rig, envelope, payload);
        let found = Reason::from_code(ending.1);
        assert_eq!((ending.0, found), (Ending::Refused, Some(reason)), "{what}");
        assert_eq!(state(&self.rig), before, "{what}");
    }

    fn sealing_key(&self) -> PublicKey {
        self.rig.server.claim.as_ref().unwrap().sealing_key
    }
}

#[test]
fn nothing_that_the_servers_own_key_signs_is_taken() {
    let mut theft = Theft::new();
    let (online, sealing) = (theft.online.clone(), theft.sealing_key());
    let bad = image(Chip::Net, 9, NET);
    theft.refused("a net image", packed(&bad, 90, &online), Some(&bad), Reason::SignatureWrong);
    let io = image(Chip::Io, 9, IO);
    theft.refused("an io image", packed(&io, 91, &online), Some(&io), Reason::SignatureWrong);
    // Sealed to the node's true key, which the server knows: sealing alone proves nothing.
    let mut open = bundle(NODE);
    open.policy.rest_seconds = 1;
    theft.refused("a bundle", sealed(&open, 92, sealing, &online), None, Reason::SignatureWrong);
    let mut anchors = theft.rig.yard.anchors();
    let made_up = SigningKey::from_bytes(&[0x77; 32]);
    anchors.image = [PublicKey(made_up.verifying_key().to_bytes())].into_iter().collect();
    let keys = KeysManifest { vendor: VENDOR, sequence: 93, reference_uri: "keys" };
    theft.refused("trust anchors", keys.envelope(&anchors, &online).unwrap(), None, Reason::SignatureWrong);
    theft.refused(
        "an image by a made-up key",
        packed(&bad, 94, &made_up),
        Some(&bad),
        Reason::SignatureWrong,
    );
}

#[test]
fn what_once_was_genuine_is_not_taken_again_nor_by_another() {
    let mut theft = Theft::new();
    let (old, old_image) = (theft.old.clone(), theft.old_image.clone());
    theft.refused("the image before this one", old, Some(&old_image), Reason::SequenceOld);
    for (_, envelope) in theft.envelopes.clone() {
        let (new, before) = (theft.new_image.clone(), state(&theft.rig));
        let payload = Some(new.as_slice());
        assert_ne!(take(&mut theft.rig, envelope, payload).0, Ending::WentBack);
        assert_eq!(state(&theft.rig), before, "an envelope from the folder changed something");
    }
    // Genuine, for another node of the yard, under a number that this node has not seen.
    let (yard, other) = (theft.rig.yard.clone(), NodeId([0x44; 16]));
    let stranger = x25519_dalek::StaticSecret::from([0x45; 32]);
    let key = PublicKey(x25519_dalek::PublicKey::from(&stranger).to_bytes());
    let theirs = sealed(&bundle(other), 50, key, &yard.bundle);
    theft.refused("another node's bundle", theirs, None, Reason::NodeOther);
    let foreign = image(Chip::Net, 5, Uuid16([0x99; 16]));
    theft.refused(
        "another board's image",
        packed(&foreign, 51, &yard.image),
        Some(&foreign),
        Reason::ClassOther,
    );
}

#[test]
fn a_key_is_good_for_its_own_role_only() {
    let mut theft = Theft::new();
    let (yard, sealing) = (theft.rig.yard.clone(), theft.sealing_key());
    let bad = image(Chip::Net, 9, NET);
    theft.refused(
        "an image by the bundle key",
        packed(&bad, 60, &yard.bundle),
        Some(&bad),
        Reason::RoleWrong,
    );
    theft.refused("an image by the root key", packed(&bad, 61, &yard.root), Some(&bad), Reason::RoleWrong);
    let plan = bundle(NODE);
    theft.refused(
        "a bundle by the image key",
        sealed(&plan, 62, sealing, &yard.image),
        None,
        Reason::RoleWrong,
    );
    let anchors = yard.anchors();
    for (sequence, key) in [(63, &yard.image), (64, &yard.bundle)] {
        let keys = KeysManifest { vendor: VENDOR, sequence, reference_uri: "keys" };
        theft.refused(
            "anchors by another key",
            keys.envelope(&anchors, key).unwrap(),
            None,
            Reason::RoleWrong,
        );
    }
}

#[test]
fn what_is_swapped_on_the_way_is_noticed() {
    let mut theft = Theft::new();
    let yard = theft.rig.yard.clone();
    // A genuine envelope, not yet used, with another payload under its digest.
    let good = image(Chip::Net, 7, NET);
    let envelope = packed(&good, 70, &yard.image);
    let mut worse = good.clone();
    *worse.last_mut().unwrap() ^= 1;
    let before = state(&theft.rig);
    let digest = theft.rig.offer(envelope.clone(), None);
    theft.rig.server.payloads.insert(Digest::of(&good), worse);
    assert!(theft.rig.until(4000, |r| ended(r, digest).is_some()).unwrap());
    assert_eq!(ended(&theft.rig, digest), Some((Ending::Refused, Reason::PayloadWrong.code())));
    assert_eq!(state(&theft.rig), before);

    // Another envelope under the offered digest: genuine, but not the one that was offered.
    let (one, two) = (packed(&image(Chip::Net, 8, NET), 71, &yard.image), packed(&good, 72, &yard.image));
    let digest = peek(&one).unwrap().digest;
    theft.rig.server.envelopes.insert(digest, two.clone());
    theft.rig.server.offer = Some(Offer { envelope: digest, size: two.len() as u32 });
    assert!(theft.rig.until(4000, |r| ended(r, digest).is_some()).unwrap());
    assert_eq!(ended(&theft.rig, digest), Some((Ending::Refused, Reason::EnvelopeOther.code())));
    assert_eq!(state(&theft.rig), before);

    // A genuine signature over another manifest. The digest offered is that of the changed one.
    let changed = {
        let plain = packed(&good, 73, &yard.image);
        let at = plain.windows(5).rposition(|w| w == b"image").unwrap();
        let mut bytes = plain;
        bytes[at] ^= 1;
        bytes
    };
    let digest = peek(&changed).map_or(Digest::of(&changed), |p| p.digest);
    theft.rig.server.envelopes.insert(digest, changed.clone());
    theft.rig.server.offer = Some(Offer { envelope: digest, size: changed.len() as u32 });
    assert!(theft.rig.until(4000, |r| ended(r, digest).is_some()).unwrap());
    let (ending, reason) = ended(&theft.rig, digest).unwrap();
    assert_eq!(ending, Ending::Refused);
    let expected = [Reason::EnvelopeBroken, Reason::EnvelopeOther, Reason::SignatureWrong];
    assert!(expected.contains(&Reason::from_code(reason).unwrap()), "{reason}");
    assert_eq!(state(&theft.rig), before);
}

#[test]
fn whoever_has_the_folder_but_another_online_key_is_not_heard() {
    let mut theft = Theft::new();
    theft.rig.yard.server = SigningKey::from_bytes(&[0x78; 32]);
    let good = image(Chip::Net, 7, NET);
    let envelope = packed(&good, 80, &theft.rig.yard.image);
    let before = state(&theft.rig);
    let digest = theft.rig.offer(envelope, Some(&good));
    // Check-ins go on, and no reply counts: nothing is fetched, nothing changes.
    let counter = theft.rig.server.seen.as_ref().unwrap().counter;
    assert!(theft.rig.until(4000, |r| r.server.seen.as_ref().unwrap().counter > counter + 3).unwrap());
    assert_eq!(ended(&theft.rig, digest), None);
    assert_eq!(theft.rig.server.seen.as_ref().unwrap().subject, None);
    assert_eq!(state(&theft.rig), before);
}

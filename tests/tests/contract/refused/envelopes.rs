//! Envelopes that the node of the vectors refuses.

use super::super::node::{ENVELOPE, Offered, ROOM, claimed, take, take_offered};
use super::super::samples as s;
use minicbor::Encoder;
use pintle_protocol::author::SealRandom;
use pintle_protocol::bundle::{Bundle, DoorKind};
use pintle_protocol::cose::{SigningKey, encrypt, key, sign1};
use pintle_protocol::id::{Chip, Digest, NodeId, PublicKey, Role, Uuid16};
use pintle_protocol::image::ImageNote;
use pintle_protocol::reason::Reason;
use pintle_protocol::suit::envelope;
use pintle_protocol::version::{LinkRange, Version};
use serde_json::{Value, json};

/// `bytes` with the only `from` in it replaced.
pub(super) fn replaced(bytes: &[u8], from: &str, to: &str) -> Vec<u8> {
    let (text, from) = (hex::encode(bytes), from.to_owned());
    assert_eq!(text.matches(&from).count(), 1, "{from} in {text}");
    hex::decode(text.replacen(&from, to, 1)).unwrap()
}

/// An envelope around any manifest, written by hand.
pub(super) fn wrapped(manifest: &[u8], signer: &SigningKey) -> Vec<u8> {
    let bytes = |write: &dyn Fn(&mut Encoder<Vec<u8>>)| {
        let mut e = Encoder::new(Vec::new());
        write(&mut e);
        e.into_writer()
    };
    let encoded = bytes(&|e| {
        e.bytes(manifest).unwrap();
    });
    let signed = bytes(&|e| {
        e.array(2).unwrap().i8(-16).unwrap().bytes(&Digest::of(&encoded).0).unwrap();
    });
    let kid = key::kid(&PublicKey(signer.verifying_key().to_bytes()));
    let mut block = [0; 256];
    let len = sign1::sign_detached(signer, Some(&kid), &signed, b"", &mut block).unwrap();
    let wrapper = bytes(&|e| {
        e.array(2).unwrap().bytes(&signed).unwrap().bytes(&block[..len]).unwrap();
    });
    bytes(&|e| {
        e.tag(minicbor::data::Tag::new(107)).unwrap().map(2).unwrap();
        e.u8(2).unwrap().bytes(&wrapper).unwrap().u8(3).unwrap().bytes(manifest).unwrap();
    })
}

/// The envelope with an integrated payload behind the manifest, too long for the buffer.
fn padded(envelope: &[u8]) -> Vec<u8> {
    assert_eq!(envelope[..3], [0xd8, 107, 0xa2]);
    let payload = vec![0; ENVELOPE + 1 - envelope.len()];
    let mut e = Encoder::new(Vec::new());
    e.str("#x").unwrap().bytes(&payload).unwrap();
    [&[0xd8, 107, 0xa3], &envelope[3..], &e.into_writer()].concat()
}

/// The manifest of an envelope, signed anew with other content in place of its own, of the same length.
pub(super) fn with_content(envelope: &[u8], swaps: &[(Vec<u8>, Vec<u8>)], signer: s::Key) -> Vec<u8> {
    let authentic = envelope::open(envelope, &s::anchors()).unwrap();
    let swapped = swaps.iter().fold(authentic.manifest_bytes().to_vec(), |manifest, (from, to)| {
        assert_eq!(from.len(), to.len());
        replaced(&manifest, &hex::encode(from), &hex::encode(to))
    });
    wrapped(&swapped, &s::signing(signer))
}

fn digests(from: &[u8], to: &[u8]) -> (Vec<u8>, Vec<u8>) {
    (Digest::of(from).0.to_vec(), Digest::of(to).0.to_vec())
}

/// The bundle's envelope with these bytes sealed inside.
fn conf_as(plain: &[u8]) -> Vec<u8> {
    let good = s::bundle_plain();
    let random: SealRandom = s::random();
    let sealed = |plain: &[u8]| encrypt::seal(&s::public(s::SEALING), &random, None, plain).unwrap().1;
    let envelope = s::bundle_envelope(&s::bundle(), s::public(s::SEALING), s::BUNDLE);
    with_content(&envelope, &[digests(&good, plain), (sealed(&good), sealed(plain))], s::BUNDLE)
}

/// The trust anchors' envelope with these bytes inside.
pub(super) fn keys_as(plain: &[u8]) -> Vec<u8> {
    let good = s::plain(&s::anchors());
    let swaps = [digests(&good, plain), (good, plain.to_vec())];
    with_content(&s::keys_envelope(s::ROOT), &swaps, s::ROOT)
}

/// A map that promises an entry more than there is.
fn cut_inside(map: &[u8]) -> Vec<u8> {
    first_is(map, map[0] + 1)
}

fn first_is(bytes: &[u8], first: u8) -> Vec<u8> {
    [&[first], &bytes[1..]].concat()
}

/// Images that are what was signed, and still cannot be used.
fn images() -> Vec<Refused> {
    let promised = s::note(Chip::Net);
    let row = |name, reason, note: &ImageNote, payload: Vec<u8>| Refused {
        name,
        bytes: s::envelope_of(Chip::Net, 7, s::IMAGE, note, &payload),
        payload,
        kept: [0; 3],
        offered: None,
        reason,
    };
    let other = |change: &dyn Fn(&mut ImageNote)| {
        let mut note = promised;
        change(&mut note);
        note
    };
    let newer = other(&|n| n.version = Version::new(1, 2, 4));
    let apart = other(&|n| n.link = LinkRange { oldest: 3, newest: 3 });
    let means = other(&|n| n.profile.id = 2);
    use Reason as R;
    vec![
        row("image larger than its slot", R::TooLarge, &promised, vec![0; ROOM as usize + 1]),
        row("image without a note", R::NoteBroken, &promised, vec![0; 200]),
        row(
            "image of another version than its manifest says",
            R::NoteOther,
            &promised,
            s::image_with(&newer),
        ),
        row(
            "image that speaks other links than its manifest says",
            R::NoteOther,
            &promised,
            s::image_with(&apart),
        ),
        row("image of the io chip for the net chip", R::NoteOther, &promised, s::image(Chip::Io)),
        row("image that speaks no link of the other chip", R::PairWouldBreak, &apart, s::image_with(&apart)),
        row("image of another actuation profile", R::PairWouldBreak, &means, s::image_with(&means)),
    ]
}

pub(super) struct Refused {
    pub(super) name: &'static str,
    pub(super) bytes: Vec<u8>,
    pub(super) payload: Vec<u8>,
    pub(super) kept: [u64; 3],
    /// The digest that is offered, if it is not the envelope's own.
    pub(super) offered: Option<Digest>,
    pub(super) reason: Reason,
}

fn envelopes() -> Vec<Refused> {
    let good = s::image_envelope(Chip::Net, 7, s::IMAGE);
    let manifest = envelope::open(&good, &s::anchors()).unwrap().manifest_bytes().to_vec();
    let image_key = s::signing(s::IMAGE);
    let changed = |from: &str, to: &str| wrapped(&replaced(&manifest, from, to), &image_key);
    assert_eq!(wrapped(&manifest, &image_key), good, "written by hand, it is the same");
    let row = |name, reason, bytes| Refused {
        name,
        bytes,
        payload: s::image(Chip::Net),
        kept: [0; 3],
        offered: None,
        reason,
    };
    let last = good.len() - 1;
    let mut damaged = good.clone();
    damaged[last] ^= 1;
    let mut cut = good.clone();
    cut.truncate(last);
    let conf = |change: &dyn Fn(&mut Bundle)| {
        let mut bundle = s::bundle();
        change(&mut bundle);
        s::bundle_envelope(&bundle, s::public(s::SEALING), s::BUNDLE)
    };
    let vendor = s::vendor().to_string();
    let class = s::net_class().to_string();
    let other = "00".repeat(16);
    use Reason as R;
    let keys = s::plain(&s::anchors());
    let mut rows = vec![
        row("manifest changed after signing", R::EnvelopeBroken, damaged),
        row("cut short", R::EnvelopeBroken, cut),
        row("a byte too much", R::EnvelopeBroken, [&good[..], &[0]].concat()),
        row(
            "sequence number not in its shortest form",
            R::EnvelopeBroken,
            changed("a701010207", "a70101021807"),
        ),
        row("reporting policy with an unknown bit", R::EnvelopeBroken, changed("1502030f", "15020310")),
        row(
            "signed by a key that is not trusted",
            R::SignatureWrong,
            s::image_envelope(Chip::Net, 7, s::NODE),
        ),
        row(
            "signed by the server's online key",
            R::SignatureWrong,
            s::image_envelope(Chip::Net, 7, s::SERVER),
        ),
        row(
            "signature that names algorithm -8",
            R::SignatureWrong,
            replaced(&good, "d28443a10132", "d28443a10127"),
        ),
        row("image signed by the bundle key", R::RoleWrong, s::image_envelope(Chip::Net, 7, s::BUNDLE)),
        row("image signed by the root key", R::RoleWrong, s::image_envelope(Chip::Net, 7, s::ROOT)),
        row(
            "bundle signed by the image key",
            R::RoleWrong,
            s::bundle_envelope(&s::bundle(), s::public(s::SEALING), s::IMAGE),
        ),
        row("trust anchors signed by the image key", R::RoleWrong, s::keys_envelope(s::IMAGE)),
        row("image for another vendor", R::ClassOther, changed(&vendor, &other)),
        row("image for another class", R::ClassOther, changed(&class, &other)),
        row("image that does not test the class", R::ClassOther, changed("010f020f", "010f010f")),
        row("bundle for another node", R::NodeOther, conf(&|b| b.node = NodeId([9; 16]))),
        Refused {
            kept: [0, 7, 0],
            ..row("sequence number that was kept already", R::SequenceOld, good.clone())
        },
        row("manifest version 2", R::Unsupported, changed("a701010207", "a701020207")),
        row("unknown command 13", R::Unsupported, changed("1502030f", "0d02030f")),
        row("unknown parameter -300", R::Unsupported, changed("390101", "39012b")),
        row("unknown component", R::Unsupported, changed("436e6574", "436e6575")),
        Refused {
            payload: s::image(Chip::Io),
            ..row("payload that is not the one signed", R::PayloadWrong, good.clone())
        },
        row(
            "bundle sealed to another key",
            R::SealWrong,
            s::bundle_envelope(&s::bundle(), s::public(s::EPHEMERAL), s::BUNDLE),
        ),
        row(
            "bundle with a warning of 4.9 s before an unattended close",
            R::BundleRule,
            conf(&|b| b.close.warn_tenths = 49),
        ),
        row(
            "bundle that closes a swinging door unattended",
            R::BundleRule,
            conf(&|b| b.door.kind = DoorKind::Swinging),
        ),
        row("bundle of schema 2", R::BundleRule, conf(&|b| b.schema = 2)),
        Refused {
            offered: Some(claimed(&s::image_envelope(Chip::Net, 8, s::IMAGE))),
            ..row("not the envelope that was offered", R::EnvelopeOther, good.clone())
        },
        row(
            "manifest with a condition that never holds",
            R::ConditionFailed,
            changed("1502030f", "0e0f030f"),
        ),
        row("envelope of more than 4096 bytes", R::TooLarge, padded(&good)),
        row("bundle that is cut inside", R::BundleBroken, conf_as(&cut_inside(&s::bundle_plain()))),
        row("bundle that begins with no map", R::BundleBroken, conf_as(&first_is(&s::bundle_plain(), 0xff))),
        row("trust anchors that begin with no map", R::KeysBroken, keys_as(&first_is(&keys, 0xff))),
        row(
            "trust anchors with one key in two roles",
            R::KeysBroken,
            keys_as(&replaced(&keys, s::SERVER.2, s::ROOT.2)),
        ),
    ];
    rows.extend(images());
    rows.extend(super::inside::sequences(&manifest, &image_key));
    rows.extend(super::inside::sealed(&row));
    rows
}

/// What a verifier has to know of the node, and each row.
pub(super) fn file() -> (Value, Vec<Value>) {
    let speaks = |chip| {
        let note = s::note(chip);
        json!({"link": [note.link.oldest, note.link.newest], "profile": [note.profile.id, note.profile.version]})
    };
    let node = json!({"room": ROOM, "envelope": ENVELOPE,
        "runs": {"net": speaks(Chip::Net), "io": speaks(Chip::Io)}});
    let rows = envelopes().into_iter().map(|r| {
        let offered = r.offered.unwrap_or_else(|| claimed(&r.bytes));
        let detail = r.take().err().map(|stop| stop.1);
        // What is not asked for need not be given.
        let payload = if r.payload.len() > 1000 { Vec::new() } else { r.payload };
        json!({"name": r.name, "message": hex::encode(r.bytes), "payload": hex::encode(payload),
            "kept": {"root": r.kept[0], "image": r.kept[1], "bundle": r.kept[2]},
            "offered": offered.to_string(), "reason": r.reason.code(), "detail": detail})
    });
    (node, rows.collect())
}

impl Refused {
    fn take(&self) -> Result<(), super::super::node::Stop> {
        let digest = self.offered.unwrap_or_else(|| claimed(&self.bytes));
        take_offered(&Offered { envelope: &self.bytes, payload: &self.payload, kept: self.kept, digest })
    }
}

#[test]
fn envelopes_are_refused_with_their_reasons() {
    assert_eq!(take(&s::image_envelope(Chip::Net, 7, s::IMAGE), &s::image(Chip::Net), [0, 6, 0]), Ok(()));
    assert_eq!(take(&s::image_envelope(Chip::Io, 7, s::IMAGE), &s::image(Chip::Io), [0; 3]), Ok(()));
    assert_eq!(
        take(&s::bundle_envelope(&s::bundle(), s::public(s::SEALING), s::BUNDLE), b"", [0; 3]),
        Ok(())
    );
    assert_eq!(take(&s::keys_envelope(s::ROOT), b"", [1, 9, 9]), Ok(()));
    for r in envelopes() {
        let stop = r.take().expect_err(r.name);
        assert_eq!(stop.0, r.reason, "{}", r.name);
    }
    assert_eq!(Role::Bundle.index(), 2, "as the kept numbers are written");
    assert_ne!(Uuid16([0; 16]), s::vendor());
}

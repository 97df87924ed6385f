//! Envelopes that are refused for what stands deep inside: a command, a sealed content, a key.

use super::super::samples as s;
use super::envelopes::{Refused, keys_as, replaced, with_content, wrapped};
use minicbor::Encoder;
use pintle_protocol::cose::{SigningKey, encrypt};
use pintle_protocol::id::Chip;
use pintle_protocol::reason::Reason;

/// The members of a manifest that is a map of numbers to anything.
fn members(manifest: &[u8]) -> Vec<(u8, Vec<u8>)> {
    let mut d = minicbor::Decoder::new(manifest);
    let count = d.map().unwrap().unwrap();
    (0..count)
        .map(|_| {
            let key = d.u8().unwrap();
            let start = d.position();
            d.skip().unwrap();
            (key, manifest[start..d.position()].to_vec())
        })
        .collect()
}

/// A byte string around bytes.
fn bstr(bytes: &[u8]) -> Vec<u8> {
    let mut e = Encoder::new(Vec::new());
    e.bytes(bytes).unwrap();
    e.into_writer()
}

/// An image's manifest with this sequence, so many items of it, in place of its install sequence.
fn installs(manifest: &[u8], items: u64, sequence: &[u8]) -> Vec<u8> {
    let mut e = Encoder::new(Vec::new());
    e.array(items).unwrap();
    let sequence = bstr(&[&e.into_writer()[..], sequence].concat());
    let mut e = Encoder::new(Vec::new());
    e.map(members(manifest).len() as u64).unwrap();
    let rest = members(manifest).into_iter().flat_map(|(key, value)| {
        // Keys below 24 are their own heads.
        [vec![key], if key == 20 { sequence.clone() } else { value }].concat()
    });
    [e.into_writer(), rest.collect()].concat()
}

/// What an install sequence asks for that is refused, and where it stops.
pub(super) fn sequences(manifest: &[u8], key: &SigningKey) -> Vec<Refused> {
    let row = |name, reason, items, sequence: &[u8]| Refused {
        name,
        bytes: wrapped(&installs(manifest, items, sequence), key),
        payload: s::image(Chip::Net),
        kept: [0; 3],
        offered: None,
        reason,
    };
    let device = [&[20, 0xa1, 0x18, 24, 0x50][..], &[9; 16], &[0x18, 24, 15]].concat();
    let copied = [20, 0xa1, 22, 0, 22, 2];
    let urgent = [20, 0xa1, 0x18, 27, 0x20, 0x18, 27, 15];
    use Reason as R;
    vec![
        row("manifest of more than 512 steps", R::TooLong, 1200, &[1, 15].repeat(600)),
        row("image for another device", R::NodeOther, 4, &device),
        row("image for a slot that is not the spare one", R::ConditionFailed, 4, &[20, 0xa1, 5, 0, 5, 15]),
        row("condition without its parameter", R::ConditionFailed, 2, &[5, 15]),
        row("copying from another component", R::Unsupported, 4, &copied),
        row("image that asks to be authorised, as an urgent one", R::Unsupported, 4, &urgent),
        row("component that is not in the list", R::EnvelopeBroken, 2, &[12, 1]),
        row("sequence with a command but no argument", R::EnvelopeBroken, 3, &[1, 15, 2]),
    ]
}

/// Bundles that this node cannot open, and trust anchors that cannot be used.
pub(super) fn sealed(row: &dyn Fn(&'static str, Reason, Vec<u8>) -> Refused) -> Vec<Refused> {
    let good = s::bundle_envelope(&s::bundle(), s::public(s::SEALING), s::BUNDLE);
    let (_, content) = encrypt::seal(&s::public(s::SEALING), &s::random(), None, &s::bundle_plain()).unwrap();
    let mut other = content.clone();
    *other.last_mut().unwrap() ^= 1;
    let ephemeral: [u8; 32] = s::array(s::EPHEMERAL.2);
    let keys = s::plain(&s::anchors());
    // Of order 4: y = 0. Source: RFC 8032 section 5.1, the curve equation.
    let weak = replaced(&keys, s::SERVER.2, &"00".repeat(32));
    use Reason as R;
    vec![
        row("bundle with a flipped tag", R::SealWrong, with_content(&good, &[(content, other)], s::BUNDLE)),
        row(
            "bundle with an ephemeral key of small order",
            R::SealWrong,
            with_content(&good, &[(ephemeral.to_vec(), vec![0; 32])], s::BUNDLE),
        ),
        row("trust anchors with a key of small order", R::KeysBroken, keys_as(&weak)),
    ]
}

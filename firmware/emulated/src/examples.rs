//! Published manifests, verified and carried out; wrong ones, refused. Writes down what happens, line by line.
//!
//! `tests/tests/emulated.rs` runs the same source on the host, and compares.

use core::fmt::{self, Write};
use ed25519_dalek::ed25519::signature::MultipartSigner as _;
use p256::ecdsa;
use p256::ecdsa::signature::Verifier as _;
use pintle_protocol::cose::{CoseFault, NodeKey, SigningKey, StaticSecret, encrypt, key, sign1};
use pintle_protocol::id::{Digest, NodeId, PublicKey, Role, Uuid16};
use pintle_protocol::suit::{
    Answer, Ask, ComponentSpec, Device, Identity, Manifest, Roles, Run, TrustAnchors, Verifier, envelope,
};

const EXAMPLES: &str = include_str!("../../../tests/vectors/suit_examples.txt");
const PROFILE: &str = include_str!("../../../tests/vectors/suit_profile.txt");
const SIGNED: &str = include_str!("../../../tests/vectors/ed25519_rfc8032.txt");
const EDGES: [&str; 2] = [
    include_str!("../../../tests/vectors/ed25519_edge_cases.txt"),
    include_str!("../../../tests/vectors/ed25519_more.txt"),
];
/// Vendor and class of the draft's examples.
const DRAFT: [&str; 2] = ["fa6b4a53d5ad5fdfbe9de663e4d41ffe", "1492af1425695e48bf429b2d51f2ab45"];
/// Vendor, class of both chips and node of P2 to P4.
const OURS: [&str; 4] = [
    "bcc169656f3a53389d83d8b565c63bc7",
    "eb262ea0c44a5ed1ab622a6d67c31f87",
    "e38282dfc31152c8b60cebfae0f34a2c",
    "e6950e6f1d0d56ccaeaacd71134924ac",
];
/// The draft's key, as a point.
const DRAFT_KEY: &str = "048496811aae0baaabd26157189eecda26beaa8bf11b6f3fe6e2b5659c85dbc0ad3b1f2a4b6c098131c0a36dacd1d78bd381dcdfb09c052db33991db7338b4a896";
/// Public key of RFC 8032 section 7.1 TEST 1.
const OUR_KEY: &str = "d75a980182b10ab7d54bfed3c964073a0ee172f3daa62325af021a68f707511a";
/// Private key of Bob in RFC 7748 section 6.1.
const BOB: &str = "5dab087e624a8a4b79e17f8b83800ee66f3bb1292618b6fd1c2f8b27ff88e0eb";
/// Longest envelope or message among them.
const ROOM: usize = 1024;

/// Bytes from hexadecimal digits.
fn hex<'a>(digits: &str, into: &'a mut [u8]) -> Result<&'a mut [u8], fmt::Error> {
    let into = into.get_mut(..digits.len() / 2).ok_or(fmt::Error)?;
    for (byte, pair) in into.iter_mut().zip(digits.as_bytes().chunks(2)) {
        let pair = core::str::from_utf8(pair).map_err(|_| fmt::Error)?;
        *byte = u8::from_str_radix(pair, 16).map_err(|_| fmt::Error)?;
    }
    Ok(into)
}

fn array<const N: usize>(digits: &str) -> [u8; N] {
    let mut bytes = [0; N];
    // A row that is too short shows as another result than on the host's published values.
    let _ = hex(digits, &mut bytes);
    bytes
}

/// Verifies ES256 under the key of the draft's examples; the core does not.
struct Drafts;

impl Verifier for Drafts {
    fn judge(&self, block: &[u8], digest: &[u8]) -> Result<Option<Role>, CoseFault> {
        let parts = sign1::layout(block)?;
        match parts.algorithm()? {
            -7 => {}
            found => return Err(CoseFault::Algorithm { at: parts.protected_at, found: Some(found) }),
        }
        let key = ecdsa::VerifyingKey::from_sec1_bytes(&array::<65>(DRAFT_KEY))
            .map_err(|_| CoseFault::Signature)?;
        let signature = ecdsa::Signature::from_slice(parts.signature).map_err(|_| CoseFault::Signature)?;
        // ["Signature1", h'a10126', h'', the encoded SUIT_Digest]: RFC 9052 section 4.4.
        let mut signed = [0u8; 128];
        let head = *b"\x84\x6aSignature1\x43\xa1\x01\x26\x40\x58";
        let len = head.len() + 1 + digest.len();
        let whole = signed.get_mut(..len).ok_or(CoseFault::Signature)?;
        let (start, rest) = whole.split_at_mut(head.len() + 1);
        start[..head.len()].copy_from_slice(&head);
        start[head.len()] = digest.len() as u8;
        rest.copy_from_slice(digest);
        key.verify(whole, &signature).map_err(|_| CoseFault::Signature)?;
        Ok(Some(Role::Image))
    }
}

/// The key of RFC 8032 in this role, made-up keys in the others.
fn anchors(role: Role) -> TrustAnchors {
    let key = |r: Role, n: u8| match r == role {
        true => PublicKey(array(OUR_KEY)),
        false => PublicKey(SigningKey::from_bytes(&[n; 32]).verifying_key().to_bytes()),
    };
    TrustAnchors {
        root: key(Role::Root, 1),
        image: [key(Role::Image, 2)].into_iter().collect(),
        bundle: [key(Role::Bundle, 3)].into_iter().collect(),
        server: PublicKey(SigningKey::from_bytes(&[4; 32]).verifying_key().to_bytes()),
        server_next: None,
    }
}

fn spec(id: &'static [&'static [u8]], class: &str, identity: Identity) -> ComponentSpec<'static> {
    let writers = Roles::from(Role::Image).with(Role::Bundle);
    ComponentSpec { id, class: Uuid16(array(class)), writers, identity }
}

fn draft_components() -> [ComponentSpec<'static>; 3] {
    [
        spec(&[&[0]], DRAFT[1], Identity::CLASS),
        spec(&[&[1]], DRAFT[1], Identity::NONE),
        spec(&[&[2]], DRAFT[1], Identity::NONE),
    ]
}

fn our_components() -> [ComponentSpec<'static>; 4] {
    [
        spec(&[b"net"], OURS[1], Identity::CLASS),
        spec(&[b"io"], OURS[2], Identity::CLASS),
        spec(&[b"cfg"], OURS[1], Identity::DEVICE),
        spec(&[b"stage"], OURS[1], Identity::NONE),
    ]
}

/// What the components hold. Those of the draft's examples, whose digests are patterns of no real image, are taken
/// to hold what was asked for.
struct Holds {
    pretend: bool,
    bytes: [[u8; 64]; 4],
    lens: [usize; 4],
}

impl Holds {
    fn nothing(pretend: bool) -> Self {
        Self { pretend, bytes: [[0; 64]; 4], lens: [0; 4] }
    }

    fn get(&self, component: u8) -> &[u8] {
        let n = usize::from(component);
        self.bytes.get(n).zip(self.lens.get(n)).and_then(|(b, len)| b.get(..*len)).unwrap_or_default()
    }

    fn put(&mut self, component: u8, content: &[u8], info: Option<&[u8]>) -> Answer {
        let n = usize::from(component);
        let (Some(bytes), Some(len)) = (self.bytes.get_mut(n), self.lens.get_mut(n)) else {
            return Answer::Failed;
        };
        let Some(room) = bytes.get_mut(..content.len()) else { return Answer::Failed };
        room.copy_from_slice(content);
        *len = content.len();
        if let Some(info) = info {
            match encrypt::decrypt(info, room, &StaticSecret::from(array::<32>(BOB))) {
                Ok(plain) => *len = plain,
                Err(_) => return Answer::Failed,
            }
        }
        Answer::Done
    }
}

/// Carries out a procedure and writes down what it asks.
fn carry_out(
    out: &mut dyn Write,
    manifest: &Manifest<'_>,
    mut run: Run,
    slot: u64,
    holds: &mut Holds,
) -> fmt::Result {
    let mut answer = Answer::Start;
    loop {
        let ask = match run.next(manifest, answer) {
            Ok(ask) => ask,
            Err(failure) => {
                return writeln!(out, "  fails: {:?} {:?} {}", failure.section, failure.kind, failure.offset);
            }
        };
        answer = match ask {
            Ask::Done => return writeln!(out, "  done"),
            Ask::Slot { component } => {
                writeln!(out, "  slot {component}")?;
                Answer::Slot(slot)
            }
            Ask::Fetch { component, uri, size, .. } => {
                writeln!(out, "  fetch {component} {uri} {size:?}")?;
                let chip = if uri.contains("/net") { "network" } else { "I/O" };
                let image = fmt_image(chip, slot)?;
                match manifest.integrated(uri) {
                    _ if holds.pretend => Answer::Done,
                    Some(inside) => holds.put(component, inside, None),
                    None => holds.put(component, image.as_bytes(), None),
                }
            }
            Ask::Write { component, content, encryption } => {
                writeln!(out, "  write {component}")?;
                holds.put(component, content, encryption)
            }
            Ask::Copy { component, source, encryption } => {
                writeln!(out, "  copy {source} to {component}")?;
                let mut from = [0; 64];
                let held = holds.get(source);
                let len = held.len();
                from[..len].copy_from_slice(held);
                if holds.pretend { Answer::Done } else { holds.put(component, &from[..len], encryption) }
            }
            Ask::Measure { component, size } => {
                writeln!(out, "  measure {component} {size:?}")?;
                match run.parameters(component).digest {
                    Some(digest) if holds.pretend => Answer::Measured { digest, size: size.unwrap_or(0) },
                    _ => {
                        let held = holds.get(component);
                        Answer::Measured { digest: Digest::of(held), size: held.len() as u64 }
                    }
                }
            }
            Ask::Invoke { component } => {
                writeln!(out, "  invoke {component}")?;
                Answer::Done
            }
            other => {
                writeln!(out, "  {other:?}")?;
                Answer::No
            }
        };
    }
}

/// The images that P4 names.
fn fmt_image(chip: &str, slot: u64) -> Result<heapless::String<64>, fmt::Error> {
    let mut image = heapless::String::new();
    write!(image, "{chip} chip image for slot {slot}")?;
    Ok(image)
}

/// Opens an envelope and carries it out for both slots.
fn example(
    out: &mut dyn Write,
    name: &str,
    bytes: &[u8],
    verifier: &dyn Verifier,
    device: &Device<'_>,
    pretend: bool,
) -> fmt::Result {
    let manifest = match envelope::open_with(bytes, verifier).and_then(|a| a.manifest(device)) {
        Ok(manifest) => manifest,
        Err(refusal) => return writeln!(out, "{name}: refused, report {}", refusal.report().code()),
    };
    writeln!(out, "{name}: authentic {} {}", manifest.digest(), manifest.sequence())?;
    for slot in [0, 1] {
        let mut holds = Holds::nothing(pretend);
        writeln!(out, " update, slot {slot}")?;
        carry_out(out, &manifest, Run::update(&manifest), slot, &mut holds)?;
        writeln!(out, " invoke, slot {slot}")?;
        carry_out(out, &manifest, Run::invoke(&manifest), slot, &mut holds)?;
        writeln!(out, " holds {} {} {}", Digest::of(holds.get(0)), Digest::of(holds.get(1)), holds.lens[0])?;
    }
    Ok(())
}

/// The rows of a file of vectors.
fn rows(file: &'static str) -> impl Iterator<Item = &'static str> {
    file.lines().filter(|l| !l.starts_with('#'))
}

/// Signs the messages of RFC 8032 section 7.1 as a node does, and judges published signatures.
fn signatures(out: &mut dyn Write, buffer: &mut [u8]) -> fmt::Result {
    let bytes = |digits: &'static str| if digits == "-" { "" } else { digits };
    for row in rows(SIGNED) {
        let mut columns = row.split(' ');
        let mut next = || columns.next().ok_or(fmt::Error);
        let (name, seed, _, message) = (next()?, next()?, next()?, next()?);
        let key = NodeKey::new(&array(seed));
        let message = hex(bytes(message), buffer)?;
        let signature = key.try_multipart_sign(&[message]).map_err(|_| fmt::Error)?.to_bytes();
        writeln!(out, "{name}: signs {} {}", key.public(), Digest::of(&signature))?;
    }
    for row in EDGES.into_iter().flat_map(rows) {
        let mut columns = row.split(' ');
        let mut next = || columns.next().ok_or(fmt::Error);
        let (name, message, key, signature) = (next()?, next()?, next()?, next()?);
        let message = hex(bytes(message), buffer)?;
        let good = key::verifying_key(&PublicKey(array(key)))
            .is_ok_and(|key| key::verifies(&key, &[message], &array(signature)));
        writeln!(out, "{name}: {}", if good { "verifies" } else { "does not" })?;
    }
    Ok(())
}

/// Writes everything down.
pub(crate) fn tell(out: &mut dyn Write) -> fmt::Result {
    let mut buffer = [0; ROOM];
    signatures(out, &mut buffer)?;
    let (parts, ours) = (draft_components(), our_components());
    let draft = Device { vendor: Uuid16(array(DRAFT[0])), device: NodeId([0; 16]), components: &parts };
    let our = Device { vendor: Uuid16(array(OURS[0])), device: NodeId(array(OURS[3])), components: &ours };
    let (image, bundle) = (anchors(Role::Image), anchors(Role::Bundle));
    for row in rows(EXAMPLES) {
        let (name, digits) = row.split_once(' ').ok_or(fmt::Error)?;
        let bytes = hex(digits, &mut buffer)?;
        example(out, name, bytes, &Drafts, &draft, true)?;
        example(out, "the same without ES256", bytes, &image, &draft, true)?;
        // A changed bit of the signature, and of the manifest.
        for at in [100, bytes.len() - 1] {
            if let Some(byte) = bytes.get_mut(at) {
                *byte ^= 1;
            }
            match envelope::open_with(bytes, &Drafts) {
                Ok(_) => writeln!(out, " byte {at} changed: not noticed in what is signed")?,
                Err(refusal) => writeln!(out, " byte {at} changed: report {}", refusal.report().code())?,
            }
            if let Some(byte) = bytes.get_mut(at) {
                *byte ^= 1;
            }
        }
    }
    for row in rows(PROFILE) {
        let (name, digits) = row.split_once(' ').ok_or(fmt::Error)?;
        let bytes = hex(digits, &mut buffer)?;
        match name {
            "P2" | "P3" => example(out, name, bytes, &bundle, &our, false)?,
            "P4" => example(out, name, bytes, &image, &our, false)?,
            _ => example(out, name, bytes, &image, &draft, true)?,
        }
    }
    Ok(())
}

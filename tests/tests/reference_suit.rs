//! SUIT manifests against the examples of draft-ietf-suit-manifest-37 (18 June 2026), appendix B,
//! and against the same structures in this project's profile.

mod reference;

use pintle_protocol::cbor::CborKind;
use pintle_protocol::cose::{CoseFault, SigningKey, StaticSecret, encrypt, sign1};
use pintle_protocol::id::{Digest, NodeId, PublicKey, Role, Uuid16};
use pintle_protocol::slots::BootRecord;
use pintle_protocol::suit::{
    Answer, Ask, Authentic, Claim, Command, ComponentSpec, Device, Ending, FailureKind, Found, Holding,
    Identity, Manifest, ReadEnding, ReadRecord, Refusal, Report, ReportReason, Roles, Run, Section, Stopped,
    TrustAnchors, Verifier, envelope, peek, place, read_report,
};
use reference::{array, bytes, named, rows};
use std::collections::BTreeMap;

const EXAMPLES: &str = include_str!("../vectors/suit_examples.txt");
const PROFILE: &str = include_str!("../vectors/suit_profile.txt");
const REPORTS: &str = include_str!("../vectors/suit_reports.txt");
const RFC8032: &str = include_str!("../vectors/ed25519_rfc8032.txt");

/// Verifies ES256 under the key of the draft's examples, in tests only: this project does not.
struct Drafts;

impl Verifier for Drafts {
    fn judge(&self, block: &[u8], digest: &[u8]) -> Result<Option<Role>, CoseFault> {
        use p256::ecdsa::signature::Verifier as _;
        let parts = sign1::layout(block)?;
        match parts.algorithm()? {
            -7 => {}
            found => return Err(CoseFault::Algorithm { at: parts.protected_at, found: Some(found) }),
        }
        if parts.payload.is_some() {
            return Err(CoseFault::PayloadAttached { at: parts.payload_at });
        }
        let point = "048496811aae0baaabd26157189eecda26beaa8bf11b6f3fe6e2b5659c85dbc0ad3b1f2a4b6c098131c0a36dacd1d78bd381dcdfb09c052db33991db7338b4a896";
        let key = p256::ecdsa::VerifyingKey::from_sec1_bytes(&bytes(point)).unwrap();
        let field = |bytes: &[u8]| [&[0x40 | bytes.len() as u8], bytes].concat();
        let payload = [&[0x58, digest.len() as u8], digest].concat();
        let signed = [&b"\x84\x6aSignature1"[..], &field(parts.protected), b"\x40", &payload].concat();
        let signature =
            p256::ecdsa::Signature::from_slice(parts.signature).map_err(|_| CoseFault::Signature)?;
        key.verify(&signed, &signature).map_err(|_| CoseFault::Signature)?;
        Ok(Some(Role::Image))
    }
}

/// Takes every block for one by the first image key, as if it named that key.
struct Named(TrustAnchors);

impl Verifier for Named {
    fn judge(&self, block: &[u8], digest: &[u8]) -> Result<Option<Role>, CoseFault> {
        let block = sign1::parse(block)?;
        block.verify(&self.0.image[0], &[], Some(digest)).map(|()| Some(Role::Image))
    }
}

/// The key of RFC 8032 section 7.1 TEST 1 in this role, made-up keys in the others.
fn anchors(role: Role) -> TrustAnchors {
    let published = PublicKey(array(rows(RFC8032)[0][2]));
    let key = |r: Role, n: u8| match r == role {
        true => published,
        false => PublicKey(SigningKey::from_bytes(&[n; 32]).verifying_key().to_bytes()),
    };
    let anchors = TrustAnchors {
        root: key(Role::Root, 1),
        image: [key(Role::Image, 2)].into_iter().collect(),
        bundle: [key(Role::Bundle, 3)].into_iter().collect(),
        server: PublicKey(SigningKey::from_bytes(&[4; 32]).verifying_key().to_bytes()),
        server_next: None,
    };
    anchors.check().unwrap();
    anchors
}

const VENDOR: &str = "fa6b4a53d5ad5fdfbe9de663e4d41ffe";
const CLASS: &str = "1492af1425695e48bf429b2d51f2ab45";

fn spec(id: &'static [&'static [u8]], class: &str, identity: Identity) -> ComponentSpec<'static> {
    let writers = Roles::from(Role::Image).with(Role::Bundle);
    ComponentSpec { id, class: Uuid16(array(class)), writers, identity }
}

/// The device of the draft's examples. Only the first component is tested there.
fn drafts_components() -> [ComponentSpec<'static>; 3] {
    [
        spec(&[&[0]], CLASS, Identity::CLASS),
        spec(&[&[1]], CLASS, Identity::NONE),
        spec(&[&[2]], CLASS, Identity::NONE),
    ]
}

fn drafts_manifest(authentic: &Authentic<'_>) -> Result<Manifest<'static>, Refusal> {
    // Leaks a few bytes of test memory, so that the manifest outlives the caller's buffers.
    let components = drafts_components();
    let device = Device { vendor: Uuid16(array(VENDOR)), device: NodeId([0; 16]), components: &components };
    let copy: &'static [u8] = Box::leak(authentic.envelope_bytes().to_vec().into_boxed_slice());
    authentic.ticket().redeem(copy)?.manifest(&device)
}

fn example(name: &str) -> Manifest<'static> {
    let bytes = named(EXAMPLES, name);
    drafts_manifest(&envelope::open_with(&bytes, &Drafts).unwrap()).unwrap()
}

/// What a board would do, written down. Components hold what was put there; those of the draft's
/// examples, whose digests are patterns of no real image, are taken to hold what was asked for, but for
/// the one question that is to go wrong.
#[derive(Default)]
struct Board {
    slot: u64,
    pretend: bool,
    /// Which line of the log is answered with what the manifest does not want.
    goes_wrong: Option<usize>,
    holds: BTreeMap<u8, Vec<u8>>,
    payloads: BTreeMap<String, Vec<u8>>,
    secret: Option<[u8; 32]>,
    log: Vec<String>,
}

impl Board {
    fn pretending(slot: u64) -> Self {
        Self { slot, pretend: true, ..Self::default() }
    }

    fn open(&self, content: &[u8], info: Option<&[u8]>) -> Option<Vec<u8>> {
        let Some(info) = info else { return Some(content.to_vec()) };
        let mut buffer = content.to_vec();
        let len = encrypt::decrypt(info, &mut buffer, &StaticSecret::from(self.secret?)).ok()?;
        buffer.truncate(len);
        Some(buffer)
    }

    fn put(&mut self, component: u8, content: Option<Vec<u8>>) -> Answer {
        match content {
            Some(content) => {
                self.holds.insert(component, content);
                Answer::Done
            }
            None => Answer::Failed,
        }
    }

    fn answer(&mut self, run: &Run, manifest: &Manifest<'_>, ask: Ask<'_>) -> Answer {
        let size = |size: Option<u64>| size.map_or("?".into(), |s| s.to_string());
        let (line, answer) = match ask {
            Ask::Slot { component } => (format!("slot {component}"), Answer::Slot(self.slot)),
            Ask::Fetch { component, uri, size: s, digest } => {
                assert!(digest.is_some());
                let payload = match manifest.integrated(uri) {
                    Some(inside) => Some(inside.to_vec()),
                    None => self.payloads.get(uri).cloned(),
                };
                let answer = if self.pretend { Answer::Done } else { self.put(component, payload) };
                (format!("fetch {component} {uri} {}", size(s)), answer)
            }
            Ask::Write { component, content, encryption } => {
                let plain = self.open(content, encryption);
                (format!("write {component}"), self.put(component, plain))
            }
            Ask::Copy { component, source, encryption } => {
                let answer = match (self.pretend, self.holds.get(&source)) {
                    (true, _) => Answer::Done,
                    (false, Some(from)) => {
                        let plain = self.open(&from.clone(), encryption);
                        self.put(component, plain)
                    }
                    (false, None) => Answer::Failed,
                };
                (format!("copy {source} to {component}"), answer)
            }
            Ask::Measure { component, size: s } => {
                let held = self.holds.get(&component).cloned().unwrap_or_default();
                let parameters = run.parameters(component);
                let answer = match (self.pretend, parameters.digest) {
                    (true, Some(digest)) => Answer::Measured { digest, size: s.unwrap_or(0) },
                    _ => Answer::Measured { digest: Digest::of(&held), size: held.len() as u64 },
                };
                (format!("measure {component} {}", size(s)), answer)
            }
            Ask::Invoke { component } => (format!("invoke {component}"), Answer::Done),
            other => panic!("{other:?} is in none of these manifests"),
        };
        let wrong = self.goes_wrong == Some(self.log.len());
        self.log.push(line);
        match (wrong, answer) {
            (false, answer) => answer,
            (true, Answer::Measured { digest, size }) => {
                let mut other = digest;
                other.0[31] ^= 1;
                Answer::Measured { digest: other, size }
            }
            (true, _) => Answer::Failed,
        }
    }

    fn carry_out(
        &mut self,
        manifest: &Manifest<'_>,
        mut run: Run,
    ) -> Result<Vec<String>, pintle_protocol::suit::Failure> {
        let mut answer = Answer::Start;
        loop {
            // A copy goes on just as well: nothing is kept but in the run itself.
            run = run.clone();
            match run.next(manifest, answer)? {
                Ask::Done => return Ok(std::mem::take(&mut self.log)),
                ask => answer = self.answer(&run, manifest, ask),
            }
        }
    }
}

fn update(manifest: &Manifest<'_>, slot: u64) -> Vec<String> {
    carried_out(manifest, slot, &Run::update(manifest))
}

fn invoke(manifest: &Manifest<'_>, slot: u64) -> Vec<String> {
    carried_out(manifest, slot, &Run::invoke(manifest))
}

/// What is asked, in order. Each question whose answer can be wrong is also answered wrongly: it stops
/// right there, and says so.
fn carried_out(manifest: &Manifest<'_>, slot: u64, run: &Run) -> Vec<String> {
    let log = Board::pretending(slot).carry_out(manifest, run.clone()).unwrap();
    for (n, line) in log.iter().enumerate().filter(|(_, line)| !line.starts_with("slot ")) {
        let mut board = Board { goes_wrong: Some(n), ..Board::pretending(slot) };
        let failure = board.carry_out(manifest, run.clone()).unwrap_err();
        assert_eq!(board.log, log[..=n], "{line}");
        let (command, kind) = match line.split(' ').next().unwrap() {
            "fetch" => (Command::Fetch, FailureKind::Directive),
            "write" => (Command::Write, FailureKind::Directive),
            "copy" => (Command::Copy, FailureKind::Directive),
            "measure" => (Command::ImageMatch, FailureKind::ImageOther),
            "invoke" => (Command::Invoke, FailureKind::Directive),
            other => panic!("{other}"),
        };
        assert_eq!((failure.command, failure.kind), (Some(command), kind), "{line}");
    }
    log
}

/// Source: the draft, appendix B: digests as printed there, signatures under the printed key.
#[test]
fn examples_are_authentic() {
    let digests = [
        ("example-0", "6658ea560262696dd1f13b782239a064da7c6c5cbaf52fded428a6fc83c7e5af"),
        ("example-1", "1f2e7acca0dc2786f2fe4eb947f50873a6a3cfaa98866c5b02e621f42074daf2"),
        ("example-2", "6a5197ed8f9dccf733d1c89a359441708e070b4c6dcb9a1c2c82c6165f609b90"),
        ("example-2-short", "6a5197ed8f9dccf733d1c89a359441708e070b4c6dcb9a1c2c82c6165f609b90"),
        ("example-3", "f6d44a62ec906b392500c242e78e908e9cc5057f3f04104a06a8566200da2ee0"),
        ("example-4", "5b5f6586b1e6cdf19ee479a5adabf206581000bd584b0832a9bdaf4f72cdbdd6"),
        ("example-5", "15ce60f77657e4531dc329155f8b0ed78f94bdc6d165b2665473693dcc34f470"),
    ];
    for (name, digest) in digests {
        let manifest = example(name);
        assert_eq!(manifest.digest().to_string(), digest, "{name}");
        let number = name.as_bytes()[8] - b'0';
        assert_eq!(manifest.sequence(), u64::from(number), "{name}");
        // This project does not take ES256.
        let refused = envelope::open(&named(EXAMPLES, name), &anchors(Role::Image)).unwrap_err();
        assert_eq!(refused.report(), ReportReason::AlgUnsupported, "{name}");
    }
    assert_eq!(example("example-2").reference_uri(), Some("https://git.io/JJYoj"));
}

/// Source: the draft, appendix B.1 to B.3 (examples 0 to 2): the order of commands as decoded there.
#[test]
fn examples_0_to_2_are_carried_out() {
    let first = example("example-0");
    assert_eq!(update(&first, 0), ["measure 0 34768"]);
    assert_eq!(invoke(&first, 0), ["measure 0 34768", "invoke 0"]);
    let measure = "measure 0 34768";
    let second = example("example-1");
    assert_eq!(update(&second, 0), ["fetch 0 http://example.com/file.bin 34768", measure, measure]);
    assert_eq!(invoke(&second, 0), [measure]);
    let third = example("example-2");
    let fetch = "fetch 0 http://example.com/very/long/path/to/file/file.bin 34768";
    assert_eq!(update(&third, 0), [fetch, measure, measure]);
    assert_eq!(invoke(&third, 0), [measure, "invoke 0"]);
    // Severed: what starts it is still there, what updates it is not.
    let short = example("example-2-short");
    assert_eq!(invoke(&short, 0), [measure, "invoke 0"]);
    let failure = Run::update(&short).next(&short, Answer::Start).unwrap_err();
    assert_eq!((failure.section, failure.kind), (Section::Install, FailureKind::SectionMissing));
    assert_eq!(failure.report(), ReportReason::SeveringUnsupported);
}

/// Source: the draft, appendix B.4 (example 3, two slots): digest, size and URI of each slot as
/// decoded there.
#[test]
fn example_3_chooses_by_slot() {
    let manifest = example("example-3");
    let first = update(&manifest, 0);
    let fetch = "fetch 0 http://example.com/file1.bin 34768";
    assert_eq!(first, ["slot 0", "slot 0", fetch, "measure 0 34768", "slot 0", "measure 0 34768"]);
    let second = update(&manifest, 1);
    let fetch = "fetch 0 http://example.com/file2.bin 76834";
    let twice = ["slot 0", "slot 0"];
    let wanted = [&twice[..], &twice, &[fetch, "measure 0 76834"], &twice, &["measure 0 76834"]].concat();
    assert_eq!(second, wanted);
    let failure = Board::pretending(2).carry_out(&manifest, Run::update(&manifest)).unwrap_err();
    // The try-each stands at byte 39 of the shared sequence.
    assert_eq!((failure.section, failure.offset), (Section::Shared, 39));
    assert_eq!(failure.report(), ReportReason::ConditionFailed);
    assert_eq!((failure.command, failure.found), (Some(Command::ComponentSlot), Some(Found::Slot(2))));
    // There is no invoke section: starting checks what is in the slot, and no more.
    assert_eq!(invoke(&manifest, 0), ["slot 0", "measure 0 34768"]);
    assert_eq!(invoke(&manifest, 1), ["slot 0", "slot 0", "measure 0 76834"]);
    assert!(Board::pretending(2).carry_out(&manifest, Run::invoke(&manifest)).is_err());
    // Each slot is held against its own digest, and what lies in neither is refused.
    let digests = [
        "00112233445566778899aabbccddeeff0123456789abcdeffedcba9876543210",
        "0123456789abcdeffedcba987654321000112233445566778899aabbccddeeff",
    ];
    for (slot, size) in [(0u64, 34768), (1, 76834)] {
        let mut run = Run::invoke(&manifest);
        let mut answer = Answer::Start;
        while let Ask::Slot { component: 0 } = run.next(&manifest, answer).unwrap() {
            answer = Answer::Slot(slot);
        }
        assert_eq!(run.parameters(0).digest.unwrap().to_string(), digests[slot as usize]);
        let other = Digest(array(digests[1 - slot as usize]));
        for (digest, size) in [(other, size), (run.parameters(0).digest.unwrap(), size + 1)] {
            let failure = run.clone().next(&manifest, Answer::Measured { digest, size }).unwrap_err();
            assert_eq!((failure.section, failure.offset), (Section::Validate, 1));
            assert_eq!(failure.kind, FailureKind::ImageOther);
            assert_eq!(failure.found, Some(Found::Image(Holding { digest, size: Some(size) })));
        }
        assert_eq!(
            run.next(&manifest, Answer::Measured { digest: run.parameters(0).digest.unwrap(), size }),
            Ok(Ask::Done)
        );
    }
}

/// Source: the draft, appendix B.5 and B.6 (examples 4 and 5, several components).
#[test]
fn examples_4_and_5_keep_components_apart() {
    let manifest = example("example-4");
    // In the manifest's order [h'00'], [h'02'], [h'01'].
    assert_eq!(manifest.components(), [0, 2, 1]);
    let fetch = "fetch 1 http://example.com/file.bin ?";
    let wanted = [fetch, "measure 1 ?", "copy 1 to 0", "measure 0 34768", "measure 0 34768"];
    assert_eq!(update(&manifest, 0), wanted);
    let wanted = ["measure 0 34768", "copy 0 to 2", "measure 2 76834", "invoke 2"];
    assert_eq!(invoke(&manifest, 0), wanted);

    let manifest = example("example-5");
    let (one, two) = ("measure 0 34768", "measure 1 76834");
    let fetches =
        ["fetch 0 http://example.com/file1.bin 34768", "fetch 1 http://example.com/file2.bin 76834"];
    assert_eq!(update(&manifest, 0), [fetches[0], one, fetches[1], two, one, two]);
    assert_eq!(invoke(&manifest, 0), [one, two, "invoke 0"]);
}

/// Source: the draft, section 8.4.12: severed members may be taken away, but not changed.
#[test]
fn severed_members_of_example_2_cannot_be_changed() {
    let full = named(EXAMPLES, "example-2");
    let refused = |bytes: &[u8]| match envelope::open_with(bytes, &Drafts) {
        Ok(authentic) => drafts_manifest(&authentic).is_err(),
        Err(_) => true,
    };
    assert!(!refused(&full));
    for bit in 333 * 8..full.len() * 8 {
        let mut hurt = full.clone();
        hurt[bit / 8] ^= 1 << (bit % 8);
        assert!(refused(&hurt), "bit {bit}");
    }
    // Without the text: three members. Without the install sequence: the same with the text.
    let without_text = [&full[..2], &[0xa3], &full[3..396]].concat();
    assert!(!refused(&without_text));
    let without_install = [&full[..2], &[0xa3], &full[3..333], &full[396..]].concat();
    assert!(!refused(&without_install));
}

/// Every changed bit, every cut and every byte more of an envelope of 237 bytes, and the reason for
/// it. Source of the layout: the draft, example 0; P1 is the same manifest in our profile.
#[test]
fn no_changed_bit_of_example_0_gets_through() {
    use Refusal::{Block, DigestAlgorithm, DigestOther, Member, Unsigned};
    let cose = |r: &Refusal| matches!(r, Block { at: 47, fault } if !matches!(fault, CoseFault::Signature));
    let cbor = |r: &Refusal| matches!(r, Refusal::Cbor { .. });
    let key = |at: usize| {
        move |r: &Refusal| match r {
            Member { at: found, .. } => *found == at,
            // Order is seen at the second key, whichever was changed.
            Refusal::Cbor { at: 121, kind: CborKind::KeyOrder | CborKind::DuplicateKey } => true,
            _ => false,
        }
    };
    let (first_key, second_key) = (key(3), key(121));
    let digest_algorithm = |r: &Refusal| matches!(r, DigestAlgorithm { at: 10, found } if *found != -16);
    let other_manifest = |r: &Refusal| *r == DigestOther { at: 124 };
    let algorithm =
        |r: &Refusal| matches!(r, Block { at: 47, fault: CoseFault::Algorithm { at: 3, found: Some(_) } });
    // Under a key that only one block could be by, a wrong signature is that; among several, it is nobody's.
    let signature =
        |r: &Refusal| matches!(r, Block { at: 47, fault: CoseFault::Signature } | Unsigned { at: 6 });
    type Judge<'j> = &'j dyn Fn(&Refusal) -> bool;
    // Ranges of bytes; the refusal that each field stands for; in how many changed bits of example 0 and of P1 it comes
    // to that. All other bits of the range make it no CBOR any more, or no COSE block.
    let fields: [(core::ops::RangeInclusive<usize>, Judge<'_>, [usize; 2]); 17] = [
        (0..=1, &cbor, [16, 16]),                 // tag
        (2..=2, &cbor, [8, 8]),                   // head of the envelope
        (3..=3, &first_key, [7, 7]),              // key 2
        (4..=5, &cbor, [16, 16]),                 // head of the wrapper
        (6..=8, &cbor, [24, 24]),                 // wrapper array, head of the digest
        (9..=9, &cbor, [8, 8]),                   // head of SUIT_Digest
        (10..=10, &digest_algorithm, [5, 5]),     // digest algorithm
        (11..=12, &cbor, [16, 16]),               // head of the digest bytes
        (13..=44, &other_manifest, [256, 256]),   // digest
        (45..=46, &cbor, [16, 16]),               // head of the block
        (47..=51, &cose, [40, 40]),               // tag 18, array, protected header
        (52..=52, &algorithm, [6, 5]),            // algorithm
        (53..=54, &cose, [16, 16]),               // unprotected header, payload
        (55..=56, &cose, [16, 16]),               // head of the signature
        (57..=120, &signature, [512, 512]),       // signature
        (121..=123, &second_key, [6, 6]),         // key 3, head of the manifest
        (124..=236, &other_manifest, [904, 904]), // manifest
    ];
    let ours = anchors(Role::Image);
    let cases: [(Vec<u8>, &dyn Verifier); 2] =
        [(named(EXAMPLES, "example-0"), &Drafts), (named(PROFILE, "P1"), &ours)];
    for (case, (good, verifier)) in cases.into_iter().enumerate() {
        assert_eq!(good.len(), 237);
        assert!(envelope::open_with(&good, verifier).is_ok());
        for (range, stands_for, counts) in &fields {
            let mut exact = 0;
            for bit in range.start() * 8..(range.end() + 1) * 8 {
                let mut hurt = good.clone();
                hurt[bit / 8] ^= 1 << (bit % 8);
                let refusal = envelope::open_with(&hurt, verifier).unwrap_err();
                let right = stands_for(&refusal);
                assert!(right || cbor(&refusal) || cose(&refusal), "case {case}, bit {bit}: {refusal:?}");
                exact += usize::from(right);
            }
            assert_eq!(exact, counts[case], "case {case}, bytes {range:?}");
        }
        for len in 0..good.len() {
            let refusal = envelope::open_with(&good[..len], verifier).unwrap_err();
            assert!(
                matches!(refusal, Refusal::Cbor { kind: CborKind::Truncated, .. }),
                "cut at {len}: {refusal:?}"
            );
        }
        for more in [0x00, 0xa0, 0xff] {
            let refusal = envelope::open_with(&[&good[..], &[more]].concat(), verifier).unwrap_err();
            assert_eq!(refusal, Refusal::Cbor { at: 237, kind: CborKind::Trailing });
        }
    }
}

const OUR_VENDOR: &str = "bcc169656f3a53389d83d8b565c63bc7";
const NET_CLASS: &str = "eb262ea0c44a5ed1ab622a6d67c31f87";
const IO_CLASS: &str = "e38282dfc31152c8b60cebfae0f34a2c";
const NODE: &str = "e6950e6f1d0d56ccaeaacd71134924ac";

fn our_components() -> [ComponentSpec<'static>; 4] {
    [
        spec(&[b"net"], NET_CLASS, Identity::CLASS),
        spec(&[b"io"], IO_CLASS, Identity::CLASS),
        spec(&[b"cfg"], NET_CLASS, Identity::DEVICE),
        spec(&[b"stage"], NET_CLASS, Identity::NONE),
    ]
}

fn ours<'b>(bytes: &'b [u8], role: Role, components: &[ComponentSpec<'_>]) -> Result<Manifest<'b>, Refusal> {
    let device = Device { vendor: Uuid16(array(OUR_VENDOR)), device: NodeId(array(NODE)), components };
    envelope::open(bytes, &anchors(role))?.manifest(&device)
}

/// Private key of Bob in RFC 7748 section 6.1.
fn bob() -> Option<[u8; 32]> {
    Some(array("5dab087e624a8a4b79e17f8b83800ee66f3bb1292618b6fd1c2f8b27ff88e0eb"))
}

const TEXT: &[u8] = b"This is a real firmware image.";

/// P1: example 0 under Ed25519. Signature computed with two libraries.
#[test]
fn p1_is_example_0_signed_anew() {
    let bytes = named(PROFILE, "P1");
    let authentic = envelope::open(&bytes, &anchors(Role::Image)).unwrap();
    assert_eq!((authentic.role(), authentic.digest()), (Role::Image, example("example-0").digest()));
    let manifest = drafts_manifest(&authentic).unwrap();
    assert_eq!(invoke(&manifest, 0), ["measure 0 34768", "invoke 0"]);
    // Another class of board.
    let mut components = drafts_components();
    components[0].class = Uuid16([0; 16]);
    let device = Device { vendor: Uuid16(array(VENDOR)), device: NodeId([0; 16]), components: &components };
    let manifest = authentic.manifest(&device).unwrap();
    let failure = Run::invoke(&manifest).next(&manifest, Answer::Start).unwrap_err();
    assert_eq!((failure.section, failure.offset), (Section::Shared, 84));
    assert_eq!(failure.kind, FailureKind::ClassOther);
    // A key without the right.
    let mut without = components;
    without[0].writers = Role::Bundle.into();
    let device = Device { components: &without, ..device };
    let refusal = authentic.manifest(&device).unwrap_err();
    assert_eq!(refusal, Refusal::Role { signer: Role::Image, index: 0 });
    assert_eq!(refusal.report(), ReportReason::ComponentUnauthorised);
}

/// P2: an encrypted configuration in the manifest. The report R1 is what its success gives.
#[test]
fn p2_writes_an_encrypted_configuration() {
    let bytes = named(PROFILE, "P2");
    let components = our_components();
    let manifest = ours(&bytes, Role::Bundle, &components).unwrap();
    assert_eq!((manifest.sequence(), manifest.components()), (7, &[2][..]));
    let mut board = Board { secret: bob(), ..Board::default() };
    let log = board.carry_out(&manifest, Run::update(&manifest)).unwrap();
    assert_eq!(log, ["write 0", "measure 0 30", "measure 0 30"]);
    assert_eq!(board.holds[&0], TEXT);

    let holds = Holding { digest: Digest::of(TEXT), size: Some(30) };
    let report = Report {
        nonce: None,
        claims: &[Claim { component: b"cfg", holds }],
        ending: Ending::Passed,
        reference_uri: manifest.reference_uri().unwrap(),
        manifest: manifest.digest(),
    };
    let mut out = [0; 256];
    let len = report.write(&mut out).unwrap();
    assert_eq!(out[..len], named(REPORTS, "R1"));
    // Shorter, its URI is left out; the error tells what is needed then.
    let short = len - report.reference_uri.len();
    assert_eq!(report.write(&mut out[..len - 1]), Ok(short - 1));
    assert_eq!(report.write(&mut out[..short - 2]), Err(short - 1));

    // Another node: neither the condition nor the key lets it.
    let device =
        Device { vendor: Uuid16(array(OUR_VENDOR)), device: NodeId([0; 16]), components: &components };
    let authentic = envelope::open(&bytes, &anchors(Role::Bundle)).unwrap();
    let other = authentic.manifest(&device).unwrap();
    let failure = Run::update(&other).next(&other, Answer::Start).unwrap_err();
    assert_eq!((failure.kind, failure.offset), (FailureKind::DeviceOther, 104));
    let mut board = Board { secret: Some([1; 32]), ..Board::default() };
    let failure = board.carry_out(&manifest, Run::update(&manifest)).unwrap_err();
    assert_eq!((failure.section, failure.kind), (Section::Install, FailureKind::Directive));
    assert!(board.holds.is_empty());
}

/// P3: the same as an integrated payload, through staging.
#[test]
fn p3_fetches_copies_and_decrypts() {
    let bytes = named(PROFILE, "P3");
    let components = our_components();
    let manifest = ours(&bytes, Role::Bundle, &components).unwrap();
    let mut board = Board { secret: bob(), ..Board::default() };
    let log = board.carry_out(&manifest, Run::update(&manifest)).unwrap();
    assert_eq!(log, ["fetch 1 #cfg 46", "measure 1 46", "copy 1 to 0", "measure 0 30", "measure 0 30"]);
    assert_eq!(board.holds[&0], TEXT);
    // The integrated payload is not signed, but its digest is: a changed one is found out.
    let mut hurt = bytes.clone();
    *hurt.last_mut().unwrap() ^= 1;
    let manifest = ours(&hurt, Role::Bundle, &components).unwrap();
    let failure = board.carry_out(&manifest, Run::update(&manifest)).unwrap_err();
    assert_eq!((failure.section, failure.kind), (Section::PayloadFetch, FailureKind::ImageOther));
}

/// P4: both chips in one manifest, two slots each, real digests of the images named here.
#[test]
fn p4_updates_both_chips() {
    let bytes = named(PROFILE, "P4");
    let components = our_components();
    let manifest = ours(&bytes, Role::Image, &components).unwrap();
    for slot in [0, 1] {
        let mut board = Board { slot, ..Board::default() };
        for (chip, uri) in [("network", "net"), ("I/O", "io")] {
            let image = format!("{chip} chip image for slot {slot}").into_bytes();
            board.payloads.insert(format!("coaps://updates.example/{uri}{slot}"), image);
        }
        let log = board.carry_out(&manifest, Run::update(&manifest)).unwrap();
        let work: Vec<_> = log.iter().filter(|line| !line.starts_with("slot")).collect();
        assert_eq!(
            work,
            [
                &format!("fetch 1 coaps://updates.example/io{slot} 25"),
                "measure 1 25",
                &format!("fetch 0 coaps://updates.example/net{slot} 29"),
                "measure 0 29",
                "measure 0 29",
                "measure 1 25",
            ]
        );
        let log = board.carry_out(&manifest, Run::invoke(&manifest)).unwrap();
        assert_eq!(log.last().unwrap(), "invoke 0");
        // An image for the other slot is another image.
        board.slot = 1 - slot;
        let failure = board.carry_out(&manifest, Run::invoke(&manifest)).unwrap_err();
        assert_eq!((failure.section, failure.kind), (Section::Validate, FailureKind::ImageOther));
    }
}

/// N1 to N23: genuine signatures but for N20 and N23, and still to be refused.
#[test]
fn correctly_signed_but_wrong_manifests_are_refused() {
    // The reason that each stands for, exactly: what is wrong, and the byte where it is.
    let block = |fault| Refusal::Block { at: 47, fault };
    let cbor = |at, kind| Refusal::Cbor { at, kind };
    let two_or_more = "two to four alternatives";
    let refusals = [
        ("N1", 1, Refusal::Version { at: 126, found: 2 }),
        ("N2", 5, Refusal::Command { at: 230, code: Some(99) }),
        ("N3", 6, Refusal::Index { at: 231, index: 1 }),
        ("N5", 1, cbor(237, CborKind::Trailing)),
        ("N6", 1, cbor(127, CborKind::KeyOrder)),
        ("N7", 1, cbor(129, CborKind::DuplicateKey)),
        ("N8", 1, cbor(124, CborKind::Indefinite)),
        ("N9", 1, cbor(128, CborKind::NotShortest)),
        ("N10", 3, block(CoseFault::Algorithm { at: 3, found: Some(-8) })),
        ("N11", 2, block(CoseFault::PayloadAttached { at: 7 })),
        ("N12", 4, Refusal::DigestOther { at: 124 }),
        ("N13", 3, Refusal::DigestAlgorithm { at: 10, found: -44 }),
        ("N14", 5, Refusal::Command { at: 227, code: Some(-257) }),
        ("N15", 8, Refusal::Parameter { at: 232, label: Some(13) }),
        ("N16", 8, Refusal::Parameter { at: 232, label: Some(99) }),
        ("N17", 1, Refusal::Policy { at: 231, bits: 32 }),
        ("N18", 1, Refusal::Structure { at: 231, expected: two_or_more.into() }),
        ("N19", 1, Refusal::NoIndex { at: 234 }),
        ("N20", 4, Refusal::Unsigned { at: 6 }),
        ("N21", 1, cbor(119, CborKind::KeyOrder)),
        ("N22", 9, Refusal::Severed { at: 239, key: 20 }),
        ("N23", 4, Refusal::Unsigned { at: 6 }),
    ];
    for (name, reason, wanted) in refusals {
        let bytes = named(PROFILE, name);
        let refusal = envelope::open(&bytes, &anchors(Role::Image))
            .and_then(|authentic| drafts_manifest(&authentic))
            .err();
        assert_eq!(refusal, Some(wanted), "{name}");
        assert_eq!(wanted.report().code(), reason, "{name}");
    }
    // A signature that no known key has made is none, unless its block names the key.
    let bytes = named(PROFILE, "N23");
    let named_key = envelope::open_with(&bytes, &Named(anchors(Role::Image)));
    assert_eq!(named_key.map(|_| ()), Err(block(CoseFault::Signature)));
    // N4 is understood, and its condition fails for want of a digest.
    let bytes = named(PROFILE, "N4");
    let manifest = drafts_manifest(&envelope::open(&bytes, &anchors(Role::Image)).unwrap()).unwrap();
    let failure = Run::invoke(&manifest).next(&manifest, Answer::Start).unwrap_err();
    assert_eq!((failure.section, failure.offset), (Section::Validate, 1));
    assert_eq!(failure.command, Some(Command::ImageMatch));
    assert_eq!(
        (failure.kind, failure.report()),
        (FailureKind::ParameterMissing, ReportReason::ConditionFailed)
    );
}

/// Source: the draft, sections 6.1 and 8.4.2: lower numbers are refused. Equal ones with another
/// digest: our rule.
#[test]
fn sequence_numbers_only_go_up() {
    let (p2, p3) = (named(PROFILE, "P2"), named(PROFILE, "P3"));
    let components = our_components();
    let old = ours(&p2, Role::Bundle, &components).unwrap();
    let new = ours(&p3, Role::Bundle, &components).unwrap();
    assert_eq!(new.check_sequence(Some((7, old.digest()))), Ok(()));
    assert_eq!(old.check_sequence(Some((8, new.digest()))), Err(Refusal::SequenceOld { found: 7, kept: 8 }));
    assert_eq!(old.check_sequence(Some((7, old.digest()))), Ok(()));
    assert_eq!(old.check_sequence(Some((7, new.digest()))), Err(Refusal::SequenceTaken { number: 7 }));
    assert_eq!(old.check_sequence(None), Ok(()));
    // A node takes up none twice: what it has kept stands in its record.
    let kept = |number| BootRecord { sequences: [9, 9, number], ..BootRecord::default() };
    for (number, manifest, taken) in [(7, &new, true), (8, &old, false), (7, &old, false), (6, &old, true)] {
        assert_eq!(kept(number).admits(Role::Bundle, manifest.sequence()), taken, "{number}");
    }
}

/// R2: the image match of example 2 fails at a start, on an empty component. R3: the same, signed.
/// Source: draft-ietf-suit-report-18; written by hand from its CDDL.
#[test]
fn failures_are_reported_as_the_draft_has_it() {
    let manifest = example("example-2-short");
    let mut failure = Board::default().carry_out(&manifest, Run::invoke(&manifest)).unwrap_err();
    assert_eq!((failure.section, failure.offset, failure.component), (Section::Validate, 1, 0));
    let holding = Holding { digest: Digest::of(b""), size: Some(0) };
    assert_eq!(failure.found, Some(Found::Image(holding)));
    // The draft's own practice is to report the digest alone.
    failure.found = Some(Found::Image(Holding { size: None, ..holding }));
    let report = Report {
        nonce: Some(&[1, 2, 3, 4, 5, 6, 7, 8]),
        claims: &[],
        ending: Ending::Failed(&Stopped { code: -1, ..Stopped::from(&failure) }),
        reference_uri: manifest.reference_uri().unwrap(),
        manifest: manifest.digest(),
    };
    let mut out = [0; 256];
    let len = report.write(&mut out).unwrap();
    assert_eq!(out[..len], named(REPORTS, "R2"));
    // Read back, it says the same.
    let bytes = named(REPORTS, "R2");
    let report = read_report(&bytes).unwrap();
    assert_eq!((report.nonce, report.manifest), (Some(&[1, 2, 3, 4, 5, 6, 7, 8][..]), manifest.digest()));
    let record =
        ReadRecord { section: Some(Section::Validate), offset: 1, component: 0, found: failure.found };
    let reason = Some(ReportReason::ConditionFailed);
    assert_eq!(report.ending, ReadEnding::Failed { code: -1, reason, record });
    assert_eq!(read_report(&named(REPORTS, "R1")).unwrap().ending, ReadEnding::Passed);
    let bytes = named(EXAMPLES, "example-2-short");
    let place = place(&bytes, Section::Validate, record.offset, 0).unwrap();
    assert_eq!((place.command, place.manifest), (Some(Command::ImageMatch), manifest.digest()));
    assert_eq!(place.asked(|a| a.size).as_slice(), [34768]);
    let key = SigningKey::from_bytes(&array(rows(RFC8032)[1][1]));
    let mut signed = [0; 512];
    let len = sign1::sign_attached(&key, None, &out[..len], &[], &mut signed).unwrap();
    assert_eq!(signed[..len], named(REPORTS, "R3"));
}

/// What the server sees without a key is what the node sees with one.
#[test]
fn peeking_tells_the_same_story() {
    for name in ["P1", "P2", "P3", "P4"] {
        let bytes = named(PROFILE, name);
        let role = if name == "P1" || name == "P4" { Role::Image } else { Role::Bundle };
        let authentic = envelope::open(&bytes, &anchors(role)).unwrap();
        let seen = peek(&bytes).unwrap();
        assert_eq!(seen.digest, authentic.digest(), "{name}");
        assert!(peek(&bytes[..bytes.len() - 1]).is_err());
    }
    let bytes = named(PROFILE, "P4");
    let seen = peek(&bytes).unwrap();
    assert_eq!(seen.components, [&b"net"[..], b"io"]);
    assert_eq!(seen.uris.len(), 4);
    assert_eq!(seen.digests.len(), 4);
    // Peeking takes what nobody signed; opening does not.
    let unsigned = named(PROFILE, "N23");
    assert!(peek(&unsigned).is_ok());
    assert!(envelope::open(&unsigned, &anchors(Role::Image)).is_err());
}

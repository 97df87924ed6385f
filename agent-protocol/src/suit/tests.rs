//! Manifests made for one question each, signed with a test key and carried out by hand.

#![allow(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing)]

use super::*;
use crate::cbor::Writer;
use crate::cose::{SigningKey, key, sign1};
use crate::id::{Digest, NodeId, PublicKey, Role, Uuid16};
use proptest::prelude::*;
use std::string::{String, ToString};
use std::vec::Vec;

mod bounds;
mod reports;
mod stopped;
mod versions;

const VENDOR: Uuid16 = Uuid16([0xa1; 16]);
const CLASS: Uuid16 = Uuid16([0xa2; 16]);
const NODE: NodeId = NodeId([0xa3; 16]);

fn signing(n: u8) -> SigningKey {
    SigningKey::from_bytes(&[n; 32])
}

fn public(n: u8) -> PublicKey {
    PublicKey(signing(n).verifying_key().to_bytes())
}

fn anchors() -> TrustAnchors {
    TrustAnchors {
        root: public(1),
        image: [public(2), public(3)].into_iter().collect(),
        bundle: [public(4)].into_iter().collect(),
        server: public(5),
        server_next: None,
    }
}

/// Bytes of CBOR written by hand.
pub(crate) fn cbor(write: impl FnOnce(&mut Writer<Vec<u8>>) -> &mut Writer<Vec<u8>>) -> Vec<u8> {
    let mut w = Writer(Vec::new());
    write(&mut w);
    w.0
}

/// A command sequence from encoded items.
pub(crate) fn sequence(items: &[Vec<u8>]) -> Vec<u8> {
    let count: usize = items.iter().map(|i| if i.is_empty() { 0 } else { 2 }).sum();
    cbor(|w| w.array(count).raw(&items.concat()))
}

pub(crate) fn command(code: i64) -> Vec<u8> {
    cbor(|w| w.int(code).uint(15))
}

fn choose(index: u64) -> Vec<u8> {
    cbor(|w| w.uint(12).uint(index))
}

/// override-parameters with label and encoded value each, in order.
pub(crate) fn set(parameters: &[(i64, Vec<u8>)]) -> Vec<u8> {
    cbor(|w| {
        w.uint(20).map(parameters.len());
        for (label, value) in parameters {
            w.int(*label).raw(value);
        }
        w
    })
}

/// try-each; `None` is the null at the end.
pub(crate) fn try_each(alternatives: &[Option<Vec<u8>>]) -> Vec<u8> {
    cbor(|w| {
        w.uint(15).array(alternatives.len());
        for alternative in alternatives {
            match alternative {
                Some(sequence) => w.bytes(sequence),
                None => w.null(),
            };
        }
        w
    })
}

pub(crate) fn uint(n: u64) -> Vec<u8> {
    cbor(|w| w.uint(n))
}

pub(crate) fn bstr(bytes: &[u8]) -> Vec<u8> {
    cbor(|w| w.bytes(bytes))
}

pub(crate) fn text(text: &str) -> Vec<u8> {
    cbor(|w| w.text(text))
}

pub(crate) fn digest_value(digest: Digest) -> Vec<u8> {
    bstr(&cbor(|w| w.array(2).int(-16).bytes(&digest.0)))
}

/// Vendor and class set and tested.
fn identified() -> Vec<u8> {
    [set(&[(1, bstr(&VENDOR.0)), (2, bstr(&CLASS.0))]), command(1), command(2)].concat()
}

/// Like [`identified`], as items for [`sequence`].
fn identity() -> [Vec<u8>; 3] {
    [set(&[(1, bstr(&VENDOR.0)), (2, bstr(&CLASS.0))]), command(1), command(2)]
}

/// A manifest with these components, shared sequence and other members.
pub(crate) fn manifest_bytes(
    components: &[&[u8]],
    shared: Option<&[u8]>,
    members: &[(u64, Vec<u8>)],
) -> Vec<u8> {
    let common = cbor(|w| {
        w.map(1 + usize::from(shared.is_some())).uint(2).array(components.len());
        for id in components {
            w.array(1).bytes(id);
        }
        if let Some(shared) = shared {
            w.uint(4).bytes(shared);
        }
        w
    });
    cbor(|w| {
        w.map(3 + members.len()).uint(1).uint(1).uint(2).uint(9).uint(3).bytes(&common);
        for (key, value) in members {
            w.uint(*key).raw(value);
        }
        w
    })
}

fn block(signer: u8, kid: Option<&[u8]>, signed: &[u8]) -> Vec<u8> {
    let mut out = [0; 160];
    let len = sign1::sign_detached(&signing(signer), kid, signed, &[], &mut out).unwrap();
    out[..len].to_vec()
}

fn suit_digest(manifest: &[u8]) -> Vec<u8> {
    let digest = Digest::of(&bstr(manifest));
    cbor(|w| w.array(2).int(-16).bytes(&digest.0))
}

fn digest_array(digest: Digest) -> Vec<u8> {
    cbor(|w| w.array(2).int(-16).bytes(&digest.0))
}

fn envelope_with(manifest: &[u8], blocks: &[Vec<u8>], rest: &[(Vec<u8>, Vec<u8>)]) -> Vec<u8> {
    let wrapper = cbor(|w| {
        w.array(1 + blocks.len()).bytes(&suit_digest(manifest));
        for block in blocks {
            w.bytes(block);
        }
        w
    });
    cbor(|w| {
        w.tag(107).map(2 + rest.len()).uint(2).bytes(&wrapper).uint(3).bytes(manifest);
        for (key, value) in rest {
            w.raw(key).bytes(value);
        }
        w
    })
}

pub(crate) fn sealed_envelope(manifest: &[u8]) -> Vec<u8> {
    sealed_by(2, manifest)
}

/// By the key of this number: 1 root, 2 images, 3 bundles.
pub(crate) fn sealed_by(signer: u8, manifest: &[u8]) -> Vec<u8> {
    envelope_with(manifest, &[block(signer, None, &suit_digest(manifest))], &[])
}

const SPECS: [ComponentSpec<'static>; 3] = [
    ComponentSpec {
        id: &[b"a"],
        class: CLASS,
        writers: Roles::NONE.with(Role::Image),
        identity: Identity::CLASS,
    },
    ComponentSpec {
        id: &[b"b"],
        class: CLASS,
        writers: Roles::NONE.with(Role::Image),
        identity: Identity::NONE,
    },
    ComponentSpec {
        id: &[b"c", b"d"],
        class: CLASS,
        writers: Roles::NONE.with(Role::Bundle),
        identity: Identity::NONE,
    },
];

const DEVICE: Device<'static> = Device { vendor: VENDOR, device: NODE, components: &SPECS };

fn read(envelope: &[u8]) -> Result<Manifest<'_>, Refusal> {
    envelope::open(envelope, &anchors())?.manifest(&DEVICE)
}

/// An envelope about component "a" with this shared sequence and validate section.
fn about_a(shared: &[u8], validate: &[u8]) -> Vec<u8> {
    sealed_envelope(&manifest_bytes(&[b"a"], Some(shared), &[(7, bstr(validate))]))
}

/// Runs the update procedure; answers come from `answer`, the questions are written down.
fn run_with(
    envelope: &[u8],
    mut answer: impl FnMut(&Ask<'_>) -> Answer,
) -> (Vec<String>, Result<(), Failure>) {
    let manifest = read(envelope).unwrap();
    let mut run = Run::update(&manifest);
    let mut asked = Vec::new();
    let mut given = Answer::Start;
    loop {
        match run.next(&manifest, given) {
            Ok(Ask::Done) => return (asked, Ok(())),
            Ok(ask) => {
                given = answer(&ask);
                let all = std::format!("{ask:?}");
                asked.push(all.split(' ').next().unwrap().to_string());
            }
            Err(failure) => {
                // There is no way on.
                let again = run.next(&manifest, Answer::Start).unwrap_err();
                assert_eq!(again.kind, FailureKind::Changed);
                return (asked, Err(failure));
            }
        }
    }
}

/// Whether a validate sequence for component "a" passes, with slot 1 and without other answers.
fn passes(validate: &[Vec<u8>]) -> Result<(), FailureKind> {
    let shared = sequence(&[set(&[(5, uint(1))])]);
    let (_, end) = run_with(&about_a(&shared, &sequence(validate)), |ask| match ask {
        Ask::Slot { .. } => Answer::Slot(1),
        Ask::Authorized { priority } if *priority < 0 => Answer::Yes,
        Ask::Version { .. } => Answer::Version([1, 9, 9]),
        Ask::Content { content, .. } if *content == b"same" => Answer::Yes,
        _ => Answer::No,
    });
    end.map_err(|failure| failure.kind)
}

fn slot(n: u64) -> Vec<u8> {
    sequence(&[set(&[(5, uint(n))]), command(5)])
}

#[test]
fn conditions_hold_or_fail() {
    assert_eq!(passes(&[command(5)]), Ok(()));
    assert_eq!(passes(&[set(&[(5, uint(2))]), command(5)]), Err(FailureKind::Condition));
    assert_eq!(passes(&[command(14)]), Err(FailureKind::Condition));
    assert_eq!(passes(&[command(24)]), Err(FailureKind::ParameterMissing));
    assert_eq!(passes(&[set(&[(24, bstr(&NODE.0))]), command(24)]), Ok(()));
    assert_eq!(passes(&[set(&[(24, bstr(&[0; 16]))]), command(24)]), Err(FailureKind::DeviceOther));
    assert_eq!(passes(&[set(&[(1, bstr(&[0; 16]))]), command(1)]), Err(FailureKind::ClassOther));
    assert_eq!(passes(&[set(&[(18, bstr(b"same"))]), command(6)]), Ok(()));
    assert_eq!(passes(&[set(&[(18, bstr(b"other"))]), command(6)]), Err(FailureKind::Condition));
    // Source: draft-ietf-suit-update-management-14: the application decides by priority.
    assert_eq!(passes(&[set(&[(27, cbor(|w| w.int(-1)))]), command(27)]), Ok(()));
    assert_eq!(passes(&[set(&[(27, uint(1))]), command(27)]), Err(FailureKind::Condition));
    // Every one without its parameter.
    for code in [1, 2, 3, 4, 6, 24, 27, 28] {
        assert_eq!(passes(&[command(code)]), Err(FailureKind::ParameterMissing), "{code}");
    }
}

/// Source: draft-ietf-suit-update-management-14 (comparison numbers; numbers compared in turn until
/// the manifest's are used up). What stands for missing numbers is our rule.
#[test]
fn versions_are_compared_number_by_number() {
    let asked = |comparison: u64, numbers: &[i64]| {
        let value = bstr(&cbor(|w| {
            w.array(2).uint(comparison).array(numbers.len());
            for n in numbers {
                w.int(*n);
            }
            w
        }));
        passes(&[set(&[(28, value)]), command(28)]).is_ok()
    };
    // Installed is 1.9.9.
    assert!(asked(3, &[1]), "equal [1] matches every 1.x");
    assert!(asked(1, &[1, 8]) && !asked(1, &[1, 9]) && !asked(1, &[1, 9, 9]));
    assert!(asked(2, &[1, 9, 9]) && !asked(2, &[1, 10]));
    assert!(asked(4, &[1, 9, 9]) && asked(4, &[2]) && !asked(4, &[1, 9, 8]));
    assert!(asked(5, &[1, 10]) && !asked(5, &[1, 9, 9]));
    assert!(asked(1, &[1, 9, 9, -1, 3]), "a release is above its candidates");
    assert!(!asked(3, &[1, 9, 9, -1]));
}

#[test]
fn use_before_needs_a_clock_that_can_be_trusted() {
    let validate = sequence(&[set(&[(4, uint(1000))]), command(4)]);
    let bytes = sealed_envelope(&manifest_bytes(&[b"a"], None, &[(7, bstr(&validate))]));
    let manifest = read(&bytes).unwrap();
    let end = |run: Run| run.clone().next(&manifest, Answer::Start).map_err(|f| f.kind);
    assert_eq!(end(Run::update(&manifest)), Err(FailureKind::Condition));
    assert_eq!(end(Run::update(&manifest).with_clock(999)), Ok(Ask::Done));
    assert_eq!(end(Run::update(&manifest).with_clock(1000)), Err(FailureKind::Condition));
}

#[test]
fn alternatives_are_tried_in_turn() {
    let each = |alternatives: &[Option<Vec<u8>>]| passes(&[try_each(alternatives)]);
    assert_eq!(each(&[Some(slot(1)), Some(slot(2))]), Ok(()));
    assert_eq!(each(&[Some(slot(0)), Some(slot(1))]), Ok(()));
    assert_eq!(each(&[Some(slot(0)), Some(slot(2))]), Err(FailureKind::Condition));
    assert_eq!(each(&[Some(slot(0)), Some(slot(2)), None]), Ok(()), "null: go on if none passes");
    // A condition without its parameter fails like any other, so the next alternative is tried.
    assert_eq!(each(&[Some(sequence(&[command(24)])), Some(slot(1))]), Ok(()));
    // What a failed alternative has set stays set.
    let sets = sequence(&[set(&[(24, bstr(&NODE.0))]), command(14)]);
    assert_eq!(each(&[Some(sets), Some(sequence(&[command(24)]))]), Ok(()));
    // The command after it runs whichever alternative passed.
    assert_eq!(
        passes(&[try_each(&[Some(slot(0)), Some(slot(1))]), command(14)]),
        Err(FailureKind::Condition)
    );
}

#[test]
fn nested_alternatives_end_where_they_should() {
    let inner = |a, b| sequence(&[try_each(&[Some(slot(a)), Some(slot(b))])]);
    assert_eq!(passes(&[try_each(&[Some(inner(0, 1)), Some(slot(2))])]), Ok(()));
    // An exhausted try-each inside another one aborts: our rule, where the standard is silent.
    assert_eq!(passes(&[try_each(&[Some(inner(0, 2)), Some(slot(1))])]), Err(FailureKind::Condition));
    let nested =
        |depth: usize| (0..depth).fold(slot(1), |s, _| sequence(&[try_each(&[Some(s.clone()), Some(s)])]));
    assert_eq!(passes(&[nested(MAX_NESTING)[1..].to_vec()]), Ok(()));
    let bytes = about_a(&slot(1), &nested(MAX_NESTING + 1));
    assert!(matches!(read(&bytes), Err(Refusal::Nesting { .. })));
}

#[test]
fn a_failed_directive_is_never_soft() {
    let fetch = sequence(&[set(&[(21, text("x"))]), command(21)]);
    let other = sequence(&[set(&[(21, text("y"))]), command(21)]);
    let shared = sequence(&identity());
    let install = sequence(&[try_each(&[Some(fetch), Some(other)])]);
    let bytes = sealed_envelope(&manifest_bytes(&[b"a"], Some(&shared), &[(20, bstr(&install))]));
    let (asked, end) = run_with(&bytes, |_| Answer::Failed);
    assert_eq!((asked.len(), end.unwrap_err().kind), (1, FailureKind::Directive));
    let (asked, end) = run_with(&bytes, |_| Answer::Done);
    assert_eq!((asked, end), (std::vec!["Fetch".to_string()], Ok(())));
    // Without a URI there is nothing to try: not soft either.
    let lacking = sequence(&[command(21)]);
    let install = sequence(&[try_each(&[Some(lacking), Some(slot(1))])]);
    let bytes = sealed_envelope(&manifest_bytes(&[b"a"], Some(&shared), &[(20, bstr(&install))]));
    assert_eq!(run_with(&bytes, |_| Answer::Done).1.unwrap_err().kind, FailureKind::ParameterMissing);
}

#[test]
fn nothing_is_touched_before_it_was_tested_whom_it_is_for() {
    let install = sequence(&[set(&[(18, bstr(b"x"))]), command(18)]);
    let with =
        |shared: &[u8]| sealed_envelope(&manifest_bytes(&[b"a"], Some(shared), &[(20, bstr(&install))]));
    let [set_both, vendor, class] = identity();
    for shared in [
        sequence(core::slice::from_ref(&set_both)),
        sequence(&[set_both.clone(), vendor.clone()]),
        sequence(&[set_both.clone(), class.clone()]),
        // Tested only in an alternative that was not taken.
        sequence(&[
            set_both.clone(),
            set(&[(5, uint(1))]),
            try_each(&[Some(sequence(&[command(14), vendor.clone(), class.clone()])), Some(slot(1))]),
        ]),
    ] {
        let (_, end) = run_with(&with(&shared), |ask| match ask {
            Ask::Slot { .. } => Answer::Slot(1),
            _ => Answer::Done,
        });
        assert_eq!(end.unwrap_err().kind, FailureKind::IdentityUntested);
    }
    let (asked, end) = run_with(&with(&sequence(&[set_both, vendor, class])), |_| Answer::Done);
    assert_eq!((asked, end), (std::vec!["Write".to_string()], Ok(())));
}

/// Each section starts with parameters cleared and identifiers untested, with the shared sequence
/// before it. Source: draft-ietf-suit-manifest-37 section 5.3.3; the lifetime is our rule.
#[test]
fn every_section_starts_afresh() {
    let fetch = sequence(&[[set(&[(5, uint(1))]), identified()].concat()]);
    // Three commands written as one item: count them by hand.
    let fetch = [&[0x88][..], &fetch[1..]].concat();
    let validate = sequence(&[command(5)]);
    let members = [(7, bstr(&validate)), (16, bstr(&fetch))];
    let bytes = sealed_envelope(&manifest_bytes(&[b"a"], None, &members));
    let (asked, end) = run_with(&bytes, |_| Answer::Slot(1));
    assert!(asked.is_empty());
    let failure = end.unwrap_err();
    assert_eq!((failure.section, failure.kind), (Section::Validate, FailureKind::ParameterMissing));
    assert_eq!((failure.offset, failure.report()), (1, ReportReason::ConditionFailed));
}

#[test]
fn several_components_are_taken_in_the_order_given() {
    let all = cbor(|w| w.uint(12).truth());
    let list = cbor(|w| w.uint(12).array(2).uint(1).uint(0));
    for (chosen, order) in [(all, [0, 1]), (list, [1, 0])] {
        let each = try_each(&[Some(slot(7)), Some(slot(1))]);
        let validate = sequence(&[chosen, each, command(5)]);
        let bytes = sealed_envelope(&manifest_bytes(&[b"a", b"b"], None, &[(7, bstr(&validate))]));
        let mut seen = Vec::new();
        let (_, end) = run_with(&bytes, |ask| {
            if let Ask::Slot { component } = ask {
                seen.push(*component);
            }
            Answer::Slot(1)
        });
        assert_eq!(end, Ok(()));
        // Both alternatives for the one, both for the other, then the command behind for each.
        let [x, y] = order;
        assert_eq!(seen, [x, x, y, y, x, y]);
    }
}

#[test]
fn answers_must_fit_and_the_envelope_must_stay() {
    let validate = sequence(&[set(&[(5, uint(1))]), command(5)]);
    let bytes = about_a(&sequence(&identity()), &validate);
    let manifest = read(&bytes).unwrap();
    let start = Run::update(&manifest);
    assert_eq!(start.clone().next(&manifest, Answer::Done).unwrap_err().kind, FailureKind::Changed);
    let mut run = start.clone();
    assert!(matches!(run.next(&manifest, Answer::Start), Ok(Ask::Slot { .. })));
    for wrong in [Answer::Start, Answer::Done, Answer::Failed, Answer::Yes, Answer::No] {
        assert!(run.clone().next(&manifest, wrong).is_err(), "{wrong:?}");
    }
    let other = about_a(&sequence(&identity()), &sequence(&[set(&[(5, uint(2))]), command(5)]));
    let other = read(&other).unwrap();
    assert_eq!(run.clone().next(&other, Answer::Slot(1)).unwrap_err().kind, FailureKind::Changed);
    // The same manifest, further back because of a longer block.
    let bytes = manifest_bytes(&[b"a"], Some(&sequence(&identity())), &[(7, bstr(&validate))]);
    let kid = key::kid(&public(2));
    let moved = envelope_with(&bytes, &[block(2, Some(&kid), &suit_digest(&bytes))], &[]);
    let moved = read(&moved).unwrap();
    assert_eq!(moved.digest(), manifest.digest());
    assert_eq!(run.clone().next(&moved, Answer::Slot(1)).unwrap_err().kind, FailureKind::Changed);
    assert_eq!(run.next(&manifest, Answer::Slot(1)), Ok(Ask::Done));
}

#[test]
fn commands_stand_only_where_they_belong() {
    let place = |section: u64, code: i64| {
        let commands = sequence(&[command(code)]);
        let bytes = match section {
            3 => about_a(&commands, &sequence(&[command(14)])),
            _ => sealed_envelope(&manifest_bytes(&[b"a"], None, &[(section, bstr(&commands))])),
        };
        match read(&bytes) {
            Ok(_) => true,
            Err(Refusal::CommandPlace { code: found, .. }) if found == code => false,
            Err(other) => panic!("{other:?}"),
        }
    };
    let sections = [3, 7, 8, 9, 16, 20];
    for (code, allowed) in
        [(21, &[16, 20][..]), (18, &[8, 16, 20]), (22, &[8, 16, 20]), (23, &[9]), (3, &sections)]
    {
        for section in sections {
            assert_eq!(place(section, code), allowed.contains(&section), "command {code} in {section}");
        }
    }
    let inside = sequence(&[try_each(&[Some(sequence(&[choose(0)])), Some(slot(1))])]);
    assert!(matches!(read(&about_a(&slot(1), &inside)), Err(Refusal::CommandPlace { code: 12, .. })));
}

/// An unknown code anywhere refuses the whole, also where it would never be reached.
#[test]
fn unknown_codes_are_found_wherever_they_hide() {
    for code in [0, 7, 8, 11, 13, 19, 25, 26, 29, 31, 32, 33, 34, 35, 99, -1, -256, -257] {
        let hidden = sequence(&[try_each(&[Some(slot(1)), Some(sequence(&[command(code)]))])]);
        let refusal = read(&about_a(&slot(1), &hidden)).unwrap_err();
        assert!(matches!(refusal, Refusal::Command { code: Some(found), .. } if found == code));
        assert_eq!(refusal.reason(), crate::reason::Reason::Unsupported);
    }
    for label in [0, 6, 12, 13, 23, 25, 26, 29, 30, 99, -1, -256, -259] {
        let refusal = read(&about_a(&slot(1), &sequence(&[set(&[(label, uint(0))])]))).unwrap_err();
        assert!(matches!(refusal, Refusal::Parameter { label: Some(found), .. } if found == label));
    }
    // Members: 5 component id, 14 coswid, 15, 18, 24 of the trust domains.
    for member in [5, 14, 15, 18, 24, 99] {
        let bytes = sealed_envelope(&manifest_bytes(&[b"a"], None, &[(member, bstr(b"x"))]));
        assert!(matches!(read(&bytes), Err(Refusal::Member { key: Some(k), .. }) if k == member as i64));
    }
}

#[test]
fn parameters_have_their_types() {
    let bad: [(i64, Vec<u8>); 16] = [
        (1, bstr(&[0; 15])),
        (2, text("class")),
        (3, bstr(b"digest")),
        (3, bstr(&cbor(|w| w.array(2).int(-16).bytes(&[0; 31])))),
        (4, bstr(&[0])),
        (5, cbor(|w| w.int(-1))),
        (14, text("1")),
        (18, uint(1)),
        (19, uint(1)),
        (21, bstr(b"uri")),
        (21, text("")),
        (22, uint(1)),
        (24, bstr(&[0; 17])),
        (27, bstr(b"")),
        (28, bstr(&cbor(|w| w.array(2).uint(6).array(1).uint(1)))),
        (-257, cbor(|w| w.array(2).uint(3).uint(2))),
    ];
    for (label, value) in bad {
        let refusal = read(&about_a(&slot(1), &sequence(&[set(&[(label, value)])]))).unwrap_err();
        let expected =
            matches!(refusal, Refusal::Structure { .. } | Refusal::Cbor { .. } | Refusal::Index { .. });
        assert!(expected, "{label}: {refusal:?}");
    }
    assert!(read(&about_a(&slot(1), &sequence(&[set(&[])]))).is_err(), "no parameter at all");
    assert!(read(&about_a(&slot(1), &sequence(&[]))).is_err(), "no command at all");
    let odd = [&[0x83][..], &command(14), &[14]].concat();
    assert!(read(&about_a(&slot(1), &odd)).is_err(), "a command without its argument");
    let long = "u".repeat(MAX_URI + 1);
    assert!(read(&about_a(&slot(1), &sequence(&[set(&[(21, text(&long))])]))).is_err());
    // A null in the place of a command is no part of the try-each before it.
    let null = [&[0x84][..], &try_each(&[Some(slot(1)), Some(slot(2))]), &[0xf6, 0x0f]].concat();
    assert!(matches!(read(&about_a(&slot(1), &null)), Err(Refusal::Command { code: None, .. })));
}

#[test]
fn components_must_be_ours_and_the_signers() {
    let with = |ids: &[&[u8]]| {
        let validate = sequence(&[choose(0), command(14)]);
        sealed_envelope(&manifest_bytes(ids, None, &[(7, bstr(&validate))]))
    };
    assert!(read(&with(&[b"a", b"b"])).is_ok());
    assert!(matches!(read(&with(&[b"a", b"x"])), Err(Refusal::Component { index: 1, .. })));
    assert!(matches!(read(&with(&[b"a", b"a"])), Err(Refusal::Component { index: 1, .. })));
    assert!(matches!(read(&with(&[b"c"])), Err(Refusal::Component { index: 0, .. })), "half an identifier");
    assert!(matches!(read(&with(&[])), Err(Refusal::Components { count: 0, .. })));
    let many: [&[u8]; 5] = [b"a", b"b", b"c", b"d", b"e"];
    assert!(matches!(read(&with(&many)), Err(Refusal::Components { count: 5, .. })));
}

/// Key identifiers say which key to try; blocks by strangers are passed over, a known key's block
/// that does not verify refuses the envelope, and one role signs one manifest. Our rules, where
/// draft-ietf-suit-manifest-37 section 8.3 leaves them open.
#[test]
fn blocks_are_judged_one_by_one() {
    let bytes = manifest_bytes(&[b"a"], None, &[(7, bstr(&sequence(&[command(14)])))]);
    let signed = suit_digest(&bytes);
    let kid = |n| key::kid(&public(n));
    let opened = |blocks: &[Vec<u8>]| {
        envelope::open(&envelope_with(&bytes, blocks, &[]), &anchors()).map(|a| a.role())
    };
    let good = block(3, Some(&kid(3)), &signed);
    let stranger = block(9, Some(&kid(9)), &signed);
    let nameless = block(9, None, &signed);
    assert_eq!(opened(core::slice::from_ref(&good)), Ok(Role::Image));
    assert_eq!(opened(&[stranger.clone(), nameless.clone(), good.clone()]), Ok(Role::Image));
    assert!(matches!(opened(&[stranger, nameless]), Err(Refusal::Unsigned { .. })));
    assert!(matches!(opened(&[]), Err(Refusal::Unsigned { .. })));
    // Another key's signature under a known name; then a good block cannot help.
    let forged = block(9, Some(&kid(3)), &signed);
    let refusal = opened(&[good.clone(), forged]).unwrap_err();
    assert!(matches!(refusal, Refusal::Block { fault: crate::cose::CoseFault::Signature, .. }));
    assert_eq!(refusal.reason(), crate::reason::Reason::SignatureWrong);
    // A name cut short is no name.
    assert!(opened(&[block(3, Some(&kid(3)[..7]), &signed)]).is_err());
    let both = [good.clone(), block(4, Some(&kid(4)), &signed)];
    assert!(matches!(opened(&both), Err(Refusal::TwoRoles { .. })));
    // The server's key signs no manifests.
    assert!(matches!(opened(&[block(5, None, &signed)]), Err(Refusal::Unsigned { .. })));
    assert!(matches!(opened(&[block(5, Some(&kid(5)), &signed)]), Err(Refusal::Unsigned { .. })));
    assert_eq!(opened(&[block(1, None, &signed)]), Ok(Role::Root));
    assert!(opened(&[const { Vec::new() }; 5]).is_err(), "more blocks than are looked at");
}

#[test]
fn a_ticket_is_good_for_one_manifest() {
    let bytes = about_a(&slot(1), &slot(1));
    let other = about_a(&slot(1), &slot(2));
    let ticket = envelope::open(&bytes, &anchors()).unwrap().ticket();
    assert_eq!(ticket.redeem(&bytes).unwrap().digest(), ticket.digest());
    assert_eq!(ticket.redeem(&other).unwrap_err(), Refusal::Changed);
    for at in 0..bytes.len() {
        let mut hurt = bytes.clone();
        hurt[at] ^= 0x10;
        if let Ok(authentic) = ticket.redeem(&hurt) {
            // Only the signature, which was verified before, may have changed.
            assert_eq!(authentic.manifest_bytes(), ticket.redeem(&bytes).unwrap().manifest_bytes());
        }
    }
}

#[test]
fn integrated_payloads_are_found_by_their_whole_name() {
    let bytes = manifest_bytes(&[b"a"], None, &[(7, bstr(&sequence(&[command(14)])))]);
    let blocks = [block(2, None, &suit_digest(&bytes))];
    let rest = [(text("#a"), b"one".to_vec()), (text("#b"), b"two".to_vec())];
    let envelope = envelope_with(&bytes, &blocks, &rest);
    let manifest = read(&envelope).unwrap();
    assert_eq!(manifest.integrated("#a"), Some(&b"one"[..]));
    assert_eq!(manifest.integrated("#b"), Some(&b"two"[..]));
    assert_eq!(manifest.integrated("#"), None);
    assert_eq!(manifest.integrated("a"), None);
}

#[test]
fn anchors_with_a_weak_or_double_key_are_refused() {
    assert_eq!(anchors().check(), Ok(()));
    let weak = TrustAnchors { server: PublicKey([0; 32]), ..anchors() };
    assert!(matches!(weak.check(), Err(AnchorFault::Key { index: 4, .. })));
    let twice = TrustAnchors { root: public(4), ..anchors() };
    assert_eq!(twice.check(), Err(AnchorFault::Twice { first: 0, second: 3 }));
    let none = TrustAnchors { bundle: heapless::Vec::new(), ..anchors() };
    assert_eq!(none.check(), Err(AnchorFault::Missing(Role::Bundle)));
    let mut out = [0; 512];
    let len = crate::cbor::encode_message(&anchors(), &mut out).unwrap();
    assert_eq!(crate::cbor::decode_message::<TrustAnchors>(&out[..len]), Ok(anchors()));
}

#[test]
fn manifests_too_large_to_hold_are_refused_before_hashing() {
    let filler = sequence(&[set(&[(18, bstr(&std::vec![0; MAX_MANIFEST]))]), command(6)]);
    let bytes = about_a(&slot(1), &filler);
    let refusal = envelope::open(&bytes, &anchors()).unwrap_err();
    assert!(matches!(refusal, Refusal::TooLarge { room: MAX_MANIFEST, .. }));
    assert_eq!(refusal.reason(), crate::reason::Reason::TooLarge);
}

/// A manifest with everything in it, for shaking.
fn rich() -> Vec<u8> {
    let one = |n| {
        sequence(&[
            set(&[(5, uint(n))]),
            command(5),
            set(&[(3, digest_value(Digest([n as u8; 32]))), (14, uint(n))]),
        ])
    };
    let mut shared = std::vec![choose(0)];
    shared.extend(identity());
    shared.push(try_each(&[Some(one(0)), Some(one(1)), None]));
    let uri = |u: &str| sequence(&[set(&[(21, text(u))]), command(21)]);
    let fetch = sequence(&[choose(0), try_each(&[Some(uri("x")), Some(uri("#y"))]), command(3)]);
    let copy = sequence(&[choose(1), set(&[(22, uint(0))]), command(22)]);
    let validate = sequence(&[cbor(|w| w.uint(12).truth()), command(3), command(27)]);
    let members = [(7, bstr(&validate)), (16, bstr(&fetch)), (20, bstr(&copy))];
    manifest_bytes(&[b"a", b"b"], Some(&sequence(&shared)), &members)
}

fn any_answer() -> impl Strategy<Value = Answer> {
    prop_oneof![
        Just(Answer::Start),
        Just(Answer::Done),
        Just(Answer::Failed),
        Just(Answer::Yes),
        Just(Answer::No),
        (0u64..3).prop_map(Answer::Slot),
        (0u8..3, 0u64..3).prop_map(|(d, size)| Answer::Measured { digest: Digest([d; 32]), size }),
        any::<[u16; 3]>().prop_map(Answer::Version),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(128))]

    #[test]
    fn any_bytes_are_judged_without_panic(mut bytes in proptest::collection::vec(any::<u8>(), 0..300)) {
        let _ = envelope::open(&bytes, &anchors());
        let _ = peek(&bytes);
        bytes.splice(..0, [0xd8, 0x6b, 0xa2, 0x02]);
        let _ = peek(&bytes);
    }

    /// Manifests that are signed, but damaged before: whatever is understood of them runs to an end
    /// with any answers, and a refusal points into the envelope.
    #[test]
    fn signed_nonsense_is_refused_or_ends(
        changes in proptest::collection::vec((any::<proptest::sample::Index>(), any::<u8>()), 0..4),
        answers in proptest::collection::vec(any_answer(), 64),
    ) {
        let mut bytes = rich();
        for (at, byte) in changes {
            let at = at.index(bytes.len());
            bytes[at] = byte;
        }
        let envelope = sealed_envelope(&bytes);
        let _ = peek(&envelope);
        match read(&envelope) {
            Err(refusal) => {
                let _ = (refusal.reason(), refusal.detail(), refusal.report(), refusal.to_string());
            }
            Ok(manifest) => {
                for mut run in [Run::update(&manifest), Run::invoke(&manifest)] {
                    let mut answer = Answer::Start;
                    for given in &answers {
                        match run.next(&manifest, answer) {
                            Ok(Ask::Done) | Err(_) => break,
                            Ok(_) => answer = *given,
                        }
                    }
                }
            }
        }
    }

    /// Whatever is answered: nothing is fetched or copied but by a run that got good answers before.
    #[test]
    fn a_run_that_ends_well_has_measured_what_was_asked(answers in proptest::collection::vec(any_answer(), 24)) {
        let envelope = sealed_envelope(&rich());
        let manifest = read(&envelope).unwrap();
        let mut run = Run::update(&manifest);
        let mut answer = Answer::Start;
        let (mut fetched, mut matched) = (false, 0);
        for given in answers {
            match run.next(&manifest, answer) {
                Ok(Ask::Done) => {
                    prop_assert!(fetched && matched >= 2);
                    break;
                }
                Ok(Ask::Fetch { .. }) => {
                    fetched = true;
                    answer = given;
                }
                Ok(Ask::Measure { component, .. }) => {
                    let wanted = run.parameters(component);
                    if let Answer::Measured { digest, size } = given {
                        matched += u32::from(wanted.digest == Some(digest) && wanted.size == Some(size));
                    }
                    answer = given;
                }
                Ok(_) => answer = given,
                Err(_) => break,
            }
        }
    }
}

#[test]
fn every_refusal_and_failure_reads_like_a_sentence() {
    let refusals = [
        Refusal::Cbor { at: 1, kind: crate::cbor::CborKind::Tag },
        Refusal::Member { at: 1, key: None },
        Refusal::Role { signer: Role::Bundle, index: 0 },
        Refusal::SequenceOld { found: 1, kept: 2 },
        Refusal::Changed,
    ];
    for refusal in refusals {
        let words = refusal.to_string();
        assert!(!words.contains("::") && !words.ends_with('.'), "{words}");
    }
}

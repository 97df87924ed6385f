use super::*;
use crate::firmware::samples;
use crate::image::{PackRequest, pack};
use crate::yard::{LATCHBOARD, testing};
use pintle_protocol::reason::Reason;
use proptest::prelude::*;
use std::fs;

/// A yard with a node `barn` on one board and `gate` on the samples' board, and an image envelope
/// for the latter.
fn envelope() -> (tempfile::TempDir, Yard, Vec<u8>) {
    let dir = tempfile::tempdir().unwrap();
    let yard = testing::yard(dir.path());
    fs::write(yard.path("boards/latchboard.toml"), LATCHBOARD).unwrap();
    let gate = testing::GOOD_NODE.replace("two-chip", "latchboard");
    fs::write(yard.path("nodes/gate.toml"), gate).unwrap();
    let yard = Yard::open(yard.dir()).unwrap();
    let sample = samples::find("net-1.0.0").unwrap();
    let (chip, board) = (sample.chip, "latchboard");
    let request = PackRequest {
        file: sample.file,
        bytes: sample.bytes,
        chip,
        board,
        rehearsal: false,
        way_back_to: None,
    };
    let unlocked = yard.unlock(testing::PASSPHRASE).unwrap();
    let bytes = pack(&yard, &unlocked, request).unwrap().envelope.unwrap().bytes;
    (dir, yard, bytes)
}

#[test]
fn an_image_is_seen_with_signer_and_takers() {
    let (_dir, yard, bytes) = envelope();
    let sight = look(&yard, &bytes);
    assert_eq!((sight.signed_by.as_deref(), sight.fault.as_deref()), (Some("image"), None));
    assert_eq!(sight.taken_by, ["gate"]);
    assert_eq!(sight.refused_by, [("barn".to_owned(), "it is for another class of board".to_owned())]);
    let says = sight.says.unwrap();
    assert_eq!((says.components[0].as_str(), says.class.as_deref()), ("net", Some("latchboard")));
    assert_eq!((says.version.as_deref(), says.link.as_deref()), (Some("1.0.0"), Some("1")));
}

#[test]
fn another_yards_envelope_is_not_authentic() {
    let (_dir, _, bytes) = envelope();
    let dir = tempfile::tempdir().unwrap();
    let new = crate::yard::NewYard {
        name: "elsewhere",
        domain: "elsewhere.example",
        passphrase: testing::PASSPHRASE,
        cost: crate::locked::Cost::REHEARSAL,
    };
    let other = crate::yard::start(&dir.path().join("y"), new, &mut crate::random::from_seed(99)).unwrap();
    let sight = look(&other, &bytes);
    assert_eq!(sight.signed_by, None);
    assert!(sight.fault.is_some() && sight.says.is_some() && sight.taken_by.is_empty());
}

#[test]
fn damage_is_told_with_its_byte() {
    let (_dir, yard, bytes) = envelope();
    let mut cut = bytes.clone();
    cut.truncate(bytes.len() / 2);
    let fault = look(&yard, &cut).fault.unwrap();
    assert!(fault.contains("byte"), "{fault}");
    let mut signature = bytes;
    signature[120] ^= 1;
    let sight = look(&yard, &signature);
    assert!(sight.signed_by.is_none() && sight.fault.is_some());
}

/// The key identifier is outside the signature; a node tries no key that it does not name.
#[test]
fn a_changed_key_identifier_is_taken_by_nobody() {
    let (_dir, yard, mut bytes) = envelope();
    let kid = pintle_protocol::cose::key::kid(&yard.public_key(Role::Image));
    let at = bytes.windows(kid.len()).position(|w| w == &kid[..]).unwrap();
    bytes[at] ^= 1;
    let sight = look(&yard, &bytes);
    assert!(sight.signed_by.is_none() && sight.taken_by.is_empty(), "{:?}", sight.taken_by);
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(16))]
    #[test]
    fn no_changed_byte_stays_authentic(at in 0usize..10_000, to in 1u8..=255) {
        let (_dir, yard, mut bytes) = envelope();
        let at = at % bytes.len();
        bytes[at] ^= to;
        prop_assert!(look(&yard, &bytes).taken_by.is_empty());
    }
}

/// Runs the envelope's manifest as `node` would; `slot` is what its spare slot holds afterwards.
fn report(yard: &Yard, envelope: &[u8], node: &str, slot: Option<&[u8]>) -> Vec<u8> {
    report_by(yard, envelope, node, slot, None)
}

/// The same of a node that has something against it when everything has passed.
fn report_by(yard: &Yard, envelope: &[u8], node: &str, slot: Option<&[u8]>, own: Option<Reason>) -> Vec<u8> {
    use pintle_protocol::id::Digest;
    use pintle_protocol::suit::{Answer, Ask, Run, Stopped, write_report};
    let plan = yard.plan_for_card(node).unwrap();
    let components = node_components(plan.classes[0], plan.classes[1]);
    let device = Device { vendor: plan.vendor, device: plan.id, components: &components };
    let manifest = open_with(envelope, &YardKeys(yard)).unwrap().manifest(&device).unwrap();
    let mut run = Run::update(&manifest);
    let mut answer = Answer::Start;
    let end = loop {
        match run.next(&manifest, answer) {
            Ok(Ask::Done) => break Ok(()),
            Ok(Ask::Fetch { .. }) if slot.is_none() => answer = Answer::Failed,
            Ok(Ask::Fetch { .. }) => answer = Answer::Done,
            Ok(Ask::Measure { .. }) => {
                let bytes = slot.unwrap();
                answer = Answer::Measured { digest: Digest::of(bytes), size: bytes.len() as u64 };
            }
            Ok(other) => panic!("{other:?}"),
            Err(failure) => break Err(failure),
        }
    };
    let mut out = [0; 256];
    let stopped = end.map_err(|failure| Stopped::from(&failure));
    let stopped = own.map_or(stopped, |own| Err(run.stopped(own)));
    let uri = manifest.reference_uri().unwrap_or_default();
    let len = write_report(manifest.digest(), uri, stopped.as_ref().copied(), &mut out).unwrap();
    out[..len].to_vec()
}

#[test]
fn a_report_is_told_with_byte_command_expected_and_found() {
    let (_dir, yard, bytes) = envelope();
    let digest = look(&yard, &bytes).says.unwrap().digests[0].clone();
    let told =
        tell(&yard, "gate", &bytes, &report(&yard, &bytes, "gate", Some(b"something else")), None).unwrap();
    assert_eq!((told.section.as_deref(), told.component.as_deref()), (Some("install"), Some("net")));
    assert_eq!((told.reason, told.passed), (201, false));
    let found = pintle_protocol::id::Digest::of(b"something else").to_string();
    for part in [
        "gate stopped, since what was fetched is not what was signed: at byte ",
        "of its install sequence",
        "condition-image-match for component `net` is not met; expected digest ",
        digest.as_str(),
        found.as_str(),
        "of 14 bytes",
    ] {
        assert!(told.sentence.contains(part), "`{part}` is not in: {}", told.sentence);
    }
    assert!(!told.sentence.contains('\n') && !told.sentence.ends_with('.'));

    // A directive, with what it was to fetch.
    let told = tell(&yard, "gate", &bytes, &report(&yard, &bytes, "gate", None), None).unwrap();
    assert_eq!(told.command.as_deref(), Some("directive-fetch"));
    assert!(told.sentence.contains("failed; expected payload/"), "{}", told.sentence);

    // Another board's node: both classes by the names of their boards.
    let told = tell(&yard, "barn", &bytes, &report(&yard, &bytes, "barn", None), None).unwrap();
    assert_eq!((told.section.as_deref(), told.reason), (Some("shared"), 103));
    assert!(told.expected.unwrap().contains("net chip of board latchboard"));
    assert!(told.found.unwrap().contains("net chip of board two-chip"));

    // The right image.
    let library = crate::image::Library::read(&yard).unwrap();
    let payload = library.named("net-1.0.0").unwrap()[0].payload().unwrap();
    let passed = report(&yard, &bytes, "gate", Some(&payload));
    let told = tell(&yard, "gate", &bytes, &passed, None).unwrap();
    assert!(told.passed && told.sentence.contains("to its end"), "{}", told.sentence);

    // The right image, and the node has something against it all the same: no condition has failed.
    for own in [Reason::NoteOther, Reason::NoteBroken, Reason::PairWouldBreak, Reason::PayloadWrong] {
        let own_rule = report_by(&yard, &bytes, "gate", Some(&payload), Some(own));
        let told = tell(&yard, "gate", &bytes, &own_rule, None).unwrap();
        let sentence = &told.sentence;
        assert!(sentence.contains(own.sentence()) && sentence.contains(", after condition-"), "{sentence}");
        assert!(
            !sentence.contains("not met") && told.expected.is_none() && told.found.is_none(),
            "{sentence}"
        );
    }
}

#[test]
fn a_report_and_an_envelope_that_do_not_belong_together_are_told() {
    let (_dir, yard, bytes) = envelope();
    let ours = report(&yard, &bytes, "barn", None);
    assert!(matches!(tell(&yard, "barn", &bytes, &ours[1..], None), Err(TellError::Report(_))));
    assert!(matches!(tell(&yard, "barn", &bytes[1..], &ours, None), Err(TellError::Envelope(_))));
    let (_dir, other, theirs) = {
        let (dir, yard, _) = envelope();
        let sample = samples::find("net-1.1.0").unwrap();
        let request = PackRequest {
            file: sample.file,
            bytes: sample.bytes,
            chip: sample.chip,
            board: "latchboard",
            rehearsal: false,
            way_back_to: None,
        };
        let unlocked = yard.unlock(testing::PASSPHRASE).unwrap();
        let bytes = pack(&yard, &unlocked, request).unwrap().envelope.unwrap().bytes;
        (dir, yard, bytes)
    };
    let mixed = tell(&other, "barn", &theirs, &ours, None).unwrap_err();
    assert!(matches!(mixed, TellError::OtherManifest { .. }));
    assert!(mixed.to_string().contains("the report is about manifest"), "{mixed}");
    assert!(subject(&ours).unwrap().to_string().len() == 64);
}

#[test]
fn an_outcome_without_a_report_is_told_with_what_the_number_means() {
    use pintle_protocol::id::Digest;
    use pintle_server::contract::OutcomeView;
    let (_dir, yard, bytes) = envelope();
    let plan = yard.plan_for_card("gate").unwrap();
    let outcome = |reason: u16, detail, ending: &str| OutcomeView {
        envelope: Digest([1; 32]),
        ending: ending.to_owned(),
        reason,
        sentence: None,
        detail,
    };
    let tell = |o: OutcomeView, bytes: Option<&[u8]>| tell_outcome(&yard, &plan, bytes, &o).sentence;
    let damaged = tell(outcome(100, 9, "refused"), Some(&bytes[..bytes.len() - 1]));
    assert!(
        damaged.starts_with("gate: manifest 0101") && damaged.contains("at byte 9 of the envelope ("),
        "{damaged}"
    );
    let unsigned = tell(outcome(101, 50, "refused"), Some(&bytes));
    assert!(unsigned.contains("the node trusts other keys"), "{unsigned}");
    assert!(tell(outcome(405, 3, "went back"), None).ends_with("it kept resetting, 3 starts"));
    assert!(tell(outcome(9999, 0, "refused"), None).contains("not known here"));
    let kept = tell_outcome(&yard, &plan, None, &outcome(0, 0, "kept"));
    assert!(kept.passed && kept.sentence.ends_with("kept"), "{}", kept.sentence);
    for reason in Reason::ALL {
        let words = tell(outcome(reason.code(), 7, "refused"), None);
        assert!(words.contains(reason.sentence()) && !words.contains("::"), "{words}");
    }
}

#[test]
fn an_envelope_is_held_against_a_capability_report() {
    use pintle_protocol::agent::CAPABILITIES;
    use pintle_protocol::suit::Capabilities;
    let (_dir, _, bytes) = envelope();
    let mut report = [0; 128];
    let len = CAPABILITIES.write(&mut report).unwrap();
    assert_eq!(lacks(&bytes, &report[..len]).unwrap(), Lacks::default());
    let few = Capabilities { components: &[b"io"], commands: &CAPABILITIES.commands[..9], ..CAPABILITIES };
    let len = few.write(&mut report).unwrap();
    let missing = lacks(&bytes, &report[..len]).unwrap();
    assert_eq!(
        (missing.components, missing.commands),
        (vec!["net".to_owned()], vec!["directive-fetch".to_owned()])
    );
    assert!(missing.parameters.is_empty() && missing.algorithms.is_empty());
    let fault = lacks(&bytes, &report[..len - 1]).unwrap_err();
    assert!(fault.to_string().contains("byte"), "{fault}");
    assert!(matches!(lacks(&bytes[..9], &report[..len]), Err(TellError::Envelope(_))));
}

/// What a node reports of a manifest that it does not begin with.
#[test]
fn a_report_of_a_manifest_that_was_not_begun_is_told_with_its_place() {
    use pintle_protocol::suit::{Refusal, write_report};
    let (_dir, yard, bytes) = envelope();
    let authentic = open_with(&bytes, &YardKeys(&yard)).unwrap();
    let told = |refusal: &Refusal| {
        let stopped = authentic.stopped(refusal);
        let mut out = [0; 256];
        let len = write_report(authentic.digest(), "", Err(&stopped), &mut out).unwrap();
        tell(&yard, "gate", &bytes, &out[..len], None).unwrap()
    };
    // By the whole, by a byte outside of every sequence.
    let old = told(&Refusal::SequenceOld { found: 2, kept: 3 });
    let digest = authentic.digest();
    assert_eq!((old.reason, old.passed, old.byte_in_section), (105, false, None));
    let sentence = Reason::SequenceOld.sentence();
    assert_eq!(old.sentence, format!("gate refused manifest {}, since {sentence}", digest.short()));
    let outside = told(&Refusal::Member { at: 9, key: Some(99) });
    assert!(outside.sentence.ends_with(": at byte 9 of the envelope"), "{}", outside.sentence);

    // With what the outcome's number says.
    let stopped = authentic.stopped(&Refusal::Command { at: 9, code: Some(24) });
    let mut out = [0; 256];
    let len = write_report(authentic.digest(), "", Err(&stopped), &mut out).unwrap();
    let numbered = tell(&yard, "gate", &bytes, &out[..len], Some(24)).unwrap();
    assert!(numbered.sentence.contains(", number 24: at byte 9 of the envelope"), "{}", numbered.sentence);

    // By a command that is understood here, inside of a sequence.
    let place = (0..bytes.len()).map(|at| authentic.stopped(&Refusal::Command { at, code: Some(3) }));
    let first = place.enumerate().find(|(_, s)| s.section.is_some()).unwrap();
    let inside = told(&Refusal::Command { at: first.0 + 1, code: Some(3) });
    assert_eq!((inside.reason, inside.byte_in_section, inside.section.is_some()), (107, Some(1), true));
    assert!(inside.command.is_some() && inside.byte_in_manifest.is_some(), "{}", inside.sentence);
}

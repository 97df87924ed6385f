//! Why a run failed: reason by reason, as a report and back again, and as a place in the manifest.

use super::*;
use crate::reason::Reason;

fn with_install(install: &[Vec<u8>]) -> Vec<u8> {
    let shared = sequence(&identity());
    sealed_envelope(&manifest_bytes(
        &[b"a", b"b"],
        None,
        &[(
            20,
            bstr(&{
                let mut all = std::vec![choose(0)];
                all.push(shared[1..].to_vec());
                // The shared sequence is one item of three commands here.
                let body = all.concat();
                let count = 1 + 3 + install.iter().map(|i| if i.is_empty() { 0 } else { 1 }).sum::<usize>();
                cbor(|w| w.array(2 * count).raw(&body).raw(&install.concat()))
            }),
        )],
    ))
}

fn written(manifest: &Manifest<'_>, failure: &Failure, out: &mut [u8]) -> usize {
    let uri = manifest.reference_uri().unwrap_or_default();
    write_report(manifest.digest(), uri, Err(&Stopped::from(failure)), out).unwrap()
}

fn fails(envelope: &[u8], answer: Answer) -> Failure {
    run_with(envelope, |_| answer).1.unwrap_err()
}

#[test]
fn every_directive_has_a_reason_of_its_own() {
    let fetch = [set(&[(21, text("x"))]), command(21)];
    let write = [set(&[(18, bstr(b"x"))]), command(18)];
    let copy = [set(&[(22, uint(1))]), command(22)];
    let own = [set(&[(22, uint(0))]), command(22)];
    for (install, failed, reason, detail) in [
        (&fetch, Command::Fetch, Reason::FetchFailed, false),
        (&write, Command::Write, Reason::WriteFailed, true),
        (&copy, Command::Copy, Reason::WriteFailed, true),
        (&own, Command::Copy, Reason::WriteFailed, true),
    ] {
        let failure = fails(&with_install(install), Answer::Failed);
        assert_eq!((failure.kind, failure.command), (FailureKind::Directive, Some(failed)));
        assert_eq!((failure.reason(), failure.report()), (reason, ReportReason::OperationFailed));
        assert_eq!(failure.detail(), if detail { failure.offset } else { 0 });
        assert!(failure.to_string().contains(failed.word()), "{failure}");
    }
    // Invoking, in its own section.
    let invoke = sequence(&[command(23)]);
    let bytes =
        sealed_envelope(&manifest_bytes(&[b"a"], Some(&sequence(&identity())), &[(9, bstr(&invoke))]));
    let manifest = read(&bytes).unwrap();
    let mut run = Run::invoke(&manifest);
    assert!(matches!(run.next(&manifest, Answer::Start), Ok(Ask::Invoke { .. })));
    let failure = run.next(&manifest, Answer::Failed).unwrap_err();
    assert_eq!((failure.command, failure.reason()), (Some(Command::Invoke), Reason::InvokeFailed));
}

#[test]
fn a_missing_parameter_is_a_condition_or_a_flaw() {
    let failure = fails(&about_a(&slot(1), &sequence(&[command(24)])), Answer::Slot(1));
    assert_eq!(failure.kind, FailureKind::ParameterMissing);
    assert_eq!(
        (failure.reason(), failure.report()),
        (Reason::ConditionFailed, ReportReason::ConditionFailed)
    );
    let failure = fails(&with_install(&[command(21)]), Answer::Done);
    assert_eq!(failure.kind, FailureKind::ParameterMissing);
    assert_eq!((failure.reason(), failure.report()), (Reason::EnvelopeBroken, ReportReason::OperationFailed));
}

#[test]
fn more_steps_than_allowed_have_a_reason_of_their_own() {
    let many = |count: usize| {
        let mut all = identity().to_vec();
        all.extend(core::iter::repeat_n(command(1), count));
        let validate = sequence(&all);
        sealed_envelope(&manifest_bytes(&[b"a"], None, &[(7, bstr(&validate))]))
    };
    let most = usize::from(MAX_STEPS) - 3;
    assert_eq!(run_with(&many(most), |_| Answer::Done).1, Ok(()));
    let failure = fails(&many(most + 1), Answer::Done);
    assert_eq!((failure.kind, failure.reason()), (FailureKind::TooManySteps, Reason::TooLong));
    assert_eq!(failure.command, None);
}

#[test]
fn an_answer_that_does_not_fit_is_never_soft() {
    let validate = sequence(&[try_each(&[Some(slot(0)), Some(slot(1))])]);
    let failure = fails(&about_a(&slot(1), &validate), Answer::Done);
    assert_eq!((failure.kind, failure.command), (FailureKind::Condition, Some(Command::ComponentSlot)));
}

/// Whatever a condition found: what is written is read back.
#[test]
fn what_was_found_comes_back_from_a_report() {
    let digest = Digest::of(b"x");
    let version = bstr(&cbor(|w| w.array(2).uint(2).array(1).uint(2)));
    let image = Holding { digest, size: Some(7) };
    let cases: [(Vec<Vec<u8>>, Answer, Found); 6] = [
        (std::vec![set(&[(1, bstr(&[9; 16]))]), command(1)], Answer::No, Found::Vendor(VENDOR)),
        (std::vec![set(&[(2, bstr(&[9; 16]))]), command(2)], Answer::No, Found::Class(CLASS)),
        (std::vec![set(&[(24, bstr(&[9; 16]))]), command(24)], Answer::No, Found::Device(NODE)),
        (std::vec![set(&[(5, uint(1))]), command(5)], Answer::Slot(3), Found::Slot(3)),
        (
            std::vec![set(&[(28, version)]), command(28)],
            Answer::Version([1, 300, 65535]),
            Found::Version([1, 300, 65535]),
        ),
        (
            std::vec![set(&[(3, digest_value(Digest([1; 32]))), (14, uint(7))]), command(3)],
            Answer::Measured { digest, size: 7 },
            Found::Image(image),
        ),
    ];
    for (validate, answer, found) in cases {
        let bytes = about_a(&sequence(&[set(&[(5, uint(0))])]), &sequence(&validate));
        let failure = fails(&bytes, answer);
        assert_eq!(failure.found, Some(found));
        let mut out = [0; 256];
        let manifest = read(&bytes).unwrap();
        let len = written(&manifest, &failure, &mut out);
        let report = read_report(&out[..len]).unwrap();
        assert_eq!((report.manifest, report.reference_uri, report.nonce), (manifest.digest(), "", None));
        let ReadEnding::Failed { code, reason, record } = report.ending else { panic!("{report:?}") };
        assert_eq!((code, reason), (i64::from(failure.reason().code()), Some(failure.report())));
        assert_eq!(
            (record.section, record.offset, record.component, record.found),
            (Some(failure.section), failure.offset, failure.component, failure.found)
        );
        for cut in 0..len {
            assert!(read_report(&out[..cut]).is_err(), "cut at {cut}");
        }
        // The place that it names, in the envelope.
        let place = place(&bytes, failure.section, record.offset, record.component).unwrap();
        assert_eq!((place.command, place.component), (failure.command, Some(&b"a"[..])));
        assert_eq!(place.manifest, manifest.digest());
    }
    // The time, where there is a clock.
    let validate = sequence(&[set(&[(4, uint(1000))]), command(4)]);
    let bytes = about_a(&sequence(&[set(&[(5, uint(0))])]), &validate);
    let manifest = read(&bytes).unwrap();
    let failure = Run::update(&manifest).with_clock(1001).next(&manifest, Answer::Start).unwrap_err();
    let mut out = [0; 256];
    let len = written(&manifest, &failure, &mut out);
    let ReadEnding::Failed { record, .. } = read_report(&out[..len]).unwrap().ending else { panic!() };
    assert_eq!(record.found, Some(Found::Time(1001)));
    let place = place(&bytes, Section::Validate, record.offset, 0).unwrap();
    assert_eq!(place.asked(|a| a.use_before).as_slice(), [1000]);
}

#[test]
fn a_place_knows_what_was_asked_for_by_then() {
    let one = |n: u8| {
        sequence(&[set(&[(5, uint(u64::from(n)))]), command(5), set(&[(3, digest_value(Digest([n; 32])))])])
    };
    let shared = sequence(&[choose(0), set(&[(21, text("first"))]), try_each(&[Some(one(0)), Some(one(1))])]);
    let install = sequence(&[
        choose(1),
        set(&[(21, text("not for a"))]),
        choose(0),
        set(&[(21, text("second"))]),
        command(3),
        set(&[(21, text("too late"))]),
    ]);
    let members = [(20, bstr(&install))];
    let bytes = sealed_envelope(&manifest_bytes(&[b"a", b"b"], Some(&shared), &members));
    let offset = install.windows(2).position(|w| w == [3, 15]).unwrap() as u32;
    let at = place(&bytes, Section::Install, offset, 0).unwrap();
    assert_eq!((at.command, at.component), (Some(Command::ImageMatch), Some(&b"a"[..])));
    assert_eq!(at.asked(|a| a.digest).as_slice(), [Digest([0; 32]), Digest([1; 32])]);
    assert_eq!(at.asked(|a| a.uri).as_slice(), ["second"]);
    // The byte counts from the start of the manifest too.
    let manifest = envelope::open(&bytes, &anchors()).unwrap().manifest_bytes();
    assert_eq!(&manifest[at.in_manifest.unwrap()..][..2], [3, 15]);
    // A failed try-each: its own alternatives are what was asked for.
    let each = shared.windows(2).position(|w| w == [15, 0x82]).unwrap() as u32;
    let at = place(&bytes, Section::Shared, each, 0).unwrap();
    assert_eq!((at.command, at.asked(|a| a.slot).as_slice()), (Some(Command::TryEach), &[0, 1][..]));
    // Bytes at which nothing begins, and components and sections that are not there.
    let none = place(&bytes, Section::Install, offset + 1, 9).unwrap();
    assert_eq!((none.command, none.component), (None, None));
    let absent = place(&bytes, Section::Load, 1, 0).unwrap();
    assert_eq!((absent.command, absent.in_manifest), (None, None));
}

#[test]
fn a_recipient_can_ask_for_commands_that_it_lacks() {
    let bytes = sealed_envelope(&rich());
    let manifest = read(&bytes).unwrap();
    let update = Section::UPDATE;
    let uses = |sections: &[Section], commands: &[Command]| {
        let found = manifest.uses(sections, commands);
        // What stands at the place is the code of the command.
        found
            .inspect(|(command, at)| assert_eq!(i64::from(bytes[*at]), command.code()))
            .map(|(command, _)| command)
    };
    assert_eq!(uses(&update, &[Command::Write]), None);
    assert_eq!(uses(&update, &[Command::Write, Command::Copy]), Some(Command::Copy));
    assert_eq!(uses(&[Section::Validate], &[Command::Copy]), None);
    // Inside an alternative too, and in the shared sequence before any section.
    assert_eq!(uses(&update, &[Command::Fetch]), Some(Command::Fetch));
    assert_eq!(uses(&[], &[Command::ComponentSlot]), Some(Command::ComponentSlot));
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(128))]

    #[test]
    fn any_report_and_any_place_are_judged_without_panic(
        bytes in proptest::collection::vec(any::<u8>(), 0..200),
        at in any::<proptest::sample::Index>(),
        byte in any::<u8>(),
        offset in 0u32..400,
        component in any::<u8>(),
    ) {
        let _ = read_report(&bytes);
        let manifest = sealed_envelope(&rich());
        for section in Section::ALL {
            prop_assert!(place(&manifest, section, offset, component).is_ok());
        }
        let mut hurt = about_a(&slot(1), &sequence(&[set(&[(1, bstr(&[9; 16]))]), command(1)]));
        let failure = fails(&hurt, Answer::Slot(1));
        let mut out = [0; 256];
        let len = written(&read(&hurt).unwrap(), &failure, &mut out);
        out[at.index(len)] = byte;
        if let Err(fault) = read_report(&out[..len]) {
            let words = fault.to_string();
            prop_assert!(words.contains("report") && !words.contains("::"), "{words}");
        }
        let n = at.index(hurt.len());
        hurt[n] ^= byte;
        let _ = place(&hurt, Section::Validate, offset, component);
    }
}

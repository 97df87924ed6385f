//! What a report says of a manifest that was stopped by its scan, and how a report is kept short.

use super::*;
use crate::cbor::{CborFault, CborKind};
use crate::reason::Reason;

fn reported(envelope: &[u8], refusal: &Refusal) -> ReadEnding {
    let authentic = envelope::open(envelope, &anchors()).unwrap();
    let stopped = authentic.stopped(refusal);
    let mut out = [0; 256];
    let len = write_report(authentic.digest(), authentic.reference_uri(), Err(&stopped), &mut out).unwrap();
    let report = read_report(&out[..len]).unwrap();
    assert_eq!(report.manifest, authentic.digest());
    report.ending
}

/// The byte that a scan stumbles over, by section and offset.
#[test]
fn a_refusal_of_the_scan_names_section_and_byte() {
    let odd = |code: i64| sequence(&[try_each(&[Some(slot(1)), Some(sequence(&[command(code)]))])]);
    let unknown = sequence(&[set(&[(99, uint(0))])]);
    let severed = bstr(&sequence(&[command(99)]));
    let install = |c: Vec<u8>| sealed_envelope(&manifest_bytes(&[b"a"], None, &[(20, bstr(&c))]));
    let rows = [
        (about_a(&odd(99), &slot(1)), Section::Shared, ReportReason::CommandUnsupported),
        (about_a(&slot(1), &odd(-99)), Section::Validate, ReportReason::CommandUnsupported),
        (about_a(&slot(1), &unknown), Section::Validate, ReportReason::ParameterUnsupported),
        (install(odd(23)), Section::Install, ReportReason::CommandUnsupported),
        // Outside of the manifest.
        (
            {
                let digest = Digest::of(&severed);
                let manifest = manifest_bytes(&[b"a"], None, &[(20, digest_array(digest))]);
                let inside = &sequence(&[command(99)]);
                envelope_with(
                    &manifest,
                    &[block(2, None, &suit_digest(&manifest))],
                    &[(uint(20), inside.clone())],
                )
            },
            Section::Install,
            ReportReason::CommandUnsupported,
        ),
    ];
    for (bytes, section, standard) in rows {
        let refusal = read(&bytes).unwrap_err();
        let ReadEnding::Failed { code, reason, record } = reported(&bytes, &refusal) else { panic!() };
        assert_eq!((code, reason), (i64::from(Reason::Unsupported.code()), Some(standard)), "{refusal}");
        assert_eq!((record.section, record.component, record.found), (Some(section), 0, None), "{refusal}");
        // Where the section starts is found by itself: what is left from there holds the byte.
        let outer = outer::Outer::read(&bytes).unwrap();
        let bare = manifest::Bare::read(&outer).unwrap();
        let Some(manifest::Commands::Here(piece)) = bare.sections.get(section.index()) else { panic!() };
        let rest = &piece.bytes[record.offset as usize..];
        assert_eq!(rest.as_ptr(), bytes[refusal.at()..].as_ptr(), "{refusal}");
    }
}

#[test]
fn a_refusal_outside_of_every_sequence_counts_from_the_start_of_the_envelope() {
    let bytes = sealed_envelope(&manifest_bytes(&[b"a"], None, &[(99, bstr(b"x"))]));
    let refusal = read(&bytes).unwrap_err();
    let ReadEnding::Failed { reason, record, .. } = reported(&bytes, &refusal) else { panic!() };
    assert_eq!((record.section, reason), (None, Some(ReportReason::CborParse)));
    assert_eq!(bytes[record.offset as usize..][..2], [0x18, 99]);

    // Component "c" belongs to another signer: its index, and no byte.
    let bytes = sealed_envelope(&manifest_bytes(&[b"a", b"nobody"], None, &[]));
    let refusal = read(&bytes).unwrap_err();
    let ReadEnding::Failed { reason, record, .. } = reported(&bytes, &refusal) else { panic!() };
    assert_eq!((record.component, reason), (1, Some(ReportReason::ComponentUnsupported)));
    assert_eq!(bytes[record.offset as usize..][..7], *b"\x81\x46nobod");
}

/// As long as what is found can make it, with a reference URI of every length: the reason and the
/// place are always there, in at most as many bytes as a check-in takes.
#[test]
fn a_report_of_any_manifest_fits_into_a_check_in() {
    let found = Some(Found::Image(Holding { digest: Digest([7; 32]), size: Some(u64::MAX) }));
    let longest = Stopped {
        section: Some(Section::Install),
        offset: u32::MAX,
        component: u8::MAX,
        found,
        code: i64::from(u16::MAX),
        reason: ReportReason::InvokePending,
    };
    let room = crate::checkin::MAX_REPORT;
    let (mut with_record, mut with_uri) = (None, None);
    for len in 0..700 {
        let uri = "u".repeat(len);
        let mut out = std::vec![0; room];
        let written = write_report(Digest([1; 32]), &uri, Err(&longest), &mut out).unwrap();
        let report = read_report(&out[..written]).unwrap();
        let ReadEnding::Failed { code, reason, record } = report.ending else { panic!() };
        assert_eq!((code, reason), (longest.code, Some(longest.reason)));
        let place = (record.section, record.offset, record.component, record.found);
        assert_eq!(place, (longest.section, longest.offset, longest.component, longest.found));
        assert!(report.reference_uri.is_empty() || report.reference_uri == uri, "a part is no URI");
        if report.reference_uri == uri {
            with_uri = Some(len);
        }
        // Member 3, behind the head of the map: a list of one record or of none.
        assert_eq!(out[..2], [0xa3, 3]);
        if out[2] == 0x81 {
            with_record = Some(len);
        }
        // One that passed has room for a longer one.
        assert!(write_report(Digest([1; 32]), &uri, Ok(()), &mut out).is_ok());
    }
    assert_eq!((with_record, with_uri), (Some(83), Some(143)));
    // The least room, as its words say.
    let mut out = [0; 112];
    assert_eq!(write_report(Digest([1; 32]), "uri", Err(&longest), &mut out), Ok(112));
    assert_eq!(write_report(Digest([1; 32]), "uri", Err(&longest), &mut out[..111]), Err(112));
}

/// A fault inside a byte string is told by its place in the whole report.
#[test]
fn what_is_wrong_inside_a_byte_string_has_its_place_in_the_report() {
    let written = |found| {
        let stopped = Stopped {
            section: Some(Section::Validate),
            offset: 1,
            component: 0,
            found: Some(found),
            code: 201,
            reason: ReportReason::ConditionFailed,
        };
        let mut out = std::vec![0; 256];
        let len = write_report(Digest([1; 32]), "", Err(&stopped), &mut out).unwrap();
        out.truncate(len);
        out
    };
    let good = written(Found::Image(Holding { digest: Digest([7; 32]), size: None }));
    // The record stands twice; the one in the result is read.
    let digest = good.windows(4).rposition(|w| w == [0x24, 0x82, 0x2f, 0x58]).unwrap() + 1;
    let changed = |at: usize, to: u8| {
        let mut bytes = good.clone();
        bytes[at] = to;
        read_report(&bytes).unwrap_err()
    };
    let other = ReportFault::Structure { at: digest + 1, expected: "a digest by SHA-256".into() };
    assert_eq!(changed(digest + 1, 0x2e), other);
    let fault = |at, kind| ReportFault::Cbor(CborFault { at, kind });
    // One item, and what is left over behind it; three, of which the last is missing.
    assert_eq!(changed(digest, 0x81), fault(digest + 2, CborKind::Trailing));
    assert_eq!(changed(digest, 0x83), fault(digest + 36, CborKind::Truncated));

    let good = written(Found::Version([1, 2, 3]));
    let numbers = good.windows(6).rposition(|w| w == [0x82, 3, 0x83, 1, 2, 3]).unwrap();
    let mut bytes = good.clone();
    bytes[numbers + 1] = 4;
    let fault = read_report(&bytes).unwrap_err();
    assert_eq!(
        fault,
        ReportFault::Structure { at: numbers + 1, expected: "the comparison \"equal\"".into() }
    );
    bytes = good.clone();
    bytes[numbers + 4] = 0x21;
    let ReportFault::Structure { at, .. } = read_report(&bytes).unwrap_err() else { panic!() };
    assert_eq!(at, numbers + 4);
}

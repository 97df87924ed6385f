//! Whatever becomes of a manifest whose signature counts, the check-in that tells the end brings a
//! SUIT_Report with the same reason, and with the place in the manifest.

use super::tests::{bundle, commissioned, ended, image, packed, sealed};
use crate::author::{BundleManifest, SealRandom};
use crate::checkin::Ending;
use crate::id::{Chip, Digest, PublicKey};
use crate::image::{ImageNote, Quirk};
use crate::reason::Reason;
use crate::sim::rig::{NET, Rig, VENDOR};
use crate::sim::{LAYOUT, Stale};
use crate::suit::{Command, ReadEnding, ReadRecord, ReportReason, place, read_report};
use std::vec::Vec;

/// Offers it and waits for the end; what the report says then, its manifest looked at.
fn reported(rig: &mut Rig, envelope: &[u8], payload: Option<&[u8]>) -> (Reason, ReportReason, ReadRecord) {
    let digest = rig.offer(envelope.to_vec(), payload);
    assert!(rig.until(4000, |r| ended(r, digest).is_some()).unwrap(), "no end");
    let seen = rig.server.seen.as_ref().unwrap();
    let outcome = seen.outcome.unwrap();
    assert_eq!(outcome.ending, Ending::Refused, "{outcome:?}");
    let report = read_report(&seen.report).unwrap();
    assert_eq!(report.manifest, digest);
    let ReadEnding::Failed { code, reason, record } = report.ending else { panic!("{report:?}") };
    assert_eq!(code, i64::from(outcome.reason));
    (Reason::from_code(outcome.reason).unwrap(), reason.unwrap(), record)
}

/// The command that a record names.
fn command(envelope: &[u8], record: &ReadRecord) -> Option<Command> {
    place(envelope, record.section.unwrap(), record.offset, record.component).unwrap().command
}

#[test]
fn what_the_node_refuses_by_its_own_rules_is_reported_with_its_place() {
    let mut rig = commissioned();
    let net = |minor, link| image(Chip::Net, minor, link, Quirk::None);

    // The pair would break: seen where the fetch is asked for.
    let only_new = net(2, (2, 2));
    let envelope = packed(&rig, Chip::Net, &only_new, 1);
    let (reason, standard, record) = reported(&mut rig, &envelope, Some(&only_new));
    assert_eq!((reason, standard), (Reason::PairWouldBreak, ReportReason::ConditionFailed));
    assert_eq!(command(&envelope, &record), Some(Command::Fetch));

    // Larger than the slot.
    let large = net(3, (1, 1));
    let huge = {
        let mut bytes = large.clone();
        bytes.resize(LAYOUT.net_room as usize + 1, 0x31);
        bytes
    };
    let envelope = packed(&rig, Chip::Net, &huge, 2);
    let (reason, standard, record) = reported(&mut rig, &envelope, Some(&huge));
    assert_eq!((reason, standard), (Reason::TooLarge, ReportReason::OperationFailed));
    assert_eq!(command(&envelope, &record), Some(Command::Fetch));

    // The note is for the other chip; the last command has passed by then.
    let mut other = large.clone();
    let mut note = ImageNote::find(&other).unwrap();
    let right = packed(&rig, Chip::Net, &large, 3);
    note.version.patch += 1;
    other[512..512 + crate::image::NOTE_LEN].copy_from_slice(&note.encode());
    // The manifest of one image says what the note of another does.
    let said = ImageNote::find(&large).unwrap();
    let envelope = crate::sim::sample::image_envelope(&other, &said, 4, &rig.yard.image).unwrap();
    assert_ne!(envelope, right);
    let (reason, standard, record) = reported(&mut rig, &envelope, Some(&other));
    assert_eq!((reason, standard), (Reason::NoteOther, ReportReason::ConditionFailed));
    assert!(command(&envelope, &record).is_some());

    // Nothing of that touched what runs.
    let seen = rig.server.seen.as_ref().unwrap();
    assert_eq!((seen.sequences, seen.relay_pulses), ([0, 0, 1], 0));
}

#[test]
fn a_bundle_that_cannot_be_opened_is_reported_where_it_was_to_be_written() {
    let mut rig = commissioned();
    let random = SealRandom { ephemeral: [5; 32], content_key: [6; 32], nonce: [7; 12] };
    let sealing_key = PublicKey([0x0b; 32]);
    let m = BundleManifest { vendor: VENDOR, class: NET, sequence: 5, sealing_key, reference_uri: "bundle" };
    let envelope = m.envelope(&bundle(&["larkfield"]), &random, &rig.yard.bundle).unwrap();
    let (reason, standard, record) = reported(&mut rig, &envelope, None);
    assert_eq!((reason, standard), (Reason::SealWrong, ReportReason::OperationFailed));
    assert_eq!(command(&envelope, &record), Some(Command::Write));
}

#[test]
fn a_replayed_envelope_is_reported_without_a_place() {
    let mut rig = commissioned();
    let mut other = bundle(&["larkfield"]);
    other.policy.consent = true;
    let envelope = sealed(&rig, &other, 1);
    let (reason, standard, record) = reported(&mut rig, &envelope, None);
    assert_eq!((reason, standard), (Reason::SequenceOld, ReportReason::Unauthorised));
    assert_eq!((record.section, record.offset), (None, 0));
}

#[test]
fn a_payload_that_is_not_there_and_flash_that_has_worn_are_reported_at_the_fetch() {
    let mut rig = commissioned();
    let new = image(Chip::Net, 1, (1, 1), Quirk::None);
    let envelope = packed(&rig, Chip::Net, &new, 1);
    let (reason, standard, record) = reported(&mut rig, &envelope, None);
    assert_eq!((reason, standard), (Reason::FetchFailed, ReportReason::OperationFailed));
    assert_eq!(command(&envelope, &record), Some(Command::Fetch));

    rig.board().flash.wear_out(LAYOUT.net[1], Stale::Told);
    let envelope = packed(&rig, Chip::Net, &new, 2);
    let (reason, standard, record) = reported(&mut rig, &envelope, Some(&new));
    assert_eq!((reason, standard), (Reason::FlashWorn, ReportReason::OperationFailed));
    assert_eq!(command(&envelope, &record), Some(Command::Fetch));
}

/// Without a signature that counts there is no manifest to report about: what lies unsent is left as it is.
#[test]
fn nothing_is_reported_about_a_manifest_that_nobody_signed() {
    let mut rig = commissioned();
    let new = image(Chip::Net, 1, (1, 1), Quirk::None);
    rig.yard.image = rig.yard.bundle.clone();
    let mut envelope: Vec<u8> = packed(&rig, Chip::Net, &new, 1);
    let digest = crate::suit::peek(&envelope).unwrap().digest;
    // The first byte of the signature, which stands behind the digest's block.
    let at = envelope.windows(2).position(|w| w == [0x58, 64]).unwrap() + 2;
    envelope[at] ^= 1;
    rig.offer(envelope, Some(&new));
    assert!(rig.until(4000, |r| ended(r, digest).is_some()).unwrap(), "no end");
    assert_eq!(ended(&rig, digest), Some((Ending::Refused, Reason::SignatureWrong.code())));
    assert!(rig.server.seen.as_ref().unwrap().report.is_empty());
}

/// What the last check-in with a report says: whether everything passed, of what manifest.
fn last(rig: &mut Rig, until: impl Fn(&Rig) -> bool) -> Option<(bool, Digest)> {
    let mut told = None;
    for _ in 0..4000 {
        rig.second().unwrap();
        let report = rig.server.seen.as_ref().map(|s| s.report.clone()).filter(|r| !r.is_empty());
        if let Some(report) = report {
            let report = read_report(&report).unwrap();
            told = Some((report.ending == ReadEnding::Passed, report.manifest));
        }
        if until(rig) {
            break;
        }
    }
    told
}

#[test]
fn what_passed_is_reported_too_though_an_image_starts_at_once() {
    for chip in Chip::ALL {
        let mut rig = commissioned();
        let new = image(chip, 1, (1, 1), Quirk::None);
        let envelope = packed(&rig, chip, &new, 1);
        let digest = rig.offer(envelope, Some(&new));
        let told = last(&mut rig, |r| ended(r, digest).is_some());
        assert_eq!(told, Some((true, digest)), "{chip:?}");
    }
    let mut rig = commissioned();
    let envelope = sealed(&rig, &bundle(&["larkfield", "meadow"]), 2);
    let digest = rig.offer(envelope, None);
    assert_eq!(last(&mut rig, |r| ended(r, digest).is_some()), Some((true, digest)));
}

/// The run has passed, and then the record does not take what was to be staged.
#[test]
fn a_record_that_cannot_be_saved_is_reported_as_the_end_of_it() {
    let mut rig = commissioned();
    let new = image(Chip::Net, 1, (1, 1), Quirk::None);
    let envelope = packed(&rig, Chip::Net, &new, 1);
    let digest = rig.offer(envelope, Some(&new));
    // Only the last piece is missing: nothing is saved before everything is staged.
    assert!((8192..12_288).contains(&new.len()), "three pieces");
    let two = |r: &mut Rig| r.board().flash.peek(LAYOUT.net[1] + 4096, 16) == new[4096..4112];
    while !two(&mut rig) {
        rig.second().unwrap();
    }
    for sector in LAYOUT.record {
        rig.board().flash.wear_out(sector, Stale::Told);
        for place in [0, 2048] {
            rig.board().flash.stick(sector + place + 1500, 1, false);
        }
    }
    let told = last(&mut rig, |r| ended(r, digest).is_some());
    assert_eq!(ended(&rig, digest), Some((Ending::Refused, Reason::FlashWorn.code())));
    assert_eq!(told, Some((false, digest)));
}

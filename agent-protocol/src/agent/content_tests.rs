//! Manifests that no packer of ours writes, signed by the owner all the same: whatever they leave out, or test so
//! that it may fail, nothing goes into force but what they name, on the boards they name.

use super::tests::{bundle, commissioned, ended, image, taken};
use crate::author::SealRandom;
use crate::bundle::Bundle;
use crate::cbor::{Item, encode_message};
use crate::checkin::Ending;
use crate::cose::SigningKey;
use crate::cose::encrypt::seal;
use crate::id::{Chip, Digest, NodeId, PublicKey, Uuid16};
use crate::image::{ImageNote, Quirk};
use crate::reason::Reason;
use crate::sim::LAYOUT;
use crate::sim::rig::{NET, NODE, Rig, VENDOR};
use crate::suit::tests::{
    bstr, command, digest_value, manifest_bytes, sealed_by, sealed_envelope, sequence, set, text, try_each,
    uint,
};
use std::vec::Vec;

// Codes of draft-ietf-suit-manifest-37 section 6 and of draft-ietf-suit-update-management-14.
const VENDOR_IS: i64 = 1;
const CLASS_IS: i64 = 2;
const DEVICE_IS: i64 = 24;
const IMAGE_MATCH: i64 = 3;
const USE_BEFORE: i64 = 4;
const ABORT: i64 = 14;
const WRITE: i64 = 18;
const FETCH: i64 = 21;
const VALIDATE: u64 = 7;
const INSTALL: u64 = 20;

/// Vendor and class of the net chip, set and tested.
fn meant() -> [Vec<u8>; 3] {
    [set(&[(1, bstr(&VENDOR.0)), (2, bstr(&NET.0))]), command(VENDOR_IS), command(CLASS_IS)]
}

/// Digest and size of an image, set.
fn named(image: &[u8]) -> Vec<u8> {
    set(&[(3, digest_value(Digest::of(image))), (14, uint(image.len() as u64))])
}

/// An envelope for the net chip with number 9: a shared sequence, and sections.
fn about_net(shared: &[Vec<u8>], sections: &[(u64, Vec<Vec<u8>>)]) -> Vec<u8> {
    let sections: Vec<_> = sections.iter().map(|(key, items)| (*key, bstr(&sequence(items)))).collect();
    sealed_envelope(&manifest_bytes(&[b"net"], Some(&sequence(shared)), &sections))
}

fn fetches(image: &[u8]) -> Vec<Vec<u8>> {
    let uri = std::format!("payload/{}", Digest::of(image));
    std::vec![set(&[(21, text(&uri))]), command(FETCH)]
}

/// How it ended, and whether the spare slot of the net chip holds what it did before.
fn offered(rig: &mut Rig, envelope: Vec<u8>) -> ((Ending, u16), bool) {
    let slot = |rig: &mut Rig| rig.board().flash.peek(LAYOUT.net[1], LAYOUT.net_room);
    let before = slot(rig);
    let digest = rig.offer(envelope, None);
    assert!(rig.until(4000, |r| ended(r, digest).is_some()).unwrap(), "no end");
    (ended(rig, digest).unwrap(), slot(rig) == before)
}

const fn refused(reason: Reason) -> (Ending, u16) {
    (Ending::Refused, reason.code())
}

#[test]
fn other_bytes_than_were_signed_are_never_staged_however_softly_they_are_tested() {
    let signed = image(Chip::Net, 1, (1, 1), Quirk::None);
    let other = image(Chip::Net, 2, (1, 1), Quirk::None);
    assert_eq!(signed.len(), other.len());
    let matches = || sequence(&[command(IMAGE_MATCH)]);
    let abort = || sequence(&[command(ABORT)]);
    let soft = std::vec![try_each(&[Some(matches()), Some(abort()), None])];
    let softer = std::vec![try_each(&[Some(sequence(&soft)), Some(abort()), None])];
    // The bytes that came are named in an alternative that does not hold.
    let misled = sequence(&[named(&other), command(IMAGE_MATCH), command(ABORT)]);
    let misled = std::vec![try_each(&[Some(misled), Some(matches()), None]), named(&signed)];
    for validate in [soft, softer, misled] {
        let shared = [&meant()[..], &[named(&signed)]].concat();
        let envelope = about_net(&shared, &[(VALIDATE, validate.clone()), (INSTALL, fetches(&signed))]);
        for (sent, end) in [(&other, refused(Reason::PayloadWrong)), (&signed, (Ending::Kept, 0))] {
            let mut rig = commissioned();
            rig.server.payloads.insert(Digest::of(&signed), sent.clone());
            assert_eq!(offered(&mut rig, envelope.clone()).0, end, "{validate:02x?}");
            let runs = rig.server.seen.as_ref().unwrap().net.digest;
            assert_eq!(runs == Digest::of(&signed), end.0 == Ending::Kept);
        }
    }
}

#[test]
fn what_lies_in_the_spare_slot_is_staged_only_by_a_manifest_that_says_for_which_boards_it_is() {
    let (first, next) = (image(Chip::Net, 0, (1, 1), Quirk::None), image(Chip::Net, 1, (1, 1), Quirk::None));
    let updated = || {
        let mut rig = commissioned();
        let envelope = super::tests::packed(&rig, Chip::Net, &next, 1);
        let digest = rig.offer(envelope, Some(&next));
        assert!(rig.until(4000, |r| ended(r, digest) == Some((Ending::Kept, 0))).unwrap());
        rig
    };
    let [sets, vendor, class] = meant();
    let validate = || std::vec![command(IMAGE_MATCH)];
    let soft = try_each(&[
        Some(sequence(&[vendor.clone(), command(ABORT)])),
        Some(sequence(&[class.clone(), command(ABORT)])),
        None,
    ]);
    for untested in [std::vec![], std::vec![vendor.clone()], std::vec![class.clone()]] {
        let shared = [std::vec![sets.clone(), named(&first)], untested.clone()].concat();
        let mut rig = updated();
        let (end, _) = offered(&mut rig, about_net(&shared, &[(VALIDATE, validate())]));
        assert_eq!(end, refused(Reason::ClassOther), "{untested:02x?}");
    }
    // Tested, but in a section before the one that says what goes into force.
    let tests = std::vec![vendor.clone(), class.clone()];
    let shared = [sets.clone(), named(&first)];
    let mut rig = updated();
    let (end, _) = offered(&mut rig, about_net(&shared, &[(VALIDATE, validate()), (INSTALL, tests)]));
    assert_eq!(end, refused(Reason::ClassOther));
    // For another class, where that may fail.
    let other = set(&[(1, bstr(&VENDOR.0)), (2, bstr(&[0x77; 16]))]);
    let mut rig = updated();
    let (end, _) = offered(&mut rig, about_net(&[other, named(&first), soft], &[(VALIDATE, validate())]));
    assert_eq!(end, refused(Reason::ClassOther));
    // Said as it should be, it brings back what ran before, and nothing has to be fetched.
    let mut rig = updated();
    let shared = [sets, vendor, class, named(&first)];
    let (end, _) = offered(&mut rig, about_net(&shared, &[(VALIDATE, validate())]));
    assert_eq!(end, (Ending::Kept, 0));
    assert_eq!(rig.server.seen.as_ref().unwrap().net.digest, Digest::of(&first));
}

#[test]
fn a_condition_on_time_refuses_a_manifest_wherever_it_stands_before_anything_is_touched() {
    let new = image(Chip::Net, 1, (1, 1), Quirk::None);
    let before = || std::vec![set(&[(4, uint(4_102_444_800))]), command(USE_BEFORE)];
    let alternatives =
        || try_each(&[Some(sequence(&before())), Some(sequence(&[set(&[(5, uint(0))])])), None]);
    let shared = || [&meant()[..], &[named(&new)]].concat();
    let (fetch, validate) = (|| fetches(&new), || std::vec![command(IMAGE_MATCH)]);
    for envelope in [
        about_net(&[shared(), before()].concat(), &[(VALIDATE, validate()), (INSTALL, fetch())]),
        about_net(&shared(), &[(VALIDATE, validate()), (INSTALL, [fetch(), before()].concat())]),
        about_net(&shared(), &[(VALIDATE, [validate(), before()].concat()), (INSTALL, fetch())]),
        about_net(
            &shared(),
            &[(VALIDATE, validate()), (INSTALL, [std::vec![alternatives()], fetch()].concat())],
        ),
    ] {
        let mut rig = commissioned();
        rig.server.payloads.insert(Digest::of(&new), new.clone());
        let (end, untouched) = offered(&mut rig, envelope);
        assert_eq!((end, untouched), (refused(Reason::Unsupported), true));
    }
}

/// An envelope for the keys with number 9, signed by root: digest and size of `named`, and these commands.
fn about_keys(named: &[u8], install: &[Vec<u8>]) -> Vec<u8> {
    let shared = [
        set(&[(1, bstr(&VENDOR.0)), (3, digest_value(Digest::of(named))), (14, uint(named.len() as u64))]),
        command(VENDOR_IS),
    ];
    let install = bstr(&sequence(install));
    sealed_by(1, &manifest_bytes(&[b"keys"], Some(&sequence(&shared)), &[(INSTALL, install)]))
}

/// What is measured is flash, and behind the text that was checked there is more of it.
#[test]
fn of_a_text_nothing_goes_into_force_but_what_was_checked() {
    let mut rig = commissioned();
    let mut keys = rig.yard.anchors();
    keys.bundle.push(PublicKey(SigningKey::from_bytes(&[31; 32]).verifying_key().to_bytes())).unwrap();
    let mut plain = [0; 1024];
    let len = encode_message(&keys, &mut plain).unwrap();
    let keys = &plain[..len];
    let write = || std::vec![set(&[(18, bstr(keys))]), command(WRITE), command(IMAGE_MATCH)];
    let longer = [keys, &[0xff]].concat();
    for (named, install, end) in [
        (&longer[..], write(), refused(Reason::PayloadWrong)),
        // What lies in the spare slot since, without being brought and checked.
        (&longer, std::vec![command(IMAGE_MATCH)], refused(Reason::PayloadWrong)),
        (keys, std::vec![command(IMAGE_MATCH)], refused(Reason::PayloadWrong)),
        (keys, write(), (Ending::Kept, 0)),
    ] {
        let before = rig.node.as_ref().unwrap().agent().anchors().clone();
        assert_eq!(taken(&mut rig, about_keys(named, &install), None), end);
        let now = rig.node.as_ref().unwrap().agent().anchors();
        assert_eq!(now == &before, end.0 == Ending::Refused);
    }
}

#[test]
fn a_manifest_that_opens_the_slot_again_and_again_stops() {
    let new = image(Chip::Net, 1, (1, 1), Quirk::None);
    let shared = [&meant()[..], &[named(&new)]].concat();
    for (times, end) in
        [(3, (Ending::Kept, 0)), (4, refused(Reason::TooLong)), (200, refused(Reason::TooLong))]
    {
        let mut fetch = std::vec![fetches(&new)[0].clone()];
        fetch.extend(std::iter::repeat_n(command(FETCH), times));
        let mut rig = commissioned();
        rig.server.payloads.insert(Digest::of(&new), new.clone());
        let before = rig.board().flash.erases();
        let envelope = about_net(&shared, &[(VALIDATE, std::vec![command(IMAGE_MATCH)]), (INSTALL, fetch)]);
        assert_eq!(offered(&mut rig, envelope).0, end, "{times} times");
        let erases = rig.board().flash.erases() - before;
        // Three times the slot, and what the boot record takes meanwhile.
        assert!(erases <= 3 * (new.len() as u64).div_ceil(4096) + 20, "{times} times: {erases} erases");
    }
}

#[test]
fn a_size_that_is_missing_or_does_not_fit_is_called_so() {
    let new = image(Chip::Net, 1, (1, 1), Quirk::None);
    let digest = || (3, digest_value(Digest::of(&new)));
    for (parameters, reason) in [
        (std::vec![digest()], Reason::EnvelopeBroken),
        (std::vec![digest(), (14, uint(0))], Reason::TooLarge),
        (std::vec![digest(), (14, uint(u64::from(LAYOUT.net_room) + 1))], Reason::TooLarge),
        (std::vec![digest(), (14, uint(u64::MAX))], Reason::TooLarge),
    ] {
        let shared = [&meant()[..], &[set(&parameters)]].concat();
        let validate = std::vec![command(IMAGE_MATCH)];
        // Fetched, or only measured where it may lie.
        for sections in [
            std::vec![(VALIDATE, validate.clone()), (INSTALL, fetches(&new))],
            std::vec![(VALIDATE, validate.clone())],
        ] {
            let mut rig = commissioned();
            rig.server.payloads.insert(Digest::of(&new), new.clone());
            assert_eq!(offered(&mut rig, about_net(&shared, &sections)), (refused(reason), true));
        }
    }
}

/// A text of component `id`, signed by the key of this number: parameters, conditions, and what is written.
fn writes(signer: u8, id: &[u8], plain: &[u8], identity: &[Vec<u8>], content: &[(i64, Vec<u8>)]) -> Vec<u8> {
    let named = set(&[(3, digest_value(Digest::of(plain))), (14, uint(plain.len() as u64))]);
    let shared = [identity, &[named]].concat();
    let install = bstr(&sequence(&[set(content), command(WRITE), command(IMAGE_MATCH)]));
    sealed_by(signer, &manifest_bytes(&[id], Some(&sequence(&shared)), &[(INSTALL, install)]))
}

fn encoded(message: &dyn Item) -> Vec<u8> {
    let mut bytes = [0; 2048];
    let len = encode_message(message, &mut bytes).unwrap();
    bytes[..len].to_vec()
}

/// What the conditions of a manifest do not show is looked at in what it brings.
#[test]
fn a_bundle_is_taken_only_sealed_and_for_this_node_and_keys_only_in_clear() {
    let identity = || {
        let parameters = [(1, bstr(&VENDOR.0)), (2, bstr(&NET.0)), (24, bstr(&NODE.0))];
        std::vec![set(&parameters), command(VENDOR_IS), command(CLASS_IS), command(DEVICE_IS)]
    };
    let mine = encoded(&bundle(&["larkfield", "meadow"]));
    let other = encoded(&Bundle { node: NodeId([9; 16]), ..bundle(&["larkfield", "meadow"]) });
    let sealed = |rig: &Rig, plain: &[u8]| {
        let random = SealRandom { ephemeral: [5; 32], content_key: [6; 32], nonce: [7; 12] };
        let to = rig.server.claim.as_ref().unwrap().sealing_key;
        let (info, ciphertext) = seal(&to, &random, None, plain).unwrap();
        [(18, bstr(&ciphertext)), (19, bstr(&info))]
    };
    let refuses = |make: &dyn Fn(&Rig) -> Vec<u8>, reason: Reason, detail: u32| {
        let mut rig = commissioned();
        let (before, envelope) = (rig.record().unwrap().clone(), make(&rig));
        let digest = rig.offer(envelope, None);
        assert!(rig.until(4000, |r| ended(r, digest).is_some()).unwrap(), "no end");
        let outcome = rig.server.seen.as_ref().unwrap().outcome.unwrap();
        assert_eq!(
            (outcome.ending, outcome.reason, outcome.detail),
            (Ending::Refused, reason.code(), detail)
        );
        let now = rig.record().unwrap();
        assert_eq!((&now.conf, &now.keys, now.sequences), (&before.conf, &before.keys, before.sequences));
    };
    let in_clear = |_: &Rig| writes(3, b"conf", &mine, &identity(), &[(18, bstr(&mine))]);
    refuses(&in_clear, Reason::SealWrong, 0);
    let of_another = |rig: &Rig| writes(3, b"conf", &other, &identity(), &sealed(rig, &other));
    refuses(&of_another, Reason::NodeOther, 0);
    let keys_sealed = |rig: &Rig| {
        let plain = encoded(&rig.yard.anchors());
        let vendor = [set(&[(1, bstr(&VENDOR.0))]), command(VENDOR_IS)];
        writes(1, b"keys", &plain, &vendor, &sealed(rig, &plain))
    };
    refuses(&keys_sealed, Reason::Unsupported, 19);

    // The same, sealed for this node, is taken.
    let mut rig = commissioned();
    let envelope = writes(3, b"conf", &mine, &identity(), &sealed(&rig, &mine));
    assert_eq!(taken(&mut rig, envelope, None), (Ending::Kept, 0));

    // Each condition that the part asks for, left out.
    for leave_out in [VENDOR_IS, CLASS_IS, DEVICE_IS] {
        let identity: Vec<_> = identity().into_iter().filter(|item| *item != command(leave_out)).collect();
        let mut rig = commissioned();
        let envelope = writes(3, b"conf", &mine, &identity, &sealed(&rig, &mine));
        assert_eq!(taken(&mut rig, envelope, None), refused(Reason::ClassOther), "{leave_out}");
    }
    let untested = |rig: &Rig| {
        let plain = encoded(&rig.yard.anchors());
        writes(1, b"keys", &plain, &[set(&[(1, bstr(&VENDOR.0))])], &[(18, bstr(&plain))])
    };
    let mut rig = commissioned();
    let envelope = untested(&rig);
    assert_eq!(taken(&mut rig, envelope, None), refused(Reason::ClassOther));
}

/// What an image says of itself against its manifest and the board, each thing alone.
#[test]
fn an_image_that_is_another_than_its_manifest_says_is_not_staged() {
    type Change = fn(&mut ImageNote);
    let changes: [(&str, Change); 6] = [
        ("class", |n| n.class = Uuid16([0x77; 16])),
        ("chip", |n| n.chip = n.chip.other()),
        ("version", |n| n.version.patch += 1),
        ("link", |n| n.link.newest += 1),
        ("profile id", |n| n.profile.id += 1),
        ("profile version", |n| n.profile.version += 1),
    ];
    for chip in Chip::ALL {
        for (what, change) in changes {
            let mut new = image(chip, 1, (1, 1), Quirk::None);
            let said = ImageNote::find(&new).unwrap();
            let mut note = said;
            change(&mut note);
            new[512..512 + crate::image::NOTE_LEN].copy_from_slice(&note.encode());
            assert_eq!(ImageNote::find(&new), Ok(note));
            let mut rig = commissioned();
            let envelope = crate::sim::sample::image_envelope(&new, &said, 1, &rig.yard.image).unwrap();
            assert_eq!(taken(&mut rig, envelope, Some(&new)), refused(Reason::NoteOther), "{chip:?} {what}");
        }
    }
}

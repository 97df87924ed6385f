//! A server that has moved is found again on the local link, and nobody else is taken for it.

use super::tests::{bundle, commissioned, sealed};
use crate::bundle::Address;
use crate::checkin::Ending;
use crate::cose::thumbprint;
use crate::id::PublicKey;
use crate::sim::Advert;
use crate::sim::rig::Rig;
use std::string::String;
use std::vec;
use std::vec::Vec;

const MOVED: &str = "https://pintle-0d0f.local:7443";
const SPOOF: &str = "https://pintle-ffff.local:7443";

fn key_of(rig: &Rig) -> [u8; 32] {
    thumbprint(&PublicKey(rig.yard.server.verifying_key().to_bytes()))
}

fn advertise(rig: &mut Rig, base: &str, key: [u8; 32]) {
    rig.board().adverts.push(Advert { base: String::from(base), key });
}

/// Whether the server hears the node within `seconds`.
fn is_heard(rig: &mut Rig, seconds: u32) -> bool {
    rig.server.seen = None;
    rig.until(seconds, |rig| rig.server.seen.is_some()).unwrap()
}

#[test]
fn a_server_with_a_new_address_is_found_by_its_key() {
    let mut rig = commissioned();
    rig.server.only_at = Some(String::from(MOVED));
    assert!(!is_heard(&mut rig, 300));
    let key = key_of(&rig);
    advertise(&mut rig, MOVED, key);
    assert!(is_heard(&mut rig, 300));
    // It stays with it, and the listed address is the first again after a start.
    assert!(is_heard(&mut rig, 60));
    rig.server.only_at = None;
    rig.power_cycle();
    assert!(is_heard(&mut rig, 120));
}

/// The server's default interval, longer than half of the time after which a deaf node joins anew.
#[test]
fn a_node_that_checks_in_seldom_finds_it_too() {
    for listed in [1, 3] {
        let mut rig = commissioned();
        rig.server.next_seconds = 300;
        let mut wanted = bundle(&["larkfield"]);
        wanted.servers.clear();
        for n in 0..listed {
            let base = std::format!("https://192.0.2.{n}:7443");
            wanted.servers.push(Address(heapless::String::try_from(base.as_str()).unwrap())).unwrap();
        }
        let offered = rig.offer(sealed(&rig, &wanted, 20), None);
        let kept = |rig: &Rig| rig.record().unwrap().outcome.is_some_and(|o| o.envelope == offered);
        assert!(rig.until(3600, kept).unwrap());
        assert_eq!(rig.record().unwrap().outcome.unwrap().ending, Ending::Kept);
        rig.server.offer = None;
        assert!(is_heard(&mut rig, 900));
        rig.server.only_at = Some(String::from(MOVED));
        let key = key_of(&rig);
        advertise(&mut rig, MOVED, key);
        assert!(is_heard(&mut rig, 300 * (listed + 3)), "{listed}");
    }
}

#[test]
fn one_with_another_key_is_not_even_asked() {
    let mut rig = commissioned();
    rig.server.only_at = Some(String::from(MOVED));
    advertise(&mut rig, MOVED, [9; 32]);
    assert!(!is_heard(&mut rig, 600));
}

#[test]
fn one_that_copies_the_fingerprint_leads_nowhere() {
    let answers = [(200, b"not a reply".to_vec()), (404, Vec::new()), (202, Vec::new()), (503, vec![0; 64])];
    for answer in answers {
        let mut rig = commissioned();
        let key = key_of(&rig);
        rig.server.only_at = Some(String::from(MOVED));
        rig.server.impostors.insert(String::from(SPOOF), answer);
        advertise(&mut rig, SPOOF, key);
        advertise(&mut rig, MOVED, key);
        let before = rig.record().unwrap().outcome;
        assert!(is_heard(&mut rig, 900));
        assert_eq!(rig.record().unwrap().outcome, before);
    }
}

#[test]
fn somebody_else_at_the_listed_address_does_not_keep_the_node_there() {
    let mut rig = commissioned();
    let key = key_of(&rig);
    rig.server.only_at = Some(String::from(MOVED));
    for listed in &bundle(&["larkfield"]).servers {
        rig.server.impostors.insert(String::from(listed.0.as_str()), (200, b"a printer".to_vec()));
    }
    advertise(&mut rig, MOVED, key);
    assert!(is_heard(&mut rig, 900));
}

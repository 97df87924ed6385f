//! One spot of flash has worn: a sector that no longer erases, whether it says so or not, or a
//! bit that stays as it is. Every sector that an update uses is tried, on either chip.
//!
//! The update ends well, or in a refusal that says why. Either way the node runs an allowed
//! pair, goes by a valid bundle, starts again after a power cut, checks in, and takes what is
//! offered next if that has no need of the spot.

use super::scenario::{Allowed, PATIENCE, Scenario, settled};
use crate::agent::BootFault;
use crate::agent::tests::{bundle, commissioned, ended, image, run_image, sealed, taken};
use crate::author::KeysManifest;
use crate::board::FlashFault;
use crate::checkin::{Ending, Outcome};
use crate::cose::SigningKey;
use crate::id::{Chip, Digest, PublicKey};
use crate::image::Quirk;
use crate::reason::Reason;
use crate::sim::rig::{Rig, VENDOR};
use crate::sim::{LAYOUT, SimFlash, Stale};
use crate::tell::tell;
use std::collections::BTreeMap;
use std::format;
use std::string::String;
use std::vec::Vec;

/// Byte offsets in a sector, each with a bit: at its start, in its head, in the middle of what is
/// written, around the second place of a record, and at its end.
const BITS: [(u32, u8); 8] =
    [(0, 0x01), (1, 0x80), (21, 0x10), (100, 0x04), (400, 0x40), (2048, 0x02), (2170, 0x20), (4095, 0x08)];

#[derive(Clone, Copy, Debug)]
enum Spot {
    Stale(Stale),
    Stuck { offset: u32, mask: u8, set: bool },
}

fn spots() -> impl Iterator<Item = Spot> {
    let stuck = |set| BITS.into_iter().map(move |(offset, mask)| Spot::Stuck { offset, mask, set });
    let stale = [Spot::Stale(Stale::Told), Spot::Stale(Stale::Silent)];
    stale.into_iter().chain(stuck(false)).chain(stuck(true))
}

impl Spot {
    fn put(self, flash: &mut SimFlash, sector: u32) {
        match self {
            Self::Stale(how) => flash.wear_out(sector, how),
            Self::Stuck { offset, mask, set } => flash.stick(sector + offset, mask, set),
        }
    }
}

fn flash(rig: &mut Rig, io: bool) -> &mut SimFlash {
    if io { rig.board().io.flash_mut() } else { &mut rig.board().flash }
}

/// How the plan ended: with its last update, or with one that was not kept.
fn stopped(rig: &Rig, last: Digest) -> Option<Outcome> {
    let outcome = rig.server.seen.as_ref()?.outcome?;
    (outcome.envelope == last || outcome.ending != Ending::Kept).then_some(outcome)
}

/// A set of trust anchors that has not been offered yet.
fn next_offer(rig: &mut Rig) -> Digest {
    let mut anchors = rig.yard.anchors();
    let another = SigningKey::from_bytes(&[23; 32]).verifying_key().to_bytes();
    anchors.bundle.push(PublicKey(another)).unwrap();
    let m = KeysManifest { vendor: VENDOR, sequence: 9, reference_uri: "keys" };
    let envelope = m.envelope(&anchors, &rig.yard.root).unwrap();
    rig.offer(envelope, None)
}

/// One update with one worn spot. How it ended, in words.
fn run(scenario: &Scenario, allowed: &Allowed, io: bool, sector: u32, spot: Spot) -> String {
    let what = format!("{}, {} {sector:#x}, {spot:?}", scenario.name, if io { "io" } else { "net" });
    let mut rig = scenario.rig.clone();
    spot.put(flash(&mut rig, io), sector);
    let mut watch = allowed.watch(&rig.high);
    let second = |rig: &mut Rig| rig.second().unwrap_or_else(|e| panic!("{what}: does not start: {e:?}"));
    let mut end = None;
    for _ in 0..PATIENCE {
        second(&mut rig);
        watch.look(&mut rig, &what);
        end = stopped(&rig, scenario.last);
        if end.is_some() {
            break;
        }
    }
    let end = end.unwrap_or_else(|| panic!("{what}: no end"));
    let why = Reason::from_code(end.reason);
    let told = match why {
        None => (end.ending, end.reason) == scenario.end,
        Some(Reason::FlashWorn) => end.ending == Ending::Refused && !io,
        Some(Reason::LinkFailed | Reason::NoHandshake) if io => end.ending == Ending::WentBack,
        Some(_) => (end.ending, end.reason) == scenario.end,
    };
    assert!(told, "{what}: ended in {end:?}");

    // Power goes and comes back, and the node is there.
    rig.power_cycle();
    let heard = rig.server.seen.as_ref().unwrap().counter;
    for _ in 0..300 {
        second(&mut rig);
        watch.look(&mut rig, &what);
    }
    assert!(rig.server.seen.as_ref().unwrap().counter > heard + 2, "{what}: it no longer checks in");

    // The io chip has one place for its image. If that can no longer be written it stays in its
    // loader, with the relay off, and no trial can be passed any more.
    let works = settled(&rig, end.envelope).is_some();
    if io && end.ending == Ending::WentBack && !works {
        assert!(rig.board().io.note().is_none(), "{what}: an image that should not run");
        return format!("io chip in its loader, {:?}: {}", end.ending, why.unwrap());
    }
    assert!(works, "{what}: the io chip does not work");
    let next = next_offer(&mut rig);
    for _ in 0..PATIENCE {
        second(&mut rig);
        if ended(&rig, next).is_some() {
            break;
        }
    }
    let taken = ended(&rig, next);
    let spoilt = !io && LAYOUT.keys.contains(&sector);
    let refused = Some((Ending::Refused, Reason::FlashWorn.code()));
    assert!(
        taken == Some((Ending::Kept, 0)) || (spoilt && taken == refused),
        "{what}: the next update ended in {taken:?}"
    );
    format!("{:?}{}", end.ending, why.map(|r| format!(": {r}")).unwrap_or_default())
}

/// Every spot of every sector that the update uses.
fn every_spot(scenario: &Scenario) {
    let mut allowed = Allowed::default();
    let mut whole = scenario.rig.clone();
    for io in [false, true] {
        flash(&mut whole, io).take_touched();
    }
    for _ in 0..PATIENCE {
        whole.second().unwrap();
        allowed.learn(&whole);
        if settled(&whole, scenario.last).is_some() {
            break;
        }
    }
    let mut ends: BTreeMap<String, u32> = BTreeMap::new();
    for io in [false, true] {
        let touched: Vec<u32> = flash(&mut whole, io).take_touched().into_iter().collect();
        assert!(io || touched.len() >= 3, "an update uses both record sectors and a spare place");
        for sector in touched {
            for spot in spots() {
                *ends.entry(run(scenario, &allowed, io, sector, spot)).or_default() += 1;
            }
        }
    }
    tell(format_args!("worn flash: {}: {ends:?}", scenario.name));
    assert!(ends.len() > 1, "{}: no spot made a difference", scenario.name);
}

#[test]
fn a_worn_spot_never_costs_the_node_while_images_are_updated() {
    every_spot(&Scenario::net_image());
    every_spot(&Scenario::way_back());
    every_spot(&Scenario::bad_net_image());
}

#[test]
fn a_worn_spot_never_costs_the_node_while_io_images_are_updated() {
    every_spot(&Scenario::io_image());
    every_spot(&Scenario::both_chips());
    every_spot(&Scenario::bad_io_image());
}

#[test]
fn a_worn_spot_never_costs_the_node_while_bundles_and_anchors_are_updated() {
    every_spot(&Scenario::bundle());
    every_spot(&Scenario::wifi_candidate());
    every_spot(&Scenario::trust_anchors());
}

#[test]
fn without_any_place_for_its_record_a_node_still_watches_its_door() {
    let scenario = Scenario::net_image();
    let mut rig = scenario.rig.clone();
    for sector in LAYOUT.record {
        rig.board().flash.wear_out(sector, Stale::Silent);
        // Both places are full, or will be.
        for place in [0, 2048] {
            rig.board().flash.stick(sector + place + 1500, 1, false);
        }
    }
    assert!(rig.until(60, |r| r.node.is_some()).unwrap(), "does not start");
    assert!(rig.until(120, |r| r.node.as_ref().unwrap().sense().status.is_some()).unwrap());
    let before = rig.server.seen.as_ref().unwrap().counter;
    rig.until(200, |_| false).unwrap();
    let node = rig.node.as_ref().unwrap();
    assert!(node.agent().bundle().is_some());
    let wanted = crate::bundle::settings_sum(node.agent().bundle().unwrap());
    assert_eq!(node.sense().status.unwrap().settings, wanted, "the io chip goes by the bundle");
    // No counter can be kept, so none is used.
    assert_eq!(rig.server.seen.as_ref().unwrap().counter, before);
    assert_eq!(ended(&rig, scenario.last), None);
}

#[test]
fn a_record_that_can_no_longer_be_saved_ends_an_update_in_a_refusal() {
    let scenario = Scenario::net_image();
    let mut rig = scenario.rig.clone();
    assert!(rig.until(60, |r| r.node.is_some()).unwrap());
    for sector in LAYOUT.record {
        rig.board().flash.wear_out(sector, Stale::Told);
    }
    assert!(rig.until(PATIENCE, |r| stopped(r, scenario.last).is_some()).unwrap(), "no end");
    assert_eq!(ended(&rig, scenario.last), Some((Ending::Refused, Reason::FlashWorn.code())));
    let before = rig.server.seen.as_ref().unwrap().counter;
    assert!(rig.until(200, |r| r.server.seen.as_ref().unwrap().counter > before + 2).unwrap());
}

/// After an update of everything, so that there are two of each: any one of them cannot be read at the next start.
#[test]
fn a_sector_that_cannot_be_read_is_passed_over_for_the_other_copy() {
    let mut rig = commissioned();
    for (chip, sequence) in [(Chip::Io, 1), (Chip::Net, 2)] {
        let new = image(chip, 1, (1, 1), Quirk::None);
        assert_eq!(run_image(&mut rig, chip, &new, sequence), (Ending::Kept, 0));
    }
    let envelope = sealed(&rig, &bundle(&["larkfield", "meadow"]), 2);
    assert_eq!(taken(&mut rig, envelope, None), (Ending::Kept, 0));
    let kept = rig.record().unwrap().clone();
    let sectors =
        LAYOUT.record.into_iter().chain(LAYOUT.conf).chain(LAYOUT.keys).chain(LAYOUT.net).chain(LAYOUT.io);
    for sector in sectors {
        let mut rig = rig.fork();
        let heard = rig.server.seen.as_ref().unwrap().counter;
        rig.board().flash.spoil(sector);
        let started = rig.until(300, |r| r.server.seen.as_ref().unwrap().counter > heard + 2);
        assert!(
            started.unwrap_or_else(|e| panic!("{sector:#x}: does not start: {e:?}")),
            "{sector:#x}: silent"
        );
        let now = rig.record().unwrap();
        assert_eq!(now.sequences, kept.sequences, "{sector:#x}");
        assert!(rig.node.as_ref().unwrap().agent().bundle().is_some(), "{sector:#x}: it goes by no bundle");
        // What is offered next is taken, and what is written to the place is read again.
        for (n, sequence) in [(0, 3), (1, 4)] {
            let networks = [&["larkfield", "orchard"], &["larkfield", "paddock"]][n];
            let envelope = sealed(&rig, &bundle(networks), sequence);
            assert_eq!(taken(&mut rig, envelope, None), (Ending::Kept, 0), "{sector:#x}");
        }
        let new = image(Chip::Net, 2, (1, 1), Quirk::None);
        assert_eq!(run_image(&mut rig, Chip::Net, &new, 3), (Ending::Kept, 0), "{sector:#x}");
    }
}

/// Where nothing of its record can be read, a node does not take itself for a new one, card or not: that would forget
/// what it has kept. It starts once flash can be read.
#[test]
fn a_record_that_cannot_be_read_at_all_is_not_begun_anew() {
    let mut rig = commissioned().fork();
    let before = rig.board().flash.clone();
    LAYOUT.record.iter().for_each(|sector| rig.board().flash.spoil(*sector));
    let operations = rig.board().flash.operations();
    assert_eq!(rig.until(5, |_| false), Err(BootFault::Flash(FlashFault::Chip)));
    assert_eq!(rig.board().flash.operations(), operations, "something was written");
    let sequences = rig.high.sequences;
    rig.board().flash = before;
    let heard = rig.server.seen.as_ref().unwrap().counter;
    assert!(rig.until(300, |r| r.server.seen.as_ref().unwrap().counter > heard).unwrap());
    assert_eq!(rig.record().unwrap().sequences, sequences);
}

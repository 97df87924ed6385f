//! The searches.

use super::lies::Lie;
use super::rules::Broken;
use super::search::{Found, May, search, tale};
use super::setup::{Setup, What};
use super::world::{Event, Net};
use crate::checkin::Ending;
use crate::id::Chip;
use crate::image::Quirk;
use crate::reason::Reason;
use crate::tell::tell;
use std::format;
use std::vec::Vec;

/// People at the door and at the node, as often as they like; nothing breaks.
const PEOPLE: May = May {
    events: &[
        Event::Second,
        Event::Tick,
        Event::Long,
        Event::LongUse,
        Event::Wall,
        Event::WallAgain,
        Event::Press,
        Event::CloseDue,
        Event::Warn,
        Event::WarnEnds,
        Event::Consent,
    ],
    faults: false,
    disturbances: 0,
};

/// The door is used, and everything may break.
const ALL: May = May {
    events: &[
        Event::Second,
        Event::Tick,
        Event::Long,
        Event::LongUse,
        Event::Wall,
        Event::Press,
        Event::Blind(true),
        Event::Blind(false),
        Event::Wire(false),
        Event::Wire(true),
        Event::IoReset,
        Event::Spoilt,
        Event::Net(Net::Up),
        Event::Net(Net::NoServer),
        Event::Net(Net::Down),
        Event::Hush,
        Event::NextOffer,
    ],
    faults: true,
    disturbances: 1,
};

fn holds(name: &str, setup: &Setup, may: May) -> Found {
    let found = search(name, setup, may, Lie::None);
    if let Some((rule, way)) = &found.broken {
        panic!("{name}: {rule:?} after {} moves:\n{}", way.len(), tale(setup, Lie::None, way));
    }
    found
}

/// One change with nothing but what `may` allows. It must be able to end as `ends` says, and is kept only
/// if that is among them: a search in which nothing happens shows nothing.
fn one(kind: &str, (what, ends): (What, &[End]), consent: bool, may: May) {
    let name = format!("{kind}, {what:?}{}", if consent { ", with consent" } else { "" });
    let found = holds(&name, &Setup::new(consent, &[what]), may);
    for (ending, reason) in ends {
        assert!(found.endings.contains(&(0, *ending, *reason)), "{name}: never {ending:?}, {reason}");
    }
    let kept = found.endings.iter().any(|(_, ending, _)| *ending == Ending::Kept);
    assert_eq!(kept, ends.contains(&KEPT), "{name}: {:?}", found.endings);
}

/// How a change ended, with the code of the reason.
type End = (Ending, u16);

const KEPT: End = (Ending::Kept, 0);
const LOST: End = (Ending::WentBack, Reason::NoCheckIn.code());
const MOVED: End = (Ending::WentBack, Reason::PositionDiffers.code());
const MUTE: End = (Ending::WentBack, Reason::NoHandshake.code());

/// Each kind of change, and ends that it can come to whatever happens. An image that takes open for
/// closed is kept if somebody moves the door meanwhile: no node could tell.
const CHANGES: [(What, &[End]); 8] = [
    (What::Image(Chip::Net, Quirk::None), &[KEPT, MOVED, LOST]),
    (What::Image(Chip::Net, Quirk::NoCheckIn), &[LOST]),
    (What::Image(Chip::Io, Quirk::None), &[KEPT, MOVED, LOST]),
    (What::Image(Chip::Io, Quirk::MuteLink), &[MUTE]),
    (What::Image(Chip::Io, Quirk::WrongPosition), &[KEPT, MOVED, LOST]),
    (What::Alarm, &[KEPT, MOVED, LOST]),
    (What::Interval, &[KEPT, LOST]),
    (What::Keys, &[KEPT, LOST]),
];

#[test]
fn people_use_the_door_all_the_time() {
    for change in CHANGES {
        one("people", change, false, PEOPLE);
        one("people", change, true, PEOPLE);
    }
}

#[test]
fn one_thing_breaks_with_a_net_image_or_a_text() {
    for change in CHANGES.into_iter().filter(|(what, _)| !matches!(what, What::Image(Chip::Io, _))) {
        one("one breaks", change, change.0 == What::Alarm, ALL);
    }
}

#[test]
fn one_thing_breaks_with_an_io_image() {
    for change in CHANGES.into_iter().filter(|(what, _)| matches!(what, What::Image(Chip::Io, _))) {
        one("one breaks", change, false, ALL);
    }
}

#[test]
fn two_things_break_with_the_first_bundle() {
    let setup = Setup::first_bundle();
    let found = holds("two break, first bundle", &setup, May { disturbances: 2, ..ALL });
    assert!(found.endings.contains(&(0, Ending::Kept, 0)), "{:?}", found.endings);
}

/// Two changes, and whether the door asks for a press on the node's own button. The server may offer the
/// second at any moment: while the first is fetched, waits or is on trial.
const PAIRS: [([What; 2], bool); 5] = [
    ([What::Image(Chip::Io, Quirk::MuteLink), What::Image(Chip::Io, Quirk::None)], false),
    ([What::Image(Chip::Net, Quirk::NoCheckIn), What::Image(Chip::Io, Quirk::None)], false),
    ([What::Image(Chip::Net, Quirk::None), What::Image(Chip::Io, Quirk::None)], false),
    ([What::Alarm, What::Image(Chip::Net, Quirk::None)], true),
    ([What::Interval, What::Alarm], true),
];

fn pair((two, consent): ([What; 2], bool), disturbances: u8) {
    let name = format!("{disturbances} break, {:?}, then {:?}", two[0], two[1]);
    let found = holds(&name, &Setup::new(consent, &two), May { disturbances, ..ALL });
    assert!(found.endings.contains(&(1, Ending::Kept, 0)), "{name}: {:?}", found.endings);
}

/// With PINTLE_MODEL_LONG set, also with breaks on the way, which takes minutes.
#[test]
fn one_change_follows_another() {
    PAIRS.into_iter().for_each(|two| pair(two, 0));
    if std::env::var_os("PINTLE_MODEL_LONG").is_none() {
        return;
    }
    PAIRS.into_iter().for_each(|two| pair(two, 1));
    for change in CHANGES {
        one("two break", change, false, May { disturbances: 2, ..ALL });
        one("two break", change, true, May { disturbances: 2, ..ALL });
    }
}

/// What the rules are worth: with something broken on purpose, each search must find it.
#[test]
fn what_is_broken_on_purpose_is_found() {
    let io = What::Image(Chip::Io, Quirk::None);
    for (lie, consent, what, may, rule) in [
        (Lie::AtRest, false, io, PEOPLE, Broken::AppliedUnsafely),
        (Lie::AtRest, false, What::Alarm, PEOPLE, Broken::AppliedUnsafely),
        (Lie::Inhibited, false, What::Alarm, PEOPLE, Broken::AppliedUnsafely),
        (Lie::NeverInhibits, false, io, PEOPLE, Broken::Stuck),
        (Lie::LetsGo, false, What::Alarm, PEOPLE, Broken::PulsedInTrial),
        (Lie::AtRestInTrial, false, io, ALL, Broken::ProgrammedUnsafely),
        (Lie::AtRestInTrial, false, What::Alarm, PEOPLE, Broken::WentBackInUse),
        (Lie::Forgets, false, What::Interval, PEOPLE, Broken::HeldOffInVain),
        (Lie::Pressed, true, What::Alarm, PEOPLE, Broken::AppliedWithoutConsent),
        (Lie::NoEnd, false, io, PEOPLE, Broken::Stuck),
    ] {
        let setup = Setup::new(consent, &[what]);
        let found = search(&format!("{lie:?}"), &setup, may, lie);
        let (broken, way) = found.broken.unwrap_or_else(|| panic!("{lie:?}: nothing found"));
        assert_eq!(broken, rule, "{lie:?}:\n{}", tale(&setup, lie, &way));
        let moves: Vec<_> = way.iter().map(|(event, fault)| format!("{event:?}/{fault:?}")).collect();
        tell(format_args!("model: {lie:?}: {rule:?} after {}", moves.join(", ")));
    }
}

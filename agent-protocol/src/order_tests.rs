use super::*;
use crate::tell::tell;
use proptest::prelude::*;
use proptest::test_runner::{Config, TestRunner};
use std::cell::Cell;

fn speaks(oldest: u8, newest: u8) -> Speaks {
    Speaks { link: LinkRange { oldest, newest }, profile: ActuationProfile { id: 1, version: 1 } }
}

fn both<'a>(net: Speaks, io: Speaks, nets: &'a [Speaks], ios: &'a [Speaks]) -> Plan<'a> {
    Plan { net, io, net_images: nets, io_images: ios, want_net: Some(0), want_io: Some(0) }
}

fn steps(list: &[(Chip, Option<usize>)]) -> std::vec::Vec<Step> {
    list.iter().map(|(chip, image)| Step { chip: *chip, image: *image }).collect()
}

#[test]
fn either_order_goes_io_first() {
    let found = route(&both(speaks(1, 2), speaks(1, 2), &[speaks(1, 3)], &[speaks(1, 3)])).unwrap();
    assert_eq!(found.as_slice(), steps(&[(Chip::Io, Some(0)), (Chip::Net, Some(0))]));
}

#[test]
fn an_io_image_that_no_longer_speaks_the_old_link_waits_for_net() {
    let found = route(&both(speaks(1, 1), speaks(1, 1), &[speaks(1, 2)], &[speaks(2, 2)])).unwrap();
    assert_eq!(found.as_slice(), steps(&[(Chip::Net, Some(0)), (Chip::Io, Some(0))]));
}

#[test]
fn a_gap_is_crossed_on_a_stepping_stone() {
    // Both ends moved from link 1 to link 2; an older net image speaks both.
    let nets = [speaks(2, 2), speaks(1, 2)];
    let found = route(&both(speaks(1, 1), speaks(1, 1), &nets, &[speaks(2, 2)])).unwrap();
    assert_eq!(found.as_slice(), steps(&[(Chip::Net, Some(1)), (Chip::Io, Some(0)), (Chip::Net, Some(0))]));
}

#[test]
fn a_missing_stone_is_named() {
    let refused = route(&both(speaks(1, 1), speaks(1, 1), &[speaks(3, 4)], &[speaks(3, 3)]));
    let stone = Stone { chip: Chip::Io, link: LinkRange { oldest: 1, newest: 3 }, profile: 1 };
    assert_eq!(refused, Err(NoRoute::Missing(stone)));
    assert!(format!("{}", refused.unwrap_err()).contains("io chip that speaks link 1 to 3"));
}

#[test]
fn another_meaning_is_never_crossed() {
    let other = |s: Speaks| Speaks { profile: ActuationProfile { id: 2, version: 1 }, ..s };
    let (now, after) = (speaks(1, 1), other(speaks(1, 1)));
    assert_eq!(route(&both(now, now, &[after], &[after])), Err(NoRoute::OtherMeaning { now: 1, after: 2 }));
}

#[test]
fn ends_that_are_apart_are_refused() {
    assert_eq!(
        route(&both(speaks(1, 1), speaks(2, 2), &[speaks(2, 2)], &[speaks(2, 2)])),
        Err(NoRoute::ApartNow)
    );
    assert_eq!(
        route(&both(speaks(1, 1), speaks(1, 1), &[speaks(1, 1)], &[speaks(2, 2)])),
        Err(NoRoute::ApartAfter)
    );
}

#[test]
fn indices_and_counts_are_checked() {
    let many = [speaks(1, 1); MAX_AT_HAND + 1];
    let plan = both(speaks(1, 1), speaks(1, 1), &many, &[]);
    assert_eq!(route(&plan), Err(NoRoute::TooMany { chip: Chip::Net, given: 16 }));
    let one = [speaks(1, 1)];
    let plan = both(speaks(1, 1), speaks(1, 1), &one, &[]);
    assert_eq!(route(&plan), Err(NoRoute::NotAtHand { chip: Chip::Io, index: 0 }));
}

#[test]
fn nothing_to_do_takes_no_step() {
    let plan = Plan { want_net: None, want_io: None, ..both(speaks(1, 1), speaks(1, 1), &[], &[]) };
    assert_eq!(route(&plan).unwrap().len(), 0);
}

/// Mostly of one meaning, and near enough to each other that about one plan in five has a way.
fn any_speaks() -> impl Strategy<Value = Speaks> {
    let id = prop_oneof![9 => Just(1u16), 1 => Just(2)];
    (0u8..4, 0u8..3, id, 0u8..3).prop_map(|(oldest, more, id, version)| Speaks {
        link: LinkRange { oldest, newest: oldest + more },
        profile: ActuationProfile { id, version },
    })
}

fn any_images() -> impl Strategy<Value = std::vec::Vec<Speaks>> {
    proptest::collection::vec(any_speaks(), 1..4)
}

/// Length of the shortest route by trying every walk of that length, longest 8.
fn brute(plan: &Plan<'_>) -> Option<usize> {
    let nets: std::vec::Vec<_> = core::iter::once(plan.net).chain(plan.net_images.iter().copied()).collect();
    let ios: std::vec::Vec<_> = core::iter::once(plan.io).chain(plan.io_images.iter().copied()).collect();
    let goal = (plan.want_net.map_or(0, |n| n + 1), plan.want_io.map_or(0, |n| n + 1));
    if !nets[0].understands(ios[0]) {
        return None;
    }
    let mut ends = std::collections::BTreeSet::from([(0, 0)]);
    for steps in 0..=8 {
        if ends.contains(&goal) {
            return Some(steps);
        }
        let mut next = std::collections::BTreeSet::new();
        for (n, i) in ends {
            next.extend((0..nets.len()).filter(|m| nets[*m].understands(ios[i])).map(|m| (m, i)));
            next.extend((0..ios.len()).filter(|j| nets[n].understands(ios[*j])).map(|j| (n, j)));
        }
        ends = next;
    }
    None
}

#[test]
fn as_short_as_trying_everything_and_safe_all_the_way() {
    let any = (any_speaks(), any_speaks(), any_images(), any_images());
    let (solved, without) = (Cell::new(0u32), Cell::new(0u32));
    let mut runner = TestRunner::new(Config { source_file: Some(file!()), cases: 1024, ..Config::default() });
    let all = runner.run(&any, |(net, io, nets, ios)| {
        let plan = both(net, io, &nets, &ios);
        let found = route(&plan);
        prop_assert_eq!(found.as_ref().ok().map(|s| s.len()), brute(&plan));
        let Ok(found) = found else {
            without.set(without.get() + 1);
            return Ok(());
        };
        let (mut on_net, mut on_io) = (net, io);
        for step in &found {
            match (step.chip, step.image) {
                (Chip::Net, n) => on_net = n.map_or(net, |n| nets[n]),
                (Chip::Io, i) => on_io = i.map_or(io, |i| ios[i]),
            }
            prop_assert!(on_net.understands(on_io));
        }
        prop_assert_eq!((on_net, on_io), (nets[0], ios[0]));
        solved.set(solved.get() + 1);
        Ok(())
    });
    all.unwrap_or_else(|fault| panic!("{fault}"));
    let (solved, without) = (solved.get(), without.get());
    tell(format_args!("safe order: {solved} plans as short as trying everything, {without} without a way"));
    assert!(solved >= 20 && without >= 20, "both must have come up: {solved} and {without}");
}

proptest! {
    #[test]
    fn a_named_stone_does_open_the_way(
        net in any_speaks(), io in any_speaks(),
        nets in any_images(),
        ios in any_images(),
    ) {
        let Err(NoRoute::Missing(stone)) = route(&both(net, io, &nets, &ios)) else { return Ok(()) };
        let image = Speaks { link: stone.link, profile: ActuationProfile { id: stone.profile, version: 0 } };
        let (mut nets, mut ios) = (nets, ios);
        match stone.chip {
            Chip::Net => nets.push(image),
            Chip::Io => ios.push(image),
        }
        prop_assert!(route(&both(net, io, &nets, &ios)).is_ok());
    }
}

proptest! {
    /// The solver, the node's own check before it takes an image, and what the interlock is told are of one opinion,
    /// with whichever chip one begins.
    #[test]
    fn the_solver_the_node_and_the_interlock_agree(
        net in any_speaks(), io in any_speaks(), next in any_speaks(),
    ) {
        use crate::link::{agree, pair_facts};
        let says = |s: Speaks| (s.link, s.profile);
        let understood = net.understands(io);
        prop_assert_eq!(understood, io.understands(net));
        prop_assert_eq!(understood, agree(says(net), says(io)).is_some());
        prop_assert_eq!(understood, agree(says(io), says(net)).is_some());
        for after in [(next, io), (net, next)] {
            let facts = pair_facts((says(net), Some(says(io))), (Some(says(after.0)), Some(says(after.1))));
            let now = facts.link_now == Some(true) && facts.profile_now == Some(true);
            let then = facts.link_after == Some(true) && facts.profile_after == Some(true);
            prop_assert_eq!((now, then), (understood, after.0.understands(after.1)));
        }
    }
}

use super::*;
use proptest::prelude::*;

const NOW: Seconds = 1_800_000_000;
const YEAR: Seconds = 365 * 86_400;

fn first(wall: Seconds) -> Steady {
    Steady::resume(None, 0, Hands { wall, passed: 0 }).0
}

#[test]
fn a_clock_that_is_set_forward_and_back_changes_nothing() {
    let mut steady = first(NOW);
    assert_eq!(steady.look(Hands { wall: NOW + 5, passed: 5 }), (NOW + 5, None));
    let forth = Change { at: NOW + 10, ahead: YEAR, by: YEAR, cause: Cause::Set };
    assert_eq!(steady.look(Hands { wall: NOW + YEAR + 10, passed: 10 }), (NOW + 10, Some(forth)));
    assert_eq!(steady.look(Hands { wall: NOW + YEAR + 15, passed: 15 }), (NOW + 15, None));
    let back = Change { at: NOW + 20, ahead: 0, by: -YEAR, cause: Cause::Set };
    assert_eq!(steady.look(Hands { wall: NOW + 20, passed: 20 }), (NOW + 20, Some(back)));
    assert_eq!(steady.look(Hands { wall: NOW + 25, passed: 25 }), (NOW + 25, None));
}

#[test]
fn a_small_difference_is_followed_and_never_backwards() {
    let mut steady = first(NOW);
    assert_eq!(steady.look(Hands { wall: NOW + 60, passed: 0 }), (NOW + 60, None));
    assert_eq!(steady.look(Hands { wall: NOW - 50, passed: 10 }), (NOW + 60, None));
    assert_eq!(steady.look(Hands { wall: NOW + 61, passed: 61 }), (NOW + 61, None));
    // Small steps do not add up to a large one.
    let mut steady = first(NOW);
    assert_eq!(steady.look(Hands { wall: NOW + 59, passed: 0 }).0, NOW + 59);
    let (at, change) = steady.look(Hands { wall: NOW + 118, passed: 0 });
    assert_eq!((at, change.map(|c| c.by)), (NOW + 59, Some(59)));
}

#[test]
fn a_slow_drift_is_no_step() {
    // 20 s an hour, for a hundred hours.
    let mut steady = first(NOW);
    for hour in 1..=100 {
        let hands = Hands { wall: NOW + hour * 3620, passed: hour * 3600 };
        assert_eq!(steady.look(hands), (hands.wall, None), "hour {hour}");
    }
}

#[test]
fn a_start_decides_by_the_gap() {
    let start = |wall| Steady::resume(Some(NOW), 7, Hands { wall, passed: 0 });
    let at = |(mut steady, change): (Steady, Option<Change>), wall| {
        (steady.look(Hands { wall, passed: 0 }).0 - NOW, change.map(|c| (c.by, c.cause)))
    };
    let rows = [
        (0, 0, None),
        (180, 180, None),
        (181, 0, Some((181, Cause::Away))),
        (YEAR, 0, Some((YEAR, Cause::Away))),
        (-60, 0, None),
        (-61, 0, Some((-61, Cause::Behind))),
        (-YEAR, 0, Some((-YEAR, Cause::Behind))),
    ];
    for (gap, advanced, change) in rows {
        let wall = NOW + 7 + gap;
        assert_eq!(at(start(wall), wall), (advanced, change), "a gap of {gap} s");
    }
}

/// One thing that happens to the two clocks.
#[derive(Clone, Copy, Debug)]
enum Op {
    /// Time passes on both, with so many seconds of error on the wall.
    Pass(Seconds, Seconds),
    /// The wall clock is set.
    Set(Seconds),
    /// The server is started again after so many seconds, in which the wall clock may be set too.
    Restart(Seconds, Seconds),
}

fn op() -> impl Strategy<Value = Op> {
    let jump = prop_oneof![-3 * YEAR..3 * YEAR, -200i64..200, Just(i64::MAX / 4), Just(-NOW)];
    prop_oneof![
        6 => (0i64..4000, 0i64..2).prop_map(|(by, off)| Op::Pass(by, off)),
        2 => jump.clone().prop_map(Op::Set),
        1 => (0i64..400_000, prop_oneof![3 => Just(0), 1 => jump]).prop_map(|(away, set)| Op::Restart(away, set)),
    ]
}

proptest! {
    /// Whatever is done to the wall clock: the server's time never goes back; it never goes on by
    /// more than what was counted and what is tolerated; and with what the changes say, it shows
    /// the wall clock.
    #[test]
    fn no_jump_moves_the_servers_time(ops in proptest::collection::vec(op(), 1..60)) {
        let mut wall = NOW;
        let mut passed = 0;
        let mut steady = first(wall);
        let (mut at, mut ahead, mut counted, mut tolerated) = (NOW, 0, 0, TOLERANCE);
        for op in ops {
            match op {
                Op::Pass(by, off) => {
                    passed += by;
                    counted += by;
                    wall = wall.saturating_add(by + off).max(0);
                    tolerated += off + TOLERANCE * by / COMPARE_ANEW;
                }
                Op::Set(by) => {
                    wall = wall.saturating_add(by).max(0);
                    tolerated += TOLERANCE;
                }
                Op::Restart(away, set) => {
                    wall = wall.saturating_add(away).saturating_add(set).max(0);
                    passed = 0;
                    tolerated += SHORT + TOLERANCE;
                    let (again, change) = Steady::resume(Some(at), ahead, Hands { wall, passed });
                    steady = again;
                    if let Some(change) = change {
                        prop_assert_eq!(change.at, at);
                        prop_assert_ne!(change.cause, Cause::Set);
                        ahead = change.ahead;
                    }
                }
            }
            let (now, change) = steady.look(Hands { wall, passed });
            prop_assert!(now >= at, "it went back from {} to {}", at, now);
            prop_assert!(now - NOW <= counted + tolerated, "{} s counted, it went on {}", counted, now - NOW);
            if let Some(change) = change {
                prop_assert_eq!((change.at, change.cause), (now, Cause::Set));
                prop_assert_eq!(change.by, change.ahead - ahead);
                ahead = change.ahead;
            }
            // What people are shown is the wall clock, to within what is tolerated.
            prop_assert!((now + ahead - wall).abs() <= 2 * TOLERANCE, "{} is shown, the wall says {}", now + ahead, wall);
            at = now;
        }
        // At least what was counted, but for what is tolerated at each look.
        prop_assert!(at - NOW + tolerated >= counted);
    }
}

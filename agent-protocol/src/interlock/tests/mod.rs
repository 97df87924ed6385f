//! One invariant per test, exhaustive over the product of the discretised inputs.

mod first;
mod holds;
mod rule;
mod touches;

use super::*;
use crate::bundle::Policy;
use crate::checkin::Position;

const TRI: [Option<bool>; 3] = [None, Some(false), Some(true)];
const POSITIONS: [Position; 4] = [Position::Unknown, Position::Open, Position::PartlyOpen, Position::Closed];
/// Around the policy's 30 s.
const RESTS: [Option<u32>; 6] = [None, Some(0), Some(29), Some(30), Some(31), Some(u32::MAX)];
/// Around the policy's 4750 to 5250 mV.
const SUPPLIES: [Option<u16>; 5] = [None, Some(4749), Some(4750), Some(5250), Some(5251)];
const ACTUATION: Touches = Touches { actuation: true, network: true };

fn policy(consent: bool) -> Policy {
    Policy { rest_seconds: 30, trial_seconds: 120, consent, supply_min_mv: 4750, supply_max_mv: 5250 }
}

/// Nothing stands against a change.
fn calm() -> DoorFacts {
    DoorFacts {
        io_answers: true,
        position: Position::Closed,
        moving: Some(false),
        rest_seconds: Some(30),
        relay_pulse: Some(false),
        close_pending: Some(false),
        warning: Some(false),
        button: Some(false),
        gas_alarm: Some(false),
        supply_mv: Some(5000),
        consent: false,
    }
}

fn agreed() -> PairFacts {
    PairFacts {
        link_now: Some(true),
        profile_now: Some(true),
        link_after: Some(true),
        profile_after: Some(true),
    }
}

/// Every combination of what the door and the board may say. How many there are.
fn every_door(mut check: impl FnMut(&DoorFacts)) -> u64 {
    let mut count = 0;
    for n in 0..3u32.pow(6) {
        let tri = |place: u32| TRI[(n / 3u32.pow(place) % 3) as usize];
        let door = DoorFacts {
            moving: tri(0),
            relay_pulse: tri(1),
            close_pending: tri(2),
            warning: tri(3),
            button: tri(4),
            gas_alarm: tri(5),
            ..calm()
        };
        for position in POSITIONS {
            for rest_seconds in RESTS {
                for supply_mv in SUPPLIES {
                    for (io_answers, consent) in [(false, false), (false, true), (true, false), (true, true)]
                    {
                        check(&DoorFacts { position, rest_seconds, supply_mv, io_answers, consent, ..door });
                        count += 1;
                    }
                }
            }
        }
    }
    count
}

fn every_pair() -> impl Iterator<Item = PairFacts> {
    (0..81usize).map(|n| PairFacts {
        link_now: TRI[n % 3],
        profile_now: TRI[n / 3 % 3],
        link_after: TRI[n / 9 % 3],
        profile_after: TRI[n / 27],
    })
}

/// The reasons to wait; none is a clearance.
fn reasons(door: &DoorFacts, policy: &Policy, pair: &PairFacts) -> Holds {
    decide(ACTUATION, door, policy, pair).err().unwrap_or(Holds::NONE)
}

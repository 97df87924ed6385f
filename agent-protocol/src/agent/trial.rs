//! Whether something on trial has proved itself.

use crate::bundle::Policy;
use crate::checkin::Position;
use crate::reason::Reason;
use crate::slots::{Part, TRIAL_STARTS, Trial};

/// Milliseconds since the node started.
pub type Millis = u64;

/// Whole seconds in these milliseconds; `u32::MAX` if there are more than that.
///
/// By long division, 16 bits at a time: the compiler's own for 64 bits is 0.9 KiB of code on ARMv6-M, and nothing else
/// in a node divides so.
pub(super) fn whole_seconds(millis: Millis) -> u32 {
    let (mut quotient, mut rest) = (0u64, 0u32);
    for shift in [48, 32, 16, 0] {
        let part = rest << 16 | u32::from((millis >> shift) as u16);
        quotient = quotient << 16 | u64::from(part / 1000);
        rest = part % 1000;
    }
    u32::try_from(quotient).unwrap_or(u32::MAX)
}

/// What a trial has shown so far.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub struct Evidence {
    /// Both chips have shaken hands, and the io chip goes on answering by the bundle in force.
    pub handshake: bool,
    /// Since when it has done so without a break.
    pub steady_since: Millis,
    /// How often it broke off after a handshake: fell silent, or forgot its settings in a reset.
    pub lapses: u8,
    /// The sensors gave plausible readings.
    pub plausible: bool,
    /// The first position reported at rest.
    pub first_position: Option<Position>,
    /// A network was joined.
    pub joined: bool,
    /// A check-in was answered and the answer verified.
    pub checked_in: bool,
    /// While a candidate network must be proved: whether it has been, or why not.
    pub candidate: CandidateProof,
}

/// Where the proof of a candidate network stands.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub enum CandidateProof {
    /// No candidate has to be proved in this trial.
    #[default]
    NotAsked,
    /// Not yet.
    Open,
    /// An authenticated check-in went through it.
    Proved,
    /// It failed.
    Failed(Reason),
}

/// What to do with something on trial.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Verdict {
    /// It has more time.
    Wait,
    /// It has proved itself.
    Keep,
    /// It has not: the reason, and its detail.
    Lost(Reason, u32),
}

/// How much longer than the trial itself the node waits for missing evidence.
const PATIENCE: u64 = 3;

/// So often the io chip may break off during a trial, as often as the net chip may start.
const LAPSES: u8 = TRIAL_STARTS;

/// Judges a trial at `now`, which began `since` or when the node last started.
///
/// Kept only with all evidence, and after the chips have understood each other without a break
/// for `policy.trial_seconds`. Lost at once on a wrong position, a failed candidate, or an io
/// chip that keeps resetting; lost for missing evidence after three times the trial time.
pub fn judge(trial: &Trial, evidence: &Evidence, policy: &Policy, since: Millis, now: Millis) -> Verdict {
    if trial.change.part == Part::Keys {
        return judge_keys(trial, evidence, policy, now.saturating_sub(since));
    }
    // An unknown position before counts as the same: the change touches no actuation, or is the
    // first bundle.
    if let Some(first) = evidence.first_position
        && trial.position_before != Position::Unknown
        && first != trial.position_before
    {
        return Verdict::Lost(Reason::PositionDiffers, 0);
    }
    if let CandidateProof::Failed(reason) = evidence.candidate {
        return Verdict::Lost(reason, 0);
    }
    if evidence.lapses >= LAPSES {
        return Verdict::Lost(Reason::Resets, u32::from(evidence.lapses));
    }
    let elapsed = now.saturating_sub(since);
    let steady = now.saturating_sub(evidence.steady_since.max(since));
    let asked = u64::from(policy.trial_seconds) * 1000;
    let missing = missing(evidence);
    match missing {
        None if steady >= asked => Verdict::Keep,
        // It breaks off again and again, though not often enough to be lost at once.
        None if elapsed >= asked.saturating_mul(PATIENCE) && evidence.lapses > 0 => {
            Verdict::Lost(Reason::Resets, u32::from(evidence.lapses))
        }
        Some(reason) if elapsed >= asked.saturating_mul(PATIENCE) => {
            Verdict::Lost(reason, u32::from(TRIAL_STARTS.saturating_sub(trial.starts_left)))
        }
        None | Some(_) => Verdict::Wait,
    }
}

/// Judges a set of trust anchors. Neither door nor sensors depend on it, and a node whose range
/// finder has failed must be able to get rid of a stolen key: that the server is heard under it is
/// all that it has to prove.
fn judge_keys(trial: &Trial, evidence: &Evidence, policy: &Policy, elapsed: Millis) -> Verdict {
    let asked = u64::from(policy.trial_seconds) * 1000;
    let missing = match (evidence.joined, evidence.checked_in) {
        (true, true) => None,
        (false, _) => Some(Reason::NoNetwork),
        (true, false) => Some(Reason::NoCheckIn),
    };
    match missing {
        None if elapsed >= asked => Verdict::Keep,
        Some(reason) if elapsed >= asked.saturating_mul(PATIENCE) => {
            Verdict::Lost(reason, u32::from(TRIAL_STARTS.saturating_sub(trial.starts_left)))
        }
        None | Some(_) => Verdict::Wait,
    }
}

/// The first piece of evidence that is missing, in the order in which a node comes up.
fn missing(e: &Evidence) -> Option<Reason> {
    if !e.handshake {
        Some(Reason::NoHandshake)
    } else if !e.plausible || e.first_position.is_none() {
        Some(Reason::SensorsImplausible)
    } else if !e.joined {
        Some(Reason::NoNetwork)
    } else if e.candidate == CandidateProof::Open {
        Some(Reason::NoServer)
    } else if !e.checked_in {
        Some(Reason::NoCheckIn)
    } else {
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::id::Digest;
    use crate::slots::Change;
    use proptest::prelude::*;

    fn trial(position_before: Position) -> Trial {
        let change = Change { part: Part::Net, manifest: Digest([0; 32]), sequence: 1 };
        Trial { change, position_before, starts_left: 2, network_before: 0 }
    }

    fn policy() -> Policy {
        Policy { rest_seconds: 30, trial_seconds: 100, consent: false, supply_min_mv: 0, supply_max_mv: 1 }
    }

    fn all() -> Evidence {
        Evidence {
            handshake: true,
            steady_since: 0,
            lapses: 0,
            plausible: true,
            first_position: Some(Position::Closed),
            joined: true,
            checked_in: true,
            candidate: CandidateProof::NotAsked,
        }
    }

    #[test]
    fn kept_with_all_evidence_and_not_a_moment_early() {
        let t = trial(Position::Closed);
        assert_eq!(judge(&t, &all(), &policy(), 0, 99_999), Verdict::Wait);
        assert_eq!(judge(&t, &all(), &policy(), 0, 100_000), Verdict::Keep);
    }

    #[test]
    fn a_set_of_keys_has_to_prove_the_server_alone() {
        let change = Change { part: Part::Keys, ..trial(Position::Open).change };
        let t = Trial { change, ..trial(Position::Open) };
        let alone = Evidence { joined: true, checked_in: true, ..Evidence::default() };
        assert_eq!(judge(&t, &alone, &policy(), 0, 99_999), Verdict::Wait);
        assert_eq!(judge(&t, &alone, &policy(), 0, 100_000), Verdict::Keep);
        assert_eq!(judge(&t, &all(), &policy(), 0, 100_000), Verdict::Keep, "whatever the door did");
        for (evidence, reason) in [
            (Evidence { checked_in: false, ..all() }, Reason::NoCheckIn),
            (Evidence { joined: false, ..all() }, Reason::NoNetwork),
        ] {
            assert_eq!(judge(&t, &evidence, &policy(), 0, 299_999), Verdict::Wait);
            assert_eq!(judge(&t, &evidence, &policy(), 0, 300_000), Verdict::Lost(reason, 1));
        }
    }

    #[test]
    fn another_position_is_lost_at_once() {
        let t = trial(Position::Open);
        assert_eq!(judge(&t, &all(), &policy(), 0, 0), Verdict::Lost(Reason::PositionDiffers, 0));
    }

    #[test]
    fn each_missing_piece_has_its_own_reason() {
        let t = trial(Position::Closed);
        let cases = [
            (Evidence { handshake: false, ..all() }, Reason::NoHandshake),
            (Evidence { plausible: false, ..all() }, Reason::SensorsImplausible),
            (Evidence { first_position: None, ..all() }, Reason::SensorsImplausible),
            (Evidence { joined: false, ..all() }, Reason::NoNetwork),
            (Evidence { checked_in: false, ..all() }, Reason::NoCheckIn),
            (Evidence { candidate: CandidateProof::Open, ..all() }, Reason::NoServer),
        ];
        for (evidence, reason) in cases {
            assert_eq!(judge(&t, &evidence, &policy(), 0, 299_999), Verdict::Wait);
            assert_eq!(judge(&t, &evidence, &policy(), 0, 300_000), Verdict::Lost(reason, 1));
        }
        let failed = Evidence { candidate: CandidateProof::Failed(Reason::WrongPassphrase), ..all() };
        assert_eq!(judge(&t, &failed, &policy(), 0, 0), Verdict::Lost(Reason::WrongPassphrase, 0));
    }

    #[test]
    fn the_time_counts_from_the_last_break() {
        let t = trial(Position::Closed);
        let shaken = Evidence { lapses: 1, steady_since: 60_000, ..all() };
        assert_eq!(judge(&t, &shaken, &policy(), 0, 159_999), Verdict::Wait);
        assert_eq!(judge(&t, &shaken, &policy(), 0, 160_000), Verdict::Keep);
        let late = Evidence { lapses: 2, steady_since: 250_000, ..all() };
        assert_eq!(judge(&t, &late, &policy(), 0, 299_999), Verdict::Wait);
        assert_eq!(judge(&t, &late, &policy(), 0, 300_000), Verdict::Lost(Reason::Resets, 2));
    }

    #[test]
    fn an_io_chip_that_keeps_resetting_is_lost_at_once() {
        let loops = Evidence { lapses: LAPSES, ..all() };
        let verdict = judge(&trial(Position::Closed), &loops, &policy(), 0, 20_000);
        assert_eq!(verdict, Verdict::Lost(Reason::Resets, u32::from(LAPSES)));
    }

    #[test]
    fn seconds_are_whole_and_stop_at_the_largest_number() {
        let last = u64::from(u32::MAX) * 1000;
        let rows = [
            (0, 0),
            (999, 0),
            (1000, 1),
            (65_535_999, 65_535),
            (65_536_000, 65_536),
            (last - 1, u32::MAX - 1),
            (last, u32::MAX),
            (last + 1000, u32::MAX),
            (u64::MAX, u32::MAX),
        ];
        for (millis, seconds) in rows {
            assert_eq!(whole_seconds(millis), seconds, "{millis} ms");
        }
    }

    proptest! {
        #[test]
        fn seconds_are_a_thousandth(millis in any::<u64>(), shift in 0u32..64) {
            let millis = millis >> shift;
            prop_assert_eq!(whole_seconds(millis), u32::try_from(millis / 1000).unwrap_or(u32::MAX));
        }

        #[test]
        fn every_trial_ends(bits in 0u8..32, position in 0u8..3, lapses in 0..=LAPSES, at in 0u64..300_000) {
            let evidence = Evidence {
                handshake: bits & 1 != 0,
                lapses,
                steady_since: if lapses > 0 { at } else { 0 },
                plausible: bits & 2 != 0,
                joined: bits & 4 != 0,
                checked_in: bits & 8 != 0,
                first_position: [None, Some(Position::Open), Some(Position::Closed)][usize::from(position)],
                candidate: if bits & 16 != 0 { CandidateProof::Open } else { CandidateProof::Proved },
            };
            let end = judge(&trial(Position::Closed), &evidence, &policy(), 0, 300_000);
            prop_assert!(end != Verdict::Wait);
            let complete = bits & 31 == 15 && position == 2;
            let steady = lapses < LAPSES && 300_000 - evidence.steady_since >= 100_000;
            prop_assert_eq!(end == Verdict::Keep, complete && steady);
        }
    }
}

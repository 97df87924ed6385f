//! What is seen of a node since it kept all of a rollout: evidence that it is well, and signs
//! that it is not.

use super::plan::TargetPlan;
use super::report::Report;
use crate::contract::{Evidence, Gate};
use pintle_protocol::checkin::{Phase, Position};

/// Check-ins in a row with too weak a signal that make a node unwell: one fades when somebody
/// parks in front of it. Common practice, no source.
pub const WEAK_IN_A_ROW: u8 = 3;

/// Check-ins in a row without a word of the io chip that make a node unwell: one is missed while it is repaired. Common
/// practice, no source.
pub const MUTE_IN_A_ROW: u8 = 3;

/// What was seen since a node kept.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Watch {
    /// Check-ins, no more than asked for.
    pub check_ins: u32,
    /// Door cycles, no more than asked for.
    pub door_cycles: u32,
    /// Where the door is in its cycle.
    pub door: Door,
    /// Starts of the board as last reported; absent before the first report.
    pub starts: Option<u32>,
    /// Starts since it kept, or since a person went on in spite of them.
    pub restarts: u32,
    /// Check-ins in a row with too weak a signal, up to [`WEAK_IN_A_ROW`].
    pub weak: u8,
    /// Check-ins in a row in which the node did nothing and its io chip said nothing that counts, up to
    /// [`MUTE_IN_A_ROW`]; absent before it was heard.
    pub mute: Option<u8>,
    /// Somebody changed it by hand: it runs something else than it kept.
    pub by_hand: bool,
}

/// Where a door is in its cycle.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Door {
    /// Not seen closed yet.
    Unseen,
    /// Closed.
    Closed,
    /// Seen closed, and not closed after that. An unknown position does not count as away.
    Away,
}

/// Whether a node certainly runs something else than all of what it was brought.
fn is_by_hand(report: &Report, target: &TargetPlan) -> bool {
    target.last_parcels().any(|parcel| report.runs_another(parcel))
}

/// Why a node that kept is unwell.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Unwell {
    /// It started more often than the gate allows.
    Restarts(u32),
    /// Its io chip has fallen silent: nobody watches its door.
    Mute,
    /// Its signal is too weak.
    Signal,
}

impl Watch {
    /// Nothing seen yet.
    pub const NEW: Self = Self {
        check_ins: 0,
        door_cycles: 0,
        door: Door::Unseen,
        starts: None,
        restarts: 0,
        weak: 0,
        mute: None,
        by_hand: false,
    };

    /// Begins with the report by which the node kept. True if it shows that the node was changed by hand since.
    pub(super) fn begin(&mut self, report: &Report, target: &TargetPlan) -> bool {
        let by_hand = is_by_hand(report, target);
        let mute = (!report.io_silent).then_some(0);
        *self = match (by_hand, report.position) {
            (true, _) => Self { by_hand, ..Self::NEW },
            (false, Position::Closed) => {
                Self { door: Door::Closed, starts: Some(report.starts), mute, ..Self::NEW }
            }
            (false, _) => Self { starts: Some(report.starts), mute, ..Self::NEW },
        };
        by_hand
    }

    /// Takes a report in. True if it shows, for the first time, that the node was changed by hand.
    pub(super) fn see(
        &mut self,
        report: &Report,
        target: &TargetPlan,
        evidence: &Evidence,
        gate: &Gate,
    ) -> bool {
        if is_by_hand(report, target) {
            let first = !self.by_hand;
            *self = Self { by_hand: true, ..Self::NEW };
            return first;
        }
        self.by_hand = false;
        self.check_ins = self.check_ins.saturating_add(1).min(evidence.min_check_ins);
        if evidence.min_door_cycles > 0 {
            self.see_door(report.position, evidence.min_door_cycles);
        }
        // A counter that was lost starts anew; what was counted stays.
        let more = self.starts.map_or(0, |last| report.starts.saturating_sub(last));
        self.restarts = self.restarts.saturating_add(more);
        self.starts = Some(report.starts);
        let weak = gate.min_signal_dbm.is_some_and(|least| report.rssi_dbm < least);
        self.weak = if weak { self.weak.saturating_add(1).min(WEAK_IN_A_ROW) } else { 0 };
        // While something is brought to it, it is silent for a good reason.
        self.mute = match (report.io_silent, self.mute) {
            (false, _) => Some(0),
            (true, Some(n)) if report.phase == Phase::Idle => Some(n.saturating_add(1).min(MUTE_IN_A_ROW)),
            (true, before) => before,
        };
        false
    }

    fn see_door(&mut self, position: Position, most: u32) {
        self.door = match (self.door, position) {
            (Door::Away, Position::Closed) => {
                self.door_cycles = self.door_cycles.saturating_add(1).min(most);
                Door::Closed
            }
            (_, Position::Closed) => Door::Closed,
            (Door::Closed, Position::Open | Position::PartlyOpen) => Door::Away,
            (door, _) => door,
        };
    }

    /// Whether enough was seen; a node that was changed by hand shows nothing any more.
    pub const fn is_enough(&self, evidence: &Evidence) -> bool {
        self.by_hand
            || self.check_ins >= evidence.min_check_ins && self.door_cycles >= evidence.min_door_cycles
    }

    /// Whether it is unwell, and why.
    pub fn unwell(&self, gate: &Gate) -> Option<Unwell> {
        if gate.max_restarts.is_some_and(|most| self.restarts > most) {
            return Some(Unwell::Restarts(self.restarts));
        }
        if self.mute.is_some_and(|n| n >= MUTE_IN_A_ROW) {
            return Some(Unwell::Mute);
        }
        (gate.min_signal_dbm.is_some() && self.weak >= WEAK_IN_A_ROW).then_some(Unwell::Signal)
    }

    /// Counts restarts, weak signals and silence of the io chip anew, after a person went on in spite of them.
    pub(super) fn excuse(&mut self) {
        self.restarts = 0;
        self.weak = 0;
        self.mute = self.mute.map(|_| 0);
    }
}

#[cfg(test)]
mod tests {
    use super::super::testing::*;
    use super::*;

    const EVIDENCE: Evidence = Evidence { min_check_ins: 2, min_door_cycles: 2 };

    fn seen(positions: &[Position]) -> Watch {
        let mut watch = Watch::NEW;
        for position in positions {
            let report = Report { position: *position, ..idle() };
            watch.see(&report, &target(1, 1), &EVIDENCE, &Gate::STRICT);
        }
        watch
    }

    #[test]
    fn a_cycle_is_closed_away_and_closed_again() {
        use Position::{Closed, Open, PartlyOpen, Unknown};
        for (positions, cycles) in [
            (&[Closed, Open, Closed][..], 1),
            (&[Closed, PartlyOpen, Open, PartlyOpen, Closed], 1),
            (&[Open, Closed], 0),
            (&[Closed, Unknown, Closed], 0),
            (&[Closed, Open, Unknown, Closed], 1),
            (&[Closed, Open, Closed, Open, Closed, Open, Closed], 2),
            (&[Closed, Closed, Closed], 0),
        ] {
            assert_eq!(seen(positions).door_cycles, cycles, "{positions:?}");
        }
    }

    #[test]
    fn counting_stops_at_what_is_asked_for() {
        let watch = seen(&[Position::Closed; 9]);
        assert_eq!(watch.check_ins, 2);
        assert!(!watch.is_enough(&EVIDENCE));
        assert!(watch.is_enough(&Evidence { min_check_ins: 2, min_door_cycles: 0 }));
    }

    #[test]
    fn restarts_count_from_the_first_report_and_survive_a_lost_counter() {
        let gate = Gate { max_restarts: Some(3), ..Gate::STRICT };
        let mut watch = Watch::NEW;
        let mut see = |starts| {
            watch.see(&Report { starts, ..idle() }, &target(1, 1), &EVIDENCE, &gate);
            watch.restarts
        };
        assert_eq!([see(40), see(40), see(42), see(1), see(2), see(3)], [0, 0, 2, 2, 3, 4]);
        assert_eq!(watch.unwell(&gate), Some(Unwell::Restarts(4)));
        assert_eq!(watch.unwell(&Gate::STRICT), None);
        watch.excuse();
        assert_eq!(watch.unwell(&gate), None);
    }

    #[test]
    fn one_weak_signal_is_no_illness() {
        let gate = Gate { min_signal_dbm: Some(-80), ..Gate::STRICT };
        let mut watch = Watch::NEW;
        for (rssi_dbm, unwell) in [
            (-81, false),
            (-90, false),
            (-80, false),
            (-81, false),
            (-81, false),
            (-81, true),
            (-81, true),
            (-60, false),
        ] {
            watch.see(&Report { rssi_dbm, ..idle() }, &target(1, 1), &EVIDENCE, &gate);
            assert_eq!(watch.unwell(&gate).is_some(), unwell, "{rssi_dbm}");
        }
    }

    #[test]
    fn an_io_chip_that_falls_silent_makes_a_node_unwell_whatever_the_gate_asks() {
        let silent = || Report { io_silent: true, ..idle() };
        let busy = || Report { phase: Phase::Trial, ..silent() };
        let mut watch = Watch::NEW;
        let mut see = |report: Report| {
            watch.see(&report, &target(1, 1), &EVIDENCE, &Gate::STRICT);
            watch.unwell(&Gate::STRICT)
        };
        // One that was never heard has not fallen silent.
        assert_eq!([see(silent()), see(silent()), see(silent()), see(silent())], [None; 4]);
        assert_eq!([see(idle()), see(silent()), see(silent()), see(idle())], [None; 4]);
        // While something is on trial nothing is counted, and nothing forgotten.
        assert_eq!([see(silent()), see(busy()), see(silent()), see(busy())], [None; 4]);
        assert_eq!([see(silent()), see(silent()), see(busy())], [Some(Unwell::Mute); 3]);
        assert_eq!(see(idle()), None, "it is heard again");
        assert_eq!([see(silent()), see(silent())], [None; 2]);
        assert_eq!(see(silent()), Some(Unwell::Mute));
        watch.excuse();
        assert_eq!(watch.unwell(&Gate::STRICT), None);
        // Heard by the report by which it kept, or not.
        for (first, unwell) in [(idle(), Some(Unwell::Mute)), (silent(), None)] {
            let mut watch = Watch::NEW;
            watch.begin(&first, &target(1, 1));
            for _ in 0..3 {
                watch.see(&silent(), &target(1, 1), &EVIDENCE, &Gate::STRICT);
            }
            assert_eq!(watch.unwell(&Gate::STRICT), unwell);
        }
    }

    #[test]
    fn what_was_changed_by_hand_is_no_evidence() {
        let mut watch = seen(&[Position::Closed; 2]);
        // Step 0 is for the io chip, step 1 for the net chip.
        let mut report = idle();
        report.images = [Some(image(1, 1, false)), Some(image(1, 0, false))];
        let target = target(1, 2);
        assert!(!watch.see(&report, &target, &EVIDENCE, &Gate::STRICT));
        report.images[1] = Some(image(9, 9, false));
        assert!(watch.see(&report, &target, &EVIDENCE, &Gate::STRICT));
        assert!(!watch.see(&report, &target, &EVIDENCE, &Gate::STRICT), "it is said once");
        assert!(watch.by_hand && watch.check_ins == 0 && watch.is_enough(&EVIDENCE));
        report.images[1] = Some(image(1, 0, false));
        assert!(!watch.see(&report, &target, &EVIDENCE, &Gate::STRICT));
        assert!(!watch.by_hand && !watch.is_enough(&EVIDENCE), "it counts anew");
    }
}

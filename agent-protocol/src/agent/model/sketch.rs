//! What of a state matters for what comes next. Two states with the same sketch are taken for one.
//!
//! Times are kept by which of the agent's thresholds they have passed, counted in ticks. Numbers that
//! only go up (counters, starts, generations) and message texts are left out.

use super::node::{Pending, State};
use super::setup::Setup;
use super::world::{Content, LONG, TICK, World};
use crate::agent::machine::Radio;
use crate::agent::take::{Doing, Taking};
use crate::agent::talk::Out;
use crate::agent::trial::Evidence;
use crate::checkin::{Ending, Position};
use crate::link::Mode;
use crate::slots::{BootRecord, Part, Slot};

type Ticks = u8;

/// See the module.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub(super) struct Sketch {
    world: World,
    left: u8,
    node: (Content, bool, Option<Pending>, Option<Content>, bool),
    slots: [[Content; 2]; 4],
    io: (Option<Mode>, u8, Option<Ticks>),
    saved: Record,
    /// Where the agent's record differs from the one in flash, after a save that failed.
    unsaved: Option<Record>,
    radio: (u8, Ticks),
    talk: (Option<(u8, Ticks)>, Ticks, bool),
    taking: (u8, u8),
    trial: Option<(Ticks, Ticks, bool, bool)>,
    /// Whether what is on trial waits to be taken back, and whether it has for long.
    lost: (bool, bool),
    touches: Option<bool>,
    /// Only while something is on trial: it is gathered anew for every trial.
    evidence: Option<Evidence>,
    consent: Option<bool>,
    repair: (bool, Ticks, bool, bool, Option<bool>),
    rest: (Ticks, Ticks, bool),
    flags: (bool, bool, bool, bool),
}

#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
struct Record {
    active: [Slot; 4],
    held: [bool; 4],
    sequences: [u64; 3],
    staged: Option<(Part, usize)>,
    trial: Option<(Part, usize, Position, u8)>,
    outcome: Option<(usize, Ending, u16)>,
    io_due: bool,
}

impl Record {
    fn of(r: &BootRecord, setup: &Setup) -> Self {
        let name = |manifest| setup.change(manifest).map_or(usize::MAX, |(n, _)| n);
        let parts = [Part::Net, Part::Io, Part::Conf, Part::Keys];
        let spare = |part| match part {
            Part::Net => r.net.get(r.spare(part)).is_some(),
            Part::Io => r.io.get(r.spare(part)).is_some(),
            Part::Conf => r.conf.get(r.spare(part)).is_some(),
            Part::Keys => r.keys.get(r.spare(part)).is_some(),
        };
        Self {
            active: parts.map(|p| r.active(p)),
            held: parts.map(spare),
            sequences: r.sequences,
            staged: r.staged.map(|s| (s.part, name(s.manifest))),
            trial: r
                .trial
                .map(|t| (t.change.part, name(t.change.manifest), t.position_before, t.starts_left)),
            outcome: r.outcome.map(|o| (name(o.envelope), o.ending, o.reason)),
            io_due: r.io_due,
        }
    }
}

/// Whole ticks in a time, as far as they matter.
fn ticks(time: u64, most: u64) -> Ticks {
    (time / TICK).min(most) as Ticks
}

/// Ticks until a time comes, rounded up, as far as they matter.
fn until(at: u64, now: u64, most: u64) -> Ticks {
    at.saturating_sub(now).div_ceil(TICK).min(most) as Ticks
}

fn doing(doing: Doing) -> (u8, u8) {
    match doing {
        Doing::Erasing { .. } => (2, 0),
        Doing::Fetching { tries, .. } => (3, tries),
        Doing::Storing { .. } => (4, 0),
        Doing::ErasingText => (5, 0),
        Doing::StoringText => (6, 0),
        Doing::Measuring { .. } => (7, 0),
    }
}

impl Sketch {
    pub(super) fn of(s: &State, setup: &Setup) -> Self {
        let (a, now) = (&s.agent, s.now);
        let saved = Record::of(&s.saved, setup);
        let known = Record::of(a.record(), setup);
        let kind = |out: Out| match out {
            Out::Claim => 0,
            Out::CheckIn(_) => 1,
            Out::Envelope => 2,
            Out::Piece => 3,
        };
        let e = &a.evidence;
        let on_trial = a.record().trial.is_some();
        Self {
            world: s.world,
            left: s.left,
            node: (s.runs, s.joined, s.pending, s.transfer, s.consented),
            slots: s.slots,
            io: (
                s.sense.hello.map(|h| h.mode),
                s.silent_polls,
                s.stranger_since.map(|t| u8::from(now - t >= LONG)),
            ),
            saved,
            unsaved: (known != saved).then_some(known),
            radio: match a.radio {
                Radio::Apart { retry_at } => (0, u8::from(retry_at > now)),
                Radio::Joining { since, .. } => (1, ticks(now - since, 2)),
                Radio::On { since, .. } => (2, u8::from(now - since >= LONG)),
            },
            talk: (
                a.talk.out.map(|(out, since)| (kind(out), ticks(now - since, 2))),
                until(a.talk.next_at, now, 1),
                a.talk.unknown_here,
            ),
            taking: match &a.taking {
                Taking::No => (0, 0),
                Taking::Envelope(_) => (1, 0),
                Taking::Running(job) => doing(job.doing),
            },
            trial: on_trial.then(|| {
                let steady = ticks(now - e.steady_since.max(a.trial_since), 1);
                let long = now - s.trial_since >= LONG;
                (ticks(now - a.trial_since, 4), steady, now - a.io_heard >= 10_000, long)
            }),
            lost: (a.lost_since <= now, a.lost_since <= now && now - a.lost_since >= LONG),
            touches: a
                .bundle_touches
                .filter(|_| on_trial || a.record().staged.is_some())
                .map(|t| t.actuation),
            evidence: on_trial.then_some(Evidence { steady_since: 0, ..*e }),
            consent: a.consent_at.map(|t| now - t > LONG),
            repair: (
                a.programming,
                until(a.repair_at, now, 3),
                a.repair_pause > 2 * TICK,
                a.io_took,
                a.stranger_since.map(|t| now - t >= LONG),
            ),
            rest: (
                until(a.rest_until, now, 2),
                until(a.took_up_at + u64::from(a.record().rest_minutes()) * 60_000, now, 1),
                a.network_saves >= 8,
            ),
            flags: (a.clearing, a.restarting, a.holds.is_empty(), now - a.last_answer >= LONG),
        }
    }
}

//! Rollouts and reports for tests.

use super::window::Calendar;
use super::{Brings, Known, Parcel, Plan, Report, Rollout, StepPlan, TargetPlan, Verdict, WavePlan};
use crate::contract::{Day, DaySpan, Evidence, Gate, OnFailure, Seconds, Windows};
use pintle_protocol::checkin::{Phase, Position};
use pintle_protocol::id::{Chip, Component, Digest, NodeId, Role};
use std::collections::BTreeMap;

pub(crate) const SOAK: u32 = 600;
pub(crate) const SILENT: u32 = 3600;

pub(crate) fn node(n: u8) -> NodeId {
    NodeId([n; 16])
}

/// Envelope of a node's step, and of the way back from it.
pub(crate) fn envelope(n: u8, step: u8, back: bool) -> Digest {
    let mut bytes = [n; 32];
    bytes[0] = step;
    bytes[1] = u8::from(back);
    Digest(bytes)
}

/// What a step's image, or the one before it, hashes to.
pub(crate) fn image(n: u8, step: u8, back: bool) -> Digest {
    let mut digest = envelope(n, step, back);
    digest.0[2] = 0xff;
    digest
}

fn parcel(n: u8, step: u8, back: bool) -> Parcel {
    let chip = if step == 0 { Chip::Io } else { Chip::Net };
    Parcel {
        envelope: envelope(n, step, back),
        size: 500,
        role: Role::Image,
        sequence: if back { 100 - u64::from(step) } else { 10 + u64::from(step) },
        brings: vec![Brings { component: Component::Chip(chip), payload: Some(image(n, step, back)) }],
    }
}

pub(crate) fn target(n: u8, steps: u8) -> TargetPlan {
    let step = |s| StepPlan { forward: parcel(n, s, false), way_back: Some(parcel(n, s, true)) };
    TargetPlan { node: node(n), name: format!("Door {n}"), steps: (0..steps).map(step).collect() }
}

pub(crate) fn gate(max_failed: u32, max_silent: u32) -> Gate {
    Gate { max_failed, max_silent, silent_after_seconds: SILENT, ..Gate::STRICT }
}

/// Open from midnight to noon, UTC, every day.
pub(crate) fn mornings() -> Calendar {
    let span = DaySpan { days: Day::ALL.to_vec(), from: "00:00".to_owned(), until: "12:00".to_owned() };
    Calendar::new(Windows { zone: "Etc/UTC".to_owned(), spans: vec![span] }).unwrap()
}

/// Waves of nodes 1, 2, ... in order: `sizes` nodes each, `steps` steps each.
pub(crate) fn plan(sizes: &[u8], steps: u8, gate: Gate, on_failure: OnFailure) -> Plan {
    let mut next = 1..;
    let mut wave = |size: u8| WavePlan {
        soak_seconds: SOAK,
        evidence: Evidence::default(),
        approval: false,
        gate,
        targets: next.by_ref().take(size.into()).map(|n| target(n, steps)).collect(),
    };
    Plan { on_failure, windows: None, waves: sizes.iter().map(|s| wave(*s)).collect() }
}

pub(crate) fn idle() -> Report {
    Report {
        phase: Phase::Idle,
        subject: None,
        kept: None,
        failed: BTreeMap::new(),
        sequences: [0; 3],
        images: [None, None],
        bundle: None,
        starts: 1,
        rssi_dbm: -60,
        position: Position::Closed,
        io_silent: false,
    }
}

pub(crate) fn at(phase: Phase, subject: Digest) -> Report {
    Report { phase, subject: Some(subject), ..idle() }
}

pub(crate) fn kept(envelope: Digest) -> Report {
    Report { kept: Some(envelope), ..idle() }
}

pub(crate) fn failed(envelope: Digest, refused: bool) -> Report {
    Report { failed: BTreeMap::from([(envelope, Verdict { refused, reason: 400, detail: 0 })]), ..idle() }
}

/// A rollout, the time, and what the server knows: what the store does, without the store.
pub(crate) struct Yard {
    pub(crate) rollout: Rollout,
    pub(crate) known: Known,
    pub(crate) now: Seconds,
}

impl Yard {
    pub(crate) fn new(plan: Plan) -> Self {
        Self { rollout: Rollout::new(plan), known: Known::default(), now: 1_000_000 }
    }

    pub(crate) fn started(plan: Plan) -> Self {
        let mut yard = Self::new(plan);
        yard.rollout.start(None, yard.now).unwrap();
        yard.tick(0);
        yard
    }

    pub(crate) fn tick(&mut self, seconds: Seconds) {
        self.now += seconds;
        self.rollout.evaluate(&self.known, self.now);
    }

    /// A check-in; what was offered.
    pub(crate) fn check_in(&mut self, n: u8, report: &Report) -> Option<Digest> {
        self.known.last_seen.insert(node(n), self.now);
        self.rollout.take_in(&node(n), report, self.now);
        self.rollout.evaluate(&self.known, self.now);
        self.rollout.offer(&node(n), report, self.now, self.now).0.map(|p| p.envelope)
    }

    pub(crate) fn proves(&self) -> String {
        self.rollout.proves(&self.known, self.now)
    }

    pub(crate) fn wave_proves(&self, wave: usize) -> String {
        self.rollout.wave_proves(wave, &self.known, self.now)
    }

    /// Walks a node through everything that is offered until it kept all of it.
    pub(crate) fn keep_all(&mut self, n: u8) {
        let mut report = idle();
        while let Some(envelope) = self.check_in(n, &report) {
            report = kept(envelope);
        }
    }
}

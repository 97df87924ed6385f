//! What a node reports, reduced to what decisions need.

use super::plan::{Brings, Parcel};
use pintle_protocol::checkin::{CheckIn, Ending, Phase, Position};
use pintle_protocol::id::{Chip, Component, Digest};
use std::collections::BTreeMap;

/// How something did not work out on a node.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Verdict {
    /// Whether it was not applied at all, or went back.
    pub refused: bool,
    /// A code of [`pintle_protocol::reason::Reason`].
    pub reason: u16,
    /// More about the reason.
    pub detail: u32,
}

/// What a node reports.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Report {
    /// What it is doing.
    pub phase: Phase,
    /// Manifest digest of what that is about.
    pub subject: Option<Digest>,
    /// Manifest digest of what it kept last, if that is how its last update ended.
    pub kept: Option<Digest>,
    /// Everything that it ever refused or went back from, by manifest digest.
    pub failed: BTreeMap<Digest, Verdict>,
    /// Sequence numbers kept, by role.
    pub sequences: [u64; 3],
    /// Digests of the images that run, by chip.
    pub images: [Option<Digest>; 2],
    /// Manifest digest of the bundle in force.
    pub bundle: Option<Digest>,
    /// Starts of the board so far.
    pub starts: u32,
    /// Signal, in dBm.
    pub rssi_dbm: i8,
    /// Where the door is.
    pub position: Position,
    /// The io chip says nothing that counts: nothing at all, or that it runs another image than the node put there.
    pub io_silent: bool,
}

/// What a report says about one envelope.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Finding {
    /// It proved itself, or the node runs what it brings already.
    Kept,
    /// It did not work out.
    Failed(Verdict),
    /// The node is at it.
    At(Phase),
    /// The node does nothing.
    Idle,
    /// The node is at something else.
    Elsewhere,
}

impl Report {
    /// Reduces a check-in. `failed`: what the node refused or went back from earlier; the
    /// outcome in this check-in is added.
    pub fn new(check_in: &CheckIn, mut failed: BTreeMap<Digest, Verdict>) -> Self {
        let mut kept = None;
        if let Some(outcome) = check_in.outcome {
            let verdict = |refused| Verdict { refused, reason: outcome.reason, detail: outcome.detail };
            match outcome.ending {
                Ending::Kept => kept = Some(outcome.envelope),
                Ending::WentBack => _ = failed.insert(outcome.envelope, verdict(false)),
                Ending::Refused => _ = failed.insert(outcome.envelope, verdict(true)),
            }
        }
        Self {
            phase: check_in.phase,
            subject: check_in.subject,
            kept,
            failed,
            sequences: check_in.sequences,
            images: [Some(check_in.net.digest), check_in.io.map(|io| io.digest)],
            bundle: check_in.bundle,
            starts: check_in.starts,
            rssi_dbm: check_in.wifi.rssi_dbm,
            position: check_in.position,
            io_silent: check_in.io.is_none(),
        }
    }

    /// What it says about this envelope. What is on trial is neither kept nor failed, whatever
    /// else the report says.
    pub(super) fn about(&self, parcel: &Parcel) -> Finding {
        let is_subject = self.subject == Some(parcel.envelope);
        if is_subject && self.phase != Phase::Idle {
            Finding::At(self.phase)
        } else if self.kept == Some(parcel.envelope) {
            Finding::Kept
        } else if let Some(verdict) = self.failed.get(&parcel.envelope) {
            Finding::Failed(*verdict)
        } else if self.phase != Phase::Trial && self.runs(parcel) {
            Finding::Kept
        } else if self.phase == Phase::Idle {
            Finding::Idle
        } else {
            Finding::Elsewhere
        }
    }

    /// Whether the node runs all that the envelope brings, and has kept it: a sequence number is
    /// raised only then.
    fn runs(&self, parcel: &Parcel) -> bool {
        let kept_sequence = self.sequences.get(parcel.role.index()).copied().unwrap_or(0);
        kept_sequence >= parcel.sequence && self.holds(parcel)
    }

    /// Whether what this envelope brings is in the node already, however it came there.
    pub(super) fn holds(&self, parcel: &Parcel) -> bool {
        let kept_sequence = self.sequences.get(parcel.role.index()).copied().unwrap_or(0);
        !parcel.brings.is_empty()
            && parcel.brings.iter().all(|part| match part.component {
                Component::Chip(chip) => part.payload.is_some() && self.image(chip) == part.payload,
                Component::Conf => self.bundle == Some(parcel.envelope),
                // The set of keys is not reported by digest; its sequence number stands for it.
                Component::Keys => kept_sequence == parcel.sequence,
            })
    }

    /// Whether the node certainly runs something else than what this envelope brings.
    pub(super) fn runs_another(&self, parcel: &Parcel) -> bool {
        parcel.brings.iter().any(|part| self.differs(part, parcel))
    }

    /// [`Self::runs_another`] for one part of the node.
    pub(super) fn runs_another_for(&self, component: Component, parcel: &Parcel) -> bool {
        parcel.brings.iter().any(|part| part.component == component && self.differs(part, parcel))
    }

    fn differs(&self, part: &Brings, parcel: &Parcel) -> bool {
        match part.component {
            Component::Chip(chip) => match (self.image(chip), part.payload) {
                (Some(runs), Some(brought)) => runs != brought,
                _ => false,
            },
            Component::Conf => self.bundle.is_some_and(|bundle| bundle != parcel.envelope),
            Component::Keys => false,
        }
    }

    fn image(&self, chip: Chip) -> Option<Digest> {
        self.images.get(chip.index()).copied().flatten()
    }
}

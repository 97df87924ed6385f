//! Columns as words.

use crate::contract::{Kind, OnFailure, RolloutState, WaveState};
use crate::rollout::watch::Door;
use crate::rollout::{Stage, Way};

pub(super) const KINDS: &[(Kind, &str)] =
    &[(Kind::Image, "image"), (Kind::Bundle, "bundle"), (Kind::Wifi, "wifi"), (Kind::Keys, "keys")];
pub(super) const ON_FAILURE: &[(OnFailure, &str)] =
    &[(OnFailure::Hold, "hold"), (OnFailure::TurnBack, "turn_back")];
pub(super) const STATES: &[(RolloutState, &str)] = &[
    (RolloutState::Ready, "ready"),
    (RolloutState::UnderWay, "under way"),
    (RolloutState::Held, "held"),
    (RolloutState::Done, "done"),
    (RolloutState::TurnedBack, "turned back"),
];
pub(super) const WAVES: &[(WaveState, &str)] = &[
    // One that waits for approval is stored as not open, and since when it was asked for.
    (WaveState::NotOpen, "not open"),
    (WaveState::Open, "open"),
    (WaveState::Soaking, "soaking"),
    (WaveState::Passed, "passed"),
    (WaveState::Failed, "failed"),
];
pub(super) const STAGES: &[(Stage, &str)] = &[
    (Stage::Waiting, "waiting"),
    (Stage::Offered, "offered"),
    (Stage::Fetching, "fetching"),
    (Stage::Door, "door"),
    (Stage::Trial, "trial"),
    (Stage::Ended, "ended"),
    (Stage::Retired, "retired"),
];
pub(super) const WAYS: &[(Way, &str)] = &[(Way::Forward, "forward"), (Way::Back, "back")];
pub(super) const DOORS: &[(Door, &str)] =
    &[(Door::Unseen, "unseen"), (Door::Closed, "closed"), (Door::Away, "away")];

/// How a way ended, as one word.
pub(super) const FORWARD: &[(u8, &str)] = &[(0, "kept"), (1, "went back"), (2, "refused")];
pub(super) const BACK: &[(u8, &str)] = &[(0, "done"), (1, "went back"), (2, "refused"), (3, "no way back")];

//! What is broken on purpose, to see that a search finds it. None of it is in the agent.

use crate::checkin::Position;
use crate::link::Status;

/// What is broken.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Lie {
    /// Nothing.
    None,
    /// The io chip always says that the door is closed and at rest: the interlock's answer is
    /// dropped, whatever it would be.
    AtRest,
    /// The io chip says that the relay is inhibited, and does not inhibit it.
    Inhibited,
    /// The io chip never inhibits the relay, and says so.
    NeverInhibits,
    /// The node's own button counts as pressed all the time.
    Pressed,
    /// Whatever is on trial, the io chip lets the relay go by itself, and says that it has not.
    LetsGo,
    /// While something is on trial, the io chip says that the door is closed and at rest.
    AtRestInTrial,
    /// The agent forgets what a bundle touches.
    Forgets,
    /// That bringing an image to the io chip has ended is never told.
    NoEnd,
}

impl Lie {
    /// What the agent hears instead of the truth, while something is on trial or not.
    pub(super) fn tells(self, truth: Status, trial: bool) -> Status {
        match self {
            Self::AtRestInTrial if !trial => truth,
            Self::AtRest | Self::AtRestInTrial => Status {
                position: Position::Closed,
                moving: false,
                relay_pulse: false,
                close_pending: false,
                warning: false,
                rest_seconds: 3600,
                plausible: true,
                ..truth
            },
            Self::LetsGo if !trial => truth,
            Self::Inhibited | Self::LetsGo => Status { inhibited: true, ..truth },
            Self::None | Self::NeverInhibits | Self::Pressed | Self::Forgets | Self::NoEnd => truth,
        }
    }

    /// Whether the io chip drops what it is told about its relay.
    pub(super) fn drops_inhibit(self, on: bool) -> bool {
        on && matches!(self, Self::Inhibited | Self::NeverInhibits)
    }
}

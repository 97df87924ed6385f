//! The reasons to wait, as a set that fits a check-in.

use core::fmt;

/// Everything that stands against applying a change now, as a set of reasons.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub struct Holds(u32);

/// One reason to wait.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[repr(u32)]
pub enum Hold {
    /// The door's position is not known.
    PositionUnknown = 1 << 0,
    /// The door moves.
    DoorMoving = 1 << 1,
    /// The door has not been at rest for long enough.
    NotYetAtRest = 1 << 2,
    /// A relay pulse is in progress.
    RelayPulse = 1 << 3,
    /// An unattended close is pending.
    ClosePending = 1 << 4,
    /// The warning before an unattended close sounds.
    Warning = 1 << 5,
    /// Somebody is at the button.
    ButtonInUse = 1 << 6,
    /// The gas alarm sounds.
    GasAlarm = 1 << 7,
    /// The supply is too low, too high or not known.
    Supply = 1 << 8,
    /// The two chips do not agree on a link version.
    LinkDisagrees = 1 << 9,
    /// The two chips do not agree on an actuation profile.
    ProfileDisagrees = 1 << 10,
    /// After the change the two chips would not understand each other.
    PairAfter = 1 << 11,
    /// The door asks for a press on the node's own button.
    ConsentMissing = 1 << 12,
    /// The io chip does not answer.
    IoSilent = 1 << 13,
}

impl Hold {
    /// All reasons, most telling first.
    pub const ALL: [Self; 14] = [
        Self::GasAlarm,
        Self::IoSilent,
        Self::DoorMoving,
        Self::RelayPulse,
        Self::Warning,
        Self::ClosePending,
        Self::ButtonInUse,
        Self::PositionUnknown,
        Self::NotYetAtRest,
        Self::Supply,
        Self::LinkDisagrees,
        Self::ProfileDisagrees,
        Self::PairAfter,
        Self::ConsentMissing,
    ];

    /// The sentence for people, after "waits: ".
    pub const fn sentence(self) -> &'static str {
        match self {
            Self::PositionUnknown => "it is not known where the door is",
            Self::DoorMoving => "the door moves",
            Self::NotYetAtRest => "the door has not been at rest for long enough",
            Self::RelayPulse => "the relay is being pulsed",
            Self::ClosePending => "the door is about to close by itself",
            Self::Warning => "the warning before a close sounds",
            Self::ButtonInUse => "somebody is at the button",
            Self::GasAlarm => "the gas alarm sounds",
            Self::Supply => "the supply voltage is out of range",
            Self::LinkDisagrees => "the two chips share no link version",
            Self::ProfileDisagrees => "the two chips mean different things by moving the door",
            Self::PairAfter => "the two chips would not understand each other afterwards",
            Self::ConsentMissing => "it waits for a press on the node's own button",
            Self::IoSilent => "the io chip does not answer",
        }
    }
}

impl fmt::Display for Hold {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.sentence())
    }
}

impl Holds {
    /// No reason to wait.
    pub const NONE: Self = Self(0);

    /// From the bits in a check-in; unknown bits are kept, so that nothing is hidden.
    pub const fn from_bits(bits: u32) -> Self {
        Self(bits)
    }

    /// The bits for a check-in.
    pub const fn bits(self) -> u32 {
        self.0
    }

    /// Whether there is no reason to wait.
    pub const fn is_empty(self) -> bool {
        self.0 == 0
    }

    /// Whether this reason is among them.
    pub const fn has(self, hold: Hold) -> bool {
        self.0 & hold as u32 != 0
    }

    /// Adds a reason if `when` holds.
    #[must_use]
    pub const fn with(self, hold: Hold, when: bool) -> Self {
        if when { Self(self.0 | hold as u32) } else { self }
    }

    /// The reasons, most telling first.
    pub fn iter(self) -> impl Iterator<Item = Hold> {
        Hold::ALL.into_iter().filter(move |h| self.has(*h))
    }
}

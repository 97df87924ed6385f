//! Exit codes.

/// How a run of the command ended. The number is the exit code.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[repr(u8)]
pub enum Exit {
    /// What was asked for is done.
    Done = 0,
    /// It ran, and the answer is no: a check found errors, a rollout is held, a node is missing.
    No = 1,
    /// The command line is wrong.
    Usage = 2,
    /// A yard file, an image, a reading or an envelope is wrong.
    BadInput = 3,
    /// The yard's keys are locked, or the passphrase is wrong.
    Locked = 4,
    /// The server is down, refuses, speaks another version or shows another certificate.
    Server = 5,
    /// A safety rule, or the lack of a safe order, forbids it.
    Unsafe = 6,
    /// A file could not be read or written.
    Files = 7,
}

impl Exit {
    /// All, in the order of their numbers.
    pub const ALL: [Self; 8] = [
        Self::Done,
        Self::No,
        Self::Usage,
        Self::BadInput,
        Self::Locked,
        Self::Server,
        Self::Unsafe,
        Self::Files,
    ];

    /// The exit code.
    pub const fn code(self) -> u8 {
        self as u8
    }

    /// What it means, for `pintle --help`.
    pub const fn meaning(self) -> &'static str {
        match self {
            Self::Done => "done",
            Self::No => "it ran, and the answer is no (a check found errors, a rollout is held)",
            Self::Usage => "the command line is wrong",
            Self::BadInput => "a yard file, image, reading or envelope is wrong",
            Self::Locked => "the yard's keys are locked, or the passphrase is wrong",
            Self::Server => "the server is down, refuses, or is not the expected one",
            Self::Unsafe => "a safety rule, or the lack of a safe order, forbids it",
            Self::Files => "a file could not be read or written",
        }
    }
}

impl From<Exit> for std::process::ExitCode {
    fn from(exit: Exit) -> Self {
        Self::from(exit.code())
    }
}

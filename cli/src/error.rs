//! Everything that can go wrong in a command, with exit code, cause and hint.

use crate::api::ApiError;
use crate::calibrate::distance::DistanceError;
use crate::calibrate::gas::GasError;
use crate::calibrate::light::LightError;
use crate::calibrate::readings::BadReadings;
use crate::exit::Exit;
use crate::image::{LibraryError, PackError};
use crate::journal::JournalError;
use crate::keys::KeysError;
use crate::locked::LockedError;
use crate::look::TellError;
use crate::node::NodeError;
use crate::plan::RolloutError;
use crate::plan::waves::WaveError;
use crate::plan::wifi::WifiError;
use crate::plan::windows::WindowError;
use crate::random::NoRandomness;
use crate::seal::SealError;
use crate::server_link::JoinError;
use crate::yard::files::FileError;
use crate::yard::sequences::SequenceError;
use crate::yard::strict::ReadError;
use crate::yard::{PlanError, YardError};
use std::path::PathBuf;
use thiserror::Error;

/// Why a command did not do what was asked.
#[derive(Debug, Error)]
pub enum CliError {
    /// The yard.
    #[error(transparent)]
    Yard(#[from] YardError),
    /// A node's files.
    #[error(transparent)]
    Plan(#[from] PlanError),
    /// A file.
    #[error(transparent)]
    File(#[from] FileError),
    /// A readings file.
    #[error(transparent)]
    Readings(#[from] BadReadings),
    /// Distances.
    #[error(transparent)]
    Distance(#[from] DistanceError),
    /// Light readings.
    #[error(transparent)]
    Light(#[from] LightError),
    /// A gas sensor's curve.
    #[error(transparent)]
    Gas(#[from] GasError),
    /// Packing.
    #[error(transparent)]
    Pack(#[from] PackError),
    /// Packed images.
    #[error(transparent)]
    Library(#[from] LibraryError),
    /// Sealing.
    #[error(transparent)]
    Seal(#[from] SealError),
    /// Commissioning.
    #[error(transparent)]
    Node(#[from] NodeError),
    /// Rollouts.
    #[error(transparent)]
    Rollout(#[from] RolloutError),
    /// Wi-Fi.
    #[error(transparent)]
    Wifi(#[from] WifiError),
    /// The server.
    #[error(transparent)]
    Api(#[from] ApiError),
    /// The server's journal.
    #[error(transparent)]
    Journal(#[from] JournalError),
    /// Joining a server.
    #[error(transparent)]
    Join(#[from] JoinError),
    /// Changing keys.
    #[error(transparent)]
    Keys(#[from] KeysError),
    /// A report.
    #[error(transparent)]
    Tell(#[from] TellError),
    /// Randomness.
    #[error(transparent)]
    Random(#[from] NoRandomness),
    /// No passphrase and nobody to ask.
    #[error("the yard's keys are locked, and there is nobody to ask for the passphrase")]
    NobodyToAsk,
    /// No passphrase of a network and nobody to ask.
    #[error("there is nobody to ask for the passphrase of the network")]
    NoWifiPassphrase,
    /// Asking did not work.
    #[error("the passphrase could not be read: {0}")]
    Asking(std::io::Error),
    /// Two passphrases that should be the same.
    #[error("the two passphrases are not the same; nothing was changed")]
    NotTheSame,
    /// A secret file that is empty or has several lines.
    #[error("{} holds no secret: one line is expected", .0.display())]
    SecretFile(PathBuf),
    /// A command line that cannot be.
    #[error("{0}")]
    Usage(String),
    /// Anything that another part of the program reports, with its own exit code.
    #[error("{message}")]
    Other {
        /// The sentence.
        message: String,
        /// What to do.
        hint: Option<String>,
        /// The exit code.
        exit: Exit,
    },
}

impl CliError {
    /// The exit code.
    pub fn exit(&self) -> Exit {
        match self {
            Self::Yard(e) => yard_exit(e),
            Self::Plan(_) | Self::Tell(_) | Self::Readings(_) | Self::Gas(_) | Self::SecretFile(_) => {
                Exit::BadInput
            }
            Self::Distance(_) | Self::Light(_) => Exit::BadInput,
            Self::File(e) => file_exit(e),
            Self::Pack(e) => match e {
                PackError::Yard(e) => yard_exit(e),
                PackError::File(e) => file_exit(e),
                PackError::Library(e) => library_exit(e),
                PackError::Seal(e) => seal_exit(e),
                PackError::Quirk { .. } => Exit::Unsafe,
                _ => Exit::BadInput,
            },
            Self::Library(e) => library_exit(e),
            Self::Seal(e) => seal_exit(e),
            Self::Node(e) => match e {
                NodeError::Yard(e) => yard_exit(e),
                NodeError::File(e) => file_exit(e),
                NodeError::Api(_) | NodeError::NoClaim(_) => Exit::Server,
                NodeError::NotGenuine(_) | NodeError::Signature { .. } | NodeError::OtherClass { .. } => {
                    Exit::Unsafe
                }
                _ => Exit::BadInput,
            },
            Self::Rollout(e) => rollout_exit(e),
            Self::Keys(e) => keys_exit(e),
            Self::Wifi(e) => match e {
                WifiError::Yard(e) => yard_exit(e),
                WifiError::File(e) => file_exit(e),
                WifiError::NotProved(_) => Exit::Unsafe,
                WifiError::None | WifiError::UnderWay(_) => Exit::No,
                _ => Exit::BadInput,
            },
            Self::Api(_) => Exit::Server,
            Self::Journal(e) => match e {
                JournalError::Broken(_)
                | JournalError::Head(_)
                | JournalError::Foreign { .. }
                | JournalError::Api(_) => Exit::Server,
                JournalError::File(e) | JournalError::Kept(ReadError::File(e)) => file_exit(e),
                JournalError::Kept(ReadError::Unreadable(_))
                | JournalError::BadId { .. }
                | JournalError::Backup(_)
                | JournalError::Line { .. } => Exit::BadInput,
            },
            Self::Join(e) => match e {
                JoinError::Yard(e) => yard_exit(e),
                JoinError::File(e) => file_exit(e),
                JoinError::Api(_) | JoinError::OtherKey { .. } => Exit::Server,
                JoinError::BadKey(_) | JoinError::Token(_) => Exit::BadInput,
            },
            Self::Random(_) => Exit::Files,
            Self::NobodyToAsk | Self::NoWifiPassphrase | Self::Asking(_) | Self::NotTheSame => Exit::Locked,
            Self::Usage(_) => Exit::Usage,
            Self::Other { exit, .. } => *exit,
        }
    }

    /// What lies behind it.
    pub fn cause(&self) -> Option<String> {
        match self {
            Self::Api(e)
            | Self::Journal(JournalError::Api(e))
            | Self::Join(JoinError::Api(e))
            | Self::Node(NodeError::Api(e))
            | Self::Keys(KeysError::Send(RolloutError::Api(e)) | KeysError::Join(JoinError::Api(e)))
            | Self::Rollout(RolloutError::Api(e)) => e.cause(),
            Self::Seal(e) | Self::Rollout(RolloutError::Seal(e)) | Self::Pack(PackError::Seal(e)) => {
                seal_cause(e)
            }
            _ => None,
        }
    }

    /// What to do about it.
    pub fn hint(&self) -> Option<String> {
        match self {
            Self::Yard(e)
            | Self::Node(NodeError::Yard(e))
            | Self::Wifi(WifiError::Yard(e))
            | Self::Join(JoinError::Yard(e))
            | Self::Rollout(RolloutError::Yard(e))
            | Self::Seal(SealError::Yard(e))
            | Self::Pack(PackError::Yard(e)) => yard_hint(e),
            Self::Plan(e) | Self::Rollout(RolloutError::Plan(e)) => Some(e.hint()),
            Self::Api(e)
            | Self::Journal(JournalError::Api(e))
            | Self::Join(JoinError::Api(e))
            | Self::Rollout(RolloutError::Api(e)) => e.hint(),
            Self::Journal(JournalError::Kept(ReadError::Unreadable(e))) => Some(e.hint()),
            Self::Node(e) => e.hint(),
            Self::Seal(e) | Self::Rollout(RolloutError::Seal(e)) => seal_hint(e),
            Self::Rollout(e) | Self::Keys(KeysError::Send(e)) => rollout_hint(e),
            Self::Keys(e) => keys_hint(e),
            Self::Pack(e) => pack_hint(e),
            Self::Library(e) => library_hint(e),
            Self::Wifi(e) => wifi_hint(e),
            Self::Distance(e) => Some(match e {
                DistanceError::TooFew { .. } => "record more, on warm and on cold days".to_owned(),
                DistanceError::TooNear { .. } => {
                    "fit a thermometer and set `door.temperature_compensated`, or move the range finder"
                        .to_owned()
                }
                _ => "see that the range finder looks at the door alone, and record again".to_owned(),
            }),
            Self::Light(_) => Some("see that the photocell looks at the lamp and not at a window".to_owned()),
            Self::Readings(_) => Some("correct the file and try again; nothing was changed".to_owned()),
            Self::NobodyToAsk => {
                Some("give `--passphrase-file FILE`, or set PINTLE_PASSPHRASE_FILE".to_owned())
            }
            Self::NoWifiPassphrase => Some("give `--wifi-passphrase-file FILE`".to_owned()),
            Self::Join(JoinError::OtherKey { .. }) => {
                Some("compare with the key that the server shows when it starts".to_owned())
            }
            Self::Other { hint, .. } => hint.clone(),
            _ => None,
        }
    }
}

fn file_exit(e: &FileError) -> Exit {
    match e {
        FileError::Read { .. } | FileError::Write { .. } => Exit::Files,
        FileError::Exists(_) | FileError::TooLarge { .. } | FileError::NotText { .. } => Exit::BadInput,
    }
}

fn yard_exit(e: &YardError) -> Exit {
    match e {
        YardError::File(e) => file_exit(e),
        YardError::Locked { .. } => Exit::Locked,
        _ => Exit::BadInput,
    }
}

fn rollout_exit(e: &RolloutError) -> Exit {
    match e {
        RolloutError::Yard(e) => yard_exit(e),
        RolloutError::Api(_)
        | RolloutError::Stored { .. }
        | RolloutError::Unknown(_)
        | RolloutError::OtherKeys { .. } => Exit::Server,
        RolloutError::Seal(e) => seal_exit(e),
        RolloutError::Library(e) => library_exit(e),
        RolloutError::Plan(_)
        | RolloutError::Waves(_)
        | RolloutError::Windows(_)
        | RolloutError::Sequence(_) => Exit::BadInput,
        RolloutError::NothingToDo => Exit::No,
        _ => Exit::Unsafe,
    }
}

fn keys_exit(e: &KeysError) -> Exit {
    match e {
        KeysError::UnderWay(_) | KeysError::None => Exit::No,
        KeysError::Nothing | KeysError::ServerKey => Exit::Usage,
        KeysError::Anchors(_) | KeysError::NoRoot { .. } | KeysError::Node(_) => Exit::BadInput,
        KeysError::NotAll(_) | KeysError::Rollout { .. } => Exit::Unsafe,
        KeysError::NotSwitched | KeysError::Switched => Exit::Unsafe,
        KeysError::Send(e) => rollout_exit(e),
        KeysError::Join(_) => Exit::Server,
        KeysError::Yard(e) => yard_exit(e),
    }
}

fn keys_hint(e: &KeysError) -> Option<String> {
    Some(match e {
        KeysError::UnderWay(_) => {
            "see `pintle keys tally`; end it with `pintle keys finish` or `pintle keys give-up`".to_owned()
        }
        KeysError::None => "begin one with `pintle keys renew image`, for example".to_owned(),
        KeysError::Nothing => "name root, image, bundle or server".to_owned(),
        KeysError::ServerKey => {
            "run `pintle-server new-key --data DIR`, then `pintle keys renew server --server-key KEY`"
                .to_owned()
        }
        KeysError::NotAll(_) => {
            "see `pintle keys tally` and wait; one that is given up is named with `--without`".to_owned()
        }
        KeysError::Rollout { .. } => "wait until it is done, or turn it back".to_owned(),
        KeysError::NotSwitched => {
            "stop it, run `pintle-server switch-key --data DIR`, and start it again".to_owned()
        }
        KeysError::Switched => "go on with `pintle keys finish`, or put its old key back first".to_owned(),
        KeysError::NoRoot { .. } => {
            "restore keys/old/ from git or from a backup; without it only a new starter card helps that node"
                .to_owned()
        }
        KeysError::Anchors(_) => "see that the key is a new one, and copied whole".to_owned(),
        KeysError::Node(e) => return e.hint(),
        KeysError::Join(JoinError::Api(e)) => return e.hint(),
        KeysError::Yard(e) => return yard_hint(e),
        KeysError::Send(_) | KeysError::Join(_) => return None,
    })
}

fn library_exit(e: &LibraryError) -> Exit {
    match e {
        LibraryError::File(e) => file_exit(e),
        _ => Exit::BadInput,
    }
}

fn seal_exit(e: &SealError) -> Exit {
    match e {
        SealError::Yard(e) => yard_exit(e),
        SealError::File(e) => file_exit(e),
        SealError::Rules { .. } | SealError::NodeRefuses { .. } => Exit::Unsafe,
        SealError::Sequence(SequenceError::TooFarAhead { .. }) => Exit::Unsafe,
        _ => Exit::BadInput,
    }
}

fn yard_hint(e: &YardError) -> Option<String> {
    Some(match e {
        YardError::NotThere(_) => {
            "go to the yard's directory, give `--yard DIR`, or make one with `pintle yard start DIR`"
                .to_owned()
        }
        YardError::Unreadable(e) => e.hint(),
        YardError::Locked { error: LockedError::WrongPassphrase, .. } => {
            "try the passphrase again; without it the keys cannot be had back".to_owned()
        }
        YardError::Locked { .. } => "restore the file from git or from a backup".to_owned(),
        YardError::Domain(_) => {
            "take a domain of your own, or one that ends in `.example` or `.home.arpa`".to_owned()
        }
        YardError::NotEmpty(_) => "take a directory that is not there yet".to_owned(),
        _ => return None,
    })
}

fn seal_cause(e: &SealError) -> Option<String> {
    match e {
        SealError::Rules { findings, .. } => findings.first().map(|f| format!("{} ({})", f.asks, f.source)),
        _ => None,
    }
}

fn seal_hint(e: &SealError) -> Option<String> {
    Some(match e {
        SealError::Rules { node, .. } => format!("see all of them with `pintle check {node}`"),
        SealError::NotAdmitted(node) => format!("`pintle node admit {node}`"),
        SealError::Kept(_) => "restore the file from git or from a backup".to_owned(),
        SealError::NodeRefuses { .. } | SealError::Network { .. } => {
            "see the network's passphrase: `pintle wifi add` stores it anew".to_owned()
        }
        SealError::Record(e) => e.hint(),
        SealError::Yard(e) => return yard_hint(e),
        _ => return None,
    })
}

fn rollout_hint(e: &RolloutError) -> Option<String> {
    use pintle_protocol::order::NoRoute;
    Some(match e {
        RolloutError::Waves(
            WaveError::NoNode { nearest: Some(nearest), .. }
            | WaveError::NoLabel { nearest: Some(nearest), .. },
        ) => format!("did you mean `{nearest}`?"),
        RolloutError::Waves(WaveError::NoLabel { .. }) => {
            "labels stand in nodes/NAME.toml, such as `labels = [\"outbuildings\"]`".to_owned()
        }
        RolloutError::Windows(WindowError::NoZone) => {
            "name it in yard.toml, such as `time_zone = \"Etc/UTC\"`".to_owned()
        }
        RolloutError::OtherKeys { node, .. } => format!(
            "if you admitted a new board, `pintle node admit {node}` tells the server; else somebody changed \
             the server: look at `pintle server journal` and trust nothing that it says of {node}"
        ),
        RolloutError::NotAdmitted(node) => format!("`pintle node admit {node}`"),
        RolloutError::NeverSeen(node) | RolloutError::IoSilent(node) => {
            format!("see `pintle node show {node}`, or leave it out with `--wave`")
        }
        RolloutError::Order { fault: NoRoute::Missing(_), .. } => {
            "build and pack that image, then try again".to_owned()
        }
        RolloutError::Order { .. } => "build images that understand what the nodes run now".to_owned(),
        RolloutError::Misbehaves(_) => "give `--rehearsal` in a yard that has no real doors".to_owned(),
        RolloutError::NoWayBack { .. } => {
            "pack the image that it runs now too: every update carries its way back".to_owned()
        }
        RolloutError::ForeignBundle { .. } => {
            "take up the yard's newest copy from git; it was sealed elsewhere".to_owned()
        }
        RolloutError::Library(e) => return library_hint(e),
        _ => return None,
    })
}

fn pack_hint(e: &PackError) -> Option<String> {
    Some(match e {
        PackError::NoBoard { nearest: Some(nearest), .. } => format!("did you mean `{nearest}`?"),
        PackError::NoBoard { .. } => "boards are described in boards/NAME.toml".to_owned(),
        PackError::TooLarge { .. } => {
            "make the image smaller, or correct `slot_bytes` in the board's file".to_owned()
        }
        PackError::OtherClass { .. } => {
            "build it with the class of this board, or give another `--board`".to_owned()
        }
        PackError::Quirk { .. } => "give `--rehearsal` in a yard that has no real doors".to_owned(),
        PackError::SameVersion { .. } => {
            "raise the version in the image note: one version is one image".to_owned()
        }
        PackError::Library(e) => return library_hint(e),
        _ => return None,
    })
}

fn library_hint(e: &LibraryError) -> Option<String> {
    Some(match e {
        LibraryError::NoImage { nearest: Some(nearest), .. } => format!("did you mean `{nearest}`?"),
        LibraryError::NoImage { .. } => "see the packed images with `pintle image list`".to_owned(),
        LibraryError::Changed { .. } => "restore the file from git, or pack the image again".to_owned(),
        LibraryError::Unreadable(e) => e.hint(),
        _ => return None,
    })
}

fn wifi_hint(e: &WifiError) -> Option<String> {
    Some(match e {
        WifiError::UnderWay(_) => "`pintle wifi tally` shows how far it is; end it with `pintle wifi finish` or `pintle wifi give-up`".to_owned(),
        WifiError::None => "begin one with `pintle wifi change`".to_owned(),
        WifiError::NoNetwork { nearest: Some(nearest), .. } => format!("did you mean `{nearest}`?"),
        WifiError::NotProved(_) => {
            "leave the old network on and see `pintle wifi tally`; a node that is given up is named with `--without`".to_owned()
        }
        WifiError::Listed { .. } => "put the new network into their `networks` lists".to_owned(),
        WifiError::Yard(e) => return yard_hint(e),
        _ => return None,
    })
}

//! How a rollout goes about it: what every command that starts one takes.

use crate::error::CliError;
use crate::plan::RolloutError;
use crate::plan::care::{Approval, Care};
use crate::plan::waves::{Span, WaveError};
use crate::plan::windows::{Window, windows};
use crate::yard::Yard;
use clap::builder::RangedI64ValueParser;
use clap::{ValueEnum, value_parser};
use pintle_server::contract::{Evidence, Gate, LEAST_WAITING, MOST_SEEN, OnFailure};

/// How careful a rollout is.
#[derive(Debug, clap::Args)]
pub(super) struct How {
    /// Nodes of one wave, with commas; may be given more than once
    ///
    /// Names, `label=NAME` for all with that label, `25%` for a share of all nodes (rounded up, in
    /// the order of their names), `rest` for all others. A node goes once: names are taken out
    /// first, then labels, then shares, wave by wave. What comes out is shown before it is sent.
    #[arg(long = "wave", value_name = "NODE,..")]
    pub(super) waves: Vec<String>,
    /// How long everything must stay well before the next wave
    #[arg(long, default_value = "30m", value_name = "TIME")]
    pub(super) soak: Span,
    /// Check-ins that every node that kept must have sent before its wave passes
    #[arg(long, default_value_t = 0, value_name = "N", value_parser = seen())]
    min_check_ins: u32,
    /// Times that its door must have been seen closed, away and closed again
    ///
    /// Only check-ins show where a door is: one that opens and closes between two of them is not
    /// seen, so that a wave may soak for longer than the count suggests.
    #[arg(long, default_value_t = 0, value_name = "N", value_parser = seen())]
    min_door_cycles: u32,
    /// Waves that open only after `pintle rollout approve`
    #[arg(long, value_enum, default_value = "none", value_name = "WAVES")]
    approve: ApproveArg,
    /// When something new may be offered, such as "mon-fri 09:00-17:00"; may be given more than once
    ///
    /// By the clock on the wall in the time zone of yard.toml, daylight saving included. What a
    /// node has taken up already goes on, and a rollout that turns back does not wait.
    #[arg(long = "window", value_name = "DAYS FROM-UNTIL")]
    windows: Vec<Window>,
    /// Nodes of a wave that may go back or refuse
    #[arg(long, default_value_t = 0, value_name = "N")]
    max_failed: u32,
    /// Nodes of a wave that may be silent
    #[arg(long, default_value_t = 0, value_name = "N")]
    max_silent: u32,
    /// A node counts as silent after this long
    #[arg(long, default_value = "1h", value_name = "TIME")]
    silent_after: Span,
    /// Nodes of a wave that may be waiting too long for their door; any number if left out
    #[arg(long, value_name = "N")]
    max_waiting: Option<u32>,
    /// A node has waited too long for its door after this
    #[arg(long, default_value = "1d", value_name = "TIME", value_parser = long_wait)]
    waiting_after: Span,
    /// Nodes of a wave that may be unwell after they kept, by the two limits below or because their io chip fell silent
    #[arg(long, default_value_t = 0, value_name = "N")]
    max_unwell: u32,
    /// A node that started more often than this since it kept is unwell
    #[arg(long, value_name = "N")]
    max_restarts: Option<u32>,
    /// A node whose signal was weaker than this in three check-ins in a row is unwell
    #[arg(long, value_name = "DBM", allow_negative_numbers = true, value_parser = value_parser!(i8).range(..=-1))]
    min_signal: Option<i8>,
    /// What happens when a wave fails
    #[arg(long, value_enum, default_value = "hold")]
    on_failure: OnFailureArg,
    /// What people call the rollout
    #[arg(long)]
    pub(super) title: Option<String>,
}

/// How often something must have been seen.
fn seen() -> RangedI64ValueParser<u32> {
    value_parser!(u32).range(..=i64::from(MOST_SEEN))
}

/// A time after which waiting for a door may count.
fn long_wait(text: &str) -> Result<Span, String> {
    let span: Span = text.parse().map_err(|e: WaveError| e.to_string())?;
    if span.0 < LEAST_WAITING {
        return Err(format!("take {} or more", Span(LEAST_WAITING)));
    }
    Ok(span)
}

#[derive(Clone, Copy, Debug, ValueEnum)]
enum OnFailureArg {
    /// A person decides
    Hold,
    /// Nodes that kept get their ways back
    TurnBack,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
enum ApproveArg {
    /// Every wave opens by itself
    None,
    /// All but the first wait for a person
    Later,
    /// Every wave waits for a person
    Every,
}

impl How {
    /// The windows are in the time zone of this yard.
    pub(super) fn care(&self, yard: &Yard) -> Result<Care, CliError> {
        let zone = yard.file.time_zone.as_deref();
        Ok(Care {
            soak_seconds: self.soak.0,
            evidence: Evidence { min_check_ins: self.min_check_ins, min_door_cycles: self.min_door_cycles },
            gate: Gate {
                max_failed: self.max_failed,
                max_silent: self.max_silent,
                silent_after_seconds: self.silent_after.0,
                max_waiting: self.max_waiting,
                waiting_after_seconds: self.waiting_after.0,
                max_unwell: self.max_unwell,
                max_restarts: self.max_restarts,
                min_signal_dbm: self.min_signal,
            },
            approval: match self.approve {
                ApproveArg::None => Approval::None,
                ApproveArg::Later => Approval::Later,
                ApproveArg::Every => Approval::Every,
            },
            windows: windows(&self.windows, zone).map_err(RolloutError::Windows)?,
            on_failure: match self.on_failure {
                OnFailureArg::Hold => OnFailure::Hold,
                OnFailureArg::TurnBack => OnFailure::TurnBack,
            },
        })
    }
}

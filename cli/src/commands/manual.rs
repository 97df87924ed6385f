use super::{Cli, Run};
use crate::error::CliError;
use crate::exit::Exit;
use crate::ui::{Answer, count};
use crate::yard::files::FileError;
use clap::CommandFactory;
use pintle_server::manual::{NotWritten, Program};
use serde::Serialize;
use std::path::PathBuf;

/// Write the manual pages and the completions for bash, zsh and fish
///
/// They go where `man` and the shells look for them below a folder such as /usr/local/share or
/// ~/.local/share. Those of an earlier version are replaced. Needs no yard.
///
/// Example: pintle manual --to ~/.local/share
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// The folder; made if it is not there
    #[arg(long, value_name = "DIR")]
    to: PathBuf,
}

#[derive(Serialize)]
struct Written {
    folder: PathBuf,
    files: usize,
}

impl Answer for Written {
    fn text(&self) -> String {
        format!("{} written below {}\n", count(self.files, "file"), self.folder.display())
    }
}

fn program() -> Program<'static> {
    Program {
        command: Cli::command(),
        section: "1",
        exits: Exit::ALL.map(|exit| (exit.code(), exit.meaning())).into(),
        environment: &[("NO_COLOR", "if it is set to anything, nothing is coloured")],
        also: &["pintle-server(8)"],
    }
}

pub(super) fn run(args: Args, run: &mut Run) -> Result<Exit, CliError> {
    let files = program()
        .write(&args.to)
        .map_err(|NotWritten { path, source }| FileError::Write { path, error: source })?;
    run.ui.answer(&Written { folder: args.to, files });
    Ok(Exit::Done)
}

use super::Run;
use crate::error::CliError;
use crate::exit::Exit;
use crate::node::{self, NewNode};
use crate::ui::Answer;
use serde::Serialize;
use std::path::PathBuf;

/// Add a node: writes a commented nodes/NAME.toml to fill in
///
/// Changes nothing else. The new node's door is of unknown kind and never closes by itself until
/// you say so.
///
/// Example: pintle node add barn --board two-chip --label "Barn door"
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// Name of the node: small letters, digits, hyphens
    name: String,
    /// Its board, by the name of the file in boards/
    #[arg(long)]
    board: String,
    /// What people call it, at most 32 bytes; the name if left out
    #[arg(long)]
    label: Option<String>,
}

#[derive(Serialize)]
struct Added {
    node: String,
    id: String,
    file: PathBuf,
}

impl Answer for Added {
    fn text(&self) -> String {
        format!("added node {}, identifier {}\n  fill in {}\n", self.node, self.id, self.file.display())
    }
}

pub(super) fn run(args: &Args, run: &mut Run) -> Result<Exit, CliError> {
    let yard = run.yard()?;
    let label = args.label.as_deref().unwrap_or(&args.name);
    let file = node::add(&yard, NewNode { name: &args.name, board: &args.board, label })?;
    run.ui.answer(&Added { node: args.name.clone(), id: yard.node_id(&args.name).to_string(), file });
    Ok(Exit::Done)
}

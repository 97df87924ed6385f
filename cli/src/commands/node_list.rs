use super::{Run, show};
use crate::error::CliError;
use crate::exit::Exit;
use crate::ui::{Answer, table};
use serde::Serialize;

/// List the nodes of the yard, and where the server sees them
///
/// Changes nothing. With `--here` it asks no server and needs no passphrase.
///
/// Example: pintle node list
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// Only what the yard's files say
    #[arg(long)]
    here: bool,
}

#[derive(Serialize)]
struct Line {
    node: String,
    label: String,
    board: String,
    admitted: bool,
    status: Option<String>,
    door: Option<String>,
    last_seen: Option<i64>,
}

#[derive(Serialize)]
#[serde(transparent)]
struct Lines(Vec<Line>);

impl Answer for Lines {
    fn text(&self) -> String {
        let rows: Vec<_> = self
            .0
            .iter()
            .map(|l| {
                let status = l
                    .status
                    .clone()
                    .unwrap_or_else(|| if l.admitted { "admitted" } else { "not admitted" }.to_owned());
                let door = l.door.clone().unwrap_or_default();
                vec![
                    l.node.clone(),
                    l.label.clone(),
                    l.board.clone(),
                    status,
                    door,
                    l.last_seen.map(show::utc).unwrap_or_default(),
                ]
            })
            .collect();
        table(&rows)
    }
}

pub(super) fn run(args: &Args, run: &mut Run) -> Result<Exit, CliError> {
    let yard = run.yard()?;
    let views = if args.here || yard.file.server.is_none() {
        Vec::new()
    } else {
        let unlocked = run.unlock(&yard)?;
        crate::server_link::client(&yard, &unlocked)?.nodes()?
    };
    let lines = yard.nodes.iter().map(|(name, file)| {
        let view = views.iter().find(|v| v.id == yard.node_id(name));
        Line {
            node: name.clone(),
            label: file.label.clone(),
            board: file.board.clone(),
            admitted: file.keys.is_some(),
            status: view.map(|v| v.status.to_string()),
            door: view.and_then(|v| v.report.as_ref()).map(|r| r.position.clone()),
            last_seen: view.and_then(|v| v.last_seen),
        }
    });
    let lines = Lines(lines.collect());
    run.ui.answer(&lines);
    for view in views.iter().filter(|v| yard.name_of(v.id).is_none()) {
        run.ui.warn(&format!("the server knows a node {} ({}) that is not in this yard", view.name, view.id));
    }
    Ok(Exit::Done)
}

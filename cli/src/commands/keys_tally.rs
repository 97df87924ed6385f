use super::Run;
use crate::error::CliError;
use crate::exit::Exit;
use crate::keys::{self, Tally};
use crate::ui::{Answer, table};
use serde::Serialize;

/// Count which nodes have the yard's set of trust anchors
///
/// Changes nothing. The exit code is 0 when every admitted node has it, 1 when one does not.
///
/// Example: pintle keys tally
#[derive(Debug, clap::Args)]
pub(super) struct Args {}

#[derive(Serialize)]
struct Counted {
    renewing: Option<String>,
    nodes: Vec<Row>,
    lacking: Vec<String>,
}

#[derive(Serialize)]
struct Row {
    node: String,
    has: keys::Has,
    sequence: Option<u64>,
}

impl Answer for Counted {
    fn text(&self) -> String {
        let number = |n: Option<u64>| match n {
            None => String::new(),
            Some(0) => "from its starter card".to_owned(),
            Some(n) => format!("number {n}"),
        };
        let rows: Vec<_> = self
            .nodes
            .iter()
            .map(|r| vec![format!("  {}", r.node), r.has.phrase().to_owned(), number(r.sequence)])
            .collect();
        let mut text = match &self.renewing {
            Some(what) => format!("being renewed: {what}\n"),
            None => "no change of keys is under way\n".to_owned(),
        };
        text += &table(&rows);
        text += &match (&self.renewing, self.lacking.is_empty()) {
            (_, false) => {
                format!("not yet: {}; an old key is still needed for them\n", self.lacking.join(", "))
            }
            (Some(_), true) => "every node trusts the new keys: `pintle keys finish`\n".to_owned(),
            (None, true) => "every node has the yard's set of keys\n".to_owned(),
        };
        text
    }
}

pub(super) fn run(_: &Args, run: &mut Run) -> Result<Exit, CliError> {
    let (yard, _, client) = run.all()?;
    let tally = keys::tally(&yard, &crate::heard::nodes(&yard, &client)?)?;
    let (lacking, renewing) = (tally.lacking(), yard.next.any().then(|| keys::under_way(&yard)));
    let Tally { nodes } = tally;
    let nodes = nodes.into_iter().map(|(node, has, sequence)| Row { node, has, sequence }).collect();
    let all = lacking.is_empty();
    run.ui.answer(&Counted { renewing, nodes, lacking });
    Ok(if all { Exit::Done } else { Exit::No })
}

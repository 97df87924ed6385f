use super::{Run, show};
use crate::error::CliError;
use crate::exit::Exit;
use crate::plan::waves::Span;
use pintle_server::contract::RolloutState;
use std::time::{Duration, Instant};

/// Follow a rollout until it is done, held, turned back or waits for approval
///
/// Changes nothing; stop it whenever you like. Says on stderr what changes, and answers when the
/// rollout has come to rest. The exit code is 0 when it is done, 1 when it is held, was turned
/// back or ended early, waits for approval, or `--for` has passed.
///
/// Example: pintle rollout watch 3
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// Number of the rollout
    id: i64,
    /// How often the server is asked
    #[arg(long, default_value = "5s", value_name = "TIME")]
    every: Span,
    /// Give up after this long
    #[arg(long = "for", value_name = "TIME")]
    at_most: Option<Span>,
}

pub(super) fn run(args: &Args, run: &mut Run) -> Result<Exit, CliError> {
    let (_, _, client) = run.all()?;
    let began = Instant::now();
    let limit = args.at_most.map(|s| Duration::from_secs(s.0.into()));
    let mut known: Vec<(String, String)> = Vec::new();
    loop {
        let view = client.rollout(args.id)?;
        let now: Vec<(String, String)> = view
            .waves
            .iter()
            .flat_map(|w| &w.targets)
            .map(|t| {
                let why = t.reason.as_deref().map(|r| format!(": {r}")).unwrap_or_default();
                (t.name.clone(), format!("{}{why}", t.progress))
            })
            .collect();
        for (name, progress) in now.iter().filter(|n| !known.contains(n)) {
            run.ui.say(&format!("{name}: {progress}"));
        }
        known = now;
        let over = limit.is_some_and(|limit| began.elapsed() >= limit);
        if show::at_rest(&view) || over {
            let done = view.state == RolloutState::Done && !view.ended_early;
            run.ui.answer(&show::Rollout(view));
            return Ok(if done { Exit::Done } else { Exit::No });
        }
        std::thread::sleep(Duration::from_secs(args.every.0.max(1).into()));
    }
}

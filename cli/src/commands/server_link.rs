use super::{Run, show};
use crate::error::CliError;
use crate::exit::Exit;
use crate::ui::Answer;
use serde::Serialize;

/// Make a link that signs a phone in, once
///
/// Whoever opens it first is signed in. Send it to nobody else.
///
/// Example: pintle server link
#[derive(Debug, clap::Args)]
pub(super) struct Args {}

#[derive(Serialize)]
struct Link {
    url: String,
    expires_at: i64,
}

impl Answer for Link {
    fn text(&self) -> String {
        format!("{}\n", self.url)
    }
}

pub(super) fn run(_: &Args, run: &mut Run) -> Result<Exit, CliError> {
    let (_, _, client) = run.all()?;
    let link = client.sign_in_link()?;
    let url = format!("{}{}", client.address(), link.path);
    run.ui.answer(&Link { url, expires_at: link.expires_at });
    run.ui.say(&format!("works once, until {}", show::utc(link.expires_at)));
    Ok(Exit::Done)
}

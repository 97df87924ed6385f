use super::Run;
use crate::error::CliError;
use crate::exit::Exit;
use crate::image::Library;
use crate::ui::{Answer, table};
use serde::Serialize;

/// List the packed images
///
/// Changes nothing and needs no passphrase.
///
/// Example: pintle image list
#[derive(Debug, clap::Args)]
pub(super) struct Args {}

#[derive(Serialize)]
struct Line {
    image: String,
    board: String,
    size: u32,
    link: String,
    profile: String,
    digest: String,
}

#[derive(Serialize)]
#[serde(transparent)]
struct Lines(Vec<Line>);

impl Answer for Lines {
    fn text(&self) -> String {
        let row = |l: &Line| {
            let short = l.digest.get(..8).unwrap_or_default().to_owned();
            let (size, link) = (format!("{} bytes", l.size), format!("link {}", l.link));
            vec![l.image.clone(), l.board.clone(), size, link, format!("profile {}", l.profile), short]
        };
        table(&self.0.iter().map(row).collect::<Vec<_>>())
    }
}

pub(super) fn run(_: &Args, run: &mut Run) -> Result<Exit, CliError> {
    let library = Library::read(&run.yard()?)?;
    let line = |i: crate::image::Packed| Line {
        image: i.name,
        board: i.board,
        size: i.size,
        link: i.link.to_string(),
        profile: i.profile.to_string(),
        digest: i.digest.to_string(),
    };
    run.ui.answer(&Lines(library.images.into_iter().map(line).collect()));
    Ok(Exit::Done)
}

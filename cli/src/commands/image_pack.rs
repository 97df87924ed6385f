use super::Run;
use crate::error::CliError;
use crate::exit::Exit;
use crate::image::{self, PackRequest};
use crate::ui::Answer;
use crate::yard::files;
use clap::ValueEnum;
use pintle_protocol::id::Chip;
use serde::Serialize;
use std::path::PathBuf;

/// Pack firmware: check it against its board and sign it
///
/// Reads raw binary, Intel HEX or ELF. Takes version, link range and actuation profile from the
/// image's own note, checks instruction set, class and size against the board, and writes payload
/// and signed envelope to images/BOARD/CHIP-VERSION/. One version is one image.
///
/// Example: pintle image pack net.elf --chip net --board two-chip
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// Firmware files
    #[arg(required = true)]
    files: Vec<PathBuf>,
    /// The chip that they are for
    #[arg(long)]
    chip: ChipArg,
    /// The board that they are for, by the name of the file in boards/
    #[arg(long)]
    board: String,
    /// Also write an envelope that returns to this packed image, such as net-1.0.0
    #[arg(long, value_name = "IMAGE")]
    way_back_to: Option<String>,
    /// Take images that misbehave on purpose; for yards without real doors
    #[arg(long)]
    rehearsal: bool,
}

#[derive(Clone, Copy, Debug, ValueEnum)]
enum ChipArg {
    Net,
    Io,
}

#[derive(Serialize)]
struct Line {
    image: String,
    board: String,
    version: String,
    digest: String,
    size: u32,
    link: String,
    profile: String,
    sequence: Option<u64>,
}

#[derive(Serialize)]
#[serde(transparent)]
struct Packed(Vec<Line>);

impl Answer for Packed {
    fn text(&self) -> String {
        let line = |l: &Line| {
            let done = match l.sequence {
                Some(sequence) => format!("packed, sequence number {sequence}"),
                None => "was packed before, unchanged".to_owned(),
            };
            format!(
                "{} for board {}: {done}\n  {} bytes, link {}, actuation profile {}\n  {}\n",
                l.image, l.board, l.size, l.link, l.profile, l.digest
            )
        };
        self.0.iter().map(line).collect()
    }
}

/// Largest firmware file that is read, in bytes.
const MAX_FILE: u64 = 64 << 20;

pub(super) fn run(args: &Args, run: &mut Run) -> Result<Exit, CliError> {
    let yard = run.yard()?;
    let unlocked = run.unlock(&yard)?;
    let chip = match args.chip {
        ChipArg::Net => Chip::Net,
        ChipArg::Io => Chip::Io,
    };
    let mut lines = Vec::new();
    for path in &args.files {
        let bytes = files::read_bytes(path, MAX_FILE)?;
        let request = PackRequest {
            file: &path.display().to_string(),
            bytes: &bytes,
            chip,
            board: &args.board,
            rehearsal: args.rehearsal,
            way_back_to: args.way_back_to.as_deref(),
        };
        let packing = image::pack(&yard, &unlocked, request)?;
        let i = packing.image;
        lines.push(Line {
            image: i.name,
            board: i.board,
            version: i.version.to_string(),
            digest: i.digest.to_string(),
            size: i.size,
            link: i.link.to_string(),
            profile: i.profile.to_string(),
            sequence: packing.envelope.map(|e| e.sequence),
        });
    }
    run.ui.answer(&Packed(lines));
    Ok(Exit::Done)
}

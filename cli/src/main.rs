//! The command `pintle`; see `pintle --help`.

use clap::Parser;
use pintle::commands::Cli;
use pintle::ui::Ui;
use std::process::ExitCode;

fn main() -> ExitCode {
    let cli = Cli::parse();
    let ui = Ui::standard(cli.json());
    let (done, mut ui) = cli.run(ui);
    match done {
        Ok(exit) => exit.into(),
        Err(error) => {
            ui.error(&error);
            error.exit().into()
        }
    }
}

//! `pintle rehearse`.

use crate::error::CliError;
use crate::exit::Exit;
use crate::rehearsal::{self, Options, Report};
use crate::ui::{Answer, Ui, table};
use std::fmt::Write as _;
use std::path::PathBuf;

/// Rehearse the whole job on eight virtual nodes at the invented smallholding Larkfield
///
/// Commissions, configures, changes the Wi-Fi, rolls out good firmware and bad. The server, its
/// database, TLS and the node core are real; only the hardware is virtual. Changes nothing but a
/// folder of its own. One seed repeats a run.
///
/// Example: `pintle rehearse --seed 7 --report run.json`
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// Repeats a run exactly
    #[arg(long, default_value_t = 1, value_name = "N")]
    seed: u64,
    /// Also write the report as JSON to this file
    #[arg(long, value_name = "FILE")]
    report: Option<PathBuf>,
    /// Keep yard and server data in this directory
    #[arg(long, value_name = "DIR")]
    dir: Option<PathBuf>,
    /// Leave the server and the nodes running until Enter is pressed or input ends
    #[arg(long)]
    stay: bool,
}

impl Answer for Report {
    fn text(&self) -> String {
        let head = ["node", "net", "io", "network", "kept", "went back", "waited for"];
        let mut rows = vec![head.map(str::to_owned).to_vec()];
        for n in &self.nodes {
            let arrow = |a: &str, b: &str| if a == b { a.to_owned() } else { format!("{a} > {b}") };
            rows.push(vec![
                n.name.clone(),
                arrow(&n.net_before, &n.net_after),
                arrow(&n.io_before, &n.io_after),
                n.network.clone(),
                n.kept.to_string(),
                n.went_back.to_string(),
                n.waited_for.first().cloned().unwrap_or_default(),
            ]);
        }
        let mut text = table(&rows);
        let _ = write!(
            text,
            "\nseed {}: {} h {} min rehearsed, {} check-ins\n\
             relay pulses during updates: {} ({} presses held off; {} let through where the update leaves the \
             door alone)\n\
             nodes lost {}, kept {}, went back {}, waited {}\n",
            self.seed,
            self.rehearsed_seconds / 3600,
            self.rehearsed_seconds / 60 % 60,
            self.check_ins,
            self.relay_pulses_during_updates,
            self.presses_held_off,
            self.presses_let_through,
            self.nodes_lost,
            self.nodes_kept,
            self.nodes_went_back,
            self.nodes_waited,
        );
        text
    }
}

pub(super) fn run(args: &Args, ui: &mut Ui) -> Result<Exit, CliError> {
    let options = Options { seed: args.seed, dir: args.dir.clone(), record: None };
    let mut rehearsed = rehearsal::rehearse(&options, &mut |line| ui.say(line))?;
    if let Some(path) = &args.report {
        rehearsal::write_report(path, &rehearsed.report)?;
    }
    ui.answer(&rehearsed.report);
    if args.stay {
        let (yard, passphrase) = (rehearsed.dir.join("yard"), rehearsed.write_passphrase()?);
        ui.say(&format!("the server and the nodes stay at {} until you press Enter", rehearsed.address()));
        ui.say(&format!("the page for a phone, once: {}", rehearsed.link()?));
        ui.say("to try commands on this yard, in another terminal:");
        ui.say(&format!("  export PINTLE_YARD={}", yard.display()));
        ui.say(&format!("  export PINTLE_PASSPHRASE_FILE={}", passphrase.display()));
        rehearsed.stay()?;
    }
    rehearsed.end();
    Ok(Exit::Done)
}

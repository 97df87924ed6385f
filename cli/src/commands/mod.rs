//! The commands: each file reads its arguments, calls the library and shows the answer.

mod bundle_seal;
mod calibrate_distance;
mod calibrate_gas;
mod calibrate_light;
mod check;
mod how;
mod image_list;
mod image_pack;
mod keys_finish;
mod keys_give_up;
mod keys_renew;
mod keys_send;
mod keys_show;
mod keys_tally;
mod look;
mod manual;
mod node_add;
mod node_admit;
mod node_card;
mod node_list;
mod node_report;
mod node_retire;
mod node_show;
mod rehearse;
mod rollout_act;
mod rollout_approve;
mod rollout_list;
mod rollout_show;
mod rollout_start;
mod rollout_watch;
mod run;
mod server_about;
mod server_find;
mod server_join;
mod server_journal;
mod server_link;
mod show;
mod wifi_add;
mod wifi_change;
mod wifi_finish;
mod wifi_give_up;
mod wifi_tally;
mod yard_passphrase;
mod yard_start;

pub use run::Run;

use crate::api::Action;
use crate::error::CliError;
use crate::exit::Exit;
use clap::{Args, Parser, Subcommand};
use std::path::PathBuf;

/// Commissions, configures and updates door, gate and shed controllers.
///
/// Everything is kept in a yard, a directory of plain text files; signing keys stay in it,
/// encrypted. Pintle never sends a door command. It is no certified alarm and no door operator:
/// fit listed carbon monoxide alarms and entrapment protection, and follow local codes.
#[derive(Debug, Parser)]
#[command(name = "pintle", version, after_help = exit_codes())]
pub struct Cli {
    #[command(flatten)]
    globals: Globals,
    #[command(subcommand)]
    command: Command,
}

/// Where `--help` lists what every command takes.
const HEADING: &str = "For every command";

/// For every command.
#[derive(Clone, Debug, Args)]
struct Globals {
    /// The yard: this directory or one above it
    #[arg(long, global = true, help_heading = HEADING, env = "PINTLE_YARD", hide_env_values = true, default_value = ".", value_name = "DIR")]
    yard: PathBuf,
    /// File with the yard's passphrase; without it you are asked
    #[arg(long, global = true, help_heading = HEADING, env = "PINTLE_PASSPHRASE_FILE", hide_env_values = true, value_name = "FILE")]
    passphrase_file: Option<PathBuf>,
    /// Answer in JSON, for scripts
    #[arg(long, global = true, help_heading = HEADING)]
    json: bool,
}

#[derive(Debug, Subcommand)]
enum Command {
    /// Make a yard, change its passphrase
    #[command(subcommand)]
    Yard(Yard),
    /// Add a node, make its starter card, admit it, see it
    #[command(subcommand)]
    Node(Node),
    Check(check::Args),
    /// Find thresholds and curves from recorded readings
    #[command(subcommand)]
    Calibrate(Calibrate),
    /// Pack firmware, see what is packed
    #[command(subcommand)]
    Image(Image),
    /// Seal configurations
    #[command(subcommand)]
    Bundle(Bundle),
    /// Send images or bundles out, wave by wave
    #[command(subcommand)]
    Rollout(Rollout),
    /// Add a network, change to another one without losing a node
    #[command(subcommand)]
    Wifi(Wifi),
    /// Renew signing keys without losing a node
    #[command(subcommand)]
    Keys(Keys),
    Look(look::Args),
    Manual(manual::Args),
    Rehearse(rehearse::Args),
    /// Join a server, sign in a phone
    #[command(subcommand)]
    Server(Server),
}

#[derive(Debug, Subcommand)]
enum Yard {
    Start(yard_start::Args),
    Passphrase(yard_passphrase::Args),
}

#[derive(Debug, Subcommand)]
enum Node {
    Add(node_add::Args),
    Card(node_card::Args),
    Admit(node_admit::Args),
    List(node_list::Args),
    Show(node_show::Args),
    Report(node_report::Args),
    Retire(node_retire::Args),
}

#[derive(Debug, Subcommand)]
enum Calibrate {
    Distance(calibrate_distance::Args),
    Light(calibrate_light::Args),
    Gas(calibrate_gas::Args),
}

#[derive(Debug, Subcommand)]
enum Image {
    Pack(image_pack::Args),
    List(image_list::Args),
}

#[derive(Debug, Subcommand)]
enum Bundle {
    Seal(bundle_seal::Args),
}

#[derive(Debug, Subcommand)]
enum Rollout {
    Start(rollout_start::Args),
    Watch(rollout_watch::Args),
    Show(rollout_show::Args),
    List(rollout_list::Args),
    /// Stop offering; nodes on trial finish it
    Hold(rollout_act::Args),
    /// Go on with a held rollout
    Resume(rollout_act::Args),
    Approve(rollout_approve::Args),
    /// Return the nodes that kept to what they ran before
    TurnBack(rollout_act::Args),
    /// End a rollout early; nodes stay as they are, and other rollouts may have them
    End(rollout_act::Args),
}

#[derive(Debug, Subcommand)]
enum Keys {
    Show(keys_show::Args),
    Renew(keys_renew::Args),
    Send(keys_send::Args),
    Tally(keys_tally::Args),
    Finish(keys_finish::Args),
    GiveUp(keys_give_up::Args),
}

#[derive(Debug, Subcommand)]
enum Wifi {
    Add(wifi_add::Args),
    Change(wifi_change::Args),
    Tally(wifi_tally::Args),
    Finish(wifi_finish::Args),
    GiveUp(wifi_give_up::Args),
}

#[derive(Debug, Subcommand)]
enum Server {
    Join(server_join::Args),
    Link(server_link::Args),
    About(server_about::Args),
    Find(server_find::Args),
    Journal(server_journal::Args),
}

impl Cli {
    /// Whether answers are wanted in JSON.
    pub fn json(&self) -> bool {
        self.globals.json
    }

    /// Runs the command.
    ///
    /// # Errors
    /// [`CliError`], with its exit code.
    pub fn run(self, ui: crate::ui::Ui) -> (Result<Exit, CliError>, crate::ui::Ui) {
        let mut run = Run::new(self.globals.yard, self.globals.passphrase_file, ui);
        let done = dispatch(self.command, &mut run);
        (done, run.ui)
    }
}

fn dispatch(command: Command, run: &mut Run) -> Result<Exit, CliError> {
    match command {
        Command::Yard(Yard::Start(args)) => yard_start::run(args, run),
        Command::Yard(Yard::Passphrase(args)) => yard_passphrase::run(&args, run),
        Command::Node(Node::Add(args)) => node_add::run(&args, run),
        Command::Node(Node::Card(args)) => node_card::run(&args, run),
        Command::Node(Node::Admit(args)) => node_admit::run(&args, run),
        Command::Node(Node::List(args)) => node_list::run(&args, run),
        Command::Node(Node::Show(args)) => node_show::run(&args, run),
        Command::Node(Node::Report(args)) => node_report::run(&args, run),
        Command::Node(Node::Retire(args)) => node_retire::run(args, run),
        Command::Check(args) => check::run(&args, run),
        Command::Calibrate(Calibrate::Distance(args)) => calibrate_distance::run(&args, run),
        Command::Calibrate(Calibrate::Light(args)) => calibrate_light::run(&args, run),
        Command::Calibrate(Calibrate::Gas(args)) => calibrate_gas::run(&args, run),
        Command::Image(Image::Pack(args)) => image_pack::run(&args, run),
        Command::Image(Image::List(args)) => image_list::run(&args, run),
        Command::Bundle(Bundle::Seal(args)) => bundle_seal::run(&args, run),
        Command::Rollout(Rollout::Start(args)) => rollout_start::run(&args, run),
        Command::Rollout(Rollout::Watch(args)) => rollout_watch::run(&args, run),
        Command::Rollout(Rollout::Show(args)) => rollout_show::run(&args, run),
        Command::Rollout(Rollout::List(args)) => rollout_list::run(&args, run),
        Command::Rollout(Rollout::Hold(args)) => rollout_act::run(args, Action::Hold, run),
        Command::Rollout(Rollout::Resume(args)) => rollout_act::run(args, Action::Resume, run),
        Command::Rollout(Rollout::Approve(args)) => rollout_approve::run(args, run),
        Command::Rollout(Rollout::End(args)) => rollout_act::run(args, Action::End, run),
        Command::Rollout(Rollout::TurnBack(args)) => rollout_act::run(args, Action::TurnBack, run),
        Command::Wifi(Wifi::Add(args)) => wifi_add::run(&args, run),
        Command::Wifi(Wifi::Change(args)) => wifi_change::run(&args, run),
        Command::Wifi(Wifi::Tally(args)) => wifi_tally::run(&args, run),
        Command::Wifi(Wifi::Finish(args)) => wifi_finish::run(&args, run),
        Command::Wifi(Wifi::GiveUp(args)) => wifi_give_up::run(&args, run),
        Command::Keys(Keys::Show(args)) => keys_show::run(&args, run),
        Command::Keys(Keys::Renew(args)) => keys_renew::run(&args, run),
        Command::Keys(Keys::Send(args)) => keys_send::run(&args, run),
        Command::Keys(Keys::Tally(args)) => keys_tally::run(&args, run),
        Command::Keys(Keys::Finish(args)) => keys_finish::run(&args, run),
        Command::Keys(Keys::GiveUp(args)) => keys_give_up::run(&args, run),
        Command::Look(args) => look::run(&args, run),
        Command::Manual(args) => manual::run(args, run),
        Command::Rehearse(args) => rehearse::run(&args, &mut run.ui),
        Command::Server(Server::Join(args)) => server_join::run(&args, run),
        Command::Server(Server::Link(args)) => server_link::run(&args, run),
        Command::Server(Server::About(args)) => server_about::run(&args, run),
        Command::Server(Server::Find(args)) => server_find::run(&args, run),
        Command::Server(Server::Journal(args)) => server_journal::run(&args, run),
    }
}

fn exit_codes() -> String {
    let lines = Exit::ALL.iter().map(|e| format!("  {}  {}", e.code(), e.meaning()));
    format!("Exit codes:\n{}", lines.collect::<Vec<_>>().join("\n"))
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::CommandFactory;

    #[test]
    fn the_command_line_is_well_formed() {
        Cli::command().debug_assert();
    }

    /// No secret can be given where other programs of the machine see it.
    #[test]
    fn no_argument_takes_a_secret() {
        fn walk(command: &clap::Command) {
            for arg in command.get_arguments() {
                let id = arg.get_id().as_str();
                let secret = ["passphrase", "token", "password", "secret"].contains(&id);
                assert!(!secret, "{} takes `{id}`", command.get_name());
            }
            command.get_subcommands().for_each(walk);
        }
        walk(&Cli::command());
    }

    #[test]
    fn every_command_says_what_it_does() {
        fn walk(command: &clap::Command) {
            assert!(command.get_about().is_some(), "{}", command.get_name());
            command.get_subcommands().for_each(walk);
        }
        walk(&Cli::command());
    }
}

//! Puts load on a server of this machine; see `DEVELOPERS.md`.

use clap::{Args, Parser, Subcommand};
use pintle_protocol::id::{Digest, PublicKey};
use pintle_tests::load::{Fleet, Lane, Took, Trust, check_in_request, drive, fetch_request, fill};
use std::error::Error;
use std::net::SocketAddr;
use std::path::PathBuf;
use std::process::ExitCode;
use std::time::{Duration, SystemTime, UNIX_EPOCH};

/// Fills a folder with nodes that are not there, and puts load on a server of this machine
#[derive(Parser)]
struct Load {
    #[command(subcommand)]
    command: Command,
}

#[derive(Subcommand)]
enum Command {
    /// Writes a fleet into a new data folder; the server must not be running on it
    Fill {
        /// The folder
        #[arg(long)]
        data: PathBuf,
        #[command(flatten)]
        fleet: FleetArgs,
    },
    /// Nodes of a fleet check in, signed beforehand, and the replies are verified afterwards
    CheckIn {
        #[command(flatten)]
        fleet: FleetArgs,
        #[command(flatten)]
        to: To,
        /// The server's key, as it prints it at its start; without it replies are not verified
        #[arg(long, value_parser = PublicKey::parse)]
        server_key: Option<PublicKey>,
        /// Check-ins in all, at most 1,000,000
        #[arg(long, default_value_t = 20_000, value_parser = clap::value_parser!(u32).range(1..=1_000_000))]
        count: u32,
    },
    /// Fetches a payload over and over
    Fetch {
        #[command(flatten)]
        to: To,
        /// Its digest
        #[arg(long, value_parser = Digest::parse)]
        payload: Digest,
        /// Downloads in all, at most 100,000
        #[arg(long, default_value_t = 2_000, value_parser = clap::value_parser!(u32).range(1..=100_000))]
        count: u32,
    },
}

#[derive(Args)]
struct FleetArgs {
    /// How many nodes the fleet has
    #[arg(long, default_value_t = 100, value_parser = clap::value_parser!(u32).range(1..=1_000_000))]
    nodes: u32,
    /// From which all of it follows
    #[arg(long, default_value_t = 1)]
    seed: u64,
}

impl FleetArgs {
    fn fleet(&self) -> Fleet {
        Fleet::new(self.seed, self.nodes)
    }
}

#[derive(Args)]
struct To {
    /// Address and port of the server; loopback only
    #[arg(long)]
    addr: SocketAddr,
    /// The server's `ca.pem`, for TLS; without it, plain HTTP
    #[arg(long)]
    ca: Option<PathBuf>,
    /// Connections at the same time
    #[arg(long, default_value_t = 64, value_parser = clap::value_parser!(u32).range(1..=500))]
    connections: u32,
    /// After how many seconds it is given up
    #[arg(long, default_value_t = 300, value_parser = clap::value_parser!(u64).range(1..=3600))]
    seconds: u64,
}

impl To {
    fn drive(&self, lanes: Vec<Lane>) -> Result<Took, Box<dyn Error>> {
        let trust = match &self.ca {
            None => Trust::Plain,
            Some(ca) => Trust::root(ca)?,
        };
        let took = drive(self.addr, &trust, lanes, Duration::from_secs(self.seconds))?;
        took.all_are(200)?;
        Ok(took)
    }
}

fn main() -> ExitCode {
    match run(Load::parse().command) {
        Ok(()) => ExitCode::SUCCESS,
        Err(error) => {
            eprintln!("error: {error}");
            ExitCode::FAILURE
        }
    }
}

fn run(command: Command) -> Result<(), Box<dyn Error>> {
    match command {
        Command::Fill { data, fleet } => {
            fill(&data, fleet.fleet())?;
            println!("{} holds {} nodes", data.display(), fleet.nodes);
        }
        Command::CheckIn { fleet, to, server_key, count } => {
            // Higher than in any load before.
            let counter = SystemTime::now().duration_since(UNIX_EPOCH)?.as_millis() as u64;
            let asked = fleet.fleet().lanes(to.connections, count, counter)?;
            let lanes = asked.iter().map(|lane| lane.iter().map(|signed| signed.bytes.as_slice()));
            let lanes = lanes.map(|lane| Lane {
                requests: lane.map(|signed| (check_in_request(signed), 1)).collect(),
                keep: true,
            });
            let took = to.drive(lanes.collect())?;
            if let Some(key) = server_key {
                for (lane, answers) in asked.iter().zip(&took.answers) {
                    for (asked, answer) in lane.iter().zip(answers) {
                        fleet.fleet().check_reply((asked.node, asked.counter), &answer.body, &key)?;
                    }
                }
                println!("every reply verified");
            }
            show(&took);
        }
        Command::Fetch { to, payload, count } => {
            let times = count.div_ceil(to.connections) as usize;
            let lane = Lane { requests: vec![(fetch_request(&payload), times)], keep: false };
            let took = to.drive(vec![lane; to.connections as usize])?;
            println!("{:.1} MiB/s", took.bytes() as f64 / f64::from(1 << 20) / took.time.as_secs_f64());
            show(&took);
        }
    }
    Ok(())
}

fn show(took: &Took) {
    let ms = |part| took.within(part).as_secs_f64() * 1e3;
    println!(
        "{} answers in {:.2} s: {:.0} a second; half within {:.1} ms, 99 % within {:.1} ms, all within {:.1} ms",
        took.count(),
        took.time.as_secs_f64(),
        took.rate(),
        ms(0.5),
        ms(0.99),
        ms(1.0)
    );
}

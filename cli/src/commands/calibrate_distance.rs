use super::Run;
use crate::calibrate::{self, distance};
use crate::error::CliError;
use crate::exit::Exit;
use crate::ui::Answer;
use crate::yard::files;
use serde::Serialize;
use std::path::PathBuf;

/// Find the distances that mean open and closed
///
/// Reads a CSV file with the columns position (open, partly, closed), temperature_c and echo_us,
/// one line for each reading, at least five open and five closed. Corrects each for the speed of
/// sound at its temperature (ISO 9613-1) and writes the thresholds to calibration/NODE.toml.
/// Refuses positions that cannot be told apart from -30 to +40 degrees Celsius.
///
/// Example: pintle calibrate distance barn --readings barn.csv
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// The node
    node: String,
    /// The recorded readings
    #[arg(long, value_name = "FILE.csv")]
    readings: PathBuf,
}

#[derive(Serialize)]
struct Found {
    node: String,
    open_below_mm: u16,
    closed_above_mm: u16,
    open_mean_mm: f64,
    open_sd_mm: f64,
    closed_mean_mm: f64,
    closed_sd_mm: f64,
    apart: f64,
    file: PathBuf,
}

impl Answer for Found {
    fn text(&self) -> String {
        format!(
            "{}: open below {} mm, closed above {} mm\n  open    {:.1} mm, standard deviation {:.1}\n  closed  {:.1} mm, standard deviation {:.1}\n  nearest positions are {:.1} standard deviations apart\n  written to {}\n",
            self.node,
            self.open_below_mm,
            self.closed_above_mm,
            self.open_mean_mm,
            self.open_sd_mm,
            self.closed_mean_mm,
            self.closed_sd_mm,
            self.apart,
            self.file.display()
        )
    }
}

pub(super) fn run(args: &Args, run: &mut Run) -> Result<Exit, CliError> {
    let yard = run.yard()?;
    let door = yard.node(&args.node)?.door.clone();
    let text = files::read_text(&args.readings)?;
    let readings = calibrate::read_distances(&args.readings, &text)?;
    let found = distance::thresholds(&readings, door.temperature_compensated, door.hysteresis_mm)?;
    let file = yard.calibrate(&args.node, |c| c.distance = Some(found.table))?;
    run.ui.answer(&Found {
        node: args.node.clone(),
        open_below_mm: found.table.open_below_mm,
        closed_above_mm: found.table.closed_above_mm,
        open_mean_mm: found.open.mean,
        open_sd_mm: found.open.sd,
        closed_mean_mm: found.closed.mean,
        closed_sd_mm: found.closed.sd,
        apart: found.apart,
        file,
    });
    if found.near {
        run.ui.warn("two positions are near each other; record more readings to be sure");
    }
    if found.table.warmest_c - found.table.coldest_c < 10.0 {
        run.ui.warn("all readings are from about the same temperature; record some on a cold day too");
    }
    if door.open_below_mm.is_some() || door.closed_above_mm.is_some() {
        run.ui.warn(&format!(
            "nodes/{}.toml sets thresholds too; take them out, so that these count",
            args.node
        ));
    }
    Ok(Exit::Done)
}

use super::Run;
use crate::calibrate::{self, light};
use crate::error::CliError;
use crate::exit::Exit;
use crate::ui::Answer;
use crate::yard::files;
use serde::Serialize;
use std::path::PathBuf;

/// Find the photocell reading that means that the light is on
///
/// Reads a CSV file with the columns light (dark, light) and counts, one line for each reading,
/// at least five of each, and writes the threshold to calibration/NODE.toml. Counts are those of
/// this photocell in its place; two of the same type can differ by half.
///
/// Example: pintle calibrate light barn --readings light.csv
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
    on_above: u16,
    dark_mean: f64,
    light_mean: f64,
    apart: f64,
    file: PathBuf,
}

impl Answer for Found {
    fn text(&self) -> String {
        format!(
            "{}: the light is on above {} counts\n  dark {:.1}, light {:.1}, {:.1} standard deviations apart\n  written to {}\n",
            self.node,
            self.on_above,
            self.dark_mean,
            self.light_mean,
            self.apart,
            self.file.display()
        )
    }
}

pub(super) fn run(args: &Args, run: &mut Run) -> Result<Exit, CliError> {
    let yard = run.yard()?;
    yard.node(&args.node)?;
    let text = files::read_text(&args.readings)?;
    let found = light::threshold(&calibrate::read_light(&args.readings, &text)?)?;
    let file = yard.calibrate(&args.node, |c| c.light = Some(found.table))?;
    run.ui.answer(&Found {
        node: args.node.clone(),
        on_above: found.table.on_above,
        dark_mean: found.dark.mean,
        light_mean: found.light.mean,
        apart: found.table.apart,
        file,
    });
    if found.near {
        run.ui.warn("dark and light are near each other; record more readings to be sure");
    }
    Ok(Exit::Done)
}

use super::Run;
use crate::calibrate::{self, gas};
use crate::error::CliError;
use crate::exit::Exit;
use crate::ui::Answer;
use crate::yard::files;
use crate::yard::tables::GasTable;
use serde::Serialize;
use std::path::PathBuf;

/// Find the curve of a carbon monoxide sensor
///
/// Reads points of the sensor's data sheet from a CSV file with the columns ppm and ratio
/// (Rs/R0), fits a power law, takes R0 from a reading in clean air after at least 48 h of heating,
/// and writes both to calibration/NODE.toml.
///
/// Such a sensor shows a rise and drifts with cold and damp. It is no certified alarm: fit a
/// listed one besides.
///
/// Example: pintle calibrate gas barn --points curve.csv --clean-air-volts 0.20
///   --supply-volts 5 --load-ohms 10000 --clean-air-ratio 25.8
#[derive(Debug, clap::Args)]
pub(super) struct Args {
    /// The node
    node: String,
    /// Points of the data sheet's curve
    #[arg(long, value_name = "FILE.csv")]
    points: PathBuf,
    /// Voltage over the load in clean air
    #[arg(long)]
    clean_air_volts: f64,
    /// Supply of sensor and load
    #[arg(long, default_value_t = 5.0)]
    supply_volts: f64,
    /// Load resistor
    #[arg(long, default_value_t = 10_000.0)]
    load_ohms: f64,
    /// Rs/R0 in clean air, from the data sheet; sheets differ, take the one of your sensor
    #[arg(long)]
    clean_air_ratio: f64,
}

#[derive(Serialize)]
struct Found {
    node: String,
    a: f64,
    b: f64,
    r2: f64,
    r0_ohms: u32,
    file: PathBuf,
}

impl Answer for Found {
    fn text(&self) -> String {
        format!(
            "{}: ppm = {:.4} * (Rs/R0)^{:.6}, r2 {:.6}\n  R0 is {} ohms\n  written to {}\n",
            self.node,
            self.a,
            self.b,
            self.r2,
            self.r0_ohms,
            self.file.display()
        )
    }
}

pub(super) fn run(args: &Args, run: &mut Run) -> Result<Exit, CliError> {
    let yard = run.yard()?;
    yard.node(&args.node)?;
    if !(args.clean_air_ratio.is_finite() && args.clean_air_ratio > 0.0) {
        return Err(CliError::Usage("--clean-air-ratio must be a positive number".to_owned()));
    }
    if !(args.load_ohms.is_finite() && args.load_ohms > 0.0) {
        return Err(CliError::Usage("--load-ohms must be a positive number".to_owned()));
    }
    let text = files::read_text(&args.points)?;
    let curve = gas::fit(&calibrate::read_curve(&args.points, &text)?)?;
    let clean = gas::resistance(args.clean_air_volts, args.supply_volts, args.load_ohms)?;
    let r0 = gas::r0(clean, args.clean_air_ratio).round();
    if !(1.0..=f64::from(u32::MAX)).contains(&r0) {
        return Err(CliError::Usage(format!("R0 would be {r0} ohms, which cannot be")));
    }
    let table = GasTable { a: curve.a, b: curve.b, r0_ohms: r0 as u32 };
    let file = yard.calibrate(&args.node, |c| c.gas = Some(table))?;
    run.ui.answer(&Found {
        node: args.node.clone(),
        a: curve.a,
        b: curve.b,
        r2: curve.r2,
        r0_ohms: table.r0_ohms,
        file,
    });
    run.ui.warn("a home-made sensor is no certified alarm: fit a listed carbon monoxide alarm besides");
    Ok(Exit::Done)
}

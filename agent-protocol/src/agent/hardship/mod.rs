//! Updates on hardware that lets them down: power that goes at any moment, flash that has worn.

mod power_cuts;
mod scenario;
mod second_cuts;
mod worn_flash;

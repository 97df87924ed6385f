//! The node core on an emulated chip. What it does stands in the command that the emulator passes on:
//!
//! | command | what |
//! | --- | --- |
//! | `examples` | verifies and carries out published manifests, and refuses wrong ones |
//! | `update N` | a whole update on flash in a file; power goes in flash operation N, if it is not 0 |
//! | `measure` | how much memory and how many instructions it takes |
//! | `first` | how much stack the first start of a new board takes, its claim, and bringing the io chip its image |
#![no_std]
#![no_main]

mod board;
mod examples;
mod host;
mod io;
mod machine;
mod measure;
mod memory;
mod server;
mod update;

/// Runs the command.
extern "C" fn run() -> ! {
    let mut buffer = [0; 128];
    let mut words = host::command(&mut buffer).split_ascii_whitespace();
    // The first word is the program's name on some machines.
    let word = words.find(|w| matches!(*w, "examples" | "update" | "measure" | "first"));
    match (word, words.next()) {
        (Some("examples"), _) => {
            if examples::tell(&mut host::Lines::open()).is_err() {
                host::stop("an example is not as it should be")
            }
            host::done()
        }
        (Some("update"), Some(cut)) => match cut.parse() {
            Ok(cut) => update::run(cut),
            Err(_) => host::stop("`update` takes a number"),
        },
        (Some("measure"), _) => measure::run(),
        (Some("first"), _) => measure::first(),
        _ => host::stop("commands are: examples, update N, measure, first"),
    }
}

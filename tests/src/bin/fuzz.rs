//! Fuzzes for as long as it is told.
//!
//! ```text
//! cargo run --release -p pintle-tests --bin fuzz -- --seconds 600 --seed 7
//! cargo run --release -p pintle-tests --bin fuzz -- --target node --seconds 60
//! cargo run --release -p pintle-tests --bin fuzz -- --target node --input target/fuzz/node-0123.bin
//! ```

use pintle_tests::fuzz::{Budget, Target, folder, fuzz, store, targets};
use std::path::PathBuf;
use std::process::ExitCode;
use std::time::Duration;

struct Asked {
    seconds: u64,
    seed: u64,
    target: Option<String>,
    input: Option<PathBuf>,
}

fn main() -> ExitCode {
    let asked = match read(std::env::args().skip(1)) {
        Ok(asked) => asked,
        Err(text) => {
            eprintln!("error: {text}");
            eprintln!("usage: fuzz [--seconds N] [--seed S] [--target NAME [--input FILE]]");
            return ExitCode::from(2);
        }
    };
    let mut chosen = targets();
    if let Some(name) = &asked.target {
        let known: Vec<_> = chosen.iter().map(|t| t.name).collect();
        chosen.retain(|t| t.name == name);
        if chosen.is_empty() {
            eprintln!("error: there is no target {name}; there are: {}", known.join(", "));
            return ExitCode::from(2);
        }
    }
    match (&asked.input, chosen.first()) {
        (Some(path), Some(target)) => repeat(target, path),
        _ => search(&chosen, &asked),
    }
}

fn read(mut words: impl Iterator<Item = String>) -> Result<Asked, String> {
    let mut asked = Asked { seconds: 60, seed: 1, target: None, input: None };
    while let Some(word) = words.next() {
        let value = words.next().ok_or(format!("{word} needs a value"))?;
        let number = || value.parse().map_err(|_| format!("{word} needs a number, not {value}"));
        match word.as_str() {
            "--seconds" => asked.seconds = number()?,
            "--seed" => asked.seed = number()?,
            "--target" => asked.target = Some(value),
            "--input" => asked.input = Some(value.into()),
            _ => return Err(format!("{word} is not known")),
        }
    }
    if asked.input.is_some() && asked.target.is_none() {
        return Err("--input needs --target".to_owned());
    }
    Ok(asked)
}

fn repeat(target: &Target, path: &PathBuf) -> ExitCode {
    let input = match std::fs::read(path) {
        Ok(input) => input,
        Err(error) => {
            eprintln!("error: {}: {error}", path.display());
            return ExitCode::from(2);
        }
    };
    match target.run(&input) {
        Ok(_) => {
            println!("{}: {} bytes, all well", target.name, input.len());
            ExitCode::SUCCESS
        }
        Err(what) => {
            println!("{}: {} bytes: {what}", target.name, input.len());
            ExitCode::FAILURE
        }
    }
}

fn search(targets: &[Target], asked: &Asked) -> ExitCode {
    let each = Duration::from_secs(asked.seconds) / targets.len().max(1) as u32;
    let mut good = true;
    for target in targets {
        match fuzz(target, asked.seed, Budget::Time(each)) {
            Ok(tally) => println!("{}: {} inputs, {} ways, all well", target.name, tally.runs, tally.ways),
            Err(found) => {
                good = false;
                println!("{}: {}", found.target, found.what);
                match store(&found, &folder()) {
                    Ok(path) => println!(
                        "  once more: cargo run --release -p pintle-tests --bin fuzz -- --target {} --input {}",
                        found.target,
                        path.display()
                    ),
                    Err(error) => println!("  the input could not be stored: {error}"),
                }
            }
        }
    }
    if good { ExitCode::SUCCESS } else { ExitCode::FAILURE }
}

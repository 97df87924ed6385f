//! The program as a person or a script meets it.
#![allow(dead_code, unreachable_pub, reason = "each test binary uses a part")]

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

/// What a run left behind.
#[derive(Debug)]
pub struct Ran {
    pub code: i32,
    pub out: String,
    pub err: String,
}

impl Ran {
    /// Asserts the exit code, and that an error has the one shape.
    #[track_caller]
    pub fn ends(self, code: i32) -> Self {
        assert_eq!(self.code, code, "{self:#?}");
        if code >= 2 {
            assert!(self.err.contains("error: "), "{self:#?}");
            assert!(!self.err.contains('\x1b') && !self.err.contains("panicked"), "{self:#?}");
        }
        self
    }

    /// Asserts that all of these stand in the error text.
    #[track_caller]
    pub fn says(self, parts: &[&str]) -> Self {
        for part in parts {
            assert!(self.err.contains(part), "`{part}` is not in {self:#?}");
        }
        self
    }

    /// Stdout as JSON, and nothing else.
    #[track_caller]
    pub fn json(&self) -> serde_json::Value {
        serde_json::from_str(&self.out).unwrap_or_else(|e| panic!("{e}: {self:#?}"))
    }
}

pub const PASSPHRASE: &str = "seven hinges and a latch";
pub const WIFI: &str = "correct hinges";

/// A folder with a yard in it.
pub struct Place {
    dir: tempfile::TempDir,
}

impl Place {
    /// An empty folder with the passphrase files.
    pub fn empty() -> Self {
        let place = Self { dir: tempfile::tempdir().unwrap() };
        place.write("passphrase", &format!("{PASSPHRASE}\n"));
        place.write("wifi-passphrase", &format!("{WIFI}\n"));
        place
    }

    /// With a yard at Larkfield, a network and a node that breaks no rule but for the server.
    pub fn with_yard() -> Self {
        let place = Self::empty();
        place.run(&["yard", "start", "yard", "--domain", "larkfield.example", "--name", "Larkfield"]).ends(0);
        let wifi = place.path("wifi-passphrase");
        place
            .run(&[
                "wifi",
                "add",
                "house",
                "--ssid",
                "Larkfield",
                "--wifi-passphrase-file",
                wifi.to_str().unwrap(),
            ])
            .ends(0);
        place.run(&["node", "add", "barn", "--board", "two-chip", "--label", "Barn door"]).ends(0);
        place.edit("yard/nodes/barn.toml", "kind = \"unknown\"", "kind = \"sectional\"");
        place.edit("yard/nodes/barn.toml", "# open_below_mm", "open_below_mm");
        place.edit("yard/nodes/barn.toml", "# closed_above_mm", "closed_above_mm");
        place
    }

    pub fn path(&self, name: &str) -> PathBuf {
        self.dir.path().join(name)
    }

    pub fn write(&self, name: &str, text: &str) {
        fs::write(self.path(name), text).unwrap();
    }

    #[track_caller]
    pub fn edit(&self, name: &str, from: &str, to: &str) {
        let text = fs::read_to_string(self.path(name)).unwrap();
        assert!(text.contains(from), "{from}: {text}");
        fs::write(self.path(name), text.replacen(from, to, 1)).unwrap();
    }

    /// Runs in the yard if there is one, else in the folder; with the passphrase file.
    pub fn run(&self, args: &[&str]) -> Ran {
        self.run_with(args, Some(&self.path("passphrase")))
    }

    pub fn run_with(&self, args: &[&str], passphrase: Option<&Path>) -> Ran {
        let yard = self.path("yard");
        let mut command = Command::new(env!("CARGO_BIN_EXE_pintle"));
        command.args(args).stdin(Stdio::null());
        command.current_dir(if yard.is_dir() { yard } else { self.dir.path().to_owned() });
        command.env_remove("PINTLE_YARD").env_remove("PINTLE_PASSPHRASE_FILE").env_remove("NO_COLOR");
        if let Some(path) = passphrase {
            command.env("PINTLE_PASSPHRASE_FILE", path);
        }
        let done = command.output().unwrap();
        Ran {
            code: done.status.code().unwrap_or(-1),
            out: String::from_utf8(done.stdout).unwrap(),
            err: String::from_utf8(done.stderr).unwrap(),
        }
    }

    /// Every file of the yard with its content.
    pub fn files(&self) -> BTreeMap<PathBuf, Vec<u8>> {
        let mut all = BTreeMap::new();
        let mut left = vec![self.path("yard")];
        while let Some(path) = left.pop() {
            if path.is_dir() {
                left.extend(fs::read_dir(&path).unwrap().map(|e| e.unwrap().path()));
            } else if path.is_file() {
                all.insert(path.clone(), fs::read(&path).unwrap());
            }
        }
        all
    }
}

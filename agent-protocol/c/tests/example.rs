//! The example in C, against the static library: compiled, linked, run.

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

fn run(command: &mut Command) -> Output {
    let ran = command.output().unwrap_or_else(|fault| panic!("{command:?}: {fault}"));
    let (out, err) = (String::from_utf8_lossy(&ran.stdout), String::from_utf8_lossy(&ran.stderr));
    assert!(ran.status.success(), "{command:?}: {}\n{out}\n{err}", ran.status);
    ran
}

/// The static library with the virtual board. Cargo builds all kinds of a library that a test needs,
/// and puts them beside the test. Whatever is newer than the one that belongs to this test was built
/// from the same sources, or cargo would have built that one again.
fn library() -> PathBuf {
    let test = std::env::current_exe().expect("the path of this test");
    let beside = test.parent().expect("a folder").read_dir().expect("a folder that can be read");
    let with_virtual_board = |path: &PathBuf| {
        let bytes = std::fs::read(path).unwrap_or_default();
        bytes.windows(18).any(|w| w == b"pintle_virtual_new")
    };
    let mut found: Vec<_> = beside
        .filter_map(|entry| Some(entry.ok()?.path()))
        .filter(|path| {
            let name = path.file_name().and_then(|n| n.to_str()).unwrap_or_default();
            name.starts_with("libpintle_c-") && name.ends_with(".a")
        })
        .filter(with_virtual_board)
        .collect();
    found.sort_by_key(|path| path.metadata().and_then(|m| m.modified()).ok());
    found.pop().expect("libpintle_c-*.a with the feature sim beside this test")
}

#[test]
fn a_node_and_an_io_chip_in_c_go_through_an_update() {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR"));
    let program = Path::new(env!("CARGO_TARGET_TMPDIR")).join("c-example");
    let library = library();
    run(Command::new("cc")
        .args(["-std=c99", "-Wall", "-Wextra", "-Werror", "-pedantic", "-O1", "-g"])
        .args(["-fsanitize=undefined,address", "-fno-sanitize-recover=all"])
        .arg("-I")
        .arg(folder.join("include"))
        .args([folder.join("example/node.c"), folder.join("example/io.c"), library])
        .args(["-lpthread", "-ldl", "-lm", "-o"])
        .arg(&program));
    let ran = run(&mut Command::new(&program));
    let said = String::from_utf8(ran.stdout).expect("text");
    // In this order; what stands between two lines is free.
    let wanted = [
        concat!("pintle ", env!("CARGO_PKG_VERSION")),
        "the board is new: slot A is started",
        "claimed, and checked in",
        "offered: bundle",
        "bundle: kept",
        "offered: net image",
        "  waits: the door moves",
        "  waits: the door has not been at rest for long enough",
        "slot B is started: version 1.1.0, on trial",
        "net image: kept",
        "  net 1.1.0, io 1.0.0, relay pulses 0",
        "offered: io image",
        "io image: kept",
        "  net 1.1.0, io 1.2.0, relay pulses 0",
        "offered: image of a stranger",
        "image of a stranger: refused, no known key has signed it",
        "  net 1.1.0, io 1.2.0, relay pulses 0",
        "all as it should",
    ];
    let mut lines = said.lines();
    for line in wanted {
        assert!(lines.any(|found| found == line), "missing or out of order: {line}\n{said}");
    }
}

//! The settings file, read by the program itself.

use std::io::{BufRead, BufReader};
use std::path::Path;
use std::process::{Child, Command, Output, Stdio};

/// The program without anything in the environment that would set it.
fn program(args: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_pintle-server"));
    for (name, _) in std::env::vars_os().filter(|(name, _)| name.to_string_lossy().starts_with("PINTLE_")) {
        command.env_remove(name);
    }
    command.args(args).env("PINTLE_LOG", "info").stdin(Stdio::null());
    command
}

/// Killed when dropped.
struct Serving(Child);

impl Drop for Serving {
    fn drop(&mut self) {
        let _ = self.0.kill();
        let _ = self.0.wait();
    }
}

/// Starts the server until it listens; where, and whether its log is JSON.
fn serve(mut command: Command) -> (String, bool) {
    let mut serving = Serving(command.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().unwrap());
    let out = BufReader::new(serving.0.stdout.take().unwrap());
    let at = out
        .lines()
        .map_while(Result::ok)
        .find_map(|line| line.strip_prefix("listening on ").map(str::to_owned));
    let log = BufReader::new(serving.0.stderr.take().unwrap()).lines().map_while(Result::ok).next();
    (at.expect("it did not listen"), log.is_some_and(|line| line.starts_with('{')))
}

#[track_caller]
fn refused(output: &Output, words: &[&str]) {
    let said = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(1), "{said}");
    assert!(said.starts_with("error: ") && said.lines().count() == 1, "{said}");
    for word in words {
        assert!(said.contains(word), "`{word}` is not in: {said}");
    }
}

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

#[test]
fn flags_count_before_the_environment_and_that_before_the_file() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("server.toml");
    std::fs::write(&file, "data = \"of-file\"\nlisten = \"127.0.0.1:0\"\nplain = true\nlog-json = true\n")
        .unwrap();
    let has = |name: &str| folder.path().join(name).join("pintle.db").exists();
    let (of_env, of_flag) = (folder.path().join("of-env"), folder.path().join("of-flag"));

    let (at, json) = serve(program(&["--settings", text(&file)]));
    assert!(at.starts_with("http://127.0.0.1:") && json, "{at}");
    assert!(has("of-file"));

    let mut command = program(&["--settings", text(&file)]);
    command.env("PINTLE_DATA", &of_env).env("PINTLE_LOG_JSON", "false").env("PINTLE_PLAIN", "false");
    let (at, json) = serve(command);
    assert!(at.starts_with("https://") && !json, "{at}");
    assert!(has("of-env") && !has("of-flag"));

    let mut command = program(&["--data", text(&of_flag), "--plain", "--log-json=true"]);
    command.env("PINTLE_SETTINGS", &file).env("PINTLE_LOG_JSON", "false");
    command.env("PINTLE_TLS_NAMES", "pintle.home.arpa").env("PINTLE_DATA", "/nowhere");
    let (at, json) = serve(command);
    assert!(at.starts_with("http://") && json, "{at}");
    assert!(has("of-flag"));
}

#[test]
fn what_is_done_beside_a_server_takes_its_folder_from_the_file() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("server.toml");
    std::fs::write(&file, "data = \"data\"\nlisten = \"127.0.0.1:0\"\nplain = true\n").unwrap();
    serve(program(&["--settings", text(&file)]));
    let good = |args: &[&str]| {
        let output = program(args).args(["--settings", text(&file)]).output().unwrap();
        assert!(output.status.success(), "{output:?}");
        String::from_utf8(output.stdout).unwrap()
    };
    assert!(good(&["token", "list"]).starts_with("first: operator"));
    assert_eq!(good(&["new-key"]), good(&["new-key"]));
    let backup = folder.path().join("backup");
    good(&["backup", "--to", text(&backup)]);
    // The flag counts before the file, also before the command; the folder is the one that is meant.
    let other = folder.path().join("other");
    good(&["restore", "--from", text(&backup), "--data", text(&other)]);
    assert!(other.join("pintle.db").exists());
    let third = folder.path().join("third");
    let mut command = program(&["--data", text(&third), "restore", "--from", text(&backup)]);
    assert!(command.env("PINTLE_SETTINGS", &file).output().unwrap().status.success());
    assert!(third.join("pintle.db").exists());
    // Without a folder anywhere it is asked for.
    refused(
        &program(&["token", "list"]).output().unwrap(),
        &["--data DIR", "PINTLE_DATA", "--settings FILE"],
    );
    refused(&program(&["--plain"]).output().unwrap(), &["--data DIR"]);
}

#[test]
fn a_wrong_file_starts_nothing_and_says_where_it_is_wrong() {
    let folder = tempfile::tempdir().unwrap();
    let (file, data) = (folder.path().join("server.toml"), folder.path().join("data"));
    let cases: [(&[u8], &[&str]); 5] = [
        (b"data = \"data\"\nlisten-to = \"127.0.0.1:0\"\n", &["line 2", "`listen-to`", "listen"]),
        (b"data = \"data\"\nplain = \"true\"\n", &["line 2", "`plain`", "without quotes"]),
        (b"data = \"data\"\nlisten = \"127.0.0.1\"\n", &["line 2", "`listen`", "address and port"]),
        (b"data = \"data\"\n\xff\n", &["line 2", "UTF-8"]),
        (b"data = \"data\"\ntoken = \"larkfield\"\n", &["line 2", "`token`", "take it out"]),
    ];
    for (bytes, words) in cases {
        std::fs::write(&file, bytes).unwrap();
        let output = program(&["--settings", text(&file)]).output().unwrap();
        refused(&output, &[text(&file)]);
        refused(&output, words);
        assert!(!String::from_utf8_lossy(&output.stderr).contains("larkfield"));
        refused(&program(&["token", "list", "--settings", text(&file)]).output().unwrap(), words);
    }
    for nowhere in [folder.path().join("missing.toml"), file.join("within-a-file"), folder.path().to_owned()]
    {
        let output = program(&["--settings", text(&nowhere)]).output().unwrap();
        refused(&output, &[text(&nowhere), "cannot be read", "server's user may read"]);
    }
    assert!(!data.exists(), "something was made");
}

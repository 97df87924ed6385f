//! Every option that shapes a rollout, given to the real program: what the server then holds is
//! read back from it, and wrong values are refused with option, value and what is expected.

mod bin_common;
#[path = "bin_common/board.rs"]
mod board;
#[path = "bin_common/stage.rs"]
mod stage;

use bin_common::{Place, Ran};
use pintle::api::Client;
use pintle::firmware::samples;
use serde_json::{Value, json};
use std::collections::BTreeSet;
use std::fs;

const NODES: [&str; 4] = ["barn", "gate", "hen-house", "shed"];

/// Nodes at Larkfield, two of them in the field, and a time zone.
fn larkfield() -> (Place, pintle_server::Running, Client) {
    let (place, running, _) = stage::stage(&NODES);
    for name in ["gate", "shed"] {
        place.edit(
            &format!("yard/nodes/{name}.toml"),
            &format!("label = \"{name}\""),
            &format!("label = \"{name}\"\nlabels = [\"field\"]"),
        );
    }
    let file = fs::read_to_string(place.path("yard/yard.toml")).unwrap();
    place.write("yard/yard.toml", &format!("time_zone = \"Etc/UTC\"\n{file}"));
    let client = stage::client(&place);
    (place, running, client)
}

/// Starts a rollout of an image with these options; what the server then holds. It is ended, so
/// that the next one finds the nodes free.
fn held(place: &Place, client: &Client, options: &[&str]) -> Value {
    let start = [&["--json", "rollout", "start", "--image", "net-1.1.0"], options].concat();
    let id = place.run(&start).ends(0).json()["id"].as_i64().unwrap();
    let view = serde_json::to_value(client.rollout(id).unwrap()).unwrap();
    assert_eq!(view["state"], "under way");
    place.run(&["rollout", "end", &id.to_string()]).ends(0);
    view
}

fn waves(view: &Value) -> Vec<Vec<String>> {
    let names = |wave: &Value| {
        let targets = wave["targets"].as_array().unwrap();
        targets.iter().map(|t| t["name"].as_str().unwrap().to_owned()).collect()
    };
    view["waves"].as_array().unwrap().iter().map(names).collect()
}

/// Options, and by JSON pointers what is expected.
type Shape = (&'static [&'static str], &'static [(&'static str, &'static str)]);

/// Options of a rollout, and what of it the server then holds.
const SHAPES: &[Shape] = &[
    (
        &[],
        &[
            ("/title", r#""net-1.1.0""#),
            ("/kind", r#""image""#),
            ("/windows", "null"),
            ("/on_failure", r#""hold""#),
            ("/waves/0/soak_seconds", "1800"),
            ("/waves/0/approval", "false"),
            ("/waves/1/approval", "false"),
            ("/waves/1/evidence", r#"{"min_check_ins": 0, "min_door_cycles": 0}"#),
            (
                "/waves/1/gate",
                r#"{"max_failed": 0, "max_silent": 0, "silent_after_seconds": 3600, "max_waiting": null,
                "waiting_after_seconds": 86400, "max_unwell": 0, "max_restarts": null, "min_signal_dbm": null}"#,
            ),
        ],
    ),
    (&["--title", "Spring firmware"], &[("/title", r#""Spring firmware""#)]),
    (&["--soak", "2h"], &[("/waves/0/soak_seconds", "7200"), ("/waves/1/soak_seconds", "7200")]),
    (&["--soak", "0s"], &[("/waves/0/soak_seconds", "0")]),
    (
        &["--min-check-ins", "1000", "--min-door-cycles", "2"],
        &[
            ("/waves/0/evidence", r#"{"min_check_ins": 1000, "min_door_cycles": 2}"#),
            ("/waves/1/evidence", r#"{"min_check_ins": 1000, "min_door_cycles": 2}"#),
        ],
    ),
    (&["--approve", "later"], &[("/waves/0/approval", "false"), ("/waves/1/approval", "true")]),
    (
        &["--approve", "every"],
        &[
            ("/waves/0/approval", "true"),
            ("/waves/1/approval", "true"),
            ("/waves/0/state", r#""waiting for approval""#),
        ],
    ),
    (&["--approve", "none"], &[("/waves/1/approval", "false")]),
    (
        &["--window", "mon-fri 09:00-17:00", "--window", "sat,sun 22:00-02:00"],
        &[
            ("/windows/zone", r#""Etc/UTC""#),
            (
                "/windows/spans",
                r#"[{"days": ["mon", "tue", "wed", "thu", "fri"], "from": "09:00", "until": "17:00"},
                    {"days": ["sat", "sun"], "from": "22:00", "until": "02:00"}]"#,
            ),
        ],
    ),
    (
        &[
            "--max-failed=1",
            "--max-silent=2",
            "--silent-after=20m",
            "--max-waiting=3",
            "--waiting-after=12h",
            "--max-unwell=4",
            "--max-restarts=5",
            "--min-signal=-80",
        ],
        &[
            (
                "/waves/0/gate",
                r#"{"max_failed": 1, "max_silent": 2, "silent_after_seconds": 1200, "max_waiting": 3,
                "waiting_after_seconds": 43200, "max_unwell": 4, "max_restarts": 5, "min_signal_dbm": -80}"#,
            ),
            (
                "/waves/1/gate",
                r#"{"max_failed": 1, "max_silent": 2, "silent_after_seconds": 1200, "max_waiting": 3,
                "waiting_after_seconds": 43200, "max_unwell": 4, "max_restarts": 5, "min_signal_dbm": -80}"#,
            ),
        ],
    ),
    (&["--on-failure", "turn-back"], &[("/on_failure", r#""turn_back""#)]),
    (&["--on-failure", "hold"], &[("/on_failure", r#""hold""#)]),
];

/// Waves as asked for, and as the server then holds them.
const WAVES: &[(&[&str], &[&[&str]])] = &[
    (&[], &[&["barn"], &["gate", "hen-house", "shed"]]),
    (&["shed,barn", "gate"], &[&["shed", "barn"], &["gate"]]),
    (&["label=field", "rest"], &[&["gate", "shed"], &["barn", "hen-house"]]),
    (&["25%", "50%", "rest"], &[&["barn"], &["gate", "hen-house"], &["shed"]]),
    (&["gate,25%", "label=field", "rest"], &[&["gate", "barn"], &["shed"], &["hen-house"]]),
];

#[test]
fn what_the_options_say_is_what_the_server_holds() {
    let (place, running, client) = larkfield();
    let mut given: BTreeSet<&str> = ["--image", "--wave"].into();
    for (options, holds) in SHAPES {
        let view = held(&place, &client, options);
        for (pointer, value) in *holds {
            let expected: Value = serde_json::from_str(value).unwrap();
            assert_eq!(view.pointer(pointer), Some(&expected), "{options:?}: {pointer}");
        }
        given.extend(options.iter().filter(|o| o.starts_with("--")).map(|o| o.split('=').next().unwrap()));
    }
    for (asked, expected) in WAVES {
        let options: Vec<&str> = asked.iter().flat_map(|wave| ["--wave", wave]).collect();
        assert_eq!(waves(&held(&place, &client, &options)), *expected, "{asked:?}");
    }

    // What is only planned is shown, and the server hears nothing of it.
    given.insert("--plan-only");
    let before = client.rollouts().unwrap().len();
    let planned = place
        .run(&["--json", "rollout", "start", "--image", "net-1.1.0", "--wave", "50%", "--plan-only"])
        .ends(0)
        .json();
    assert_eq!(planned["waves"][0]["nodes"], json!(["barn", "gate"]));
    assert_eq!(client.rollouts().unwrap().len(), before);

    // An image that misbehaves on purpose goes nowhere by mistake.
    given.insert("--rehearsal");
    let sample = samples::find("net-1.2.0-reset-loop").unwrap();
    fs::write(place.path(sample.file), sample.bytes).unwrap();
    let file = place.path(sample.file);
    let pack = ["--json", "image", "pack", file.to_str().unwrap(), "--chip", "net", "--board", "latchboard"];
    place.run(&pack).ends(6).says(&["misbehaves on purpose", "--rehearsal"]);
    place.run(&[&pack[..], &["--rehearsal"]].concat()).ends(0);
    let name = "net-1.2.0-reset-loop";
    let start = ["--json", "rollout", "start", "--image", name, "--wave", "barn"];
    place.run(&start).ends(6).says(&["--rehearsal"]);
    assert_eq!(client.rollouts().unwrap().len(), before);
    let id = place.run(&[&start[..], &["--rehearsal"]].concat()).ends(0).json()["id"].as_i64().unwrap();
    place.run(&["rollout", "end", &id.to_string()]).ends(0);

    // Bundles, of some nodes only.
    given.extend(["--bundles", "--nodes"]);
    for name in NODES {
        place.edit(&format!("yard/nodes/{name}.toml"), "trial_seconds = 60", "trial_seconds = 90");
    }
    let start = ["--json", "rollout", "start", "--bundles", "--nodes", "barn,shed", "--wave", "rest"];
    let id = place.run(&start).ends(0).json()["id"].as_i64().unwrap();
    let view = serde_json::to_value(client.rollout(id).unwrap()).unwrap();
    assert_eq!((waves(&view), &view["kind"]), (vec![vec!["barn".into(), "shed".into()]], &json!("bundle")));

    let help = place.run(&["rollout", "start", "--help"]).ends(0).out;
    let global: BTreeSet<&str> =
        ["--help", "--yard", "--passphrase-file", "--json", "--quiet", "--version"].into();
    let known = help.lines().filter_map(|line| {
        let line = line.trim_start();
        let at = line.find("--").filter(|at| *at == 0 || line.starts_with('-'))?;
        line[at..].split([' ', ',', '=']).next()
    });
    let known: Vec<&str> = known.collect();
    assert!(known.len() > 20, "{known:?}");
    let missing: Vec<&str> =
        known.into_iter().filter(|o| !given.contains(o) && !global.contains(o)).collect();
    assert_eq!(missing, Vec::<&str>::new(), "options that no row gives");
    running.stop().unwrap();
}

/// What is wrong, the exit code, and what the refusal names: option, value, what is expected.
const WRONG: &[(&[&str], i32, &[&str])] = &[
    (&["--wave", "bran"], 3, &["bran", "no node", "barn"]),
    (&["--wave", "barn", "--wave", "barn"], 3, &["barn", "two waves"]),
    (&["--wave", "label=feild"], 3, &["--wave", "feild", "field"]),
    (&["--wave", "0%"], 3, &["--wave", "0%", "1% to 100%"]),
    (&["--wave", "101%"], 3, &["--wave", "101%", "1% to 100%"]),
    (&["--wave", "rest", "--wave", "rest"], 3, &["rest", "two waves"]),
    (&["--wave", "100%", "--wave", "1%"], 3, &["wave 2", "no nodes"]),
    (&["--soak", "2w"], 2, &["--soak", "2w", "90s, 30m, 2h or 1d"]),
    (&["--soak", "366d"], 2, &["--soak", "366d", "365 d at most"]),
    (&["--min-check-ins", "1001"], 2, &["--min-check-ins", "1001", "0..=1000"]),
    (&["--min-door-cycles=-1"], 2, &["--min-door-cycles", "-1", "0..=1000"]),
    (&["--approve", "maybe"], 2, &["--approve", "maybe", "none, later, every"]),
    (&["--window", "man-fri 09:00-17:00"], 2, &["--window", "man-fri", "mon-fri 09:00-17:00"]),
    (&["--window", "mon 09:00-24:30"], 2, &["--window", "24:30", "09:00"]),
    (&["--max-failed", "some"], 2, &["--max-failed", "some"]),
    (&["--max-silent=-1"], 2, &["--max-silent", "-1"]),
    (&["--silent-after", "5m"], 5, &["silent_after_seconds", "300 s", "600 to"]),
    (&["--max-waiting", "x"], 2, &["--max-waiting", "x"]),
    (&["--waiting-after", "59s"], 2, &["--waiting-after", "59s", "1m or more"]),
    (&["--max-unwell", "x"], 2, &["--max-unwell", "x"]),
    (&["--max-restarts", "1.5"], 2, &["--max-restarts", "1.5"]),
    (&["--min-signal", "0"], 2, &["--min-signal", "0", "-128..=-1"]),
    (&["--on-failure", "pray"], 2, &["--on-failure", "pray", "hold, turn-back"]),
    (&["--title", ""], 5, &["title", "it is empty"]),
    (&["--nodes", "barn"], 2, &["--nodes", "--image"]),
    (&["--bundles"], 2, &["--image", "--bundles"]),
];

#[test]
fn wrong_values_are_refused_with_what_is_expected() {
    let (place, running, client) = larkfield();
    let before = client.rollouts().unwrap().len();
    let mut odd = Vec::new();
    for (options, code, parts) in WRONG {
        let ran = place.run(&[&["rollout", "start", "--image", "net-1.1.0"], *options].concat());
        let missing: Vec<&&str> = parts.iter().filter(|part| !ran.err.contains(**part)).collect();
        if ran.code != *code || !missing.is_empty() {
            odd.push(format!("{options:?}: code {}, lacks {missing:?}: {}", ran.code, ran.err));
        }
    }
    assert!(odd.is_empty(), "{}", odd.join("\n"));
    assert!(client.rollouts().unwrap().len() == before, "something was started");
    // Without a time zone a window says nothing.
    place.edit("yard/yard.toml", "time_zone = \"Etc/UTC\"\n", "");
    place.run(&["rollout", "start", "--image", "net-1.1.0", "--window", "09:00-17:00"]).ends(3).says(&[
        "window",
        "time zone",
        "yard.toml",
    ]);
    running.stop().unwrap();
}

/// State of the rollout and why, as the server holds it.
fn stands(client: &Client, id: i64) -> (String, Option<String>) {
    let view = client.rollout(id).unwrap();
    (view.state.phrase().to_owned(), view.held_because)
}

#[test]
fn a_person_holds_resumes_approves_ends_and_turns_back() {
    let (place, running, client) = larkfield();
    let act = |args: &[&str]| -> Ran { place.run(&[&["--json", "rollout"], args].concat()) };
    let start = |more: &[&str]| {
        let start = [&["start", "--image", "net-1.1.0"], more].concat();
        act(&start).ends(0).json()["id"].as_i64().unwrap()
    };
    let id = start(&["--approve", "every"]);
    let number = id.to_string();
    let number = number.as_str();

    act(&["approve", number, "--wave", "2"]).ends(5).says(&["wave"]);
    assert_eq!(client.rollout(id).unwrap().waves[0].state.phrase(), "waiting for approval");
    act(&["approve", number, "--wave", "1", "--note", "looked at the bench"]).ends(0);
    let view = client.rollout(id).unwrap();
    assert_eq!(view.waves[0].state.phrase(), "open");
    assert!(view.waves[0].approved_at.is_some());
    act(&["approve", number]).ends(5).says(&["approv"]);

    act(&["resume", number]).ends(5).says(&["under way", "held"]);
    act(&["hold", number, "--note", "hay is coming in"]).ends(0);
    let (state, why) = stands(&client, id);
    assert_eq!(state, "held");
    assert!(why.is_some_and(|why| why.contains("hay is coming in")));
    act(&["hold", number]).ends(5).says(&["held"]);
    act(&["resume", number, "--note", "hay is in"]).ends(0);
    assert_eq!(stands(&client, id).0, "under way");
    act(&["turn-back", number, "--note", "too loud"]).ends(0);
    assert_eq!(stands(&client, id).0, "turned back");
    act(&["end", number]).ends(5);

    let other = start(&[]).to_string();
    act(&["end", &other, "--note", "next week"]).ends(0);
    let view = client.rollout(other.parse().unwrap()).unwrap();
    assert_eq!((view.state.phrase(), view.ended_early), ("done", true));

    let journal = serde_json::to_string(&client.journal(0, 500).unwrap()).unwrap();
    for note in ["looked at the bench", "hay is coming in", "hay is in", "too loud", "next week"] {
        assert!(journal.contains(note), "{note}");
    }
    act(&["hold", "99"]).ends(5).says(&["99"]);
    act(&["hold", "x"]).ends(2).says(&["x", "<ID>"]);
    act(&["hold", number, "--note", &"x".repeat(201)]).ends(5).says(&["note", "201", "200"]);
    act(&["approve", number, "--wave", "0"]).ends(5);
    running.stop().unwrap();
}

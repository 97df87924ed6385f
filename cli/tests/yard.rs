//! Yard, nodes, rules and calibration through the program: what it answers, what it refuses, and
//! that what it refuses changes nothing.

mod bin_common;

use bin_common::{PASSPHRASE, Place, WIFI};
use std::fs;

/// Runs something that must be refused, and that must change no file.
#[track_caller]
fn refused(place: &Place, args: &[&str], code: i32, parts: &[&str]) {
    let before = place.files();
    place.run(args).ends(code).says(parts);
    assert!(before == place.files(), "a file was changed by {args:?}");
}

#[test]
fn a_yard_is_made_once_and_keeps_its_secrets() {
    let place = Place::with_yard();
    refused(&place, &["yard", "start", ".", "--domain", "a.example", "--name", "A"], 3, &["is not empty"]);
    let seen = place.run(&["--json", "node", "list", "--here"]).ends(0);
    assert_eq!(seen.json()[0]["node"], "barn");
    for (path, bytes) in place.files() {
        for secret in [PASSPHRASE, WIFI] {
            assert!(!bytes.windows(secret.len()).any(|w| w == secret.as_bytes()), "{}", path.display());
        }
    }
}

#[test]
fn a_locked_yard_says_so() {
    let place = Place::with_yard();
    place.write("wrong", "eight hinges and a latch\n");
    let seal = ["bundle", "seal", "barn"];
    place.run_with(&seal, Some(&place.path("wrong"))).ends(4).says(&["the yard's keys are locked", "hint: "]);
    place.run_with(&seal, None).ends(4).says(&["nobody to ask", "--passphrase-file"]);
    place.write("wrong", "two\nlines\n");
    place.run_with(&seal, Some(&place.path("wrong"))).ends(3).says(&["one line is expected"]);
    place.run_with(&seal, Some(&place.path("missing"))).ends(7).says(&["missing cannot be read"]);
}

#[test]
fn an_unknown_key_is_named_with_file_line_and_nearest() {
    let place = Place::with_yard();
    place.edit("yard/nodes/barn.toml", "travel_seconds = 25", "travel_secs = 25");
    refused(
        &place,
        &["check"],
        3,
        &["nodes/barn.toml, line ", "`travel_secs`", "did you mean `travel_seconds`?"],
    );
}

#[test]
fn wifi_secrets_that_cannot_be_are_refused() {
    let place = Place::with_yard();
    let file = place.path("bad");
    let add = |ssid: &str, passphrase: &str, parts: &[&str]| {
        place.write("bad", &format!("{passphrase}\n"));
        let file = file.to_str().unwrap();
        refused(&place, &["wifi", "add", "shed", "--ssid", ssid, "--wifi-passphrase-file", file], 3, parts);
    };
    add("Shed", "seven77", &["network `shed`", "7 characters"]);
    add("Shed", &"g".repeat(64), &["byte 0", "hexadecimal"]);
    add("Shed", &"a".repeat(65), &["65 characters"]);
    add(&"s".repeat(33), "long enough", &["33 bytes"]);
    add("", "long enough", &["0 bytes"]);
    // 17 letters of two bytes each.
    add(&"\u{fc}".repeat(17), "long enough", &["34 bytes"]);
}

#[test]
fn the_check_answers_with_rules_sources_and_its_exit_code() {
    let place = Place::with_yard();
    let bad = place.run(&["check", "barn"]).ends(1);
    assert!(bad.out.contains("error R62") && bad.out.contains("pintle server join"), "{bad:?}");
    assert!(bad.err.contains("no certified alarm and no door operator"), "{bad:?}");
    place.edit("yard/nodes/barn.toml", "pulse_ms = 500", "pulse_ms = 50");
    let both = place.run(&["--json", "check", "barn"]).ends(1).json();
    let rules: Vec<_> = both["nodes"][0]["findings"].as_array().unwrap().iter().map(|f| &f["rule"]).collect();
    assert_eq!(rules, ["R10", "R62"]);
    place.edit("yard/nodes/barn.toml", "pulse_ms = 50", "pulse_ms = 500");
    let server =
        format!("\n[server]\naddresses = [\"https://192.0.2.7:8443\"]\nkey = \"{}\"\n", "00".repeat(32));
    let yard = fs::read_to_string(place.path("yard/yard.toml")).unwrap();
    place.write("yard/yard.toml", &(yard + &server));
    let good = place.run(&["check", "barn"]).ends(0);
    assert!(good.out.contains("barn: breaks no rule"), "{good:?}");
    place.run(&["check", "bran"]).ends(3).says(&["no node `bran`", "did you mean `barn`?"]);
    let all = place.run(&["check", "--rules"]).ends(0);
    assert!(all.out.contains("16 CFR 1211.14(c)(2)") && all.out.contains("common practice, no source"));
}

#[test]
fn a_closing_door_without_a_proper_warning_is_never_sealed() {
    let place = Place::with_yard();
    place.edit("yard/nodes/barn.toml", "enabled = false", "enabled = true");
    let bad = place.run(&["check", "barn"]).ends(1);
    for rule in ["R1:", "R13:", "R16:"] {
        assert!(bad.out.contains(rule), "{rule} {bad:?}");
    }
    refused(&place, &["bundle", "seal", "barn"], 6, &["breaks", "cause: ", "pintle check barn"]);
}

#[test]
fn distances_are_calibrated_from_readings() {
    let place = Place::with_yard();
    place.edit("yard/nodes/barn.toml", "open_below_mm", "# open_below_mm");
    place.edit("yard/nodes/barn.toml", "closed_above_mm", "# closed_above_mm");
    place.run(&["check", "barn"]).ends(1);
    // Echoes of 32.05 cm and of the closed door, at 20 and -10 degrees Celsius, by ISO 9613-1.
    let readings = |closed: [f64; 2]| {
        let mut csv = "position,temperature_c,echo_us\n".to_owned();
        for n in 0..6 {
            let jitter = f64::from(n) - 2.5;
            csv += &format!("open,20,{:.1}\nopen,-10,{:.1}\n", 1867.7 + jitter, 1971.3 + jitter);
            csv += &format!("closed,20,{:.1}\nclosed,-10,{:.1}\n", closed[0] + jitter, closed[1] + jitter);
        }
        csv
    };
    // 229.95 cm.
    let csv = readings([13400.3, 14143.4]);
    place.write("barn.csv", &csv);
    let file = place.path("barn.csv");
    let args = ["--json", "calibrate", "distance", "barn", "--readings", file.to_str().unwrap()];
    let found = place.run(&args).ends(0).json();
    assert_eq!((&found["open_below_mm"], &found["closed_above_mm"]), (&370.into(), &2250.into()));
    assert!(place.run(&["check", "barn"]).out.contains("R62"));

    place.write("barn.csv", &csv.replacen("open,-10", "ajar,-10", 1));
    refused(&place, &args, 3, &["barn.csv, line 3, column `position`: `ajar`"]);
    place.write("barn.csv", &csv.replacen("1968.8", "far", 1));
    refused(&place, &args, 3, &["line 3, column `echo_us`"]);
    place.write("barn.csv", "position,echo_us\nopen,1800\n");
    refused(&place, &args, 3, &["no column `temperature_c`"]);
    // 45 cm: the margins of 5 cm on either side leave too little.
    place.write("barn.csv", &readings([2622.4, 2767.8]));
    refused(&place, &args, 3, &["too near each other", "hint: "]);
}

#[test]
fn images_are_packed_listed_looked_at_and_refused() {
    let place = Place::with_yard();
    place.write("yard/boards/latchboard.toml", pintle::yard::LATCHBOARD);
    for sample in pintle::firmware::samples::SAMPLES {
        fs::write(place.path(sample.file), sample.bytes).unwrap();
    }
    let net = place.path("net-1.0.0.elf");
    let net = net.to_str().unwrap();
    let pack = ["image", "pack", net, "--chip", "net", "--board", "latchboard"];
    place.run(&pack).ends(0);
    let seen = place.run(&["--json", "image", "list"]).ends(0).json();
    assert_eq!(seen[0]["image"], "net-1.0.0");
    let envelope = "images/latchboard/net-1.0.0/envelope.suit";
    let look = place.run(&["--json", "look", envelope]).ends(0).json();
    assert_eq!((&look["signed_by"], &look["says"]["version"]), (&"image".into(), &"1.0.0".into()));

    let bytes = fs::read(place.path("yard").join(envelope)).unwrap();
    fs::write(place.path("cut.suit"), &bytes[..bytes.len() / 2]).unwrap();
    let cut = place.run(&["look", place.path("cut.suit").to_str().unwrap()]).ends(1);
    assert!(cut.out.contains("not authentic") && cut.out.contains("byte"), "{cut:?}");

    refused(&place, &["image", "pack", net, "--chip", "io", "--board", "latchboard"], 3, &["net-1.0.0.elf"]);
    refused(&place, &["image", "pack", net, "--chip", "net", "--board", "two-chip"], 3, &["class"]);
    refused(
        &place,
        &["image", "pack", net, "--chip", "net", "--board", "latchbord"],
        3,
        &["did you mean `latchboard`?"],
    );
    let mute = place.path("io-1.2.0-mute-link.hex");
    let mute = ["image", "pack", mute.to_str().unwrap(), "--chip", "io", "--board", "latchboard"];
    refused(&place, &mute, 6, &["misbehaves on purpose", "--rehearsal"]);
    place.edit("yard/boards/latchboard.toml", "slot_bytes = 131072", "slot_bytes = 4096");
    let next = place.path("net-1.1.0.elf");
    let large = ["image", "pack", next.to_str().unwrap(), "--chip", "net", "--board", "latchboard"];
    refused(&place, &large, 3, &["a net slot of board `latchboard` holds 4096"]);
}

#[test]
fn the_passphrase_can_be_changed() {
    let place = Place::with_yard();
    place.write("new", "one more hinge than before\n");
    let new = place.path("new");
    place.run(&["yard", "passphrase", "--new-passphrase-file", new.to_str().unwrap()]).ends(0);
    place.run(&["bundle", "seal", "barn"]).ends(4);
    // Unlocked, it goes on to the rules.
    place.run_with(&["bundle", "seal", "barn"], Some(&new)).ends(6);
    place.write("new", "short\n");
    place
        .run_with(&["yard", "passphrase", "--new-passphrase-file", new.to_str().unwrap()], Some(&new))
        .ends(4);
}

#[test]
fn a_wrong_command_line_and_a_missing_yard_have_their_codes() {
    let place = Place::empty();
    place.run(&["rollout", "start"]).ends(2);
    place.run(&["node", "list"]).ends(3).says(&["no yard", "pintle yard start"]);
    let help = place.run(&["--help"]).ends(0);
    for exit in pintle::exit::Exit::ALL {
        assert!(help.out.contains(exit.meaning()), "{}", exit.meaning());
    }
}

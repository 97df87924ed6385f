use super::testing::{GOOD_NODE, PASSPHRASE, yard};
use super::*;
use crate::locked::Cost;
use crate::random::from_seed;
use std::fs;

#[test]
fn a_new_yard_reads_back_and_its_keys_fit() {
    let dir = tempfile::tempdir().unwrap();
    let yard = yard(dir.path());
    let unlocked = yard.unlock(PASSPHRASE).unwrap();
    for role in Role::ALL {
        let key = unlocked.signing_key(role).unwrap();
        assert_eq!(key.verifying_key().to_bytes(), yard.public_key(role).0);
    }
    assert_eq!(yard.sequences().unwrap().last(Role::Image), 0);
    assert_eq!(unlocked.passphrase("house").unwrap().as_str(), "correct hinges");
}

#[test]
fn nothing_secret_is_in_clear_anywhere_in_a_yard() {
    let dir = tempfile::tempdir().unwrap();
    let yard = yard(dir.path());
    let unlocked = yard.unlock(PASSPHRASE).unwrap();
    let mut secrets: Vec<Vec<u8>> = vec![b"correct hinges".to_vec(), PASSPHRASE.to_vec()];
    for role in Role::ALL {
        let seed = unlocked.signing_key(role).unwrap().to_bytes();
        secrets.extend([seed.to_vec(), hex::encode(seed).into_bytes()]);
    }
    let mut left = vec![yard.dir().to_owned()];
    while let Some(path) = left.pop() {
        if path.is_dir() {
            left.extend(fs::read_dir(&path).unwrap().map(|e| e.unwrap().path()));
            continue;
        }
        let bytes = fs::read(&path).unwrap();
        for secret in &secrets {
            assert!(!bytes.windows(secret.len()).any(|w| w == secret), "{}", path.display());
        }
    }
}

#[test]
fn another_passphrase_leaves_it_locked() {
    let dir = tempfile::tempdir().unwrap();
    let error = yard(dir.path()).unlock(b"eight hinges and a latch").unwrap_err();
    assert!(matches!(error, YardError::Locked { error: LockedError::WrongPassphrase, .. }));
    assert!(error.to_string().contains("the yard's keys are locked"));
}

#[test]
fn a_yard_is_not_made_over_anything() {
    let dir = tempfile::tempdir().unwrap();
    fs::write(dir.path().join("letter.txt"), "dear").unwrap();
    let new = |domain| NewYard { name: "a", domain, passphrase: PASSPHRASE, cost: Cost::REHEARSAL };
    let refused = start(dir.path(), new("a.example"), &mut from_seed(1));
    assert!(matches!(refused, Err(YardError::NotEmpty(_))));
    let fresh = dir.path().join("fresh");
    for bad in ["example", "A.example", "a..example", "-a.example", "a.example/", ""] {
        assert!(matches!(start(&fresh, new(bad), &mut from_seed(1)), Err(YardError::Domain(_))), "{bad}");
        assert!(!fresh.exists());
    }
    let short = NewYard { passphrase: b"short", ..new("a.example") };
    assert!(matches!(start(&fresh, short, &mut from_seed(1)), Err(YardError::Locked { .. })));
    assert_eq!(fs::read_dir(dir.path()).unwrap().count(), 1);
}

#[test]
fn the_same_randomness_makes_the_same_keys() {
    let (a, b) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
    assert_eq!(yard(a.path()).public_keys, yard(b.path()).public_keys);
}

#[test]
fn a_node_gives_a_bundle() {
    let dir = tempfile::tempdir().unwrap();
    let plan = yard(dir.path()).plan("barn").unwrap();
    assert_eq!(plan.draft.name.as_str(), "Barn door");
    assert_eq!(plan.draft.door.open_below_mm, 370);
    assert_eq!(plan.draft.networks[0].ssid.as_slice(), b"Larkfield");
    assert_eq!(plan.draft.networks[0].passphrase.as_str(), "");
    assert!(!plan.draft.close.enabled);
    assert_eq!(plan.draft.policy.supply_min_mv, 4600);
}

fn plan_with(node: &str) -> Result<NodePlan, YardError> {
    let dir = tempfile::tempdir().unwrap();
    let yard = yard(dir.path());
    fs::write(yard.path("nodes/barn.toml"), node).unwrap();
    Ok(Yard::open(yard.dir())?.plan("barn").unwrap())
}

#[test]
fn an_unknown_key_is_named_with_file_line_and_the_nearest() {
    let error = plan_with(&GOOD_NODE.replace("travel_seconds = 20", "travel_secs = 20")).unwrap_err();
    let YardError::Unreadable(Unreadable::UnknownKey { line, key, nearest, path, .. }) = error else {
        panic!("{error}")
    };
    assert_eq!((line, key.as_str(), nearest.as_deref()), (9, "travel_secs", Some("travel_seconds")));
    assert!(path.ends_with("nodes/barn.toml"));
}

#[test]
fn a_door_of_no_known_kind_lists_the_kinds() {
    let error = plan_with(&GOOD_NODE.replace("sectional", "revolving")).unwrap_err();
    assert!(error.to_string().contains("`revolving` is no kind of door; known are sectional"), "{error}");
}

#[test]
fn what_is_not_set_and_not_calibrated_is_asked_for() {
    let dir = tempfile::tempdir().unwrap();
    let yard = yard(dir.path());
    fs::write(yard.path("nodes/barn.toml"), GOOD_NODE.replace("open_below_mm = 370\n", "")).unwrap();
    let error = Yard::open(yard.dir()).unwrap().plan("barn").unwrap_err();
    assert!(matches!(error, PlanError::NotCalibrated { key: "door.open_below_mm", .. }));
    let calibration = "[distance]\nopen_below_mm = 371\nclosed_above_mm = 2249\nopen_mean_mm = 320.9\n\
         closed_mean_mm = 2300.0\ncoldest_c = 1.0\nwarmest_c = 20.0\nreadings = 24\n";
    fs::write(yard.path("calibration/barn.toml"), calibration).unwrap();
    let error = Yard::open(yard.dir()).unwrap().plan("barn").unwrap_err();
    assert!(matches!(error, PlanError::SetTwice { file: 2250, calibrated: 2249, .. }));
    fs::write(
        yard.path("nodes/barn.toml"),
        GOOD_NODE.replace("open_below_mm = 370\nclosed_above_mm = 2250\n", ""),
    )
    .unwrap();
    assert_eq!(Yard::open(yard.dir()).unwrap().plan("barn").unwrap().draft.door.closed_above_mm, 2249);
}

#[test]
fn wrong_names_come_with_the_nearest() {
    let dir = tempfile::tempdir().unwrap();
    let yard = yard(dir.path());
    let error = yard.plan("bran").unwrap_err();
    assert_eq!(error, PlanError::NoNode { name: "bran".into(), nearest: Some("barn".into()) });
    fs::write(yard.path("nodes/barn.toml"), GOOD_NODE.replace("\"two-chip\"", "\"two-chop\"")).unwrap();
    let error = Yard::open(yard.dir()).unwrap().plan("barn").unwrap_err();
    assert!(matches!(error, PlanError::NoBoard { nearest: Some(n), .. } if n == "two-chip"));
}

#[test]
fn passphrases_that_wifi_does_not_allow_are_never_written() {
    let dir = tempfile::tempdir().unwrap();
    let yard = yard(dir.path());
    let unlocked = yard.unlock(PASSPHRASE).unwrap();
    let mut rng = from_seed(3);
    let mut refused = |ssid: &str, passphrase: &str| {
        let error = unlocked.put_passphrase("shed", ssid, passphrase, &mut rng).unwrap_err();
        assert!(!yard.path("secrets/wifi-shed.box").exists());
        error.to_string()
    };
    assert!(refused("Shed", "seven77").contains("has 7 characters"));
    assert!(refused("Shed", &"g".repeat(64)).contains("byte 0"));
    assert!(refused(&"s".repeat(33), "long enough").contains("33 bytes"));
    assert!(refused("Shed", "tab\there it is").contains("byte 3"));
}

#[test]
fn a_candidate_network_comes_with_the_change_to_it() {
    let dir = tempfile::tempdir().unwrap();
    let yard = yard(dir.path());
    let networks = "[[network]]\nname = \"house\"\nssid = \"Larkfield\"\n\n[[network]]\nname = \"new\"\n\
        ssid = \"Larkfield 2\"\n[network.candidate]\nreplaces = \"house\"\nafter_loss_minutes = 20\n\
        nodes = [\"barn\"]\n";
    fs::write(yard.path("networks.toml"), networks).unwrap();
    let plan = Yard::open(yard.dir()).unwrap().plan("barn").unwrap();
    assert_eq!(plan.networks, ["house", "new"]);
    let change = plan.draft.wifi_change.unwrap();
    assert_eq!((change.candidate, change.after_loss_minutes), (1, Some(20)));
    fs::write(yard.path("networks.toml"), networks.replace("[\"barn\"]", "[\"gate\"]")).unwrap();
    let plan = Yard::open(yard.dir()).unwrap().plan("barn").unwrap();
    assert_eq!((plan.networks.len(), plan.draft.wifi_change), (1, None));
}

/// Source: RFC 9562 appendix A.4, `www.example.com` in the name space of domain names.
#[test]
fn the_vendor_identifier_is_the_published_uuid() {
    let dir = tempfile::tempdir().unwrap();
    let mut yard = yard(dir.path());
    yard.file.domain = "www.example.com".into();
    assert_eq!(yard.vendor(), Uuid16::parse("2ed6657d-e927-568b-95e1-2665a8aea6a2").unwrap());
}

/// Nobody relies on a check that no io chip makes. Board files that were begun with the line are read as before.
#[test]
fn a_board_does_not_say_that_its_io_chip_verifies() {
    let read = |text: &str| strict::parse::<BoardFile>(Path::new("boards/own.toml"), text);
    let says = |word| read(&format!("io_verifies = {word}\n{LATCHBOARD}"));
    assert_eq!(says("false").unwrap(), read(LATCHBOARD).unwrap());
    let refused = says("true").unwrap_err().to_string();
    assert!(refused.contains("boards/own.toml") && refused.contains("no io chip verifies"), "{refused}");
}

/// The sample images carry the classes that follow from the board that is written for them.
#[test]
fn sample_images_are_of_their_boards_class() {
    use crate::firmware::{self, Expect, samples};
    let dir = tempfile::tempdir().unwrap();
    let mut yard = yard(dir.path());
    yard.file.domain = samples::VENDOR.into();
    let board: BoardFile = strict::parse(Path::new("latchboard.toml"), LATCHBOARD).unwrap();
    for name in ["net-1.0.0", "io-1.0.0"] {
        let sample = samples::find(name).unwrap();
        let machine = if sample.chip == Chip::Net { board.net.machine } else { None };
        let expect = Expect { machine, chip: sample.chip };
        let image = firmware::read(sample.bytes, sample.file, expect).unwrap();
        assert_eq!(image.note.class, yard.class_of(&board, sample.chip));
    }
}

#[test]
fn another_passphrase_can_be_set() {
    let dir = tempfile::tempdir().unwrap();
    let yard = yard(dir.path());
    let unlocked = yard.unlock(PASSPHRASE).unwrap();
    let mut rng = from_seed(8);
    assert!(unlocked.relock(b"short", Cost::REHEARSAL, &mut rng).is_err());
    unlocked.relock(b"one more hinge than before", Cost::REHEARSAL, &mut rng).unwrap();
    assert!(yard.unlock(PASSPHRASE).is_err());
    let again = yard.unlock(b"one more hinge than before").unwrap();
    assert_eq!(again.passphrase("house").unwrap().as_str(), "correct hinges");
}

#[test]
fn one_calibration_leaves_the_others() {
    let dir = tempfile::tempdir().unwrap();
    let made = yard(dir.path());
    let gas = tables::GasTable { a: 99.269, b: -1.518033, r0_ohms: 9289 };
    made.calibrate("barn", |f| f.gas = Some(gas)).unwrap();
    let light = tables::LightCalibration { on_above: 57, apart: 4.36 };
    let made = Yard::open(made.dir()).unwrap();
    made.calibrate("barn", |f| f.light = Some(light)).unwrap();
    let read = Yard::open(made.dir()).unwrap();
    assert_eq!((read.calibrations["barn"].gas, read.calibrations["barn"].light), (Some(gas), Some(light)));
}

use super::*;
use crate::yard::Yard;
use crate::yard::tables::ServerTable;
use crate::yard::testing;
use std::fs;

/// A plan for a node file, on a board with everything fitted, with a server joined.
fn plan(node: &str) -> NodePlan {
    plan_on("co_sensor = true\nphotocell = true\n", node)
}

fn plan_on(fitted: &str, node: &str) -> NodePlan {
    let dir = tempfile::tempdir().unwrap();
    let yard = testing::yard(dir.path());
    let board = crate::yard::SAMPLE_BOARD.replace("co_sensor = false\nphotocell = false\n", fitted);
    fs::write(yard.path("boards/two-chip.toml"), board).unwrap();
    fs::write(yard.path("nodes/barn.toml"), node).unwrap();
    fs::write(yard.path("calibration/barn.toml"), "[gas]\na = 99.269\nb = -1.518033\nr0_ohms = 9289\n")
        .unwrap();
    let mut yard = Yard::open(yard.dir()).unwrap();
    yard.file.server = Some(ServerTable {
        addresses: vec!["https://192.0.2.7:8443".into()],
        ca: None,
        key: "00".repeat(32),
    });
    yard.plan("barn").unwrap()
}

fn broken(plan: &NodePlan) -> Vec<&'static str> {
    check(plan, None).into_iter().filter(Finding::blocks).map(|f| f.rule).collect()
}

/// A node that closes by itself and breaks no rule.
fn closing() -> String {
    format!(
        "{}\n[close]\nenabled = true\nacknowledged = true\nphoto_sensor = true\n\
         [alarms]\nleft_open_minutes = 10\n\
         [alarms.co]\nfast_ppm = 100\nslow_ppm = 50\nslow_minutes = 30\n",
        testing::GOOD_NODE
    )
}

/// Changes one line of a file that breaks no rule; returns the rules that are broken then.
fn after(from: &str, to: &str) -> Vec<&'static str> {
    let text = closing();
    assert!(text.contains(from), "{from}");
    broken(&plan(&text.replace(from, to)))
}

fn with_close(line: &str) -> Vec<&'static str> {
    after("photo_sensor = true\n", &format!("photo_sensor = true\n{line}\n"))
}

#[test]
fn a_careful_node_breaks_no_rule() {
    assert_eq!(broken(&plan(&closing())), Vec::<&str>::new());
    assert_eq!(
        broken(&plan_on("co_sensor = false\nphotocell = false\n", testing::GOOD_NODE)),
        Vec::<&str>::new()
    );
}

#[test]
fn every_rule_has_its_own_name_and_names_its_source() {
    let ids: Vec<_> = all().map(|r| r.id).collect();
    for (n, id) in ids.iter().enumerate() {
        assert!(!ids[..n].contains(id), "{id}");
    }
    for rule in all() {
        assert!(!rule.source.is_empty() && !rule.asks.is_empty());
        let cited = ["16 CFR", "UL 2034", "EN 50291", "ISO", "IEEE", "data sheets", "component"];
        let known = cited.iter().any(|c| rule.source.contains(c))
            || rule.source == PRACTICE
            || rule.source.starts_with("ours");
        assert!(known, "{}: {}", rule.id, rule.source);
    }
}

/// 16 CFR 1211.14: each number just inside and just outside.
#[test]
fn unattended_close_keeps_to_the_federal_rule() {
    assert_eq!(after("acknowledged = true\n", ""), ["R1"]);
    for kind in ["one-piece", "swinging", "unknown"] {
        assert_eq!(after("\"sectional\"", &format!("\"{kind}\"")), ["R2"], "{kind}");
    }
    for kind in ["rolling", "sliding", "hatch"] {
        assert_eq!(after("\"sectional\"", &format!("\"{kind}\"")), Vec::<&str>::new(), "{kind}");
    }
    assert_eq!(with_close("warn_seconds = 4.9"), ["R3"]);
    assert_eq!(with_close("warn_seconds = 5"), Vec::<&str>::new());
    assert_eq!(with_close("sound = false"), ["R4"]);
    assert_eq!(with_close("light = false"), ["R4"]);
    for (line, fine) in [
        ("tone_hz = 699", false),
        ("tone_hz = 700", true),
        ("tone_hz = 3400", true),
        ("tone_hz = 3401", false),
        ("pulses_per_second = 3.9", false),
        ("pulses_per_second = 4", true),
        ("pulses_per_second = 5.0", true),
        ("pulses_per_second = 5.1", false),
        ("pulses_per_second = 29.6", false),
        ("flashes_per_second = 0.9", false),
        ("flashes_per_second = 1.0", true),
    ] {
        assert_eq!(with_close(line).is_empty(), fine, "{line}");
    }
    for (tries, fine) in [(0, false), (1, true), (2, true), (3, false), (255, false)] {
        assert_eq!(with_close(&format!("max_failed = {tries}")).is_empty(), fine, "{tries}");
    }
    assert_eq!(after("photo_sensor = true\n", ""), ["R13"]);
    assert_eq!(with_close("blocked_by_co = false"), ["R15"]);
    assert_eq!(with_close("after_minutes = 0"), ["R17"]);
}

#[test]
fn a_close_that_is_off_may_hold_any_numbers() {
    let text = closing().replace("enabled = true", "enabled = false\nwarn_seconds = 0\nmax_failed = 9");
    assert_eq!(broken(&plan(&text)), Vec::<&str>::new());
}

#[test]
fn without_a_gas_sensor_an_unattended_close_is_a_warning() {
    let text = closing().replace("[alarms.co]\nfast_ppm = 100\nslow_ppm = 50\nslow_minutes = 30\n", "");
    let bare = plan_on("co_sensor = false\nphotocell = false\n", &text);
    assert_eq!(broken(&bare), ["R16"]);
}

#[test]
fn pulses_gaps_and_travel_have_their_ranges() {
    for (line, fine) in [
        ("pulse_ms = 199", false),
        ("pulse_ms = 200", true),
        ("pulse_ms = 1000", true),
        ("pulse_ms = 1001", false),
        ("gap_ms = 999", false),
        ("gap_ms = 1000", true),
    ] {
        assert_eq!(
            after("travel_seconds = 20\n", &format!("travel_seconds = 20\n{line}\n")).is_empty(),
            fine,
            "{line}"
        );
    }
    assert_eq!(after("travel_seconds = 20\n", "travel_seconds = 31\n"), ["R9"]);
    assert_eq!(after("travel_seconds = 20\n", "travel_seconds = 14\n"), ["R9"]);
    assert_eq!(after("travel_seconds = 20\n", "travel_seconds = 30\n"), Vec::<&str>::new());
}

/// UL 2034: 70 ppm before 240 min, 150 before 50, 400 before 15; EN 50291: 50 ppm before 90,
/// 100 before 40, 300 before 3.
#[test]
fn a_late_gas_alarm_is_found() {
    let co = |fast, slow, minutes, cycles| {
        after(
            "fast_ppm = 100\nslow_ppm = 50\nslow_minutes = 30\n",
            &format!(
                "fast_ppm = {fast}\nslow_ppm = {slow}\nslow_minutes = {minutes}\naverage_cycles = {cycles}\n"
            ),
        )
    };
    assert_eq!(co(100, 50, 87, 1), Vec::<&str>::new());
    assert_eq!(co(100, 50, 88, 1), ["R25"], "90.5 min at 50 ppm");
    assert_eq!(co(150, 50, 37, 1), Vec::<&str>::new());
    assert_eq!(co(150, 50, 38, 1), ["R25"], "40.5 min at 100 ppm");
    assert_eq!(co(301, 50, 10, 1), ["R25"], "12.5 min at 300 ppm");
    assert_eq!(co(400, 70, 47, 1), ["R25"]);
    assert_eq!(co(400, 70, 48, 1), ["R22", "R25"], "50.5 min at 150 ppm");
    assert_eq!(co(401, 70, 10, 1), ["R20", "R25"]);
    assert_eq!(co(100, 71, 10, 1), ["R20", "R22", "R25"]);
    assert_eq!(co(60, 70, 10, 1), ["R20", "R25"]);
    assert_eq!(co(100, 29, 30, 1), ["R21"]);
    assert_eq!(co(100, 50, 30, 2), ["R25"], "5 min at 300 ppm");
    assert_eq!(co(100, 50, 30, 6), ["R22", "R24", "R25"], "15 min at 400 ppm");
    assert_eq!(co(100, 50, 30, 0), ["R24"]);
}

#[test]
fn the_gas_alarm_is_weakened_only_with_consent() {
    let before = plan(&closing()).draft;
    let rules = |text: &str| -> Vec<_> {
        check(&plan(text), Some(&before)).into_iter().filter(Finding::blocks).map(|f| f.rule).collect()
    };
    assert_eq!(rules(&closing()), Vec::<&str>::new());
    let slower = closing().replace("slow_minutes = 30", "slow_minutes = 31");
    assert_eq!(rules(&slower), ["R23"]);
    assert_eq!(rules(&format!("{slower}\n[policy]\nconsent = true\n")), Vec::<&str>::new());
    assert_eq!(rules(&closing().replace("slow_minutes = 30", "slow_minutes = 29")), Vec::<&str>::new());
    let gone = closing().replace("[alarms.co]\nfast_ppm = 100\nslow_ppm = 50\nslow_minutes = 30\n", "");
    assert_eq!(rules(&gone), ["R23", "R16", "R27"]);
}

/// At 225 cm a divisor of 58 us/cm errs by 23.2 cm at -30 degC (ISO 9613-1); with the hysteresis
/// of 2 cm twice, 27.2 cm are needed.
#[test]
fn thresholds_stay_apart_in_winter() {
    let apart = |mm: u16, compensated: bool| {
        after(
            "open_below_mm = 370\n",
            &format!("open_below_mm = {}\ntemperature_compensated = {compensated}\n", 2250 - mm),
        )
    };
    assert_eq!(apart(272, false), ["R30"]);
    assert_eq!(apart(273, false), Vec::<&str>::new());
    assert_eq!(apart(58, true), ["R30"]);
    assert_eq!(apart(59, true), Vec::<&str>::new());
    assert_eq!(after("open_below_mm = 370\n", "open_below_mm = 2300\n"), ["R30"]);
    assert_eq!(after("closed_above_mm = 2250\n", "closed_above_mm = 4001\n"), ["R33"]);
    assert_eq!(after("open_below_mm = 370\n", "open_below_mm = 370\nhysteresis_mm = 10\n"), ["R34"]);
}

#[test]
fn a_calibrated_door_without_thermometer_is_looked_at_in_all_weather() {
    let mut plan = plan(
        &closing().replace("travel_seconds = 20", "travel_seconds = 20\ntemperature_compensated = false"),
    );
    let measured = |open_mean_mm, closed_mean_mm| crate::yard::tables::DistanceTable {
        open_below_mm: 370,
        closed_above_mm: 2250,
        open_mean_mm,
        closed_mean_mm,
        coldest_c: 0.0,
        warmest_c: 20.0,
        readings: 20,
    };
    // 58 us/cm: 10.3 % more at -30 degC, 2.8 % less at +40 degC.
    plan.calibration.distance = Some(measured(320.0, 2330.0));
    assert_eq!(broken(&plan), Vec::<&str>::new());
    plan.calibration.distance = Some(measured(340.0, 2330.0));
    assert_eq!(broken(&plan), ["R31"]);
    plan.calibration.distance = Some(measured(320.0, 2300.0));
    assert_eq!(broken(&plan), ["R31"]);
}

/// 16 bytes every 60 s in a ring of two sectors: 10 273 erases in ten years; every 1 s in a ring
/// of eight would be 154 090.
#[test]
fn wear_is_the_computed_one() {
    assert!((upkeep::erases_in_ten_years(60) - 10_273.0).abs() < 1.0);
    assert!((upkeep::erases_in_ten_years(1) / 4.0 - 154_090.0).abs() < 1.0);
    assert_eq!(after("board = \"two-chip\"", "board = \"two-chip\"\ncheckin_seconds = 12"), ["R40"]);
    assert_eq!(
        after("board = \"two-chip\"", "board = \"two-chip\"\ncheckin_seconds = 13"),
        Vec::<&str>::new()
    );
    assert_eq!(after("board = \"two-chip\"", "board = \"two-chip\"\ncheckin_seconds = 86401"), ["R41"]);
}

#[test]
fn policy_keeps_to_its_ranges() {
    let policy = |lines: &str| broken(&plan(&format!("{}\n[policy]\n{lines}\n", closing())));
    assert_eq!(policy("rest_seconds = 9"), ["R50"]);
    assert_eq!(policy("trial_seconds = 29"), ["R51"]);
    assert_eq!(policy("trial_seconds = 3601"), ["R51"]);
    assert_eq!(policy("supply_min_mv = 4599"), ["R52"]);
    assert_eq!(policy("supply_min_mv = 5400"), ["R52"]);
    assert_eq!(policy("supply_min_mv = 4700\nsupply_max_mv = 5300"), Vec::<&str>::new());
}

#[test]
fn what_is_set_must_be_fitted() {
    let bare = "co_sensor = false\nphotocell = false\n";
    let text = format!("{}\n[alarms.light]\non_above = 57\nminutes = 30\n", closing());
    assert_eq!(broken(&plan_on(bare, &text)), ["R26", "R56"]);
    let no_lamp = format!("{bare}#").replace('#', "");
    let mut plan = plan_on(&no_lamp, testing::GOOD_NODE);
    plan.board.fitted.thermometer = false;
    assert_eq!(broken(&plan), ["R32"]);
}

#[test]
fn networks_and_servers_are_looked_at() {
    let good = plan(&closing());
    let mut none = good.clone();
    none.draft.networks.clear();
    none.draft.servers.clear();
    assert_eq!(broken(&none), ["R60", "R62"]);
    for bad in ["ftp://192.0.2.7", "https://", "https://192.0.2.7/path", "https://a b"] {
        let mut plan = good.clone();
        plan.draft.servers[0].0 = heapless::String::try_from(bad).unwrap();
        assert_eq!(broken(&plan), ["R62"], "{bad}");
    }
    let mut plan = good.clone();
    plan.draft.networks[0].ssid.clear();
    assert_eq!(broken(&plan), ["R60"]);
    let mut plan = good;
    let candidate = pintle_protocol::bundle::WifiChange { candidate: 0, after_loss_minutes: Some(4) };
    plan.draft.wifi_change = Some(candidate);
    assert_eq!(broken(&plan), ["R61", "R63"]);
}

#[test]
fn warnings_are_accepted_with_a_reason_and_errors_never() {
    let accept = |list: &str| {
        let text = closing().replace("slow_ppm = 50", "slow_ppm = 25");
        plan(&text.replace("label = ", &format!("accept = [{list}]\nlabel = ")))
    };
    let told = accept(r#"{ rule = "R21", why = "the forge next door" }"#);
    assert_eq!(broken(&told), Vec::<&str>::new());
    assert_eq!(check(&told, None)[0].accepted.as_deref(), Some("the forge next door"));
    assert_eq!(broken(&accept(r#"{ rule = "R21", why = " " }"#)), ["R90", "R21"]);
    assert_eq!(broken(&accept(r#"{ rule = "R3", why = "x" }"#)), ["R90", "R21"]);
    assert_eq!(broken(&accept(r#"{ rule = "R999", why = "x" }"#)), ["R90", "R21"]);
    // An error stays one, whatever is accepted.
    let text = closing().replace("photo_sensor = true\n", "photo_sensor = true\nwarn_seconds = 4\n");
    let text = text.replace("label = ", "accept = [{ rule = \"R3\", why = \"x\" }]\nlabel = ");
    assert_eq!(broken(&plan(&text)), ["R3", "R90"]);
}

/// What the node itself refuses, the checker has found before: each plan that passes every rule
/// passes the node's own rules too.
#[test]
fn what_passes_here_passes_on_the_node() {
    let mut bundle = plan(&closing()).draft;
    bundle.networks[0].passphrase = heapless::String::try_from("correct hinges").unwrap();
    assert_eq!(pintle_protocol::bundle::node_refuses(&bundle), None);
}

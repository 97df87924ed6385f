//! The answer of a real server, held against the rules of the text format.
//!
//! Source: OpenMetrics 1.0.0 specification, section "Text format" with its ABNF, and "Data Model"
//! (github.com/prometheus/OpenMetrics, tag v1.0.0, specification/OpenMetrics.md). Read are the kinds
//! that this server writes: counter, gauge and info.

use crate::clock::Clock;
use crate::common::{Node, ask, operator, reply};
use crate::config::{Config, Tls};
use crate::start;
use std::collections::{BTreeMap, BTreeSet};

type Labels = BTreeMap<String, String>;

/// One metric family.
#[derive(Debug, Default)]
struct Metric {
    kind: String,
    unit: Option<String>,
    help: Option<String>,
    samples: Vec<(String, Labels, f64)>,
}

/// Reads a whole exposition strictly.
fn read(text: &str) -> Result<BTreeMap<String, Metric>, String> {
    let body = text.strip_suffix('\n').unwrap_or(text);
    let body = body.strip_suffix("# EOF").ok_or("it does not end with # EOF")?;
    if !body.is_empty() && !body.ends_with('\n') {
        return Err("# EOF is not on a line of its own".to_owned());
    }
    let mut families: BTreeMap<String, Metric> = BTreeMap::new();
    let mut current: Option<String> = None;
    for line in body.lines() {
        let fault = |why: &str| Err(format!("{why}: {line:?}"));
        if line.is_empty() || line.contains('\r') {
            return fault("an empty line, or a carriage return");
        }
        if let Some(rest) = line.strip_prefix("# ") {
            let mut parts = rest.splitn(3, ' ');
            let (Some(what), Some(name), Some(value)) = (parts.next(), parts.next(), parts.next()) else {
                return fault("a comment that describes nothing");
            };
            if !is_name(name, true) {
                return fault("no name of a family");
            }
            if current.as_deref() != Some(name) {
                if families.contains_key(name) {
                    return fault("a family in two pieces");
                }
                current = Some(name.to_owned());
            }
            let family = families.entry(name.to_owned()).or_default();
            if !family.samples.is_empty() {
                return fault("a description after samples");
            }
            match what {
                "TYPE" if family.kind.is_empty() && matches!(value, "counter" | "gauge" | "info") => {
                    family.kind = value.to_owned();
                }
                "UNIT" if family.unit.is_none() && name.ends_with(&format!("_{value}")) => {
                    family.unit = Some(value.to_owned());
                }
                "HELP" if family.help.is_none() && escaped(value) => family.help = Some(value.to_owned()),
                _ => return fault("a description that is twice, unknown or wrong"),
            }
            continue;
        }
        let (name, labels, value) = sample(line).ok_or_else(|| format!("no sample: {line:?}"))?;
        let Some(of) = &current else { return fault("a sample without a family") };
        let family = families.entry(of.clone()).or_default();
        let fits = match family.kind.as_str() {
            "counter" => name == format!("{of}_total") && value >= 0.0,
            "info" => name == format!("{of}_info") && value == 1.0 && family.unit.is_none(),
            "gauge" => &name == of,
            _ => false,
        };
        if !fits {
            return fault("a sample that does not fit its family");
        }
        if family.samples.iter().any(|(_, known, _)| *known == labels) {
            return fault("the same labels twice");
        }
        let keys: BTreeSet<&String> = labels.keys().collect();
        if family.samples.iter().any(|(_, known, _)| known.keys().collect::<BTreeSet<_>>() != keys) {
            return fault("other labels than before");
        }
        family.samples.push((name, labels, value));
    }
    Ok(families)
}

/// ABNF `metricname` (with colons) or `label-name`.
fn is_name(text: &str, metric: bool) -> bool {
    let initial = |c: char| c.is_ascii_alphabetic() || c == '_' || metric && c == ':';
    text.starts_with(initial) && text.chars().all(|c| initial(c) || c.is_ascii_digit())
}

/// ABNF `escaped-string`: a backslash escapes n, a quote or itself, a quote never stands alone.
fn escaped(text: &str) -> bool {
    let mut chars = text.chars();
    while let Some(c) = chars.next() {
        match c {
            '\\' if !matches!(chars.next(), Some('n' | '"' | '\\')) => return false,
            '"' | '\n' => return false,
            _ => {}
        }
    }
    true
}

/// ABNF `sample`, without timestamp and exemplar.
fn sample(line: &str) -> Option<(String, Labels, f64)> {
    let at = line.find(['{', ' '])?;
    let (name, rest) = line.split_at(at);
    let mut labels = Labels::new();
    let value = match rest.strip_prefix('{') {
        None => rest.strip_prefix(' ')?,
        Some(inside) => {
            // No label of this server holds a closing brace.
            let (inside, value) = inside.split_once("} ")?;
            for pair in inside.split("\",") {
                let (key, value) = pair.split_once("=\"")?;
                let value = value.strip_suffix('"').unwrap_or(value);
                if !is_name(key, false) || !escaped(value) || labels.contains_key(key) {
                    return None;
                }
                labels.insert(key.to_owned(), value.to_owned());
            }
            if !inside.ends_with('"') {
                return None;
            }
            value
        }
    };
    let plain = value.chars().all(|c| c.is_ascii_digit() || matches!(c, '.' | '-' | '+' | 'e' | 'E'));
    (is_name(name, true) && plain && !value.is_empty())
        .then(|| Some((name.to_owned(), labels, value.parse().ok()?)))?
}

#[test]
fn the_reader_takes_the_specification_s_example_and_nothing_crooked() {
    // Source: the same, section "Overall Structure", the families of the kinds above.
    let example = "# TYPE acme_http_router_request_seconds gauge\n\
        # UNIT acme_http_router_request_seconds seconds\n\
        # HELP acme_http_router_request_seconds Latency though all of ACME's HTTP request router.\n\
        acme_http_router_request_seconds{path=\"/api/v1\",method=\"GET\"} 9036.32\n\
        # TYPE go_goroutines gauge\n\
        # HELP go_goroutines Number of goroutines that currently exist.\n\
        go_goroutines 69\n\
        # TYPE process_cpu_seconds counter\n\
        # UNIT process_cpu_seconds seconds\n\
        # HELP process_cpu_seconds Total user and system CPU time spent in seconds.\n\
        process_cpu_seconds_total 4.20072246e+06\n\
        # EOF\n";
    assert_eq!(read(example).unwrap().len(), 3);
    for wrong in [
        "# TYPE a gauge\na 1\n",
        "# TYPE a gauge\na 1\n# EOF\nb 1\n",
        "# TYPE a gauge\n\na 1\n# EOF\n",
        "# TYPE a gauge\na  1\n# EOF\n",
        "# TYPE a counter\na 1\n# EOF\n",
        "# TYPE a counter\na_total -1\n# EOF\n",
        "# TYPE a gauge\na 1\na 2\n# EOF\n",
        "# TYPE a gauge\na{x=\"1\"} 1\na 2\n# EOF\n",
        "# TYPE a gauge\na{x=\"1\",x=\"2\"} 1\n# EOF\n",
        "# TYPE a gauge\na{x=\"1\\t\"} 1\n# EOF\n",
        "# TYPE a gauge\na{1x=\"1\"} 1\n# EOF\n",
        "# TYPE a gauge\na{x=1} 1\n# EOF\n",
        "# TYPE a gauge\na one\n# EOF\n",
        "# TYPE a gauge\na 1\n# HELP a Late.\n# EOF\n",
        "# TYPE a gauge\na 1\n# TYPE b gauge\nb 1\n# TYPE a gauge\n# EOF\n",
        "# UNIT a seconds\n# TYPE a gauge\na 1\n# EOF\n",
        "# TYPE a surprise\na 1\n# EOF\n",
        "# TYPE a gauge\n# TYPE a gauge\n# EOF\n",
        "a 1\n# EOF\n",
    ] {
        assert!(read(wrong).is_err(), "{wrong}");
    }
}

#[test]
fn a_servers_figures_follow_what_happens() {
    let folder = tempfile::tempdir().unwrap();
    let mut config = Config::new(folder.path(), ([127, 0, 0, 1], 0).into());
    config.tls = Tls::Plain;
    config.clock = Clock::manual(1_800_000_000);
    let running = start(config).unwrap();
    let token = running.operator_token.clone().unwrap();
    let look = || {
        let answer = operator(running.addr, &token, "GET", "/metrics", "");
        assert_eq!(answer.status, 200, "{}", answer.text());
        let kind = "content-type: application/openmetrics-text; version=1.0.0; charset=utf-8";
        assert!(answer.head.contains(kind), "{}", answer.head);
        let text = String::from_utf8(answer.body).unwrap();
        let families = read(&text).unwrap_or_else(|why| panic!("{why}\n{text}"));
        for (name, family) in &families {
            assert!(name.starts_with("pintle_") && family.help.is_some(), "{name}");
        }
        (families, text)
    };
    let value = |families: &BTreeMap<String, Metric>, name: &str, label: &str| {
        let samples = &families.get(name).unwrap_or_else(|| panic!("{name}")).samples;
        samples.iter().find(|(_, labels, _)| labels.values().next().map_or("", |v| v) == label).map(|s| s.2)
    };
    let (before, _) = look();
    assert_eq!(before["pintle_nodes"].samples.len(), 5);
    assert_eq!(before["pintle_rollouts"].samples.len(), 5);
    assert_eq!(value(&before, "pintle_check_ins", ""), Some(0.0));
    assert_eq!(value(&before, "pintle_unwritable", ""), Some(0.0));
    assert!(value(&before, "pintle_commits", "").unwrap() >= 1.0);
    assert_eq!(before["pintle_tick_age_seconds"].unit.as_deref(), Some("seconds"));
    #[cfg(target_os = "linux")]
    assert!(value(&before, "pintle_resident_memory_bytes", "").unwrap() > 1e6);

    let mut node = Node::new(1).admitted(running.addr, &token);
    reply(&node.check_in(running.addr), &running.server_key);
    node.state.counter = 0;
    assert_eq!(node.check_in(running.addr).status, 409);
    assert_eq!(Node::new(2).check_in(running.addr).status, 404);
    assert_eq!(ask(running.addr, "POST", "/node/claim", "Accept: */*", b"?").status, 400);
    running.clock.advance(14);
    let (meanwhile, _) = look();
    assert_eq!(
        value(&meanwhile, "pintle_nodes", "in touch"),
        Some(0.0),
        "nodes were counted again too early"
    );
    running.clock.advance(1);
    let (after, text) = look();
    assert_eq!(value(&after, "pintle_nodes", "in touch"), Some(1.0));
    assert_eq!(value(&after, "pintle_nodes_doing", "idle"), Some(1.0));
    assert_eq!(value(&after, "pintle_nodes_updated", "none yet"), Some(1.0));
    assert_eq!(value(&after, "pintle_check_ins", ""), Some(1.0));
    assert_eq!(value(&after, "pintle_check_ins_refused", "replayed"), Some(1.0));
    assert_eq!(value(&after, "pintle_check_ins_refused", "unknown_node"), Some(1.0));
    assert_eq!(value(&after, "pintle_claims_refused", "bad_message"), Some(1.0));
    assert_eq!(value(&after, "pintle_tick_age_seconds", ""), Some(15.0));
    assert!(value(&after, "pintle_journal_entries", "") > value(&before, "pintle_journal_entries", ""));
    assert!(value(&after, "pintle_jobs", "") > value(&before, "pintle_jobs", ""));
    assert_eq!(value(&after, "pintle_jobs_waiting", ""), Some(0.0));
    // Nothing by which a node, a place or a person could be told.
    for word in ["Hatch", &node.state.node.to_string(), &token, "127.0.0.1"] {
        assert!(!text.contains(word), "{word}");
    }
    running.app.db.set_pragma("PRAGMA query_only = 1");
    assert_eq!(node.check_in(running.addr).status, 503);
    let (stuck, _) = look();
    assert_eq!(value(&stuck, "pintle_unwritable", ""), Some(1.0));
    assert_eq!(value(&stuck, "pintle_check_ins_refused", "cannot_write"), Some(1.0));
    assert!(value(&stuck, "pintle_commits_lost", "").unwrap() >= 1.0);
    running.app.db.set_pragma("PRAGMA query_only = 0");
    let silent_after = running.app.intervals.silent_after();
    running.clock.advance(i64::from(silent_after) - 15);
    assert_eq!(value(&look().0, "pintle_nodes", "in touch"), Some(1.0));
    running.clock.advance(15);
    let (silent, _) = look();
    assert_eq!(value(&silent, "pintle_nodes", "silent"), Some(1.0));
    assert_eq!(value(&silent, "pintle_nodes_doing", "idle"), Some(0.0));
    running.stop().unwrap();
}

#[test]
fn days_left_of_certificates_count_down() {
    let folder = tempfile::tempdir().unwrap();
    let mut config = Config::new(folder.path(), ([127, 0, 0, 1], 0).into());
    config.clock = Clock::manual(1_800_000_000);
    let running = start(config).unwrap();
    let rt = actix_web::rt::System::new();
    let left = || {
        let app = running.app.clone();
        let census = rt.block_on(super::census::of_nodes(&app)).unwrap();
        let seen = running.app.db.read_blocking(move |conn| super::Seen::now(&app, conn, census)).unwrap();
        let families = read(&seen.text(&running.app.metrics).unwrap()).unwrap();
        let samples = &families["pintle_certificate_left_days"].samples;
        samples
            .iter()
            .map(|(_, labels, days)| (labels["certificate"].clone(), *days))
            .collect::<BTreeMap<_, _>>()
    };
    let first = left();
    assert_eq!(first["served"], 396.0);
    running.clock.advance(86_400);
    assert_eq!(left()["served"], 395.0);
    // A clock that is set counts too: certificates go by what it shows.
    running.clock.set_by(399 * 86_400);
    assert_eq!(left()["served"], -4.0);
    assert!(first["root"] > 7000.0);
    running.stop().unwrap();
}

#[test]
fn nodes_are_counted_in_pieces_each_once() {
    let folder = tempfile::tempdir().unwrap();
    let mut config = Config::new(folder.path(), ([127, 0, 0, 1], 0).into());
    config.tls = Tls::Plain;
    config.clock = Clock::manual(1_800_000_000);
    let running = start(config).unwrap();
    let token = running.operator_token.clone().unwrap();
    for n in 1..=7 {
        Node::new(n).admitted(running.addr, &token).check_in(running.addr);
    }
    let whole = |most| {
        running.app.db.read_blocking(|conn| {
            let (mut found, mut place, mut pieces) = (0, Some(0), 0);
            while let Some(after) = place {
                place = crate::store::census::walk(conn, after, most, |node| {
                    assert!(node.admitted && node.last.is_some());
                    found += 1;
                })?;
                pieces += 1;
            }
            Ok::<_, crate::store::StoreFault>((found, pieces))
        })
    };
    assert_eq!(whole(2).unwrap(), (7, 5));
    assert_eq!(whole(7).unwrap(), (7, 2));
    assert_eq!(whole(100).unwrap(), (7, 2));
    running.stop().unwrap();
}

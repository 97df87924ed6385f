//! A yard, a server on loopback and admitted nodes on virtual boards.
#![allow(dead_code, unreachable_pub, reason = "each test binary uses a part")]

use crate::bin_common::{PASSPHRASE, Place, WIFI};
use crate::board::{Screwed, until};
use pintle::api::Client;
use pintle::firmware::samples;
use pintle::image::Library;
use pintle::yard::{LATCHBOARD, Unlocked, Yard};
use pintle_protocol::id::Chip;
use pintle_server::Running;
use pintle_server::clock::Clock;
use pintle_server::config::{Config, Tls};
use std::fs;

pub const NOW: i64 = 1_800_000_000;

pub fn serve(place: &Place, clock: &Clock) -> Running {
    let mut config = Config::new(place.path("data"), ([127, 0, 0, 1], 0).into());
    config.tls = Tls::Plain;
    config.clock = clock.clone();
    pintle_server::start(config).unwrap()
}

/// A yard on the samples' board with both images packed, a server, and these nodes admitted.
pub fn stage(names: &[&str]) -> (Place, Running, Vec<Screwed>) {
    let place = Place::with_yard();
    fs::write(place.path("yard/boards/latchboard.toml"), LATCHBOARD).unwrap();
    fs::remove_file(place.path("yard/nodes/barn.toml")).unwrap();
    let running = serve(&place, &Clock::manual(NOW));
    place.write("token", running.operator_token.as_deref().unwrap());
    let token = place.path("token");
    place.run(&["server", "join", &running.base_url, "--token-file", token.to_str().unwrap()]).ends(0);
    for name in ["net-1.0.0", "io-1.0.0", "net-1.1.0"] {
        let sample = samples::find(name).unwrap();
        let file = place.path(sample.file);
        fs::write(&file, sample.bytes).unwrap();
        let chip = if sample.chip == Chip::Net { "net" } else { "io" };
        place
            .run(&["image", "pack", file.to_str().unwrap(), "--chip", chip, "--board", "latchboard"])
            .ends(0);
    }
    let library = Library::read(&yard(&place)).unwrap();
    let image = |name: &str| library.named(name).unwrap()[0].payload().unwrap();
    let (net, io) = (image("net-1.0.0"), image("io-1.0.0"));
    let mut nodes = Vec::new();
    for name in names {
        place.run(&["node", "add", name, "--board", "latchboard", "--label", name]).ends(0);
        let file = format!("yard/nodes/{name}.toml");
        for (from, to) in [
            ("kind = \"unknown\"", "kind = \"sectional\""),
            ("# open_below_mm = 370", "open_below_mm = 450"),
            ("# closed_above_mm = 2250", "closed_above_mm = 2200"),
            ("rest_seconds = 120", "rest_seconds = 30"),
            ("trial_seconds = 300", "trial_seconds = 60"),
        ] {
            place.edit(&file, from, to);
        }
        let text = fs::read_to_string(place.path(&file)).unwrap();
        place.write(&file, &(text + "\n[alarms.co]\nfast_ppm = 100\nslow_ppm = 50\nslow_minutes = 30\n"));
        // Invented, as in the rehearsal.
        let gas = "[gas]\na = 99.269\nb = -1.518033\nr0_ohms = 9289\n";
        place.write(&format!("yard/calibration/{name}.toml"), gas);
        let out = place.path(&format!("card-{name}"));
        place.run(&["node", "card", name, "--out", out.to_str().unwrap()]).ends(0);
        let card = fs::read(out.join("card.cbor")).unwrap();
        nodes.push(Screwed::new(name, &net, &io, &card, ("Larkfield", WIFI)));
    }
    let client = client(&place);
    until(&running, &mut all(&mut nodes), 300, "the claims", |_| {
        client.claims().unwrap().len() == names.len()
    });
    for name in names {
        place.run(&["node", "admit", name]).ends(0);
    }
    until(&running, &mut all(&mut nodes), 600, "the first check-ins", |_| {
        client.nodes().unwrap().iter().all(|n| n.last_seen.is_some())
    });
    let start = ["--json", "rollout", "start", "--bundles", "--soak", "1m", "--wave", "rest"];
    let id = place.run(&start).ends(0).json()["id"].as_i64().unwrap();
    done(&running, &mut all(&mut nodes), &client, id);
    (place, running, nodes)
}

pub fn all(nodes: &mut [Screwed]) -> Vec<&mut Screwed> {
    nodes.iter_mut().collect()
}

pub fn yard(place: &Place) -> Yard {
    Yard::open(&place.path("yard")).unwrap()
}

pub fn unlocked(place: &Place) -> Unlocked {
    yard(place).unlock(PASSPHRASE.as_bytes()).unwrap()
}

pub fn client(place: &Place) -> Client {
    pintle::server_link::client(&yard(place), &unlocked(place)).unwrap()
}

pub fn done(running: &Running, nodes: &mut [&mut Screwed], client: &Client, id: i64) {
    until(running, nodes, 3000, "the end of the rollout", |_| {
        let view = client.rollout(id).unwrap();
        assert_ne!(view.state.phrase(), "held", "{view:?}");
        view.state.phrase() == "done"
    });
}

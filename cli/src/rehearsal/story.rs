//! The acts of a rehearsal.

use super::fleet::Fleet;
use super::host::Host;
use super::larkfield::{self, Change, NEW, OLD, PASSPHRASE, PLACES};
use super::report::{Act, Report};
use super::wire::Wire;
use super::{Options, RehearsalError};
use crate::api::http::{Http, Trust};
use crate::api::{Action, Client};
use crate::firmware::samples;
use crate::image::{PackRequest, Packed, pack};
use crate::node::admit::admit;
use crate::node::card::issue;
use crate::plan::care::Care;
use crate::plan::rollout::{BundleRollout, ImageRollout, start_bundles, start_images};
use crate::random::from_seed;
use crate::yard::{Unlocked, Yard};
use pintle_protocol::checkin::Phase;
use pintle_protocol::id::Chip;
use pintle_protocol::sim::{AccessPoint, Air, Chance, Door, VirtualBoard};
use pintle_server::contract::{Gate, Kind, Progress, RolloutState, RolloutView, TargetView};
use rand_chacha::ChaCha20Rng;
use rustls::pki_types::CertificateDer;
use rustls::pki_types::pem::PemObject;
use std::fs;
use std::path::{Path, PathBuf};
use std::time::Duration;
use zeroize::Zeroizing;

/// The server looks at its rollouts so often, in rehearsed seconds.
const TICK: u64 = 5;
/// How long everything must stay well after a wave, in seconds.
const SOAK: u32 = 1800;

/// A node that misses check-ins for ten minutes is silent; nothing is tolerated.
fn care(soak_seconds: u32) -> Care {
    Care { soak_seconds, gate: Gate { silent_after_seconds: 600, ..Gate::STRICT }, ..Care::default() }
}

/// Whether a rollout that should succeed is done; an error if it will not be.
fn is_done(view: &RolloutView) -> Result<bool, String> {
    match view.state {
        RolloutState::Done => return Ok(true),
        RolloutState::Ready | RolloutState::UnderWay => return Ok(false),
        RolloutState::Held | RolloutState::TurnedBack => {}
    }
    let reasons: Vec<_> = view
        .waves
        .iter()
        .flat_map(|w| &w.targets)
        .filter_map(|t| Some(format!("{}: {}", t.name, t.reason.as_deref()?)))
        .collect();
    let because = view.held_because.as_deref().unwrap_or_default();
    Err(format!("the rollout is {}: {because} ({})", view.state, reasons.join("; ")))
}

fn owned(names: &[&str]) -> Vec<String> {
    names.iter().map(|n| (*n).to_owned()).collect()
}

/// Yard, server and nodes.
pub(super) struct Stage {
    dir: PathBuf,
    own: bool,
    seed: u64,
    rng: ChaCha20Rng,
    yard: Yard,
    unlocked: Unlocked,
    host: Host,
    client: Client,
    fleet: Fleet,
    images: Vec<Packed>,
    acts: Vec<Act>,
}

fn text(e: impl std::fmt::Display) -> String {
    e.to_string()
}

impl Stage {
    /// Makes yard, server and boards.
    pub(super) fn build(dir: &Path, own: bool, options: &Options) -> Result<Self, String> {
        let seed = options.seed;
        let mut rng = from_seed(seed);
        let yard_dir = dir.join("yard");
        fs::create_dir_all(dir).map_err(text)?;
        let yard = larkfield::make(&yard_dir, &mut rng)?;
        let host = Host::start(&dir.join("server"), Chance::new(seed, "server").block())?;
        let running = &host.running;
        let (base, ca) = (running.base_url.clone(), running.ca_pem.clone().unwrap_or_default());
        fs::write(yard.path("server-ca.pem"), &ca).map_err(text)?;
        let yard = larkfield::write_server(&yard, &base, &running.server_key.to_string())?;
        let unlocked = yard.unlock(PASSPHRASE).map_err(text)?;
        let token = running.operator_token.clone().ok_or("the server gave no token at its first start")?;
        unlocked.put_server_token(&token, &mut rng).map_err(text)?;
        let http = Http::new(&base, Trust::Authority(ca.as_bytes()), Zeroizing::new(token)).map_err(text)?;
        let client = Client::over(http);
        client.about().map_err(text)?;

        let der = CertificateDer::from_pem_slice(ca.as_bytes()).map_err(text)?;
        let air = Air { points: vec![AccessPoint::new(OLD.1, OLD.2)] };
        let fleet = Fleet::new(air, Wire::new(der.as_ref(), options.record.clone())?);
        let acts = Vec::new();
        let (dir, images) = (dir.to_owned(), Vec::new());
        let mut stage = Self { dir, own, seed, rng, yard, unlocked, host, client, fleet, images, acts };
        for name in ["net-1.0.0", "io-1.0.0", "net-1.1.0", "io-1.1.0"] {
            stage.pack(name)?;
        }
        stage.hang_boards()?;
        Ok(stage)
    }

    /// Packs a sample image with the yard's own library.
    fn pack(&mut self, name: &str) -> Result<(), String> {
        let sample = samples::find(name).ok_or_else(|| format!("there is no sample {name}"))?;
        let request = PackRequest {
            file: sample.file,
            bytes: sample.bytes,
            chip: sample.chip,
            board: "latchboard",
            rehearsal: true,
            way_back_to: None,
        };
        let packing = pack(&self.yard, &self.unlocked, request).map_err(text)?;
        self.images.push(packing.image);
        Ok(())
    }

    fn image(&self, chip: Chip, version: &str) -> Result<&Packed, String> {
        let fits = |p: &&Packed| p.chip == chip && p.version.to_string() == version;
        self.images.iter().find(fits).ok_or_else(|| format!("there is no image {chip} {version}"))
    }

    /// Announces every node, writes its starter card, and hangs its board.
    fn hang_boards(&mut self) -> Result<(), String> {
        let payload = |p: &Packed| p.payload().map_err(text);
        let net = payload(self.image(Chip::Net, "1.0.0")?)?;
        let io = payload(self.image(Chip::Io, "1.0.0")?)?;
        for place in &PLACES {
            let out = self.dir.join("cards").join(place.name);
            let path =
                issue(&self.yard, &self.unlocked, &self.client, place.name, &out, false, &mut self.rng)
                    .map_err(text)?;
            let bytes = fs::read(path).map_err(text)?;
            let chance = Chance::new(self.seed, place.name);
            let mut board =
                VirtualBoard::new(place.name, &net, &io, &bytes, Door::at_rest(place.open), chance);
            // A wire of a metre beside a motor: now and then a frame is lost or hurt.
            board.io.loses_one_in = 400;
            board.io.flips_one_in = 700;
            self.fleet.add(place.name, self.yard.node_id(place.name), board);
        }
        Ok(())
    }

    pub(super) fn address(&self) -> &str {
        self.client.address()
    }

    pub(super) fn link(&self) -> Result<String, String> {
        let link = self.client.sign_in_link().map_err(text)?;
        Ok(format!("{}{}", self.client.address(), link.path))
    }

    pub(super) fn stop(self) {
        let Self { host, dir, own, client, fleet, .. } = self;
        drop((client, fleet));
        // It ends with the process at the latest.
        let _ = host.running.stop();
        if own {
            // Left behind at worst; it holds nothing that matters.
            let _ = fs::remove_dir_all(dir);
        }
    }

    pub(super) fn stay(&mut self, stop: &dyn Fn() -> bool) -> Result<(), String> {
        while !stop() {
            self.second()?;
            std::thread::sleep(Duration::from_secs(1));
        }
        Ok(())
    }

    /// One second for everybody.
    fn second(&mut self) -> Result<(), String> {
        self.host.second();
        self.fleet.second()?;
        if self.fleet.now.is_multiple_of(TICK) {
            self.host.running.tick().map_err(text)?;
        }
        Ok(())
    }

    /// Lets time go on until `done`, for at most `seconds`; every second `meanwhile`.
    fn until(
        &mut self,
        seconds: u64,
        what: &str,
        mut done: impl FnMut(&mut Self) -> Result<bool, String>,
    ) -> Result<(), String> {
        for n in 0..seconds {
            self.second()?;
            if n % TICK == 0 && done(self)? {
                return Ok(());
            }
        }
        Err(format!("{what} did not happen within {seconds} s"))
    }

    /// Plays every act.
    pub(super) fn play(&mut self, say: &mut dyn FnMut(&str)) -> Result<Report, RehearsalError> {
        type Scene = fn(&mut Stage) -> Result<String, String>;
        let scenes: [(&str, Scene); 7] = [
            ("commission eight nodes", Stage::commission),
            ("configure each for its door", Stage::configure),
            ("move to the new Wi-Fi, proving it first", Stage::move_wifi),
            ("switch the old network off", Stage::leave_old_wifi),
            ("roll out firmware 1.1.0 in waves, one door in use", Stage::better_firmware),
            ("roll out a bad image: it goes back, the rollout holds", Stage::bad_firmware),
            ("see that every node is well", Stage::look_around),
        ];
        for (title, scene) in scenes {
            let from = self.fleet.now;
            let outcome =
                scene(self).map_err(|cause| RehearsalError { doing: format!("trying to {title}"), cause })?;
            say(&format!("{:>6} s  {title}: {outcome}", self.fleet.now));
            self.acts.push(Act { title: title.to_owned(), from, to: self.fleet.now, outcome });
        }
        Ok(self.report())
    }

    fn report(&self) -> Report {
        let nodes = self.fleet.reports();
        let count = |f: fn(&super::NodeReport) -> bool| nodes.iter().filter(|n| f(n)).count() as u32;
        Report {
            seed: self.seed,
            acts: self.acts.clone(),
            relay_pulses_during_updates: self.fleet.pulses_during_updates,
            presses_held_off: self.fleet.presses_held_off,
            presses_let_through: self.fleet.presses_let_through,
            nodes_lost: self.fleet.lost().len() as u32,
            nodes_kept: count(|n| n.kept > 0),
            nodes_went_back: count(|n| n.went_back > 0),
            nodes_waited: count(|n| !n.waited_for.is_empty()),
            rehearsed_seconds: self.fleet.now,
            check_ins: self.fleet.check_ins,
            nodes,
        }
    }

    /// Nodes make their keys and claim; the CLI checks each claim and admits it.
    fn commission(&mut self) -> Result<String, String> {
        self.until(300, "the claims", |s| Ok(s.client.claims().map_err(text)?.len() == PLACES.len()))?;
        for place in &PLACES {
            admit(&self.yard, &self.unlocked, &self.client, place.name).map_err(text)?;
        }
        self.reopen()?;
        self.until(300, "the first check-ins", |s| {
            Ok(s.client.nodes().map_err(text)?.iter().all(|n| n.last_seen.is_some()))
        })?;
        Ok(format!("{} claims checked and admitted", PLACES.len()))
    }

    fn reopen(&mut self) -> Result<(), String> {
        self.yard = Yard::open(self.yard.dir()).map_err(text)?;
        Ok(())
    }

    /// Seals and starts a rollout of bundles; all nodes if none is named.
    fn send_bundles(
        &mut self,
        title: &str,
        kind: Kind,
        nodes: &[&str],
        waves: &[&str],
        soak_seconds: u32,
    ) -> Result<RolloutView, String> {
        let (nodes, waves, care) = (owned(nodes), owned(waves), care(soak_seconds));
        let request = BundleRollout { title, kind, nodes: &nodes, waves: &waves, care };
        start_bundles(&self.yard, &self.unlocked, &self.client, &request, &mut self.rng, &mut |_| {})
            .map_err(text)
    }

    /// Signs and starts a rollout of images.
    fn send_images(&self, title: &str, images: &[&str], waves: &[&str]) -> Result<RolloutView, String> {
        let (images, waves) = (owned(images), owned(waves));
        let request =
            ImageRollout { title, images: &images, waves: &waves, care: care(SOAK), rehearsal: true };
        start_images(&self.yard, &self.unlocked, &self.client, &request, &mut |_| {}).map_err(text)
    }

    /// Lets time go on until a rollout is done.
    fn carry_out(&mut self, rollout: &RolloutView, seconds: u64) -> Result<(), String> {
        let id = rollout.id;
        self.until(seconds, "the end of the rollout", |s| {
            s.fleet.press_during_trials();
            let view = s.client.rollout(id).map_err(text)?;
            is_done(&view)
        })
    }

    fn configure(&mut self) -> Result<String, String> {
        let rollout = self.send_bundles("First configuration", Kind::Bundle, &[], &["rest"], 60)?;
        self.carry_out(&rollout, 3600)?;
        Ok("8 bundles checked, sealed and kept".to_owned())
    }

    /// Both networks on the air; one hatch does not hear the new one at first.
    fn move_wifi(&mut self) -> Result<String, String> {
        let far = "duck-hatch";
        let mut point = AccessPoint::new(NEW.1, NEW.2);
        point.deaf_places.push(far.to_owned());
        self.fleet.air.points.push(point);

        let names: Vec<_> = PLACES.iter().map(|p| p.name).collect();
        larkfield::write_networks(&self.yard, Some(&Change { nodes: &names, after_loss_minutes: None }))?;
        self.reopen()?;
        let near: Vec<_> = names.iter().copied().filter(|n| *n != far).collect();
        let first = near[..2].join(",");
        let title = "Wi-Fi: larkfield to larkfield-meadow";
        let rollout = self.send_bundles(title, Kind::Wifi, &near, &[&first, "rest"], 300)?;
        self.carry_out(&rollout, 7200)?;

        // The far one fails, says why, and stays where it was.
        let rollout = self.send_bundles("Wi-Fi: duck house hatch", Kind::Wifi, &[far], &[], 60)?;
        let id = rollout.id;
        self.until(3600, "the failure of the far hatch and the hold of its rollout", |s| {
            let view = s.client.rollout(id).map_err(text)?;
            let went_back = |t: &TargetView| t.progress == Progress::WentBack;
            let targets = view.waves.iter().flat_map(|w| &w.targets).all(went_back);
            Ok(targets && view.state == RolloutState::Held)
        })?;

        // A second access point closes the gap; the bundle is sealed anew, with a new number.
        if let Some(point) = self.fleet.air.points.iter_mut().find(|p| p.ssid == NEW.1.as_bytes()) {
            point.deaf_places.clear();
        }
        // The held rollout still has the node: it is turned back, since nothing of it was kept.
        self.client.act(id, Action::TurnBack, None).map_err(text)?;
        let rollout = self.send_bundles("Wi-Fi: duck house hatch again", Kind::Wifi, &[far], &[], 60)?;
        self.carry_out(&rollout, 3600)?;
        Ok("7 proved it at once; the duck house hatch did not hear it, stayed on the old one, and proved it \
            after an access point was added"
            .to_owned())
    }

    fn leave_old_wifi(&mut self) -> Result<String, String> {
        for point in &mut self.fleet.air.points {
            point.on = point.ssid == NEW.1.as_bytes();
        }
        for _ in 0..600 {
            self.second()?;
        }
        let lost = self.fleet.members.iter().filter(|m| m.network().as_deref() != Some(NEW.1)).count();
        match lost {
            0 => Ok("8 of 8 nodes are on the new network".to_owned()),
            n => Err(format!("{n} nodes are not on the new network")),
        }
    }

    /// Three waves. The door of one node of the second wave is in use for a while.
    fn better_firmware(&mut self) -> Result<String, String> {
        let name = |n: usize| PLACES[n].name;
        let second = [name(1), name(2), name(3)].join(",");
        let waves = [name(0), &second, "rest"];
        let rollout = self.send_images("Firmware 1.1.0", &["net-1.1.0", "io-1.1.0"], &waves)?;
        let busy = self.fleet.members.get(1 + (self.seed % 3) as usize).map(|m| m.name.clone());
        let busy = busy.ok_or("there is no second wave")?;
        let id = rollout.id;
        let mut in_use_since = None;
        let mut waited = 0;
        self.until(6 * 3600, "the end of the rollout", |s| {
            s.fleet.press_during_trials();
            let now = s.fleet.now;
            let member = s.fleet.member(&busy).ok_or("no such node")?;
            let waits = member.phase() == Some(Phase::Waiting);
            // Hens, children, wheelbarrows: the door goes up and down until ten minutes have passed.
            let second_wave = in_use_since.is_some() || member.phase() == Some(Phase::Fetching);
            if second_wave {
                let since = *in_use_since.get_or_insert(now);
                if now - since < 600
                    && (now - since).is_multiple_of(40)
                    && let Some(board) = member.board()
                {
                    board.door.used();
                }
                waited += u32::from(waits);
            }
            let view = s.client.rollout(id).map_err(text)?;
            is_done(&view)
        })?;
        if waited == 0 {
            return Err(format!("{busy} did not wait although its door was in use"));
        }
        let view = self.client.rollout(id).map_err(text)?;
        Ok(format!("8 kept, {busy} waited while its door was in use; {}", view.proves))
    }

    /// One image that is bad for a reason that real ones have; the seed says which.
    fn bad_firmware(&mut self) -> Result<String, String> {
        const BAD: [&str; 6] = [
            "net-1.2.0-mute-link",
            "io-1.2.0-wrong-position",
            "net-1.2.0-no-check-in",
            "net-1.2.0-reset-loop",
            "io-1.2.0-mute-link",
            "io-1.2.0-reset-loop",
        ];
        let name = BAD[(self.seed % BAD.len() as u64) as usize];
        self.pack(name)?;
        let waves = [&[PLACES[0].name, PLACES[1].name].join(","), "rest"];
        let rollout = self.send_images("Firmware 1.2.0", &[name], &waves)?;
        let id = rollout.id;
        self.until(3 * 3600, "the hold of the rollout", |s| {
            s.fleet.press_during_trials();
            Ok(s.client.rollout(id).map_err(text)?.state == RolloutState::Held)
        })?;
        // Those on trial finish by themselves.
        self.until(3600, "the end of the last trial", |s| {
            Ok(s.fleet.members.iter().all(|m| m.phase() == Some(Phase::Idle)))
        })?;
        let view = self.client.rollout(id).map_err(text)?;
        let waits = |t: &&TargetView| t.progress == Progress::WaitingForItsTurn;
        let untouched = view.waves.iter().flat_map(|w| &w.targets).filter(waits).count();
        let why = view.held_because.unwrap_or_default();
        Ok(format!("{name}: {why}; {untouched} nodes were never offered it"))
    }

    fn look_around(&mut self) -> Result<String, String> {
        for _ in 0..300 {
            self.second()?;
        }
        let check = self.client.check_journal().map_err(text)?;
        if let Some(bad) = check.bad {
            return Err(format!("the journal is broken at entry {bad:?}"));
        }
        let lost = self.fleet.lost();
        if !lost.is_empty() {
            return Err(format!("not heard of: {}", lost.join(", ")));
        }
        if self.fleet.pulses_during_updates != 0 {
            return Err(format!("{} relay pulses during updates", self.fleet.pulses_during_updates));
        }
        Ok(format!("all heard of; the journal's {} entries hang together", check.good))
    }
}

//! The updates that are put to the test, and what must hold in every second of every one.

use crate::agent::tests::{bundle, ended, image, packed, sealed};
use crate::author::KeysManifest;
use crate::bundle::{Bundle, WifiChange};
use crate::checkin::Ending;
use crate::cose::SigningKey;
use crate::id::{Chip, Digest, PublicKey};
use crate::image::Quirk;
use crate::interlock::bundle_touches;
use crate::reason::Reason;
use crate::sim::rig::{Rig, VENDOR};
use crate::sim::{AccessPoint, Door};
use crate::slots::{BootRecord, Part};
use crate::suit::TrustAnchors;
use std::cell::Cell;
use std::collections::HashSet;
use std::vec::Vec;

/// Bytes in an image: two sectors, the second one not full, and not a whole number of words.
const IMAGE: usize = 5003;
/// Virtual seconds that an update may take, with everything that befalls it.
pub(super) const PATIENCE: u32 = 2000;

/// An update that is about to be offered.
pub(super) struct Scenario {
    pub(super) name: &'static str,
    /// The node, with power just back, and the offer on the server.
    pub(super) rig: Rig,
    /// The envelope with which it ends.
    pub(super) last: Digest,
    /// How it ends if nothing gets in the way.
    pub(super) end: (Ending, u16),
    /// Whether it touches actuation, so that the relay has to be off in its trial.
    pub(super) actuation: bool,
}

fn small(chip: Chip, minor: u16, quirk: Quirk) -> Vec<u8> {
    let mut bytes = image(chip, minor, (1, 2), quirk);
    bytes.truncate(IMAGE);
    bytes
}

/// A bundle whose trials are as short as a node takes.
fn quick(networks: &[&str]) -> Bundle {
    let mut b = bundle(networks);
    b.policy.rest_seconds = 10;
    b.policy.trial_seconds = 30;
    b
}

/// A new board with its card in.
pub(super) fn fresh() -> Rig {
    let (net, io) = (small(Chip::Net, 0, Quirk::None), small(Chip::Io, 0, Quirk::None));
    let network = quick(&["larkfield"]).networks[0].clone();
    Rig::new(&net, &io, Door::at_rest(false), network)
}

fn commissioned() -> Rig {
    let first = quick(&["larkfield"]);
    let mut rig = fresh();
    assert!(rig.until(120, |r| r.server.seen.is_some()).unwrap(), "no check-in");
    let envelope = sealed(&rig, &first, 1);
    let digest = rig.offer(envelope, None);
    assert!(rig.until(900, |r| ended(r, digest) == Some((Ending::Kept, 0))).unwrap(), "not commissioned");
    rig
}

const KEPT: (Ending, u16) = (Ending::Kept, 0);

impl Scenario {
    fn new(name: &'static str, mut rig: Rig, last: Digest, end: (Ending, u16)) -> Self {
        Self { name, rig: rig.fork(), last, end, actuation: true }
    }

    fn image(name: &'static str, chip: Chip, quirk: Quirk, end: (Ending, u16)) -> Self {
        let mut rig = commissioned();
        let bytes = small(chip, 1, quirk);
        let envelope = packed(&rig, chip, &bytes, 1);
        let last = rig.offer(envelope, Some(&bytes));
        Self::new(name, rig, last, end)
    }

    pub(super) fn net_image() -> Self {
        Self::image("net image", Chip::Net, Quirk::None, KEPT)
    }

    pub(super) fn io_image() -> Self {
        Self::image("io image", Chip::Io, Quirk::None, KEPT)
    }

    /// A net image that cannot reach the server, and so goes back.
    pub(super) fn bad_net_image() -> Self {
        let end = (Ending::WentBack, Reason::NoCheckIn.code());
        Self::image("net image that goes back", Chip::Net, Quirk::NoCheckIn, end)
    }

    /// A net image that starts again and again, and is given up at a start.
    pub(super) fn resetting_net_image() -> Self {
        let end = (Ending::WentBack, Reason::Resets.code());
        Self::image("net image that resets", Chip::Net, Quirk::ResetLoop, end)
    }

    /// A net image that dies before its node starts, on a board whose boot loader counts.
    pub(super) fn dying_net_image() -> Self {
        let end = (Ending::WentBack, Reason::Resets.code());
        let mut scenario = Self::image("net image that dies at once", Chip::Net, Quirk::None, end);
        let board = scenario.rig.board();
        board.dies = Some(Digest::of(&small(Chip::Net, 1, Quirk::None)));
        board.loader_counts = true;
        scenario
    }

    /// An io image that says nothing on the link, and so goes back.
    pub(super) fn bad_io_image() -> Self {
        let end = (Ending::WentBack, Reason::NoHandshake.code());
        Self::image("io image that goes back", Chip::Io, Quirk::MuteLink, end)
    }

    pub(super) fn both_chips() -> Self {
        let mut rig = commissioned();
        let (io, net) = (small(Chip::Io, 1, Quirk::None), small(Chip::Net, 1, Quirk::None));
        let envelope = packed(&rig, Chip::Io, &io, 1);
        rig.offer(envelope, Some(&io));
        let envelope = packed(&rig, Chip::Net, &net, 2);
        let last = rig.server.offer_then(envelope, Some(&net));
        Self::new("both chips", rig, last, KEPT)
    }

    /// An older image with a newer number, after the newer image was kept.
    pub(super) fn way_back() -> Self {
        let Self { mut rig, last, .. } = Self::net_image();
        assert!(rig.until(PATIENCE, |r| ended(r, last) == Some(KEPT)).unwrap(), "no newer image");
        let bytes = small(Chip::Net, 0, Quirk::None);
        let envelope = packed(&rig, Chip::Net, &bytes, 2);
        let last = rig.offer(envelope, Some(&bytes));
        Self::new("way back", rig, last, KEPT)
    }

    pub(super) fn bundle() -> Self {
        let mut rig = commissioned();
        let mut b = quick(&["larkfield"]);
        b.alarms.left_open_minutes = Some(20);
        let envelope = sealed(&rig, &b, 2);
        let last = rig.offer(envelope, None);
        Self::new("bundle", rig, last, KEPT)
    }

    pub(super) fn wifi_candidate() -> Self {
        let mut rig = commissioned();
        rig.air.points.push(AccessPoint::new("larkfield-2", "published test phrase"));
        let mut b = quick(&["larkfield", "larkfield-2"]);
        b.wifi_change = Some(WifiChange { candidate: 1, after_loss_minutes: None });
        let envelope = sealed(&rig, &b, 2);
        let last = rig.offer(envelope, None);
        Self { actuation: false, ..Self::new("Wi-Fi candidate", rig, last, KEPT) }
    }

    pub(super) fn trust_anchors() -> Self {
        let mut rig = commissioned();
        let mut anchors = rig.yard.anchors();
        let another = SigningKey::from_bytes(&[22; 32]).verifying_key().to_bytes();
        anchors.image.push(PublicKey(another)).unwrap();
        let m = KeysManifest { vendor: VENDOR, sequence: 1, reference_uri: "keys" };
        let envelope = m.envelope(&anchors, &rig.yard.root).unwrap();
        let last = rig.offer(envelope, None);
        Self { actuation: false, ..Self::new("trust anchors", rig, last, KEPT) }
    }
}

/// What a node may run and go by while an update happens to it: whatever it does when nothing
/// gets in the way.
#[derive(Default)]
pub(super) struct Allowed {
    pairs: HashSet<(Digest, Digest)>,
    bundles: HashSet<Option<Digest>>,
    anchors: Vec<TrustAnchors>,
    /// The bundle before the update, if there was one.
    before: Option<Bundle>,
    /// What came of the presses.
    pub(super) presses: Presses,
}

/// Presses on the push button at the door, one in every second.
#[derive(Default)]
pub(super) struct Presses {
    /// While something that touches actuation was on trial: they must not move the relay.
    pub(super) in_trial: Cell<u64>,
    /// Those to which the relay would have answered, at other times.
    pub(super) answered: Cell<u64>,
}

impl Presses {
    fn count(of: &Cell<u64>) {
        of.set(of.get() + 1);
    }
}

/// What may only go up.
#[derive(Clone, Copy, Default)]
struct Numbers {
    sequences: [u64; 3],
    counters: u64,
}

impl Numbers {
    fn of(record: &BootRecord) -> Self {
        Self { sequences: record.sequences, counters: record.counter_ceiling }
    }

    fn raise(&mut self, now: Self, what: &str) {
        let whole = now.sequences.iter().zip(self.sequences).all(|(now, then)| *now >= then);
        assert!(whole && now.counters >= self.counters, "{what}: a number was lowered");
        *self = now;
    }
}

impl Allowed {
    /// Looks at a node in an update that nothing gets in the way of.
    pub(super) fn learn(&mut self, rig: &Rig) {
        let Some(node) = &rig.node else { return };
        let record = node.agent().record();
        if self.bundles.is_empty() {
            self.before = node.agent().bundle().cloned();
        }
        self.pairs.insert((record.net.current().unwrap().digest, record.io.current().unwrap().digest));
        self.bundles.insert(record.conf.current().map(|c| c.digest));
        if !self.anchors.contains(node.agent().anchors()) {
            self.anchors.push(node.agent().anchors().clone());
        }
    }

    /// Watches over one node, whose numbers are at least those of `record`.
    pub(super) fn watch(&self, record: &BootRecord) -> Watch<'_> {
        Watch { allowed: self, numbers: Numbers::of(record) }
    }
}

/// Looks at a node in every second of an update that something gets in the way of.
#[derive(Clone)]
pub(super) struct Watch<'a> {
    allowed: &'a Allowed,
    numbers: Numbers,
}

impl Watch<'_> {
    /// Somebody presses. Where the relay may answer only a copy is asked, so that the update is left as it is.
    fn press(&self, rig: &mut Rig) {
        let trial = match &rig.node {
            Some(node) => node.agent().record().trial,
            // The net chip starts just now, with the trial that it saved.
            None => rig.high.trial,
        };
        let off = trial.is_some_and(|trial| match (trial.change.part, &rig.node) {
            (Part::Net | Part::Io, _) => true,
            (Part::Conf, Some(node)) => {
                let now = node.agent().bundle();
                now.is_some_and(|now| bundle_touches(self.allowed.before.as_ref(), now).actuation)
            }
            (Part::Conf | Part::Keys, _) => false,
        });
        let (presses, board) = (&self.allowed.presses, rig.board());
        if off {
            Presses::count(&presses.in_trial);
            board.io.press(&mut board.door);
        } else if board.io.would_pulse() {
            Presses::count(&presses.answered);
        }
    }

    pub(super) fn look(&mut self, rig: &mut Rig, what: &str) {
        self.press(rig);
        assert_eq!(rig.board().io.relay_pulses(), 0, "{what}: the relay pulsed");
        let runs = rig.board().io.note().map(|n| (n.link, n.profile));
        let Some(node) = &rig.node else { return };
        let agent = node.agent();
        let record = agent.record();
        self.numbers.raise(Numbers::of(record), what);
        let bundle = record.conf.current().map(|c| c.digest);
        assert_eq!(agent.bundle().is_some(), bundle.is_some(), "{what}: no valid bundle");
        let (net, io) = (record.net.current().unwrap(), record.io.current().unwrap());
        let agree = |other| crate::link::agree((net.link, net.profile), other).is_some();
        assert!(agree((io.link, io.profile)), "{what}: a pair that does not understand each other");
        assert!(runs.is_none_or(agree), "{what}: the io chip runs what the net chip does not understand");
        assert!(self.allowed.pairs.contains(&(net.digest, io.digest)), "{what}: another pair");
        assert!(self.allowed.bundles.contains(&bundle), "{what}: another bundle");
        assert!(self.allowed.anchors.contains(agent.anchors()), "{what}: other anchors");
    }
}

/// Whether everything about an update is over: it was reported, nothing is on trial, and the io
/// chip runs what the record says.
pub(super) fn settled(rig: &Rig, last: Digest) -> Option<(Ending, u16)> {
    let end = ended(rig, last)?;
    let node = rig.node.as_ref()?;
    let record = node.agent().record();
    let want = record.io.current()?.digest;
    let right = node.sense().hello.is_some_and(|h| h.runs(&want));
    (right && record.trial.is_none() && record.staged.is_none()).then_some(end)
}

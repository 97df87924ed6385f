//! Eight virtual boards with the real node core on each, and a clock that is moved by hand.

use super::report::{NodeReport, PhaseReport};
use super::wire::Wire;
use pintle_protocol::agent::{BootFault, Node};
use pintle_protocol::board::Event;
use pintle_protocol::checkin::{Ending, Outcome, Phase};
use pintle_protocol::id::NodeId;
use pintle_protocol::interlock::Holds;
use pintle_protocol::reason::Reason;
use pintle_protocol::sim::{Air, OwnedRequest, Pending, VirtualBoard};

/// Seconds without an answered check-in after which a node counts as lost.
const LOST_AFTER: u64 = 1200;

/// A node, with or without power.
pub(super) struct Member {
    pub(super) name: String,
    node: Option<Node<VirtualBoard>>,
    dark: Option<VirtualBoard>,
    started_at: u64,
    heard_at: u64,
    last: (Phase, Option<Outcome>, u32),
    first_images: Option<(String, String)>,
    pulses_seen: u32,
    /// The button was pressed in the trial that goes on.
    pressed: bool,
    report: NodeReport,
}

/// All of them, in the order of their names.
pub(super) struct Fleet {
    pub(super) members: Vec<Member>,
    pub(super) air: Air,
    pub(super) now: u64,
    pub(super) check_ins: u64,
    pub(super) pulses_during_updates: u32,
    pub(super) presses_held_off: u32,
    pub(super) presses_let_through: u32,
    wire: Wire,
}

impl Fleet {
    pub(super) fn new(air: Air, wire: Wire) -> Self {
        Self {
            members: Vec::new(),
            air,
            now: 0,
            check_ins: 0,
            pulses_during_updates: 0,
            presses_held_off: 0,
            presses_let_through: 0,
            wire,
        }
    }

    /// Screws a board to the wall.
    pub(super) fn add(&mut self, name: &str, id: NodeId, board: VirtualBoard) {
        let report = NodeReport {
            name: name.to_owned(),
            id: id.to_string(),
            net_before: String::new(),
            net_after: String::new(),
            io_before: String::new(),
            io_after: String::new(),
            network: String::new(),
            phases: Vec::new(),
            waited_for: Vec::new(),
            kept: 0,
            went_back: 0,
            refused: 0,
            relay_pulses: 0,
        };
        self.members.push(Member {
            name: name.to_owned(),
            node: None,
            dark: Some(board),
            started_at: self.now,
            heard_at: self.now,
            last: (Phase::Idle, None, 0),
            first_images: None,
            pulses_seen: 0,
            pressed: false,
            report,
        });
    }

    /// Time goes on by one second for every node.
    pub(super) fn second(&mut self) -> Result<(), String> {
        self.now += 1;
        for member in &mut self.members {
            let answered = member.second(self.now, &self.air, &self.wire)?;
            if answered {
                self.check_ins += 1;
            }
            self.pulses_during_updates += member.note(self.now);
        }
        Ok(())
    }

    pub(super) fn member(&mut self, name: &str) -> Option<&mut Member> {
        self.members.iter_mut().find(|m| m.name == name)
    }

    /// Somebody presses the controller's button of every node that has something on trial. If that touches
    /// the door, they press again and again, and the relay must stay off; otherwise once: the door is used
    /// as on any other day.
    pub(super) fn press_during_trials(&mut self) {
        for member in &mut self.members {
            let Some(node) = &mut member.node else { continue };
            let on_trial = node.agent().phase() == Phase::Trial;
            let door = node.agent().door_is_on_trial();
            if on_trial && (door || !member.pressed) {
                let board = &mut node.board;
                match board.io.press(&mut board.door) {
                    true => self.presses_let_through += u32::from(!door),
                    false => self.presses_held_off += u32::from(door),
                }
            }
            member.pressed = on_trial;
        }
    }

    pub(super) fn lost(&self) -> Vec<String> {
        let lost = |m: &&Member| self.now.saturating_sub(m.heard_at) >= LOST_AFTER;
        self.members.iter().filter(lost).map(|m| m.name.clone()).collect()
    }

    pub(super) fn reports(&self) -> Vec<NodeReport> {
        self.members.iter().map(Member::finished).collect()
    }
}

impl Member {
    /// The board, with or without power.
    pub(super) fn board(&mut self) -> Option<&mut VirtualBoard> {
        self.node.as_mut().map(|n| &mut n.board).or(self.dark.as_mut())
    }

    pub(super) fn phase(&self) -> Option<Phase> {
        self.node.as_ref().map(|n| n.agent().phase())
    }

    pub(super) fn network(&self) -> Option<String> {
        let ssid = self.node.as_ref()?.board.network()?;
        Some(String::from_utf8_lossy(ssid).into_owned())
    }

    /// One second. Whether a check-in was answered.
    fn second(&mut self, now: u64, air: &Air, wire: &Wire) -> Result<bool, String> {
        let mut node = match self.node.take() {
            Some(node) => node,
            None => {
                let Some(board) = self.dark.take() else {
                    return Err(format!("{} has no board", self.name));
                };
                self.started_at = now;
                board.start().map_err(|(fault, _)| self.boot_text(&fault))?
            }
        };
        let at = (now - self.started_at) * 1000;
        node.board.second(air);
        let mut answered = false;
        let outcome = match node.board.take_pending() {
            None => node.poll(at, Event::Nothing),
            Some(Pending::Request { base, request }) => match wire.send(&base, &request) {
                None => node.poll(at, Event::NoResponse),
                Some((status, body)) => {
                    if matches!(request, OwnedRequest::CheckIn(_)) && status == 200 {
                        answered = true;
                        self.heard_at = now;
                    }
                    node.poll(at, Event::Response { status, body: &body })
                }
            },
            Some(other) => node.poll(at, other.event()),
        };
        match outcome {
            Ok(()) if !node.board.wants_restart() => self.node = Some(node),
            Ok(()) => {
                node.board.reset();
                self.dark = Some(node.board);
            }
            Err(_) => {
                node.board.power_cycle();
                self.dark = Some(node.board);
            }
        }
        Ok(answered)
    }

    fn boot_text(&self, fault: &BootFault) -> String {
        format!("{} does not start: {fault:?}", self.name)
    }

    /// Writes down what has changed. Pulses given while something was on trial that touches the door.
    fn note(&mut self, now: u64) -> u32 {
        let Some(node) = &self.node else { return 0 };
        let agent = node.agent();
        let record = agent.record();
        let holds = agent.holds().bits();
        let (phase, outcome, held) = (agent.phase(), record.outcome, holds);
        let describe = |pair: &pintle_protocol::slots::Pair<pintle_protocol::slots::SlotImage>| {
            pair.current().map_or_else(|| "none".to_owned(), |i| i.version.to_string())
        };
        let images = (describe(&record.net), describe(&record.io));
        let r = &mut self.report;
        if self.first_images.is_none() {
            self.first_images = Some(images.clone());
            (r.net_before, r.io_before) = images.clone();
        }
        (r.net_after, r.io_after) = images;
        if phase != self.last.0 {
            r.phases.push(PhaseReport { at: now, what: phase_word(phase).to_owned() });
        }
        if phase == Phase::Waiting && held != 0 && held != self.last.2 {
            for hold in Holds::from_bits(held).iter() {
                let sentence = hold.sentence().to_owned();
                if !r.waited_for.contains(&sentence) {
                    r.waited_for.push(sentence);
                }
            }
        }
        if outcome != self.last.1
            && let Some(o) = outcome
        {
            let why = Reason::from_code(o.reason).map(Reason::sentence);
            let (count, what) = match o.ending {
                Ending::Kept => (&mut r.kept, "kept"),
                Ending::WentBack => (&mut r.went_back, "went back"),
                Ending::Refused => (&mut r.refused, "refused"),
            };
            *count += 1;
            let what = why.map_or_else(|| what.to_owned(), |why| format!("{what}: {why}"));
            r.phases.push(PhaseReport { at: now, what });
        }
        self.last = (phase, outcome, held);
        let pulses = node.board.io.relay_pulses();
        let new = pulses - self.pulses_seen;
        self.pulses_seen = pulses;
        r.relay_pulses = pulses;
        if agent.door_is_on_trial() || node.programs_io() { new } else { 0 }
    }

    fn finished(&self) -> NodeReport {
        let mut report = self.report.clone();
        report.network = self.network().unwrap_or_default();
        report
    }
}

const fn phase_word(phase: Phase) -> &'static str {
    match phase {
        Phase::Idle => "up to date",
        Phase::Fetching => "fetching",
        Phase::Waiting => "waiting for the door",
        Phase::Trial => "on trial",
    }
}

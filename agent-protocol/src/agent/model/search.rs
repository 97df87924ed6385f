//! The search itself: breadth first, over every event and every fault in every state. What is never met is
//! not searched, and what would be too much ends the test.

use super::lies::Lie;
use super::node::{Fault, State};
use super::rules::Broken;
use super::setup::Setup;
use super::sketch::Sketch;
use super::world::{Closing, Event, LONG, Net, TICK};
use crate::tell::tell;
use std::collections::{HashMap, VecDeque};
use std::format;
use std::string::String;
use std::vec::Vec;

type Move = (Event, Fault);

/// In milliseconds.
const DAY: u64 = 86_400_000;

/// What may happen in a search.
#[derive(Clone, Copy)]
pub(super) struct May {
    pub(super) events: &'static [Event],
    /// Power may go, the net chip may start again, and a save may fail, after any action.
    pub(super) faults: bool,
    /// How many disturbances in all, faults among them.
    pub(super) disturbances: u8,
}

/// What a search found.
pub(super) struct Found {
    /// The shortest way to something that must not be.
    pub(super) broken: Option<(Broken, Vec<Move>)>,
    /// How changes ended, in states in which nothing waits.
    pub(super) endings: Vec<(usize, crate::checkin::Ending, u16)>,
}

/// A state met: where it was first come from, and where it goes if all goes well.
struct Met {
    from: Option<(usize, Move)>,
    fair: Option<(Event, usize)>,
    settled: bool,
}

/// Searches everything that can be reached. Says how much that was.
pub(super) fn search(name: &str, setup: &Setup, may: May, lie: Lie) -> Found {
    let start = State::new(setup, lie, may.disturbances);
    let mut known = HashMap::from([(Sketch::of(&start, setup), 0)]);
    let mut met = vec![Met { from: None, fair: None, settled: settled(&start, setup) }];
    let mut queue = VecDeque::from([(0, start)]);
    let (mut transitions, mut endings) = (0, Vec::new());
    let mut broken = None;
    'all: while let Some((at, state)) = queue.pop_front() {
        if let Some(o) = state.agent.record().outcome
            && met[at].settled
            && let Some((n, _)) = setup.change(o.envelope)
            && !endings.contains(&(n, o.ending, o.reason))
        {
            endings.push((n, o.ending, o.reason));
        }
        assert!(met.len() < 400_000, "{name}: more states than a test can look at");
        let mut visit = |to: State, by: Move| {
            transitions += 1;
            let sketch = Sketch::of(&to, setup);
            *known.entry(sketch).or_insert_with(|| {
                met.push(Met { from: Some((at, by)), fair: None, settled: settled(&to, setup) });
                queue.push_back((met.len() - 1, to));
                met.len() - 1
            })
        };
        let mut gone = Vec::new();
        for event in may.events {
            let Some(world) = state.can(setup, *event) else { continue };
            let mut faults = vec![Fault::None];
            while let Some(fault) = faults.pop() {
                let mut next = state.clone();
                match next.go(setup, *event, world, fault) {
                    Err(rule) => {
                        broken = Some((rule, at, Some((*event, fault))));
                        break 'all;
                    }
                    Ok(actions) => {
                        if fault == Fault::None && may.faults && next.left > 0 && event.takes() <= TICK {
                            faults.extend((0..=actions).map(Fault::Power));
                            faults.extend((0..=actions).map(Fault::NetReset));
                            faults.extend((0..actions).map(Fault::NoSave));
                        }
                        let to = visit(next, (*event, fault));
                        if fault == Fault::None {
                            gone.push((*event, to));
                        }
                    }
                }
            }
        }
        // If all goes well from here on.
        for event in fair_events(&state, setup) {
            let known = gone.iter().find(|(e, _)| *e == event).map(|(_, to)| *to);
            let to = known.or_else(|| {
                let mut next = state.clone();
                next.go(setup, event, state.can(setup, event)?, Fault::None).ok()?;
                Some(visit(next, (event, Fault::None)))
            });
            if let Some(to) = to.filter(|to| *to != at) {
                met[at].fair = Some((event, to));
                break;
            }
        }
    }
    let broken = broken.or_else(|| stuck(&met, setup, lie, may).map(|at| (Broken::Stuck, at, None)));
    let round = |rule, at| if rule == Broken::Stuck { fair_way(&met, at) } else { Vec::new() };
    let found = Found {
        endings,
        broken: broken.map(|(rule, at, last)| {
            (rule, way(&met, at).into_iter().chain(last).chain(round(rule, at)).collect())
        }),
    };
    tell(format_args!("model: {name}: {} states, {transitions} transitions", met.len()));
    found
}

/// What happens if all goes well: what is broken is mended, what hangs is carried through, and time
/// passes. Where one changes nothing, the next is taken.
fn fair_events(s: &State, setup: &Setup) -> [Event; 3] {
    let consent = setup.bundle.as_ref().is_some_and(|b| b.policy.consent);
    let asked = consent && s.saved.staged.is_some() && s.agent.taking.subject().is_none();
    let first = match s.world.closing {
        _ if s.world.net != Net::Up => Event::Net(Net::Up),
        _ if !s.world.wire => Event::Wire(true),
        _ if s.world.blind => Event::Blind(false),
        Closing::Pending => Event::Warn,
        Closing::Warning => Event::WarnEnds,
        Closing::No if asked && s.agent.consent_at.is_none_or(|t| s.now - t > LONG / 2) => Event::Consent,
        Closing::No if s.pending.is_some() => Event::Second,
        Closing::No => Event::Tick,
    };
    [first, Event::Tick, Event::Long]
}

/// Nothing waits: the change has ended, the io chip runs what it should, and the button works. Without
/// a bundle it cannot: then the relay stays off.
fn settled(s: &State, setup: &Setup) -> bool {
    let record = s.agent.record();
    let over = record.staged.is_none() && record.trial.is_none() && s.agent.taking.subject().is_none();
    let offered = setup.changes[usize::from(s.world.offered)].offer.envelope;
    let works = !s.world.inhibited && s.world.settings == Setup::sum(s.agent.bundle());
    let right =
        s.world.io == s.wanted() && if s.agent.bundle().is_some() { works } else { s.world.inhibited };
    over && right && record.outcome.is_some_and(|o| o.envelope == offered)
}

/// A state from which, if all goes well, nothing settled is reached.
///
/// Where the states met go round in a circle, one of them is tried out in truth: a long pause between
/// two tries looks like a circle.
fn stuck(met: &[Met], setup: &Setup, lie: Lie, may: May) -> Option<usize> {
    let mut ends: Vec<Option<bool>> = met.iter().map(|m| m.settled.then_some(true)).collect();
    for start in 0..met.len() {
        let (mut at, mut path) = (start, Vec::new());
        while ends[at].is_none() && !path.contains(&at) {
            path.push(at);
            match met[at].fair {
                Some((_, next)) => at = next,
                None => break,
            }
        }
        let end = ends[at].unwrap_or_else(|| settles(&replay(setup, lie, may, &way(met, at)), setup));
        path.iter().for_each(|n| ends[*n] = Some(end));
    }
    ends.iter().position(|e| *e == Some(false))
}

/// Whether a node settles if all goes well for a day.
fn settles(from: &State, setup: &Setup) -> bool {
    let (mut state, mut waited) = (from.clone(), 0);
    while waited < DAY && !settled(&state, setup) {
        let [first, _, long] = fair_events(&state, setup);
        // Whoever waits for long is not looked at every half minute.
        let event = if waited > 2 * LONG && first == Event::Tick { long } else { first };
        let Some(world) = state.can(setup, event) else { return false };
        if state.go(setup, event, world, Fault::None).is_err() {
            return false;
        }
        waited += event.takes();
    }
    settled(&state, setup)
}

/// The state after these moves.
fn replay(setup: &Setup, lie: Lie, may: May, moves: &[Move]) -> State {
    let mut state = State::new(setup, lie, may.disturbances);
    for (event, fault) in moves {
        let went = state.can(setup, *event).map(|world| state.go(setup, *event, world, *fault));
        assert!(matches!(went, Some(Ok(_))), "the same moves lead elsewhere");
    }
    state
}

/// The moves by which a state was first reached.
fn way(met: &[Met], mut at: usize) -> Vec<Move> {
    let mut moves = Vec::new();
    while let Some((from, by)) = met[at].from {
        moves.push(by);
        at = from;
    }
    moves.reverse();
    moves
}

/// The moves from a state on if all goes well, until one is met again.
fn fair_way(met: &[Met], mut at: usize) -> Vec<Move> {
    let (mut moves, mut seen) = (Vec::new(), Vec::new());
    while let Some((event, next)) = met[at].fair
        && !seen.contains(&at)
    {
        seen.push(at);
        moves.push((event, Fault::None));
        at = next;
    }
    moves
}

/// A way, move by move, with what the node is at after each.
pub(super) fn tale(setup: &Setup, lie: Lie, moves: &[Move]) -> String {
    let mut state = State::new(setup, lie, u8::MAX);
    let mut tale = String::new();
    for (event, fault) in moves {
        let Some(world) = state.can(setup, *event) else { break };
        let end = state.go(setup, *event, world, *fault);
        let (record, w) = (state.agent.record(), &state.world);
        let node = (state.agent.phase(), record.trial.map(|t| t.change.part), state.agent.holds().bits());
        tale += &format!("{event:?} {fault:?}: {node:?} {w:?} {:?}\n", end.err());
    }
    tale
}

//! How many lines one node may cause, as a pure function: the journal is kept for ever, and what a node says
//! of itself, or whoever knows its code digest says in its name, costs nobody anything.

use crate::contract::Seconds;

/// Lines of one kind about one node, in one rollout or none, in an hour that begins with the first of them.
/// Common practice, no source: more than anybody reads, and two rollouts of the longest kind stay below it.
pub const MOST_LINES: u32 = 10;
/// Seconds after the first line for which those after it are counted with it.
const SPAN: Seconds = 3600;

/// Kinds of lines that a node can cause again and again, each without anybody's doing. All others need a
/// person, or a step that is walked once.
pub const REPEATABLE: [&str; 4] = ["claimed", "not_sent", "offered", "changed_by_hand"];

/// What was written already.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Used {
    /// When the first line of it was written.
    pub since: Seconds,
    /// Lines since then.
    pub lines: u32,
}

/// Whether there is room for one more line.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Room {
    /// There is.
    Free,
    /// For this one, which has to say that it is the last.
    Last,
    /// There is none.
    None,
}

/// Takes the place of one more line, if there is any.
pub fn take(used: Option<Used>, now: Seconds) -> (Used, Room) {
    let running = used.filter(|used| (used.since..used.since.saturating_add(SPAN)).contains(&now));
    let used = running.unwrap_or(Used { since: now, lines: 0 });
    if used.lines >= MOST_LINES {
        return (used, Room::None);
    }
    let room = if used.lines + 1 == MOST_LINES { Room::Last } else { Room::Free };
    (Used { lines: used.lines + 1, ..used }, room)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn ten_fit_in_an_hour_and_the_tenth_is_the_last() {
        let mut used = None;
        let mut ask = |now| {
            let (after, room) = take(used, now);
            used = Some(after);
            room
        };
        for n in 0..9 {
            assert_eq!(ask(1000 + n), Room::Free);
        }
        assert_eq!(ask(1009), Room::Last);
        assert_eq!((ask(1009), ask(1000 + SPAN - 1)), (Room::None, Room::None));
        // A new hour; also if the time should ever go back.
        assert_eq!((ask(1000 + SPAN), ask(5)), (Room::Free, Room::Free));
    }
}

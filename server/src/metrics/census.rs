//! How many nodes stand where: counted when somebody asks, in pieces, and kept for a while.

use crate::app::App;
use crate::config::Intervals;
use crate::contract::{Seconds, Status};
use crate::store::census::{Counted, walk};
use crate::store::{StoreFault, server};
use crate::words::phase_words;
use pintle_protocol::checkin::{Ending, Phase};

/// So long counts are good for, in seconds.
pub(super) const GOOD_FOR: Seconds = 15;

/// With very many nodes, so many times as long as counting them took.
const SPARING: Seconds = 20;

/// Nodes that are counted while one reading connection is taken: some ten milliseconds.
const PIECE: u32 = 5_000;

/// What a node is called that is in service and not silent, whatever it does.
const IN_TOUCH: &str = "in touch";

/// How many there are of each word.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Tally(Vec<(&'static str, i64)>);

impl Tally {
    fn of(words: impl IntoIterator<Item = &'static str>) -> Self {
        Self(words.into_iter().map(|word| (word, 0)).collect())
    }

    fn add(&mut self, word: &'static str) {
        match self.0.iter_mut().find(|(known, _)| *known == word) {
            Some((_, count)) => *count += 1,
            None => self.0.push((word, 1)),
        }
    }

    /// Every word with its count.
    pub(super) fn iter(&self) -> impl Iterator<Item = (&'static str, i64)> {
        self.0.iter().copied()
    }
}

/// How many nodes stand where.
#[derive(Clone, Debug, PartialEq, Eq)]
pub(super) struct Census {
    /// All of them.
    pub(super) nodes: Tally,
    /// Those in touch, by what they said they do.
    pub(super) phases: Tally,
    /// Those in touch, by how they said their last update ended.
    pub(super) endings: Tally,
}

impl Census {
    fn none() -> Self {
        let states = [Status::Expected, Status::Claimed, Status::Silent, Status::Retired];
        let phases = [Phase::Idle, Phase::Fetching, Phase::Waiting, Phase::Trial];
        let endings = [None, Some(Ending::Kept), Some(Ending::WentBack), Some(Ending::Refused)];
        Self {
            nodes: Tally::of(states.map(Status::phrase).into_iter().chain([IN_TOUCH])),
            phases: Tally::of(phases.map(phase_words)),
            endings: Tally::of(endings.map(ending_words)),
        }
    }

    /// Counts one more; `is_silent` says it of a moment at which a node was last seen.
    fn add(&mut self, node: Counted, is_silent: impl Fn(Seconds) -> bool) {
        let word = match node {
            Counted { retired: true, .. } => Status::Retired.phrase(),
            Counted { admitted: false, claimed: true, .. } => Status::Claimed.phrase(),
            Counted { admitted: false, .. } | Counted { last: None, .. } => Status::Expected.phrase(),
            Counted { last: Some((at, _, _)), .. } if is_silent(at) => Status::Silent.phrase(),
            Counted { last: Some((_, phase, ending)), .. } => {
                self.phases.add(phase_words(phase));
                self.endings.add(ending_words(ending));
                IN_TOUCH
            }
        };
        self.nodes.add(word);
    }
}

const fn ending_words(ending: Option<Ending>) -> &'static str {
    match ending {
        None => "none yet",
        Some(Ending::Kept) => Status::Kept.phrase(),
        Some(Ending::WentBack) => Status::WentBack.phrase(),
        Some(Ending::Refused) => Status::Refused.phrase(),
    }
}

/// A census, and between which two moments nodes were counted, in seconds that were counted.
#[derive(Debug)]
pub(super) struct Taken {
    begun: Seconds,
    ended: Seconds,
    census: Census,
}

impl Taken {
    const fn is_good(&self, now: Seconds) -> bool {
        let sparing = SPARING * (self.ended - self.begun);
        let good_for = if sparing > GOOD_FOR { sparing } else { GOOD_FOR };
        now - self.ended < good_for
    }
}

/// The last census if it is still good, else a new one. Whoever asks meanwhile waits for it.
pub(super) async fn of_nodes(app: &App) -> Result<Census, StoreFault> {
    let mut last = app.metrics.census.lock().await;
    let begun = app.time.counted();
    if let Some(taken) = last.as_ref().filter(|taken| taken.is_good(begun)) {
        return Ok(taken.census.clone());
    }
    let (mut census, mut place) = (Census::none(), Some(0));
    while let Some(after) = place {
        let (intervals, now) = (app.intervals, app.now());
        (census, place) = app.db.read(move |conn| piece(conn, census, after, intervals, now)).await?;
    }
    *last = Some(Taken { begun, ended: app.time.counted(), census: census.clone() });
    Ok(census)
}

fn piece(
    conn: &crate::store::Connection,
    mut census: Census,
    after: i64,
    intervals: Intervals,
    now: Seconds,
) -> Result<(Census, Option<i64>), StoreFault> {
    let listening_since = server::listening_since(conn, now)?;
    let is_silent = |seen| intervals.is_silent(seen, listening_since, now);
    let place = walk(conn, after, PIECE, |node| census.add(node, is_silent))?;
    Ok((census, place))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn each_node_is_counted_once_and_with_what_it_said_only_if_it_is_in_touch() {
        let mut census = Census::none();
        let away = Counted { retired: false, admitted: false, claimed: false, last: None };
        let said = |at| Some((at, Phase::Waiting, Some(Ending::Refused)));
        let rows = [
            (away, "expected"),
            (Counted { claimed: true, ..away }, "claimed"),
            (Counted { admitted: true, ..away }, "expected"),
            (Counted { admitted: true, last: said(5), ..away }, "silent"),
            (Counted { admitted: true, last: said(6), ..away }, "in touch"),
            (Counted { admitted: true, retired: true, ..away }, "retired"),
            (Counted { claimed: true, retired: true, ..away }, "retired"),
        ];
        for (node, word) in rows {
            let before = census.clone();
            census.add(node, |at| at < 6);
            let grown: Vec<_> = census
                .nodes
                .iter()
                .zip(before.nodes.iter())
                .filter(|(a, b)| a != b)
                .map(|(a, _)| a.0)
                .collect();
            assert_eq!(grown, [word]);
        }
        let (phases, endings): (Vec<_>, Vec<_>) =
            (census.phases.iter().collect(), census.endings.iter().collect());
        assert_eq!(phases, [("idle", 0), ("fetching", 0), ("waiting", 1), ("on trial", 0)]);
        assert_eq!(endings, [("none yet", 0), ("kept", 0), ("went back", 0), ("refused", 1)]);
        assert_eq!(census.nodes.iter().count(), 5, "no word that was not there from the start");
    }

    #[test]
    fn counts_are_good_for_a_while_and_longer_the_longer_counting_took() {
        let taken = |begun| Taken { begun, ended: 100, census: Census::none() };
        assert!(taken(100).is_good(114) && !taken(100).is_good(115));
        assert!(taken(98).is_good(139) && !taken(98).is_good(140));
    }
}

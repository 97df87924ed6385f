//! Nodes as the contract shows them.

use crate::config::Intervals;
use crate::contract::{NodeView, ReportView, RolloutState, Seconds, Status, WaveState};
use crate::rollout::{Forward, Left, Report, Stage, Way};
use crate::store::nodes::NodeRow;
use crate::store::rollouts as rows;
use crate::store::{Connection, StoreFault, clock, nodes, server};
use crate::words::{hold_sentences, reason_words};
use pintle_protocol::checkin::{CheckIn, Ending, Phase};
use std::collections::BTreeMap;

/// These nodes.
pub(crate) fn node_views(
    conn: &Connection,
    rows: Vec<NodeRow>,
    intervals: Intervals,
    now: Seconds,
) -> Result<Vec<NodeView>, StoreFault> {
    let mut views = Views::new(conn, intervals, now)?;
    rows.into_iter().map(|row| views.view(row)).collect()
}

/// One node.
pub(crate) fn node_view(
    conn: &Connection,
    row: NodeRow,
    intervals: Intervals,
    now: Seconds,
) -> Result<NodeView, StoreFault> {
    Views::new(conn, intervals, now)?.view(row)
}

struct Views<'a> {
    conn: &'a Connection,
    intervals: Intervals,
    now: Seconds,
    listening_since: Seconds,
}

impl<'a> Views<'a> {
    fn new(conn: &'a Connection, intervals: Intervals, now: Seconds) -> Result<Self, StoreFault> {
        let listening_since = server::listening_since(conn, now)?;
        Ok(Self { conn, intervals, now, listening_since })
    }

    fn view(&mut self, row: NodeRow) -> Result<NodeView, StoreFault> {
        let last_seen = row.last.as_ref().map(|(at, _)| *at);
        let silent = row.retired_at.is_none()
            && last_seen.is_some_and(|at| self.intervals.is_silent(at, self.listening_since, self.now));
        let (under_way, mut waits_for) = self.rollouts_of(&row)?;
        let left_behind = self.left_behind(&row)?;
        let claimed = nodes::has_claim(self.conn, &row.id)?;
        let status = match (&row.retired_at, &row.keys, &row.last) {
            (Some(_), _, _) => Status::Retired,
            (None, None, _) if claimed => Status::Claimed,
            (None, None, _) | (None, Some(_), None) => Status::Expected,
            (None, Some(_), Some(_)) if silent => Status::Silent,
            (None, Some(_), Some((_, check_in))) => status_of(check_in, under_way, !left_behind.is_empty()),
        };
        if row.retired_at.is_none() {
            waits_for.extend(plain_waits(&row, claimed));
        } else {
            waits_for.clear();
        }
        Ok(NodeView {
            id: row.id,
            name: row.name,
            class: row.class,
            status,
            admitted: row.keys.is_some(),
            signing_key: row.keys.map(|(signing, _)| signing),
            sealing_key: row.keys.map(|(_, sealing)| sealing),
            last_seen: clock::maybe_wall(self.conn, last_seen)?,
            silent,
            report: row.last.map(|(_, check_in)| ReportView::of(&check_in)),
            waits_for,
            left_behind,
        })
    }

    /// What rollouts that are over left undone on the node, and what it kept and runs no longer, each a sentence.
    fn left_behind(&self, row: &NodeRow) -> Result<Vec<String>, StoreFault> {
        let Some((_, check_in)) = row.last.as_ref().filter(|_| row.retired_at.is_none()) else {
            return Ok(Vec::new());
        };
        let report = Report::new(check_in, BTreeMap::new());
        let mut sentences = Vec::new();
        for number in rows::left_undone(self.conn, &row.id)? {
            let Some(mut stored) = rows::part(self.conn, number, &row.id)? else { continue };
            let part = stored.part();
            let (steps, left) = (part.target.steps.len(), part.left(&report));
            let what = match left {
                None => continue,
                Some(Left::Steps(0)) => "was over before this node had kept it".to_owned(),
                Some(Left::Steps(kept)) => {
                    format!("was over when this node had kept {kept} of {steps} steps")
                }
                Some(Left::Failed(verdict)) => {
                    format!("was over, and this node did not keep it ({})", reason_words(verdict.reason))
                }
                Some(Left::NotReturned) => {
                    "turned back, and this node was not returned to what it ran before".to_owned()
                }
            };
            sentences.push(format!("\"{}\" {what}: it runs {}", stored.title, what_runs(check_in)));
        }
        self.strayed(row, check_in, &report, &mut sentences)?;
        Ok(sentences)
    }

    /// What it kept and runs no longer, each a sentence.
    fn strayed(
        &self,
        row: &NodeRow,
        check_in: &CheckIn,
        report: &Report,
        sentences: &mut Vec<String>,
    ) -> Result<(), StoreFault> {
        let mut said = None;
        for (number, component) in rows::kept_last(self.conn, &row.id)? {
            let Some(mut stored) = rows::part(self.conn, number, &row.id)? else { continue };
            if said != Some(number) && stored.part().strayed(report, component) {
                said = Some(number);
                sentences.push(format!(
                    "this node kept \"{}\" and was changed by hand since, or its board was replaced: it runs {}",
                    stored.title,
                    what_runs(check_in)
                ));
            }
        }
        Ok(())
    }

    /// What a rollout under way says about the node, and what it waits for in others.
    fn rollouts_of(&mut self, row: &NodeRow) -> Result<(Option<Status>, Vec<String>), StoreFault> {
        let mut status = None;
        let mut waits = Vec::new();
        let mut owner: Option<String> = None;
        for number in rows::of_node(self.conn, &row.id)? {
            let Some(mut stored) = rows::part(self.conn, number, &row.id)? else { continue };
            if !stored.part().has() {
                continue;
            }
            if let Some(owner) = &owner {
                waits.push(format!("its turn in \"{}\", until {owner} lets go of it", stored.title));
                continue;
            }
            owner = Some(format!("\"{}\" ({})", stored.title, stored.state()));
            let run = stored.run;
            status = match (run.stage, run.way, &run.forward) {
                (Stage::Offered, _, _) => Some(Status::Fetching),
                (Stage::Ended, Way::Forward, Some(Forward::Kept)) if run.is_by_hand() => {
                    Some(Status::LeftBehind)
                }
                (Stage::Ended, Way::Forward, Some(Forward::Kept)) => Some(Status::Kept),
                (Stage::Ended, Way::Back, _) => Some(Status::WentBack),
                _ => None,
            };
            let closed = matches!(stored.wave(), WaveState::NotOpen | WaveState::ForApproval);
            if run.stage == Stage::Waiting && closed {
                waits.push(format!("its turn in wave {} of \"{}\"", stored.at.0 + 1, stored.title));
            } else if run.stage == Stage::Waiting && stored.state() == RolloutState::Held {
                waits.push(format!("somebody to decide about \"{}\", which is held", stored.title));
            }
        }
        Ok((status, waits))
    }
}

/// What runs, in words.
fn what_runs(check_in: &CheckIn) -> String {
    let io = check_in
        .io
        .map_or_else(|| "an io chip that does not answer".to_owned(), |io| format!("io {}", io.version));
    let bundle = check_in.bundle.map_or_else(|| "no bundle".to_owned(), |b| format!("bundle {}", b.short()));
    format!("net {}, {io}, {bundle}", check_in.net.version)
}

/// Where a node that is in touch stands: what it does comes first, then what a rollout under way
/// says, then how its last update ended, then whether it was left behind.
fn status_of(check_in: &CheckIn, under_way: Option<Status>, left_behind: bool) -> Status {
    match (check_in.phase, under_way, check_in.outcome.map(|o| o.ending)) {
        (Phase::Fetching, _, _) => Status::Fetching,
        (Phase::Waiting, _, _) => Status::WaitingForTheDoor,
        (Phase::Trial, _, _) => Status::OnTrial,
        (Phase::Idle, Some(status), _) => status,
        (Phase::Idle, None, Some(Ending::WentBack)) => Status::WentBack,
        (Phase::Idle, None, Some(Ending::Refused)) => Status::Refused,
        (Phase::Idle, None, Some(Ending::Kept) | None) if left_behind => Status::LeftBehind,
        (Phase::Idle, None, Some(Ending::Kept) | None) => Status::UpToDate,
    }
}

fn plain_waits(row: &NodeRow, claimed: bool) -> Vec<String> {
    match &row.last {
        _ if claimed => vec!["its claim to be checked and admitted".to_owned()],
        _ if row.keys.is_none() => vec!["its claim to come".to_owned()],
        None => vec!["its first check-in".to_owned()],
        Some((_, check_in)) if check_in.phase == Phase::Waiting => hold_sentences(check_in.holds),
        Some(_) => Vec::new(),
    }
}

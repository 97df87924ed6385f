//! A node checks in: its report is taken, and it learns what to do next.

use super::{evaluate, lines};
use crate::config::Intervals;
use crate::contract::Seconds;
use crate::journal::Line;
use crate::rollout::{Event, Parcel, Report};
use crate::store::nodes::NodeRow;
use crate::store::rollouts::StoredPart;
use crate::store::{
    Connection, JobFault, StoreFault, Unwritable, clock, history, journal, nodes, outcomes, rollouts as rows,
};
use pintle_protocol::checkin::{CheckIn, Offer, Outcome, Phase};
use pintle_protocol::id::{Digest, NodeId, PublicKey};

/// A check-in whose signature was verified.
pub(crate) struct Verified {
    /// What it says.
    pub(crate) check_in: CheckIn,
    /// The CBOR of it, as signed.
    pub(crate) bytes: Vec<u8>,
    /// The node's signature of it.
    pub(crate) signature: [u8; 64],
    /// The key by which it was verified.
    pub(crate) key: PublicKey,
}

/// Why a check-in was not taken. Nothing was changed.
#[derive(Debug, thiserror::Error)]
pub(crate) enum Refused {
    #[error("the node is not known here")]
    Unknown,
    #[error("the node was taken out of service")]
    Retired,
    #[error("the node's keys are not admitted")]
    NotAdmitted,
    #[error("the counter is {counter}, it must be higher than {last}")]
    Replayed { counter: u64, last: u64 },
    #[error("the counter is {counter}, which no node reaches")]
    Counter { counter: u64 },
    #[error(transparent)]
    Store(#[from] StoreFault),
}

impl JobFault for Refused {
    fn cannot_write(&self) -> Option<&Unwritable> {
        match self {
            Self::Store(fault) => fault.cannot_write(),
            _ => None,
        }
    }
}

/// What the node is told.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Answer {
    pub(crate) offer: Option<Offer>,
    pub(crate) next_seconds: u32,
}

/// Rollouts of no more nodes than this are evaluated at every check-in, so that pages are up to
/// date at once. In larger ones only what cannot wait is; the rest is done by [`super::tick`], and
/// a check-in costs the same however many nodes there are.
const SMALL: u32 = 64;

/// Takes a check-in.
pub(crate) fn take(
    conn: &Connection,
    verified: &Verified,
    intervals: Intervals,
    now: Seconds,
) -> Result<Answer, Refused> {
    take_with(conn, verified, intervals, SMALL, now)
}

/// [`take`], with another limit of what a small rollout is.
pub(super) fn take_with(
    conn: &Connection,
    verified: &Verified,
    intervals: Intervals,
    small: u32,
    now: Seconds,
) -> Result<Answer, Refused> {
    let CheckIn { node, counter, outcome, phase, .. } = verified.check_in;
    let row = nodes::get(conn, &node)?.ok_or(Refused::Unknown)?;
    if row.retired_at.is_some() {
        return Err(Refused::Retired);
    }
    // The key may have been replaced since the signature was verified.
    if row.keys.is_none_or(|(signing, _)| signing != verified.key) {
        return Err(Refused::NotAdmitted);
    }
    if let Some((_, last)) = row.last.as_ref().filter(|(_, last)| counter <= last.counter) {
        return Err(Refused::Replayed { counter, last: last.counter });
    }
    let stored_counter = i64::try_from(counter).map_err(|_| Refused::Counter { counter })?;

    let mut noticed = notice(conn, &row, &verified.check_in, now)?;
    if let Some(outcome) = &outcome {
        noticed.extend(remember(conn, &row, outcome, now)?);
    }
    journal::append_caused(conn, now, noticed)?;
    nodes::note_check_in(conn, &node, stored_counter, &verified.bytes, &verified.signature, now)?;
    if !verified.check_in.report.is_empty() {
        nodes::note_suit_report(conn, &node, &verified.check_in.report, now)?;
    }
    history::add(conn, &verified.check_in, now)?;

    let (offer, engaged) = decide(conn, &verified.check_in, small, now)?;
    let busy = offer.is_some() || engaged || phase != Phase::Idle;
    Ok(Answer {
        offer: offer.map(|parcel| Offer { envelope: parcel.envelope, size: parcel.size }),
        next_seconds: if busy { intervals.busy_seconds } else { intervals.idle_seconds },
    })
}

/// Lets every rollout of the node take the report in; the one started first that still has the
/// node may offer. Also says whether the node is on its way in one.
fn decide(
    conn: &Connection,
    check_in: &CheckIn,
    small: u32,
    now: Seconds,
) -> Result<(Option<Parcel>, bool), StoreFault> {
    let node = &check_in.node;
    let rollouts = rows::of_node(conn, node)?;
    if rollouts.is_empty() {
        return Ok((None, false));
    }
    let report = &Report::new(check_in, outcomes::failed(conn, node)?);
    let mut offer = None;
    let mut owned = false;
    let mut engaged = false;
    for number in rollouts {
        let Some(mut now_at) = take_in(conn, number, node, report, small, now)? else { continue };
        if owned || !now_at.part().has() {
            continue;
        }
        owned = true;
        let before = now_at.clone();
        let (parcel, events) = now_at.part().offer(report, now, clock::wall(conn, now)?);
        engaged = now_at.part().is_walking();
        offer = parcel;
        store(conn, &before, &now_at, &events, now)?;
    }
    Ok((offer, engaged))
}

/// Lets one rollout take the report in and evaluates it if that cannot wait; where the node stands
/// in it then.
fn take_in(
    conn: &Connection,
    rollout: i64,
    node: &NodeId,
    report: &Report,
    small: u32,
    now: Seconds,
) -> Result<Option<StoredPart>, StoreFault> {
    let Some(before) = rows::part(conn, rollout, node)? else { return Ok(None) };
    let mut after = before.clone();
    let events = after.part().take_in(report, now);
    store(conn, &before, &after, &events, now)?;
    let ended = after.run.is_ended() && !before.run.is_ended();
    let at_once = after.part().is_alarming(&before.run)
        || rows::is_small(conn, rollout, small)?
        || ended && !rows::any_walking(conn, rollout, after.at.0)?;
    if !at_once {
        return Ok(Some(after));
    }
    evaluate(conn, rollout, now)?;
    rows::part(conn, rollout, node)
}

fn store(
    conn: &Connection,
    before: &StoredPart,
    after: &StoredPart,
    events: &[Event],
    now: Seconds,
) -> Result<(), StoreFault> {
    rows::update_part(conn, before, after)?;
    journal::append_caused(conn, now, lines(conn, events, after.rollout, &after.title, now)?)
}

/// What is worth writing down whatever rollouts there are: the first check-in, and whatever
/// runs that nobody sent.
fn notice(
    conn: &Connection,
    row: &NodeRow,
    check_in: &CheckIn,
    now: Seconds,
) -> Result<Vec<Line>, StoreFault> {
    let name = &row.name;
    let mut lines = Vec::new();
    if row.last.is_none() {
        lines.push(Line::new("first_check_in", format!("{name} checked in for the first time")));
    }
    let before = row.last.as_ref().map(|(_, last)| what_runs(last)).unwrap_or_default();
    for (what, had) in what_runs(check_in).into_iter().zip(before) {
        // What ran at the check-in before is noted already.
        let Some((component, digest)) = what.filter(|_| what != had) else { continue };
        let is_first = !outcomes::any_seen(conn, &row.id, component)?;
        if !outcomes::note_seen(conn, &row.id, component, &digest, now)? || row.last.is_none() {
            continue;
        }
        // What a chip ran before the server knew it is where it began; a bundle never is.
        let expected = (is_first && component != "conf") || is_meant(conn, &row.id, component, &digest)?;
        if !expected {
            let what = if component == "conf" { "bundle" } else { "image" };
            let sentence = format!(
                "{name} runs {component} {what} {}, which nobody sent it through this server",
                digest.short()
            );
            lines.push(Line::new("not_sent", sentence));
        }
    }
    Ok(lines.into_iter().map(|line| line.about(row.id)).collect())
}

/// Remembers how an update ended; a line if that is new, and nobody sent it.
fn remember(
    conn: &Connection,
    row: &NodeRow,
    outcome: &Outcome,
    now: Seconds,
) -> Result<Option<Line>, StoreFault> {
    let is_new = outcomes::remember(conn, &row.id, outcome, now)?;
    if !is_new || outcomes::was_meant(conn, &row.id, &outcome.envelope)? {
        return Ok(None);
    }
    outcomes::forget_made_up(conn, &row.id)?;
    if row.last.is_none() {
        return Ok(None);
    }
    let sentence = format!(
        "{} reports how envelope {} ended, which nobody sent it through this server",
        row.name,
        outcome.envelope.short()
    );
    Ok(Some(Line::new("not_sent", sentence).about(row.id)))
}

/// What runs as which component.
fn what_runs(check_in: &CheckIn) -> [Option<(&'static str, Digest)>; 3] {
    [
        Some(("net", check_in.net.digest)),
        check_in.io.map(|io| ("io", io.digest)),
        check_in.bundle.map(|bundle| ("conf", bundle)),
    ]
}

fn is_meant(conn: &Connection, node: &NodeId, component: &str, digest: &Digest) -> Result<bool, StoreFault> {
    match component {
        "conf" => outcomes::was_meant(conn, node, digest),
        _ => outcomes::payload_was_meant(conn, node, component, digest),
    }
}

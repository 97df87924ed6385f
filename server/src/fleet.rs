//! Fills a folder with nodes that are not there, so that a server with very many can be measured.
//!
//! Every row comes about by the functions that answer requests: announcing, admitting, a check-in, a
//! rollout that is started and kept. Only the commits differ: many together, and synced once at the end.

use crate::clock::Clock;
use crate::config::Intervals;
use crate::contract::{Admit, Evidence, ExpectNode, Gate, Kind, OnFailure, Seconds};
use crate::error::ApiError;
use crate::ops;
use crate::ops::check_in::{self, Verified};
use crate::rollout::{Brings, Parcel, Part, Plan, Report, Rollout, StepPlan, TargetPlan, WavePlan};
use crate::run::{StartError, lock, make_private};
use crate::store::{Connection, StoreFault, files, nodes, open, rollouts};
use pintle_protocol::checkin::CheckIn;
use pintle_protocol::id::{Chip, Component, Digest, NodeId, PublicKey, Role, Uuid16};
use std::collections::BTreeMap;
use std::path::Path;

/// Why a folder was not filled.
#[derive(Debug, thiserror::Error)]
pub enum FleetError {
    /// The folder or its database cannot be used.
    #[error(transparent)]
    Start(#[from] StartError),
    /// The store failed.
    #[error(transparent)]
    Store(#[from] StoreFault),
    /// A node was not taken.
    #[error("{node} was not taken: {why}")]
    Refused {
        /// The node.
        node: NodeId,
        /// What the server would have answered.
        why: String,
    },
}

impl From<rusqlite::Error> for FleetError {
    fn from(error: rusqlite::Error) -> Self {
        Self::Store(error.into())
    }
}

/// A node to be.
#[derive(Clone, Debug)]
pub struct Member {
    /// What people call it; no other member may be called so.
    pub name: String,
    /// Class of its board.
    pub class: Uuid16,
    /// SHA-256 of its claim code.
    pub code_digest: Digest,
    /// Its Ed25519 key.
    pub signing: PublicKey,
    /// Its X25519 key.
    pub sealing: PublicKey,
    /// Its first check-in. The caller made it, so no signature is checked here.
    pub check_in: CheckIn,
}

/// The digest of the database's schema, as this program makes it.
pub fn schema() -> Digest {
    Digest::of(open::SQL.concat().as_bytes())
}

/// Nodes that are committed together.
const TOGETHER: usize = 10_000;

/// Announces and admits every member, and takes its first check-in. The folder must not be in use; it is made
/// if it is not there.
///
/// # Errors
/// [`FleetError`]; what was committed before stays.
pub fn enroll(
    data: &Path,
    members: impl IntoIterator<Item = Member>,
    now: Seconds,
) -> Result<(), FleetError> {
    filling(data, |conn| {
        let mut members = members.into_iter().peekable();
        while members.peek().is_some() {
            let batch = conn.unchecked_transaction()?;
            for member in members.by_ref().take(TOGETHER) {
                take(&batch, member, now)?;
            }
            batch.commit()?;
        }
        Ok(())
    })
}

fn take(conn: &Connection, member: Member, now: Seconds) -> Result<(), FleetError> {
    let Member { name, class, code_digest, signing, sealing, check_in } = member;
    let node = check_in.node;
    let refused = |why: ApiError| FleetError::Refused { node, why: why.to_string() };
    ops::nodes::announce(conn, node, ExpectNode { name, class, code_digest, replace: false }, now)
        .map_err(refused)?;
    let keys = Admit { signing_key: signing, sealing_key: sealing };
    ops::nodes::admit(conn, node, &keys, now).map_err(refused)?;
    let bytes = minicbor::to_vec(&check_in).map_err(|e| FleetError::Refused { node, why: e.to_string() })?;
    // Made up like the node: whoever looks at the signature finds that it is none.
    check_in::take(
        conn,
        &Verified { check_in, bytes, signature: [0; 64], key: signing },
        Intervals::default(),
        now,
    )
    .map_err(|e| FleetError::Refused { node, why: e.to_string() })?;
    Ok(())
}

/// Adds a rollout of one image to these nodes in one wave: started, offered to and kept by every node, and
/// soaking since. Its number.
///
/// `soak_seconds`: for how long the wave has to stay well after `now`.
///
/// # Errors
/// [`FleetError`] if a node is not known; nothing is added then.
pub fn soak(data: &Path, members: &[NodeId], soak_seconds: u32, now: Seconds) -> Result<i64, FleetError> {
    filling(data, |conn| {
        let batch = conn.unchecked_transaction()?;
        let image = Digest::of(b"image of a wave that soaks");
        let forward = Parcel {
            envelope: Digest::of(b"envelope of a wave that soaks"),
            size: 500,
            role: Role::Image,
            sequence: 1_000_000,
            brings: vec![Brings { component: Component::Chip(Chip::Net), payload: Some(image) }],
        };
        files::add_envelope(&batch, &forward, None, now)?;
        let mut targets = Vec::with_capacity(members.len());
        for node in members {
            let row = nodes::get(&batch, node)?;
            let name =
                row.ok_or(FleetError::Refused { node: *node, why: "it is not known".to_owned() })?.name;
            let steps = vec![StepPlan { forward: forward.clone(), way_back: None }];
            targets.push(TargetPlan { node: *node, name, steps });
        }
        let wave = WavePlan {
            soak_seconds,
            evidence: Evidence::default(),
            approval: false,
            gate: Gate::STRICT,
            targets,
        };
        let mut rollout =
            Rollout::new(Plan { on_failure: OnFailure::Hold, windows: None, waves: vec![wave] });
        let number = rollouts::add(&batch, "A wave that soaks", Kind::Image, &rollout, now)?;
        let planned = rollout.state.clone();
        keep(&mut rollout, &batch, number, now)?;
        rollouts::update(&batch, number, &planned, &rollout.state)?;
        batch.commit()?;
        Ok(number)
    })
}

/// Starts a rollout and lets every node be offered it and report that it kept.
fn keep(rollout: &mut Rollout, conn: &Connection, number: i64, now: Seconds) -> Result<(), FleetError> {
    let _ = rollout.start(None, now);
    let known = ops::known(conn, number, now)?;
    let _ = rollout.evaluate(&known, now);
    for (plan, wave) in rollout.plan.waves.iter().zip(&mut rollout.state.waves) {
        for (target, run) in plan.targets.iter().zip(&mut wave.targets) {
            let Some((_, last)) = nodes::get(conn, &target.node)?.and_then(|row| row.last) else { continue };
            let idle = Report::new(&last, BTreeMap::new());
            let mut part = Part {
                state: rollout.state.state,
                windows: None,
                wave: wave.state,
                evidence: plan.evidence,
                gate: plan.gate,
                target,
                run,
            };
            let (offered, _) = part.offer(&idle, now, now);
            let kept = Report { kept: offered.map(|parcel| parcel.envelope), ..idle };
            part.take_in(&kept, now);
        }
    }
    Ok(())
}

/// Opens a folder for filling, and syncs what was written at the end.
fn filling<T>(data: &Path, fill: impl FnOnce(&Connection) -> Result<T, FleetError>) -> Result<T, FleetError> {
    make_private(data)?;
    let _lock = lock(data)?;
    let path = data.join("pintle.db");
    let conn = open::writer(&path).map_err(StartError::from)?;
    // In KiB when negative.
    conn.pragma_update(None, "cache_size", -262_144)?;
    conn.pragma_update(None, "synchronous", "OFF")?;
    let filled = fill(&conn)?;
    conn.pragma_update(None, "synchronous", "FULL")?;
    conn.execute_batch("PRAGMA wal_checkpoint(TRUNCATE)")?;
    let at = |source| StartError::File { path: path.clone(), source };
    std::fs::File::open(&path).and_then(|file| file.sync_all()).map_err(at)?;
    Ok(filled)
}

/// The time of the machine, as a server takes it.
pub fn now() -> Seconds {
    Clock::System.now()
}

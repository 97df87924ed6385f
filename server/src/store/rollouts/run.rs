//! How far a node has come, as columns. There may be very many of them, so they are read by their order.

use super::words::{BACK, DOORS, FORWARD, STAGES, WAYS};
use crate::rollout::watch::Watch;
use crate::rollout::{Forward, Return, TargetRun, Verdict};
use crate::store::StoreFault;
use crate::store::values::{Columns, odd};

/// The columns of [`read_run`], in its order.
macro_rules! run_columns {
    () => {
        "stage, way, step, since, forward, forward_reason, forward_detail, back, back_reason, back_detail, forgiven, \
         excused_at, check_ins, door_cycles, door, starts, restarts, weak, mute, by_hand"
    };
}
pub(super) use run_columns;

/// Reads [`run_columns`].
pub(super) fn read_run(mut columns: Columns<'_, '_>) -> Result<TargetRun, StoreFault> {
    let (stage, way) = (columns.word(STAGES)?, columns.word(WAYS)?);
    let step: i64 = columns.get()?;
    let since = columns.get()?;
    let forward = match columns.maybe_word(FORWARD)? {
        None => columns.skip(2, None),
        Some(0) => columns.skip(2, Some(Forward::Kept)),
        Some(n) => Some(Forward::Failed(verdict(&mut columns, n)?)),
    };
    let back = match columns.maybe_word(BACK)? {
        None => columns.skip(2, None),
        Some(0) => columns.skip(2, Some(Return::Done)),
        Some(3) => columns.skip(2, Some(Return::NoWayBack)),
        Some(n) => Some(Return::Failed(verdict(&mut columns, n)?)),
    };
    Ok(TargetRun {
        stage,
        way,
        step: usize::try_from(step).map_err(|_| odd("target.step", step))?,
        since,
        forward,
        back,
        forgiven: columns.get()?,
        excused_at: columns.get()?,
        watch: Watch {
            check_ins: columns.get()?,
            door_cycles: columns.get()?,
            door: columns.word(DOORS)?,
            starts: columns.get()?,
            restarts: columns.get()?,
            weak: columns.get()?,
            mute: columns.get()?,
            by_hand: columns.get()?,
        },
    })
}

fn verdict(columns: &mut Columns<'_, '_>, word: u8) -> Result<Verdict, StoreFault> {
    Ok(Verdict { refused: word == 2, reason: columns.get()?, detail: columns.get()? })
}

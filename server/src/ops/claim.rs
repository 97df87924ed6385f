//! A new node claims to be the one that was announced.

use crate::contract::Seconds;
use crate::journal::Line;
use crate::store::{Connection, JobFault, StoreFault, Unwritable, journal, nodes};
use pintle_protocol::checkin::Claim;

/// Why a claim was not taken.
#[derive(Debug, thiserror::Error)]
pub(crate) enum Refused {
    #[error("the node is not known here")]
    Unknown,
    #[error("the node was taken out of service")]
    Retired,
    #[error("no claim of this node is expected")]
    NotExpected,
    #[error("the claim's code is not the one expected")]
    CodeOther,
    #[error("the board is of another class than announced")]
    ClassOther,
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

/// What became of a claim.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) enum Taken {
    /// It waits to be checked and admitted.
    Waits,
    /// Its keys are admitted already.
    Admitted,
}

/// Takes a claim whose signature was verified by the key inside it.
pub(crate) fn take(conn: &Connection, claim: &Claim, body: &[u8], now: Seconds) -> Result<Taken, Refused> {
    let row = nodes::get(conn, &claim.node)?.ok_or(Refused::Unknown)?;
    if row.retired_at.is_some() {
        return Err(Refused::Retired);
    }
    if row.keys == Some((claim.signing_key, claim.sealing_key)) {
        return Ok(Taken::Admitted);
    }
    if !row.expecting {
        return Err(Refused::NotExpected);
    }
    if row.code_digest != claim.code_digest {
        return Err(Refused::CodeOther);
    }
    if row.class != claim.class {
        return Err(Refused::ClassOther);
    }
    if nodes::add_claim(conn, claim, body, now)? {
        let sentence = format!("A claim to be {} came and waits to be checked and admitted", row.name);
        journal::append_caused(conn, now, vec![Line::new("claimed", sentence).about(row.id)])?;
    }
    Ok(Taken::Waits)
}

//! What must be refused, and as what: `docs/vectors/refused.json`.

mod envelopes;
mod frames;
mod inside;
mod messages;
mod trials;

pub(crate) use messages::believes;

use serde_json::{Value, json};

pub(crate) fn file() -> Value {
    let (node, envelopes) = envelopes::file();
    let (sent, replies) = messages::file();
    let (frames, images) = frames::file();
    let (trials, records) = trials::file();
    json!({
        "about": "What must be refused. Reasons: docs/wire.md section 9; statuses and numbers: section 5.",
        "node": node,
        "envelopes": envelopes,
        "sent_in_turn": sent,
        "replies": replies,
        "frames": frames,
        "images": images,
        "trials": trials,
        "records": records,
    })
}

/// Every reason that shows in bytes has a row. The others need a radio, a server that has nothing, time, or flash.
#[test]
fn every_reason_that_shows_in_bytes_has_a_row() {
    use pintle_protocol::reason::Reason as R;
    use std::collections::BTreeSet;
    let elsewhere = [
        R::FetchFailed,
        R::WriteFailed,
        R::InvokeFailed,
        R::NoNetwork,
        R::NoCheckIn,
        R::NetworkNotFound,
        R::WrongPassphrase,
        R::NoAddress,
        R::NoServer,
        R::FlashWorn,
        R::LinkFailed,
    ];
    let file = file();
    let rows = ["envelopes", "trials", "records"].map(|list| file[list].as_array().unwrap());
    let shown: BTreeSet<u64> = rows.into_iter().flatten().filter_map(|row| row["reason"].as_u64()).collect();
    let all =
        R::ALL.iter().filter(|reason| !elsewhere.contains(reason)).map(|reason| u64::from(reason.code()));
    assert_eq!(shown, all.collect());
}

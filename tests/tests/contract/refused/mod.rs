//! What must be refused, and as what: `docs/vectors/refused.json`.

mod envelopes;
mod frames;
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

//! What a check-in says, as the contract shows it: by the server, and by clients that read what a node signed.

use super::{OutcomeView, ReportView, RunningView, WifiView};
use crate::words::{candidate_words, hold_sentences, phase_words, position_words, reason_words};
use pintle_protocol::checkin::{CheckIn, Ending, Outcome, Running};

impl ReportView {
    /// What a check-in says.
    pub fn of(c: &CheckIn) -> Self {
        Self {
            counter: c.counter,
            uptime_seconds: c.uptime_seconds,
            starts: c.starts,
            net: running_view(&c.net),
            io: c.io.as_ref().map(running_view),
            sequences: c.sequences,
            bundle: c.bundle,
            position: position_words(c.position).to_owned(),
            phase: phase_words(c.phase).to_owned(),
            subject: c.subject,
            holds: hold_sentences(c.holds),
            outcome: c.outcome.as_ref().map(outcome_view),
            wifi: WifiView {
                index: c.wifi.index,
                rssi_dbm: c.wifi.rssi_dbm,
                candidate: c.wifi.candidate.map(|candidate| candidate_words(candidate).to_owned()),
            },
            supply_mv: c.supply_mv,
            relay_pulses: c.relay_pulses,
        }
    }
}

fn running_view(r: &Running) -> RunningView {
    RunningView {
        version: r.version.to_string(),
        digest: r.digest,
        link_oldest: r.link.oldest,
        link_newest: r.link.newest,
        profile_id: r.profile.id,
        profile_version: r.profile.version,
        slot: r.slot,
    }
}

fn outcome_view(o: &Outcome) -> OutcomeView {
    let ending = match o.ending {
        Ending::Kept => "kept",
        Ending::WentBack => "went back",
        Ending::Refused => "refused",
    };
    OutcomeView {
        envelope: o.envelope,
        ending: ending.to_owned(),
        reason: o.reason,
        sentence: (o.ending != Ending::Kept).then(|| reason_words(o.reason)),
        detail: o.detail,
    }
}

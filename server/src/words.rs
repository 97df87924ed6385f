//! Words for people that several parts of the server use.

use crate::contract::Seconds;
use pintle_protocol::checkin::{Candidate, Phase, Position};
use pintle_protocol::reason::Reason;

/// The sentence for a reason's number, without a full stop.
pub(crate) fn reason_words(code: u16) -> String {
    match Reason::from_code(code) {
        Some(reason) => reason.sentence().to_owned(),
        None => format!("reason {code}, which this version of the server does not know"),
    }
}

/// A moment as `2026-11-25 09:14 UTC`; the bare number of seconds if it is out of range.
pub(crate) fn utc(at: Seconds) -> String {
    match jiff::Timestamp::from_second(at) {
        Ok(moment) => moment.strftime("%Y-%m-%d %H:%M UTC").to_string(),
        Err(_) => format!("{at} s"),
    }
}

/// A span as people say it, rounded down: `12 s`, `5 min`, `3 h`, `2 days`.
pub(crate) fn span(seconds: Seconds) -> String {
    match seconds {
        ..60 => format!("{} s", seconds.max(0)),
        60..3600 => format!("{} min", seconds / 60),
        3600..172_800 => format!("{} h", seconds / 3600),
        _ => format!("{} days", seconds / 86_400),
    }
}

/// Where a door is.
pub(crate) const fn position_words(position: Position) -> &'static str {
    match position {
        Position::Unknown => "not known",
        Position::Open => "open",
        Position::PartlyOpen => "partly open",
        Position::Closed => "closed",
    }
}

/// What a node is doing.
pub(crate) const fn phase_words(phase: Phase) -> &'static str {
    match phase {
        Phase::Idle => "idle",
        Phase::Fetching => "fetching",
        Phase::Waiting => "waiting",
        Phase::Trial => "on trial",
    }
}

/// Where a candidate network stands.
pub(crate) const fn candidate_words(candidate: Candidate) -> &'static str {
    match candidate {
        Candidate::Untried => "not tried yet",
        Candidate::Proved => "proved",
        Candidate::WaitsForLoss => "waits for the old network to go",
        Candidate::NotFound => "not on the air",
        Candidate::WrongPassphrase => "wrong passphrase",
        Candidate::NoAddress => "no address",
        Candidate::NoServer => "no server",
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn moments_and_spans_read_well() {
        // Source: IEEE Std 1003.1 "seconds since the Epoch": 86 400 s a day, no leap seconds.
        assert_eq!(utc(0), "1970-01-01 00:00 UTC");
        assert_eq!(utc(86_400 * 365 + 3_660), "1971-01-01 01:01 UTC");
        let spans = [(-5, "0 s"), (59, "59 s"), (60, "1 min"), (7_199, "1 h"), (172_800, "2 days")];
        for (seconds, words) in spans {
            assert_eq!(span(seconds), words);
        }
    }

    #[test]
    fn an_unknown_reason_keeps_its_number() {
        assert_eq!(reason_words(105), Reason::SequenceOld.sentence());
        assert_eq!(reason_words(9), "reason 9, which this version of the server does not know");
    }
}

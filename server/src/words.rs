//! Words for people that several parts of the server use.

use crate::contract::Seconds;
use pintle_protocol::checkin::{Candidate, Phase, Position};
use pintle_protocol::interlock::Holds;
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

/// The UTC day of a moment as `2026-11-25`.
pub(crate) fn date(at: Seconds) -> String {
    utc(at).split(' ').next().unwrap_or_default().to_owned()
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

/// Names as people read them, cut where there are more than they read.
pub(crate) fn listed(names: &[String]) -> String {
    const MOST: usize = 12;
    match names.split_at_checked(MOST) {
        Some((first, rest)) if !rest.is_empty() => format!("{} and {} more", first.join(", "), rest.len()),
        _ => names.join(", "),
    }
}

/// Why a node waits, each a sentence; a reason that this server does not know is not hidden.
pub(crate) fn hold_sentences(bits: u32) -> Vec<String> {
    let mut sentences: Vec<String> = Holds::from_bits(bits).iter().map(|h| h.sentence().to_owned()).collect();
    let known = Holds::from_bits(bits).iter().fold(0, |all, hold| all | hold as u32);
    if bits & !known != 0 {
        sentences.push("a reason that this version of the server does not know".to_owned());
    }
    sentences
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
    fn long_lists_are_cut() {
        let names = |n: u8| (1..=n).map(|n| n.to_string()).collect::<Vec<_>>();
        assert_eq!(listed(&names(3)), "1, 2, 3");
        assert_eq!(listed(&names(12)), "1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12");
        assert_eq!(listed(&names(14)), "1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12 and 2 more");
    }

    #[test]
    fn an_unknown_reason_keeps_its_number() {
        assert_eq!(reason_words(105), Reason::SequenceOld.sentence());
        assert_eq!(reason_words(9), "reason 9, which this version of the server does not know");
    }
}

//! Trials that are lost for something that shows in bytes: what the io chip says, and the record.

use super::super::node::{Stop, installed, trial};
use super::super::samples as s;
use super::super::schema;
use pintle_protocol::checkin::{Ending, Position};
use pintle_protocol::id::Digest;
use pintle_protocol::link::{Answer, FRAME_MAX, Hello, Status, decode_frame, encode_frame};
use pintle_protocol::reason::Reason;
use pintle_protocol::slots::{BootRecord, Change, Part, Trial};
use pintle_protocol::version::LinkRange;
use serde_json::{Value, json};

fn frame(answer: &Answer) -> Vec<u8> {
    let (kind, payload) = answer.encode();
    let mut out = [0; FRAME_MAX];
    let len = encode_frame(kind, 1, &payload, &mut out).unwrap();
    out[..len].to_vec()
}

fn heard(frame: &[u8]) -> Answer {
    let (kind, _, payload) = decode_frame(frame).unwrap();
    Answer::decode(kind, payload).unwrap()
}

/// An image of the net chip is on trial; the io chip gives the same answers throughout.
struct Lost {
    name: &'static str,
    before: Position,
    hello: Vec<u8>,
    status: Vec<u8>,
    reason: Reason,
}

impl Lost {
    fn run(&self) -> Stop {
        match (heard(&self.hello), heard(&self.status)) {
            (Answer::Hello(hello), Answer::Status(status)) => trial(self.before, hello, status),
            other => panic!("{other:?}"),
        }
    }
}

fn trials() -> Vec<Lost> {
    let (hello, status) = (s::hello(), Status { button: false, relay_pulses: 3, ..s::status() });
    let row = |name, reason, hello, status| Lost {
        name,
        before: Position::Closed,
        hello: frame(&Answer::Hello(hello)),
        status: frame(&Answer::Status(status)),
        reason,
    };
    let other_link = Hello { link: LinkRange { oldest: 3, newest: 4 }, ..hello };
    let mut other_profile = hello;
    other_profile.profile.id = 2;
    use Reason as R;
    vec![
        row("the io chip speaks no link version of the new image", R::NoHandshake, other_link, status),
        row("the io chip has another actuation profile", R::NoHandshake, other_profile, status),
        row(
            "it goes by other settings than the bundle's",
            R::NoHandshake,
            hello,
            Status { settings: 1, ..status },
        ),
        row(
            "readings are not plausible",
            R::SensorsImplausible,
            hello,
            Status { plausible: false, ..status },
        ),
        row(
            "no position is known",
            R::SensorsImplausible,
            hello,
            Status { position: Position::Unknown, ..status },
        ),
        row(
            "a door that was closed is open",
            R::PositionDiffers,
            hello,
            Status { position: Position::Open, ..status },
        ),
    ]
}

/// A record found at a start, and the reason and detail for which what is on trial goes back, if it does.
fn records() -> Vec<(&'static str, BootRecord, Option<Stop>)> {
    let on_trial = |starts_left| {
        let change = Change { part: Part::Net, manifest: Digest::of(b"on trial"), sequence: 8 };
        let position_before = Position::Closed;
        let trial = Some(Trial { change, position_before, starts_left, network_before: 0 });
        BootRecord { trial, ..installed([0; 3]) }
    };
    vec![
        ("the last start of a trial", on_trial(1), None),
        ("no start of the trial is left", on_trial(0), Some((Reason::Resets, 3))),
    ]
}

/// Trials, and records.
pub(super) fn file() -> (Vec<Value>, Vec<Value>) {
    let trials = trials().into_iter().map(|t| {
        json!({"name": t.name, "before": t.before as u8, "hello": hex::encode(&t.hello),
            "status": hex::encode(&t.status), "reason": t.reason.code(), "detail": t.run().1})
    });
    let records = records().into_iter().map(|(name, record, lost)| {
        json!({"name": name, "record": hex::encode(s::plain(&record)),
            "reason": lost.map(|l| l.0.code()), "detail": lost.map(|l| l.1)})
    });
    (trials.collect(), records.collect())
}

#[test]
fn trials_are_lost_for_what_the_io_chip_says() {
    for t in trials() {
        assert_eq!(t.run().0, t.reason, "{}", t.name);
    }
}

#[test]
fn a_record_without_starts_left_goes_back() {
    for (name, mut record, lost) in records() {
        schema::holds("boot-record", &s::plain(&record));
        assert_eq!(record.on_start(), lost.is_some(), "{name}");
        let outcome = record.outcome.map(|o| (o.ending, o.reason, o.detail));
        assert_eq!(outcome, lost.map(|(reason, detail)| (Ending::WentBack, reason.code(), detail)), "{name}");
    }
}

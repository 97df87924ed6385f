//! `docs/security.md` against the program: every reason, every limit, and the names of RFC 9124.

use pintle_protocol::agent::{BUNDLE_MAX, CHUNK, ENVELOPE_AND_TEXT_MAX, ENVELOPE_MAX, OPENS};
use pintle_protocol::cbor::{self, MAX_UNORDERED};
use pintle_protocol::checkin::MAX_REPORT;
use pintle_protocol::reason::Reason;
use pintle_protocol::suit::{
    MAX_ALTERNATIVES, MAX_BLOCKS, MAX_COMPONENTS, MAX_KEYS, MAX_MANIFEST, MAX_NESTING, MAX_NUMBERS,
    MAX_STEPS, MAX_URI,
};
use pintle_server::config::Limits;

const PAGE: &str = include_str!("../../docs/security.md");

/// The cells of every row of every table, heads and rules left out.
fn rows() -> Vec<Vec<&'static str>> {
    let cells = |line: &'static str| -> Vec<&'static str> {
        line.trim_matches('|').split('|').map(str::trim).collect()
    };
    PAGE.lines().filter(|l| l.starts_with("| ") && !l.starts_with("| ---")).map(cells).collect()
}

#[test]
fn every_reason_stands_in_the_table_with_its_sentence() {
    let rows = rows();
    let of = |code: &str| rows.iter().filter(|r| r.len() == 4 && r[0] == code).collect::<Vec<_>>();
    for reason in Reason::ALL {
        let code = reason.code().to_string();
        let found = of(&code);
        assert_eq!(found.len(), 1, "reason {code} stands {} times in docs/security.md", found.len());
        assert_eq!(found[0][3], reason.sentence(), "reason {code}");
        assert!(["before", "fetch", "ready", "trial"].contains(&found[0][1]), "reason {code}");
        assert!(!found[0][2].is_empty(), "reason {code}");
    }
    for row in rows.iter().filter(|r| r.len() == 4) {
        if let Ok(code) = row[0].parse() {
            assert!(Reason::from_code(code).is_some(), "there is no reason {code}");
        }
    }
}

#[test]
fn every_limit_is_the_programs() {
    let limits: [(&str, u64); 17] = [
        ("envelope that a node takes, bytes", ENVELOPE_MAX as u64),
        ("manifest, and each severable sequence, bytes", MAX_MANIFEST as u64),
        ("bundle, or set of trust anchors, sealed or opened, bytes", BUNDLE_MAX as u64),
        ("that together with its envelope, bytes", ENVELOPE_AND_TEXT_MAX as u64),
        ("authentication blocks", MAX_BLOCKS),
        ("components of one manifest", MAX_COMPONENTS as u64),
        ("alternatives of one try-each", MAX_ALTERNATIVES),
        ("alternatives inside alternatives", MAX_NESTING as u64),
        ("commands of one procedure, repeats counted", u64::from(MAX_STEPS)),
        ("erases of the spare slot by one manifest", u64::from(OPENS)),
        ("CBOR items inside items", u64::from(cbor::Limits::default().depth)),
        ("entries of an unordered COSE header", MAX_UNORDERED),
        ("URI, bytes", MAX_URI as u64),
        ("numbers of a version", MAX_NUMBERS),
        ("keys of one role in a set", MAX_KEYS as u64),
        ("SUIT_Report in a check-in, bytes", MAX_REPORT as u64),
        ("one piece of a payload, bytes", u64::from(CHUNK)),
    ];
    let rows = rows();
    for (what, limit) in limits {
        let found: Vec<_> = rows.iter().filter(|r| r.len() == 2 && r[0] == what).collect();
        assert_eq!(found.len(), 1, "{what}");
        assert_eq!(found[0][1], limit.to_string(), "{what}");
    }
    let l = Limits::default();
    let server = format!(
        "a claim or check-in {} KiB, an envelope {} KiB, a payload {} MiB, a JSON request {} MiB, {} s for a \
         request's head, {} s for a body or the next piece of one, {} s for a client that \
         takes nothing of its answer, {} connections for each of two workers, {} of them from one address, {} TLS \
         handshakes worked on at once",
        l.message_bytes >> 10,
        l.envelope_bytes >> 10,
        l.payload_bytes >> 20,
        l.json_bytes >> 20,
        l.head_seconds,
        l.body_seconds,
        l.write_seconds,
        l.connections,
        l.per_address,
        l.handshakes
    );
    assert!(PAGE.replace('\n', " ").contains(&server), "{server}");
}

/// Source of the names: RFC 9124 sections 4.2 (threats) and 4.3 (security requirements), and the
/// usability requirements in the working group's text of it.
#[test]
fn every_threat_and_requirement_is_answered() {
    let names = "
        THREAT.IMG.EXPIRED THREAT.IMG.EXPIRED.OFFLINE THREAT.IMG.INCOMPATIBLE THREAT.IMG.FORMAT
        THREAT.IMG.LOCATION THREAT.NET.REDIRECT THREAT.NET.ONPATH THREAT.IMG.REPLACE THREAT.IMG.NON_AUTH
        THREAT.UPD.WRONG_PRECURSOR THREAT.UPD.UNAPPROVED THREAT.IMG.DISCLOSURE THREAT.MFST.OVERRIDE
        THREAT.MFST.EXPOSURE THREAT.IMG.EXTRA THREAT.KEY.EXPOSURE THREAT.MFST.MODIFICATION
        THREAT.MFST.TOCTOU
        REQ.SEC.SEQUENCE REQ.SEC.COMPATIBLE REQ.SEC.EXP REQ.SEC.AUTHENTIC REQ.SEC.AUTH.IMG_TYPE
        REQ.SEC.AUTH.IMG_LOC REQ.SEC.AUTH.REMOTE_LOC REQ.SEC.AUTH.EXEC REQ.SEC.AUTH.PRECURSOR
        REQ.SEC.AUTH.COMPATIBILITY REQ.SEC.RIGHTS REQ.SEC.IMG.CONFIDENTIALITY REQ.SEC.ACCESS_CONTROL
        REQ.SEC.MFST.CONFIDENTIALITY REQ.SEC.IMG.COMPLETE_DIGEST REQ.SEC.REPORTING
        REQ.SEC.KEY.PROTECTION REQ.SEC.KEY.ROTATION REQ.SEC.MFST.CHECK REQ.SEC.MFST.TRUSTED
        REQ.SEC.MFST.CONST
        REQ.USE.MFST.PRE_CHECK REQ.USE.MFST.OVERRIDE_REMOTE REQ.USE.MFST.COMPONENT
        REQ.USE.MFST.MULTI_AUTH REQ.USE.IMG.FORMAT REQ.USE.IMG.NESTED REQ.USE.IMG.VERSIONS
        REQ.USE.IMG.SELECT REQ.USE.EXEC REQ.USE.LOAD REQ.USE.PAYLOAD REQ.USE.PARSE REQ.USE.DELEGATION";
    let rows = rows();
    for name in names.split_whitespace() {
        let found: Vec<_> = rows.iter().filter(|r| r[0] == name).collect();
        assert_eq!(found.len(), 1, "{name}");
        assert!(found[0][1].len() > 2, "{name}");
    }
    // A number that is cited is one of ours.
    let cited = rows
        .iter()
        .filter(|r| r[0].starts_with("REQ.SEC."))
        .flat_map(|r| r[1].split([' ', ',', ';', '(', ')']));
    for code in cited.filter_map(|w| w.parse::<u16>().ok()) {
        assert!(Reason::from_code(code).is_some(), "{code}");
    }
}

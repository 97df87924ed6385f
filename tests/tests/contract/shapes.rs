//! That the check by the CDDL can fail: every message, changed in many ways.

use super::samples as s;
use super::schema::{fault, holds};
use minicbor::Encoder;
use pintle_protocol::cose::{AAD_CHECK_IN, AAD_CLAIM, AAD_REPLY};
use pintle_protocol::id::Chip;

/// Every message with its rule.
fn all() -> Vec<(&'static str, Vec<u8>)> {
    let node = s::signing(s::NODE);
    vec![
        ("claim-message", s::signed(&node, &s::plain(&s::claim()), AAD_CLAIM)),
        ("check-in-message", s::signed(&node, &s::plain(&s::first_check_in()), AAD_CHECK_IN)),
        ("reply-message", s::signed(&s::signing(s::SERVER), &s::plain(&s::reply(None)), AAD_REPLY)),
        ("image-envelope", s::image_envelope(Chip::Io, 7, s::IMAGE)),
        ("bundle-envelope", s::bundle_envelope(&s::bundle(), s::public(s::SEALING), s::BUNDLE)),
        ("keys-envelope", s::keys_envelope(s::ROOT)),
        ("bundle", s::bundle_plain()),
        ("starter-card", s::plain(&s::starter_card())),
        ("trust-anchors", s::plain(&s::anchors())),
        ("boot-record", s::plain(&s::boot_record())),
        ("suit-capability-report", super::vectors::capabilities()),
    ]
}

/// Fields of a map that are not optional, by its rule.
fn maps() -> Vec<(&'static str, Vec<u8>, &'static [i64])> {
    vec![
        ("claim", s::plain(&s::claim()), &[]),
        ("check-in", s::plain(&s::full_check_in()), &[7, 9, 12, 14]),
        ("reply", s::plain(&s::reply(None)), &[]),
        ("bundle", s::bundle_plain(), &[5]),
        ("starter-card", s::plain(&s::starter_card()), &[]),
        ("trust-anchors", s::plain(&s::anchors()), &[]),
        ("boot-record", s::plain(&s::boot_record()), &[8, 9, 10, 12, 13]),
        ("door", s::plain(&s::bundle().door), &[]),
        ("unattended-close", s::plain(&s::bundle().close), &[]),
        ("alarms", s::plain(&s::bundle().alarms), &[0, 1, 3]),
        ("policy-settings", s::plain(&s::bundle().policy), &[]),
        ("network", s::plain(&s::bundle().networks[0]), &[]),
        ("wifi", s::plain(&s::full_check_in().wifi), &[2]),
        ("running", s::plain(&s::full_check_in().net), &[]),
        ("outcome", s::plain(&s::full_check_in().outcome), &[]),
    ]
}

/// The entries of a map with small integer keys, each with its encoded value.
fn entries(map: &[u8]) -> Vec<(i64, Vec<u8>)> {
    let mut d = minicbor::Decoder::new(map);
    (0..d.map().unwrap().unwrap())
        .map(|_| {
            let key = d.i64().unwrap();
            let start = d.position();
            d.skip().unwrap();
            (key, map[start..d.position()].to_vec())
        })
        .collect()
}

fn map_of(entries: &[(i64, Vec<u8>)]) -> Vec<u8> {
    let mut e = Encoder::new(Vec::new());
    e.map(entries.len() as u64).unwrap();
    for (key, value) in entries {
        e.i64(*key).unwrap();
        e.writer_mut().extend_from_slice(value);
    }
    e.into_writer()
}

#[test]
fn every_message_holds_and_none_is_taken_for_another() {
    let all = all();
    for (rule, bytes) in &all {
        holds(rule, bytes);
        for (other, _) in all.iter().filter(|(other, _)| other != rule) {
            assert!(fault(other, bytes).is_some(), "a {rule} passes as {other}");
        }
    }
}

#[test]
fn every_field_is_missed_and_a_field_too_much_is_noticed() {
    for (rule, bytes, optional) in maps() {
        holds(rule, &bytes);
        let fields = entries(&bytes);
        assert_eq!(map_of(&fields), bytes);
        for n in 0..fields.len() {
            let mut without = fields.clone();
            let (key, _) = without.remove(n);
            let found = fault(rule, &map_of(&without));
            assert_eq!(found.is_none(), optional.contains(&key), "{rule} without {key}: {found:?}");
        }
        let mut more = fields.clone();
        more.push((99, vec![0]));
        assert!(fault(rule, &map_of(&more)).is_some(), "{rule} with a field 99");
    }
}

#[test]
fn every_field_of_another_type_is_noticed() {
    for (rule, bytes, _) in maps() {
        let fields = entries(&bytes);
        for (n, (key, _)) in fields.iter().enumerate() {
            // null, a text, a negative number beyond every range, an empty map.
            for wrong in [&[0xf6][..], b"\x61?", b"\x3b\xff\xff\xff\xff\xff\xff\xff\xff", &[0xa0]] {
                let mut changed = fields.clone();
                // One text is as good as another.
                if (wrong[0] >> 5, changed[n].1[0] >> 5) == (3, 3) {
                    continue;
                }
                changed[n].1 = wrong.to_vec();
                assert!(fault(rule, &map_of(&changed)).is_some(), "{rule}, field {key} as {wrong:02x?}");
            }
        }
    }
}

/// The first four bytes of each message are heads and fixed values.
#[test]
fn damaged_heads_are_noticed() {
    for (rule, bytes) in all() {
        for at in 0..4 {
            for bit in 5..8 {
                let mut hurt = bytes.clone();
                hurt[at] ^= 1 << bit;
                assert!(fault(rule, &hurt).is_some(), "{rule}, byte {at}, bit {bit}");
            }
        }
        for len in 0..bytes.len() {
            assert!(fault(rule, &bytes[..len]).is_some(), "{rule} cut at {len}");
        }
        assert!(fault(rule, &[&bytes[..], &[0]].concat()).is_some(), "{rule} with a byte more");
    }
}

#[test]
fn values_out_of_range_are_noticed() {
    use pintle_protocol::checkin::{CheckIn, Outcome};
    let full = s::full_check_in();
    let outcome = full.outcome.unwrap();
    for (what, wrong) in [
        ("protocol 2", CheckIn { protocol: 2, ..full.clone() }),
        ("a counter beyond 63 bits", CheckIn { counter: 1 << 63, ..full.clone() }),
        ("an unknown reason", CheckIn { outcome: Some(Outcome { reason: 999, ..outcome }), ..full.clone() }),
        (
            "a third slot",
            CheckIn { net: pintle_protocol::checkin::Running { slot: 2, ..full.net }, ..full.clone() },
        ),
        (
            "a report that is none",
            CheckIn { report: heapless::Vec::from_slice(&[1]).unwrap(), ..full.clone() },
        ),
    ] {
        assert!(fault("check-in", &s::plain(&wrong)).is_some(), "{what}");
    }
}

/// All reasons that the library knows are in the file, and no other number near them.
#[test]
fn the_reasons_are_those_of_the_library() {
    use pintle_protocol::reason::Reason;
    for code in 0..700u16 {
        let mut e = Encoder::new(Vec::new());
        e.u16(code).unwrap();
        let listed = fault("reason", &e.into_writer()).is_none();
        assert_eq!(listed, Reason::from_code(code).is_some(), "reason {code}");
    }
}

/// Texts with several bytes to a character count by their bytes, as buffers do.
#[test]
fn texts_are_bounded_in_bytes() {
    let mut card = s::starter_card();
    card.name = "ä".repeat(16).as_str().try_into().unwrap();
    holds("starter-card", &s::plain(&card));
    let fields: Vec<_> = entries(&s::plain(&card))
        .into_iter()
        .map(|(key, value)| if key == 2 { (key, s::plain(&"ä".repeat(17))) } else { (key, value) })
        .collect();
    assert!(fault("starter-card", &map_of(&fields)).is_some());
}

/// A node lists what the envelopes need that are made for it; what is not listed is missed.
#[test]
fn the_capability_report_covers_the_envelopes_in_use() {
    use pintle_protocol::agent::CAPABILITIES;
    use pintle_protocol::suit::{Capabilities, Command, Parameter, read_capabilities};
    let envelopes = [
        s::image_envelope(Chip::Net, 7, s::IMAGE),
        s::image_envelope(Chip::Io, 7, s::IMAGE),
        s::bundle_envelope(&s::bundle(), s::public(s::SEALING), s::BUNDLE),
        s::keys_envelope(s::ROOT),
    ];
    let report = super::vectors::capabilities();
    let read = read_capabilities(&report).unwrap();
    for envelope in &envelopes {
        assert!(read.missing(envelope).unwrap().is_empty());
    }
    let mut less = [0; 128];
    let commands: Vec<_> = CAPABILITIES.commands.iter().copied().filter(|c| *c != Command::Fetch).collect();
    let parameters: Vec<_> =
        CAPABILITIES.parameters.iter().copied().filter(|p| *p != Parameter::LinkRange).collect();
    let few = Capabilities { components: &[b"io"], commands: &commands, parameters: &parameters };
    let len = few.write(&mut less).unwrap();
    let missing = read_capabilities(&less[..len]).unwrap();
    let missing = missing.missing(&envelopes[0]).unwrap();
    assert_eq!(missing.components, [b"net"]);
    assert_eq!(
        (&missing.commands[..], &missing.parameters[..]),
        (&[Command::Fetch][..], &[Parameter::LinkRange][..])
    );
}

/// With more members than are read, and components that stand for all that begin so.
#[test]
fn a_capability_report_of_another_kind_is_read() {
    use pintle_protocol::suit::read_capabilities;
    let own = entries(&super::vectors::capabilities());
    let with = |components: &str, algorithms: &str| {
        let mut members = own.clone();
        members[0].1 = hex::decode(components).unwrap();
        members[3].1 = hex::decode(algorithms).unwrap();
        members.push((5, vec![0x82, 2, 3]));
        map_of(&members)
    };
    let (all, image) = ("842f32381c1818", s::image_envelope(Chip::Net, 7, s::IMAGE));
    for (components, has) in [
        ("8181436e6574", true),      // [["net"]]
        ("8181f5", true),            // [[true]]
        ("8182436e6574f5", true),    // [["net", true]]
        ("8182436e65744178", false), // [["net", "x"]]
        ("818142696f", false),       // [["io"]]
    ] {
        let bytes = with(components, all);
        let read = read_capabilities(&bytes).unwrap();
        assert_eq!(read.missing_algorithms().count(), 0);
        assert_eq!(read.missing(&image).unwrap().is_empty(), has, "{components}");
    }
    let bytes = with("8181f5", "822f32");
    assert_eq!(read_capabilities(&bytes).unwrap().missing_algorithms().collect::<Vec<_>>(), [-29, 24]);
    for bad in ["a0", "a1018181f5", "80", "a4018102"] {
        assert!(read_capabilities(&hex::decode(bad).unwrap()).is_err(), "{bad}");
    }
}

//! What nodes report of manifests, as the operator's side reads it.

use super::seeds::{self, column, vectors};
use super::{Target, cbor, must, way};
use pintle_protocol::agent::CAPABILITIES;
use pintle_protocol::cose::StaticSecret;
use pintle_protocol::id::PublicKey;
use pintle_protocol::sim::rig::Yard;
use pintle_protocol::suit::{
    ReadEnding, Section, Stopped, place, read_capabilities, read_report, write_report,
};

/// Bytes before the envelope in an input of `report-place`: section, component, offset.
const HEAD: usize = 4;

pub(super) fn targets() -> Vec<Target> {
    let public = PublicKey(x25519_dalek::PublicKey::from(&StaticSecret::from([8; 32])).to_bytes());
    let mut envelopes = seeds::envelopes(&Yard::default(), public, &seeds::bundle());
    let takes = envelopes.len();
    envelopes.extend(vectors("envelopes", "message"));
    envelopes.extend(vectors("refused", "message"));
    vec![reports(), places(&envelopes), capabilities(envelopes, takes)]
}

/// A report that is read is written again as what it was.
fn reports() -> Target {
    let mut seeds = column(include_str!("../../vectors/suit_reports.txt"), 1);
    let reports = vectors("messages", "payload").into_iter().filter(|m| read_report(m).is_ok());
    seeds.extend(reports);
    let check = |bytes: &[u8]| {
        let report = match read_report(bytes) {
            Ok(report) => report,
            Err(fault) => {
                let _ = fault.to_string();
                return Ok(way(&std::mem::discriminant(&fault)));
            }
        };
        must(cbor::strict(bytes, 8), "what is not strict CBOR is read as a report")?;
        let stopped = match report.ending {
            ReadEnding::Passed => None,
            ReadEnding::Failed { reason: None, .. } => return Ok(2),
            ReadEnding::Failed { code, reason: Some(reason), record } => Some(Stopped {
                section: record.section,
                offset: record.offset,
                component: record.component,
                found: record.found,
                code,
                reason,
            }),
        };
        let mut out = vec![0; bytes.len() + 512];
        let end = stopped.as_ref().map_or(Ok(()), Err);
        let len = write_report(report.manifest, report.reference_uri, end, &mut out)
            .map_err(|needed| format!("needs {needed} bytes"))?;
        let again = read_report(&out[..len]).map_err(|fault| format!("not read again: {fault}"))?;
        must(again.ending == report.ending, "it ends otherwise the second time")?;
        must(again.manifest == report.manifest, "it is about something else the second time")?;
        Ok(way(&(stopped.map(|s| (s.section, s.found.is_some())), report.nonce.is_some())))
    };
    Target::new("report", 6000, seeds, Box::new(check))
}

/// Wherever a report points to, the place is in the envelope or it is none.
fn places(envelopes: &[Vec<u8>]) -> Target {
    let seeds = envelopes.iter().zip(0u8..).map(|(envelope, n)| [&[n, 0, 1, 0], &envelope[..]].concat());
    let check = |bytes: &[u8]| {
        let (Some(head), Some(envelope)) = (bytes.first_chunk::<HEAD>(), bytes.get(HEAD..)) else {
            return Ok(0);
        };
        let section = Section::ALL[usize::from(head[0]) % Section::ALL.len()];
        let offset = u32::from(u16::from_le_bytes([head[2], head[3]]));
        match place(envelope, section, offset, head[1]) {
            Err(refusal) => Ok(way(&std::mem::discriminant(&refusal))),
            Ok(place) => {
                let inside = place.in_manifest.is_none_or(|at| at < envelope.len());
                must(inside, "the place lies behind the envelope")?;
                for count in [place.asked(|a| a.size).len(), place.asked(|a| a.slot).len()] {
                    must(count <= 8, "more is asked for than is told")?;
                }
                Ok(way(&(place.command, place.component.is_some())))
            }
        }
    };
    Target::new("report-place", 4000, seeds.collect(), Box::new(check))
}

/// A node's own capability report lacks nothing for the envelopes that it takes, the first ones.
fn capabilities(envelopes: Vec<Vec<u8>>, takes: usize) -> Target {
    let mut own = vec![0; 256];
    let len = CAPABILITIES.write(&mut own).unwrap_or(0);
    own.truncate(len);
    let full = own.clone();
    let check = move |bytes: &[u8]| {
        let read = match read_capabilities(bytes) {
            Ok(read) => read,
            Err(fault) => return Ok(way(&std::mem::discriminant(&fault))),
        };
        let mut lacks = Vec::new();
        for (n, envelope) in envelopes.iter().enumerate() {
            let missing = read.missing(envelope).map(|missing| missing.is_empty()).ok();
            must(bytes != full || n >= takes || missing == Some(true), "a node lacks what it takes")?;
            lacks.push(missing);
        }
        let _ = read.missing_algorithms().count();
        Ok(way(&lacks))
    };
    Target::new("capabilities", 2500, vec![own], Box::new(check))
}

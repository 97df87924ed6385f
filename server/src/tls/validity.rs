//! From when until when a certificate is good, read from its DER encoding.

use crate::contract::Seconds;
use jiff::civil::DateTime;
use jiff::tz::TimeZone;

/// Tags of ASN.1 (ITU-T X.690).
const INTEGER: u8 = 0x02;
const UTC_TIME: u8 = 0x17;
const GENERALIZED_TIME: u8 = 0x18;
const SEQUENCE: u8 = 0x30;
/// `[0] EXPLICIT`, around the version.
const VERSION: u8 = 0xa0;

/// The span in which a certificate is good, both ends included.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Validity {
    pub(crate) not_before: Seconds,
    pub(crate) not_after: Seconds,
}

/// Reads the validity of a certificate (RFC 5280 sections 4.1 and 4.1.2.5).
pub(crate) fn validity(certificate: &[u8]) -> Option<Validity> {
    let [not_before, not_after] = times(certificate)?.map(|(tag, text)| seconds(tag, text));
    Some(Validity { not_before: not_before?, not_after: not_after? })
}

/// Tag and text of the two times.
fn times(certificate: &[u8]) -> Option<[(u8, &str); 2]> {
    let (mut tbs, _) = expect(SEQUENCE, expect(SEQUENCE, certificate)?.0)?;
    if tbs.first() == Some(&VERSION) {
        tbs = expect(VERSION, tbs)?.1;
    }
    // Serial number, signature algorithm and issuer come before the validity.
    let (_, tbs) = expect(INTEGER, tbs)?;
    let (_, tbs) = expect(SEQUENCE, tbs)?;
    let (_, tbs) = expect(SEQUENCE, tbs)?;
    let (validity, _) = expect(SEQUENCE, tbs)?;
    let (tag, from, rest) = item(validity)?;
    let (tag_until, until, rest) = item(rest)?;
    let times = [(tag, std::str::from_utf8(from).ok()?), (tag_until, std::str::from_utf8(until).ok()?)];
    rest.is_empty().then_some(times)
}

/// The content of an item with this tag, and what follows it.
fn expect(tag: u8, bytes: &[u8]) -> Option<(&[u8], &[u8])> {
    let (found, content, rest) = item(bytes)?;
    (found == tag).then_some((content, rest))
}

/// Tag, content and what follows.
fn item(bytes: &[u8]) -> Option<(u8, &[u8], &[u8])> {
    let (&tag, rest) = bytes.split_first()?;
    let (&first, rest) = rest.split_first()?;
    let (len, rest) = match first {
        0..=0x7f => (usize::from(first), rest),
        0x81..=0x83 => {
            let (digits, rest) = rest.split_at_checked(usize::from(first & 3))?;
            (digits.iter().fold(0, |len, digit| len << 8 | usize::from(*digit)), rest)
        }
        _ => return None,
    };
    let (content, rest) = rest.split_at_checked(len)?;
    Some((tag, content, rest))
}

/// `YYMMDDHHMMSSZ` or `YYYYMMDDHHMMSSZ`, by tag. Two digits of 50 or more mean the twentieth century.
fn seconds(tag: u8, text: &str) -> Option<Seconds> {
    let digits = text.strip_suffix('Z').filter(|d| d.bytes().all(|b| b.is_ascii_digit()))?;
    let (year, rest) = match (tag, digits.len()) {
        (UTC_TIME, 12) => {
            let year: i16 = digits[..2].parse().ok()?;
            (if year >= 50 { 1900 + year } else { 2000 + year }, &digits[2..])
        }
        (GENERALIZED_TIME, 14) => (digits[..4].parse().ok()?, &digits[4..]),
        _ => return None,
    };
    let two = |at: usize| rest[at..at + 2].parse::<i8>().ok();
    let moment = DateTime::new(year, two(0)?, two(2)?, two(4)?, two(6)?, two(8)?, 0).ok()?;
    Some(moment.to_zoned(TimeZone::UTC).ok()?.timestamp().as_second())
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tls;
    use rcgen::{CertificateParams, KeyPair, PKCS_ECDSA_P256_SHA256};

    /// A certificate that ends at `not_after`.
    fn until(not_after: Seconds) -> Vec<u8> {
        let key = KeyPair::generate_for(&PKCS_ECDSA_P256_SHA256).unwrap();
        let mut params = CertificateParams::new(vec!["localhost".to_owned()]).unwrap();
        tls::lasts(&mut params, not_after - 2 * tls::DAY, not_after);
        params.self_signed(&key).unwrap().der().to_vec()
    }

    /// Source: RFC 5280 section 4.1.2.5: dates through the year 2049 as UTCTime, from 2050 on as
    /// GeneralizedTime; both with seconds and Z, GeneralizedTime without fractions.
    #[test]
    fn rfc5280_times_change_their_form_in_2050() {
        let rows = [
            (1_800_000_000, UTC_TIME, "270115080000Z"),
            (2_524_607_999, UTC_TIME, "491231235959Z"),
            (2_524_608_000, GENERALIZED_TIME, "20500101000000Z"),
            (2_524_608_001, GENERALIZED_TIME, "20500101000001Z"),
            // A leap day of a year that is divided by 400.
            (951_782_400, UTC_TIME, "000229000000Z"),
            // 2100 has none: the day after 28 February is 1 March.
            (4_107_542_400, GENERALIZED_TIME, "21000301000000Z"),
        ];
        for (at, tag, text) in rows {
            let der = until(at);
            let [from, end] = times(&der).unwrap();
            assert_eq!(end, (tag, text), "{at}");
            assert_eq!(from.0, if at - 3 * tls::DAY < 2_524_608_000 { UTC_TIME } else { GENERALIZED_TIME });
            let found = validity(&der).unwrap();
            assert_eq!(found, Validity { not_before: at - 3 * tls::DAY, not_after: at });
        }
    }

    #[test]
    fn what_is_no_certificate_has_no_validity() {
        let der = until(2_000_000_000);
        for len in 0..der.len() {
            assert_eq!(validity(&der[..len]), None, "{len} bytes");
        }
        for (tag, text) in [
            (UTC_TIME, "270115080000"),
            (UTC_TIME, "2701150800Z"),
            (UTC_TIME, "271315080000Z"),
            (UTC_TIME, "27011508000\u{e9}Z"),
            (GENERALIZED_TIME, "270115080000Z"),
            (GENERALIZED_TIME, "20270115080000.5Z"),
            (SEQUENCE, "270115080000Z"),
        ] {
            assert_eq!(seconds(tag, text), None, "{text}");
        }
    }
}

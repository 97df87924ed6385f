//! SUIT_Report: what became of a manifest.
//!
//! ```text
//! { ? 2: nonce, 3: [records and claims], 4: true or {5: code, 6: record, 7: reason}, 99: [uri, digest] }
//! ```
//!
//! Source: draft-ietf-suit-report-18.

use super::codes::Parameter;
use super::failure::{Found, Holding};
use super::stopped::Stopped;
use crate::cbor::{Bounded, Sink, Writer};
use crate::cose::SHA_256;
use crate::id::Digest;

/// The comparison "equal" of draft-ietf-suit-update-management-14.
pub(super) const EQUAL: u64 = 3;

/// What a component was found to hold, reported without a record.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Claim<'a> {
    /// The one part of the component's identifier, such as `net`.
    pub component: &'a [u8],
    /// What it was found to hold.
    pub holds: Holding,
}

/// How a run ended.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Ending<'a> {
    /// Everything passed.
    Passed,
    /// It was stopped. The record also goes into the list of records, if there is room.
    Failed(&'a Stopped),
}

/// A report on one run.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Report<'a> {
    /// What the one who asks wants to see again.
    pub nonce: Option<&'a [u8]>,
    /// What components were found to hold.
    pub claims: &'a [Claim<'a>],
    /// How it ended.
    pub ending: Ending<'a>,
    /// The manifest's reference URI; the empty text if it has none.
    pub reference_uri: &'a str,
    /// The manifest digest.
    pub manifest: Digest,
}

impl Report<'_> {
    /// Writes the report in deterministic encoding and returns its length. One that does not fit
    /// leaves out first the record from the list, since the result holds the same one, then the
    /// reference URI, since the digest names the manifest. What is left has at most 112 bytes
    /// without nonce and claims.
    ///
    /// # Errors
    /// The bytes needed for the shortest form, if `out` is too small for that.
    pub fn write(&self, out: &mut [u8]) -> Result<usize, usize> {
        let bare = Self { reference_uri: "", ..*self };
        self.write_as(true, out).or_else(|_| self.write_as(false, out)).or_else(|_| bare.write_as(false, out))
    }

    #[inline(never)]
    fn write_as(&self, listed: bool, out: &mut [u8]) -> Result<usize, usize> {
        let mut w = Writer(Bounded::new(out));
        w.map(3 + usize::from(self.nonce.is_some()));
        if let Some(nonce) = self.nonce {
            w.uint(2).bytes(nonce);
        }
        let recorded = match self.ending {
            Ending::Failed(stopped) if listed => Some(stopped),
            Ending::Failed(_) | Ending::Passed => None,
        };
        w.uint(3).array(self.claims.len() + usize::from(recorded.is_some()));
        for claim in self.claims {
            w.map(1 + count(&claim.holds)).uint(0).array(1).bytes(claim.component);
            properties(&mut w, &claim.holds);
        }
        if let Some(stopped) = recorded {
            record(&mut w, stopped);
        }
        w.uint(4);
        match self.ending {
            Ending::Passed => {
                w.truth();
            }
            Ending::Failed(stopped) => {
                w.map(3).uint(5).int(stopped.code).uint(6);
                record(&mut w, stopped);
                w.uint(7).uint(u64::from(stopped.reason.code()));
            }
        }
        w.uint(99).array(2).text(self.reference_uri);
        suit_digest(&mut w, &self.manifest);
        w.0.finish()
    }
}

/// Writes the report of what became of a manifest into `out` and returns its length. The code of
/// what stopped it is the number of its [`crate::reason::Reason`].
///
/// # Errors
/// The bytes needed, if `out` is too small for the shortest form: see [`Report::write`].
pub fn write_report(
    manifest: Digest,
    reference_uri: &str,
    end: Result<(), &Stopped>,
    out: &mut [u8],
) -> Result<usize, usize> {
    let ending = match end {
        Ok(()) => Ending::Passed,
        Err(stopped) => Ending::Failed(stopped),
    };
    Report { nonce: None, claims: &[], ending, reference_uri, manifest }.write(out)
}

/// SUIT_Record: the root manifest, section, offset, component, what was measured.
fn record<S: Sink>(w: &mut Writer<S>, stopped: &Stopped) {
    w.array(5).array(0);
    // Key 0 of a manifest is reserved: it stands for "in none of the sequences".
    w.uint(stopped.section.map_or(0, |s| u64::from(s.number()))).uint(u64::from(stopped.offset));
    w.uint(u64::from(stopped.component));
    match &stopped.found {
        None => {
            w.map(0);
        }
        Some(Found::Image(holds)) => {
            w.map(count(holds));
            properties(w, holds);
        }
        Some(Found::Vendor(id)) => {
            w.map(1).int(Parameter::VendorIdentifier.code()).bytes(&id.0);
        }
        Some(Found::Class(id)) => {
            w.map(1).int(Parameter::ClassIdentifier.code()).bytes(&id.0);
        }
        Some(Found::Device(id)) => {
            w.map(1).int(Parameter::DeviceIdentifier.code()).bytes(&id.0);
        }
        Some(Found::Slot(slot)) => {
            w.map(1).int(Parameter::ComponentSlot.code()).uint(*slot);
        }
        Some(Found::Time(now)) => {
            w.map(1).int(Parameter::UseBefore.code()).uint(*now);
        }
        Some(Found::Version(numbers)) => {
            // [equal, [numbers]] in a byte string, as the parameter has it.
            let mut inner = [0; 16];
            let mut v = Writer(Bounded::new(&mut inner));
            v.array(2).uint(EQUAL).array(numbers.len());
            for n in numbers {
                v.uint(u64::from(*n));
            }
            // At most 12 bytes: three heads and three numbers of three bytes.
            let len = v.0.finish().unwrap_or(0);
            w.map(1).int(Parameter::Version.code()).bytes(inner.get(..len).unwrap_or_default());
        }
    }
}

fn count(holds: &Holding) -> usize {
    1 + usize::from(holds.size.is_some())
}

/// Image digest (3) and image size (14), with the values that were measured.
fn properties<S: Sink>(w: &mut Writer<S>, holds: &Holding) {
    // The SUIT_Digest, four bytes of heads and 32 of digest, stands in a byte string.
    w.uint(3).raw(&[0x58, 36]);
    suit_digest(w, &holds.digest);
    if let Some(size) = holds.size {
        w.uint(14).uint(size);
    }
}

fn suit_digest<S: Sink>(w: &mut Writer<S>, digest: &Digest) {
    w.array(2).int(SHA_256).bytes(&digest.0);
}

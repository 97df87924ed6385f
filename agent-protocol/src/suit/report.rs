//! SUIT_Report: what became of a manifest. Source: draft-ietf-suit-report-18.

use super::failure::Failure;
use super::manifest::Manifest;
use crate::cbor::{Bounded, Writer};
use crate::cose::SHA_256;
use crate::id::Digest;

fn digest<S: crate::cbor::Sink>(w: &mut Writer<S>, digest: &Digest) {
    w.array(2).int(SHA_256).bytes(&digest.0);
}

/// Writes the report of a processing run into `out` and returns its length.
///
/// A success carries no records. A failure carries the record of the command that failed, with
/// what was measured where something was. The reference is the manifest's own URI, or an empty
/// text where it has none.
///
/// # Errors
/// The bytes needed, if `out` is too small.
pub fn write_report(
    manifest: &Manifest<'_>,
    end: Result<(), &Failure>,
    out: &mut [u8],
) -> Result<usize, usize> {
    let mut w = Writer(Bounded::new(out));
    w.map(3).uint(3).array(0).uint(4);
    match end {
        Ok(()) => {
            w.truth();
        }
        Err(failure) => {
            w.map(3).uint(5).uint(0).uint(6);
            w.array(5).array(0).uint(u64::from(failure.section.number())).uint(u64::from(failure.offset));
            w.uint(u64::from(failure.component));
            match failure.measured {
                None => {
                    w.map(0);
                }
                Some((measured, size)) => {
                    let mut inner = [0u8; 40];
                    let mut v = Writer(Bounded::new(&mut inner));
                    digest(&mut v, &measured);
                    let len = v.0.finish()?;
                    w.map(2).uint(3).bytes(inner.get(..len).unwrap_or_default()).uint(14).uint(size);
                }
            }
            w.uint(7).uint(u64::from(failure.report().code()));
        }
    }
    w.uint(99).array(2).text(manifest.reference_uri().unwrap_or_default());
    digest(&mut w, &manifest.digest());
    w.0.finish()
}

//! Opening an envelope: digest, signature, and only then what is inside.

use super::TrustAnchors;
use super::device::Device;
use super::manifest::Manifest;
use super::outer::{Outer, Piece};
use super::refusal::Refusal;
use crate::cose::{CoseFault, key, sign1};
use crate::id::{Digest, PublicKey, Role};

/// Says who signed. [`TrustAnchors`] is the one that nodes and server use; another one is for
/// reading envelopes of other profiles, and for tests.
pub trait Verifier {
    /// Judges one authentication block over `digest`, the encoded SUIT_Digest.
    ///
    /// Returns the role of the key that made it, or `None` if it is by no known key.
    ///
    /// # Errors
    /// [`CoseFault`] if the block is not acceptable at all, or names a known key and does not
    /// verify with it: then the envelope is refused, whatever other blocks it has.
    fn judge(&self, block: &[u8], digest: &[u8]) -> Result<Option<Role>, CoseFault>;
}

impl Verifier for TrustAnchors {
    fn judge(&self, block: &[u8], digest: &[u8]) -> Result<Option<Role>, CoseFault> {
        let block = sign1::parse(block)?;
        let named = |k: &PublicKey| match block.kid() {
            Some(kid) => kid.len() >= key::KID_LEN && key::thumbprint(k).starts_with(kid),
            None => true,
        };
        let mut outcome = Ok(None);
        for (role, key) in self.keys() {
            // The server's key signs no manifests.
            let Some(role) = role else { continue };
            if !named(key) {
                continue;
            }
            match block.verify_digest(key, digest) {
                Ok(()) => return Ok(Some(role)),
                // Without a key identifier this only says that it was not this key.
                Err(CoseFault::Signature) if block.kid().is_none() => {}
                Err(fault) => outcome = Err(fault),
            }
        }
        outcome
    }
}

/// An envelope whose manifest has been authenticated. There is no other way to a [`Manifest`].
#[derive(Clone, Copy, Debug)]
pub struct Authentic<'b> {
    pub(super) outer: Outer<'b>,
    pub(super) digest: Digest,
    pub(super) role: Role,
}

/// That a manifest with this digest was authenticated. Holds no borrow, so that a state machine
/// can keep it and look at the envelope again without another signature check.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Ticket {
    digest: Digest,
    role: Role,
}

/// Opens an envelope signed by one of our keys.
///
/// # Errors
/// [`Refusal`], the first thing wrong. Nothing inside the manifest is read before its digest and
/// a signature over that digest have been verified.
///
/// # Source
/// draft-ietf-suit-manifest-37 sections 6.2 and 8.3.
pub fn open<'b>(envelope: &'b [u8], anchors: &TrustAnchors) -> Result<Authentic<'b>, Refusal> {
    open_with(envelope, anchors)
}

/// [`open`] with another judge of who may sign.
///
/// # Errors
/// As [`open`].
#[inline(never)]
pub fn open_with<'b>(envelope: &'b [u8], verifier: &dyn Verifier) -> Result<Authentic<'b>, Refusal> {
    let outer = Outer::read(envelope)?;
    let (signed, digest, mut blocks, count) = outer.wrapper()?;
    matches_manifest(&outer, digest)?;
    let mut signer = None;
    for _ in 0..count {
        let block = Piece::read(&mut blocks, "an authentication block as a byte string")?;
        let role = verifier
            .judge(block.bytes, signed.bytes)
            .map_err(|fault| Refusal::Block { at: block.at, fault })?;
        match (signer, role) {
            (Some(one), Some(other)) if one != other => return Err(Refusal::TwoRoles { at: block.at }),
            (None, Some(role)) => signer = Some(role),
            (Some(_) | None, Some(_) | None) => {}
        }
    }
    let role = signer.ok_or(Refusal::Unsigned { at: outer.wrapper.at })?;
    Ok(Authentic { outer, digest, role })
}

pub(super) fn matches_manifest(outer: &Outer<'_>, digest: Digest) -> Result<(), Refusal> {
    if outer.manifest.digest() == digest {
        Ok(())
    } else {
        Err(Refusal::DigestOther { at: outer.manifest.at })
    }
}

impl<'b> Authentic<'b> {
    /// The manifest digest: what an envelope is known by.
    pub fn digest(&self) -> Digest {
        self.digest
    }

    /// The role of the key that signed it.
    pub fn role(&self) -> Role {
        self.role
    }

    /// The bytes of the whole envelope.
    pub fn envelope_bytes(&self) -> &'b [u8] {
        self.outer.envelope
    }

    /// The bytes of the manifest.
    pub fn manifest_bytes(&self) -> &'b [u8] {
        self.outer.manifest.bytes
    }

    /// A ticket for looking at the same envelope again later.
    pub fn ticket(&self) -> Ticket {
        Ticket { digest: self.digest, role: self.role }
    }

    /// Reads the manifest for this device. All sequences are scanned, nested ones too, before
    /// anything could be carried out.
    ///
    /// # Errors
    /// [`Refusal`] for a manifest that this device does not understand completely, that names
    /// components it does not have, or that was signed by a key without the right to them.
    pub fn manifest(&self, device: &Device<'_>) -> Result<Manifest<'b>, Refusal> {
        Manifest::read(self, device)
    }
}

impl Ticket {
    /// The manifest digest.
    pub fn digest(&self) -> Digest {
        self.digest
    }

    /// The role of the key that signed it.
    pub fn role(&self) -> Role {
        self.role
    }

    /// Opens the envelope that this ticket was given for, from bytes that have lain about since.
    /// Checks the manifest's digest, not the signature over it again.
    ///
    /// # Errors
    /// [`Refusal::Changed`] if it is another manifest; other refusals if it is damaged.
    pub fn redeem<'b>(&self, envelope: &'b [u8]) -> Result<Authentic<'b>, Refusal> {
        let outer = Outer::read(envelope)?;
        if outer.manifest.digest() != self.digest {
            return Err(Refusal::Changed);
        }
        Ok(Authentic { outer, digest: self.digest, role: self.role })
    }
}

//! Verifying an envelope, without a node around it.

use crate::code::{PINTLE_CAPABILITIES_MAX, PintleCode};
use crate::raw;
use pintle_protocol::agent::{CAPABILITIES, cannot};
use pintle_protocol::cbor::decode_message;
use pintle_protocol::id::{Digest, NodeId, Uuid16};
use pintle_protocol::reason::Reason;
use pintle_protocol::suit::{
    Answer, Ask, Device, NODE_COMPONENTS, Run, Section, TrustAnchors, envelope, node_components,
    payload_named,
};

/// Who the node is that an envelope is held against.
#[repr(C)]
#[derive(Clone, Copy, Debug, Default)]
pub struct PintleDevice {
    /// Vendor identifier of the yard.
    pub vendor: [u8; 16],
    /// The node's device identifier.
    pub node: [u8; 16],
    /// Class of the net chip's images.
    pub net_class: [u8; 16],
    /// Class of the io chip's images.
    pub io_class: [u8; 16],
}

/// Why an envelope is refused.
#[repr(C)]
#[derive(Clone, Copy, Debug, Default)]
pub struct PintleRefusal {
    /// The reason, as in check-ins; see pintle_reason_text.
    pub reason: u16,
    /// More about it: a byte offset, a size, a code or an index.
    pub detail: u32,
}

/// What a verified envelope brings.
#[repr(C)]
#[derive(Clone, Copy, Debug, Default)]
pub struct PintleEnvelope {
    /// What it changes: 0 the net chip's image, 1 the io chip's, 2 the bundle, 3 the trust anchors.
    pub component: u8,
    /// 1 if the payload has to be fetched (images), 0 if it lies in the envelope.
    pub fetched: u8,
    /// Its sequence number.
    pub sequence: u64,
    /// The manifest digest: what the envelope is known by.
    pub manifest: [u8; 32],
    /// SHA-256 that the payload must have.
    pub payload: [u8; 32],
    /// Bytes that the payload must have.
    pub payload_size: u32,
    /// Version of an image: major, minor, patch; all 0 if it does not say.
    pub version: [u16; 3],
    /// Oldest and newest link version of an image; 0 and 0 if it does not say.
    pub link: [u8; 2],
    /// Version of an image's actuation profile.
    pub profile_version: u8,
    /// Its actuation profile; 0 if it does not say.
    pub profile_id: u16,
}

/// Verifies an envelope: its signature by a key that may change what it changes, that every command in
/// it is understood, that it is for this device, and that its sequence number is higher than kept.
/// For a chip that checks images by itself before it starts them.
///
/// It says what the payload must hash to; the payload itself was not looked at. Only bytes whose
/// SHA-256 is out.payload are what was signed. Needs about 12 KiB of stack, and mostly the time of one
/// Ed25519 verification.
///
/// envelope: envelope_len bytes.
/// anchors: the trust anchors in CBOR, as the component "keys" brings them; anchors_len bytes.
/// device: who this is.
/// kept: the highest sequence number kept for the role that may change the component.
/// out: gets what it brings; all zeros if it is refused.
/// refusal: gets why it is refused; may be null.
///
/// # Safety
/// The pointers are null or good for what is said above.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn pintle_envelope_verify(
    envelope: *const u8,
    envelope_len: usize,
    anchors: *const u8,
    anchors_len: usize,
    device: *const PintleDevice,
    kept: u64,
    out: *mut PintleEnvelope,
    refusal: *mut PintleRefusal,
) -> PintleCode {
    let verified = (|| {
        // SAFETY: as promised.
        unsafe { raw::put(out, PintleEnvelope::default()) }?;
        // SAFETY: as promised.
        unsafe { raw::put_if(refusal, PintleRefusal::default()) }?;
        // SAFETY: as promised.
        let envelope = unsafe { raw::bytes(envelope, envelope_len) }?;
        // SAFETY: as promised.
        let anchors = unsafe { raw::bytes(anchors, anchors_len) }?;
        // SAFETY: as promised.
        let device = unsafe { raw::get(device) }?;
        let anchors = decode_message::<TrustAnchors>(anchors).map_err(|_| PintleCode::Anchors)?;
        anchors.check().map_err(|_| PintleCode::Anchors)?;
        match verify(envelope, &anchors, device, kept) {
            // SAFETY: as promised.
            Ok(brings) => unsafe { raw::put(out, brings) },
            Err((reason, detail)) => {
                // SAFETY: as promised.
                unsafe { raw::put_if(refusal, PintleRefusal { reason: reason.code(), detail }) }?;
                Err(PintleCode::Refused)
            }
        }
    })();
    PintleCode::of(verified)
}

/// Writes what of SUIT this node core carries out: components, commands, parameters and algorithms, as a
/// capability report (docs/wire.md section 3.5). It is the same for every node of this version.
///
/// out: gets PINTLE_CAPABILITIES_MAX bytes, zeros behind the report.
/// out_len: gets the report's length.
///
/// # Safety
/// out has room for PINTLE_CAPABILITIES_MAX, out_len can be written.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn pintle_capability_report(out: *mut u8, out_len: *mut usize) -> PintleCode {
    let written = (|| {
        raw::writable(out)?;
        raw::writable(out_len)?;
        let mut report = [0; PINTLE_CAPABILITIES_MAX];
        let len = CAPABILITIES.write(&mut report).map_err(|_| PintleCode::Length)?;
        // SAFETY: as promised.
        unsafe { raw::copy(&report, out) }?;
        // SAFETY: as promised.
        unsafe { raw::put(out_len, len) }
    })();
    PintleCode::of(written)
}

fn verify(
    bytes: &[u8],
    anchors: &TrustAnchors,
    device: &PintleDevice,
    kept: u64,
) -> Result<PintleEnvelope, (Reason, u32)> {
    let authentic = envelope::open(bytes, anchors).map_err(|r| (r.reason(), r.detail()))?;
    let components = node_components(Uuid16(device.net_class), Uuid16(device.io_class));
    let device =
        Device { vendor: Uuid16(device.vendor), device: NodeId(device.node), components: &components };
    let manifest = authentic.manifest(&device).map_err(|r| (r.reason(), r.detail()))?;
    let [component] = manifest.components() else {
        return Err((Reason::Unsupported, manifest.components().len() as u32));
    };
    let part = NODE_COMPONENTS.get(usize::from(*component)).copied().ok_or((Reason::Unsupported, 0))?;
    if let Some((command, _)) = manifest.uses(&Section::UPDATE, cannot(part)) {
        return Err((Reason::Unsupported, u32::try_from(command.code()).unwrap_or(u32::MAX)));
    }
    let sequence = manifest.sequence();
    if sequence <= kept {
        return Err((Reason::SequenceOld, u32::try_from(sequence).unwrap_or(u32::MAX)));
    }
    // Run as if the payload were what the manifest says: every other condition is really tested.
    let mut run = Run::update(&manifest);
    let mut answer = Answer::Start;
    let mut brings = None;
    loop {
        let ask = run.next(&manifest, answer).map_err(|f| (f.reason(), f.detail()))?;
        let said = run.parameters(0);
        answer = match ask {
            Ask::Slot { .. } => Answer::Slot(0),
            Ask::Version { .. } => Answer::No,
            Ask::Fetch { uri, digest, .. } => {
                let named = payload_named(uri);
                if named.is_none() || named != digest {
                    return Err((Reason::Unsupported, 21));
                }
                brings = Some((said, true));
                Answer::Done
            }
            Ask::Write { .. } => {
                brings = Some((said, false));
                Answer::Done
            }
            Ask::Measure { .. } => Answer::Measured {
                digest: said.digest.ok_or((Reason::EnvelopeBroken, 0))?,
                size: said.size.ok_or((Reason::EnvelopeBroken, 0))?,
            },
            Ask::Copy { .. } => return Err((Reason::Unsupported, 22)),
            Ask::Content { .. } => return Err((Reason::Unsupported, 6)),
            Ask::Invoke { .. } => return Err((Reason::Unsupported, 23)),
            Ask::Authorized { .. } => return Err((Reason::Unsupported, 27)),
            Ask::Done => break,
        };
    }
    let (said, fetched) = brings.ok_or((Reason::EnvelopeBroken, 0))?;
    // As a node asks at the end, of what would go into force: alternatives may fail without an end.
    if !run.is_meant_here(&manifest, 0) {
        return Err((Reason::ClassOther, 0));
    }
    let last = run.parameters(0);
    if (last.digest, last.size) != (said.digest, said.size) {
        return Err((Reason::PayloadWrong, 0));
    }
    let Digest(payload) = said.digest.ok_or((Reason::EnvelopeBroken, 0))?;
    let size = said.size.ok_or((Reason::EnvelopeBroken, 0))?;
    let payload_size = u32::try_from(size).map_err(|_| (Reason::TooLarge, u32::MAX))?;
    let version = manifest.version().map_or([0; 3], |v| [v.major, v.minor, v.patch]);
    Ok(PintleEnvelope {
        component: *component,
        fetched: fetched.into(),
        sequence,
        manifest: manifest.digest().0,
        payload,
        payload_size,
        version,
        link: said.link.map_or([0; 2], |l| [l.oldest, l.newest]),
        profile_version: said.profile.map_or(0, |p| p.version),
        profile_id: said.profile.map_or(0, |p| p.id),
    })
}

//! What an emulated node starts from: flash as a virtual board left it after commissioning, a bundle, an image.

use crate::tool::MeasureError;
use pintle_protocol::agent::BootFault;
use pintle_protocol::author::AuthorFault;
use pintle_protocol::bundle::{self, Bundle};
use pintle_protocol::checkin::Ending;
use pintle_protocol::id::{Chip, Digest, PublicKey};
use pintle_protocol::link::agree;
use pintle_protocol::sim::rig::Rig;
use pintle_protocol::sim::{Door as VirtualDoor, LAYOUT, SimFlash, sample};
use pintle_protocol::slots::{BootRecord, RecordStore, Slot};
use pintle_protocol::version::LinkRange;
use std::fs;
use std::path::Path;

/// Bytes of flash: a MiB as on the virtual board, and slot B of the net chip behind it.
pub const FLASH: usize = 0x14_0000;
/// Where slot B of the net chip is on the emulated board.
const NET_B: u32 = 0x10_0000;
/// Bytes of the virtual board's flash that are taken over.
const TAKEN: u32 = 0x10_0000;

/// Everything that an emulated node needs, as files.
pub struct Fixture {
    flash: Vec<u8>,
    bundle: Vec<u8>,
    image: Vec<u8>,
    envelope: Vec<u8>,
    /// Flash and starter card of the same board before its first start.
    fresh: [Vec<u8>; 2],
    /// The image's digest.
    pub digest: Digest,
    /// Whose signatures there will be.
    pub keys: Keys,
}

/// The public keys under which node and server sign what they say to each other.
pub struct Keys {
    /// The node's.
    pub node: PublicKey,
    /// The server's.
    pub server: PublicKey,
}

fn bundle(left_open_minutes: u16) -> Bundle {
    let mut bundle = bundle::sample::bundle();
    bundle.close.enabled = false;
    bundle.alarms.left_open_minutes = Some(left_open_minutes);
    bundle
}

fn sealed(rig: &Rig, bundle: &Bundle, sequence: u64) -> Result<Vec<u8>, MeasureError> {
    let claim = rig.server.claim.as_ref().ok_or_else(|| missing("a claim"))?;
    sample::bundle_envelope(bundle, sequence, claim.sealing_key, &rig.yard.bundle).map_err(unwritten)
}

fn missing(what: &'static str) -> MeasureError {
    MeasureError::Unexpected { what, found: "none".into() }
}

fn unwritten(fault: AuthorFault) -> MeasureError {
    MeasureError::Unexpected { what: "an envelope", found: format!("{fault:?}") }
}

fn unstarted(fault: BootFault) -> MeasureError {
    MeasureError::Unexpected { what: "a virtual node that starts", found: format!("{fault:?}") }
}

impl Fixture {
    /// Commissions a virtual node, and makes a second bundle and a net image of `len` bytes for it.
    ///
    /// # Errors
    /// [`MeasureError::Unexpected`] if the virtual node is not commissioned.
    pub fn new(len: usize) -> Result<Self, MeasureError> {
        let one = LinkRange { oldest: 1, newest: 1 };
        let first = |chip| sample::image(&sample::note(chip, 0, one), 9_600);
        let network = bundle::sample::network("larkfield");
        let (net, io) = (first(Chip::Net), first(Chip::Io));
        let mut rig = Rig::new(&net, &io, VirtualDoor::at_rest(false), network.clone());
        rig.server.heard = crate::held::heard;
        let card = rig.yard.card(network);
        let mut fresh = rig.board().flash.peek(0, TAKEN);
        fresh.resize(FLASH, 0xff);
        if !rig.until(120, |r| r.server.seen.is_some()).map_err(unstarted)? {
            return Err(missing("a check-in of the virtual node"));
        }
        let node = rig.server.claim.as_ref().ok_or_else(|| missing("a claim"))?.signing_key;
        let envelope = sealed(&rig, &bundle(15), 1)?;
        let digest = rig.offer(envelope, None);
        let kept = |r: &Rig| {
            let outcome = r.server.seen.as_ref().and_then(|s| s.outcome);
            outcome.is_some_and(|o| o.envelope == digest && o.ending == Ending::Kept)
        };
        if !rig.until(900, kept).map_err(unstarted)? {
            return Err(missing("a bundle that the virtual node keeps"));
        }
        let mut flash = rig.board().flash.peek(0, TAKEN);
        flash.resize(FLASH, 0xff);

        let note = sample::note(Chip::Net, 1, LinkRange { oldest: 1, newest: 2 });
        let image = sample::image(&note, len);
        let digest = Digest::of(&image);
        let envelope = sample::image_envelope(&image, &note, 1, &rig.yard.image).map_err(unwritten)?;
        Ok(Self {
            flash,
            bundle: sealed(&rig, &bundle(20), 2)?,
            image,
            envelope,
            fresh: [fresh, card],
            digest,
            keys: Keys { node, server: rig.yard.anchors().server },
        })
    }

    /// Writes it into a folder, as the emulated program expects it.
    ///
    /// # Errors
    /// [`MeasureError::File`].
    pub fn write(&self, folder: &Path) -> Result<(), MeasureError> {
        let files = [
            ("flash.bin", &self.flash),
            ("bundle.bin", &self.bundle),
            ("image.bin", &self.image),
            ("envelope.bin", &self.envelope),
            ("fresh.bin", &self.fresh[0]),
            ("card.bin", &self.fresh[1]),
        ];
        for (name, bytes) in files {
            let path = folder.join(name);
            fs::write(&path, bytes).map_err(|source| MeasureError::File { path, source })?;
        }
        Ok(())
    }
}

/// What flash that was left behind says, read by the core on the host.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Left {
    /// The boot record.
    pub record: BootRecord,
    /// What is wrong with what would be started now; empty if nothing is.
    pub faults: Vec<&'static str>,
}

impl Left {
    /// Reads `flash.bin` of a folder.
    ///
    /// # Errors
    /// [`MeasureError`] if there is none, or no valid boot record in it.
    pub fn read(folder: &Path) -> Result<Self, MeasureError> {
        let path = folder.join("flash.bin");
        let bytes = fs::read(&path).map_err(|source| MeasureError::File { path, source })?;
        if bytes.len() != FLASH {
            let found = format!("{} bytes", bytes.len());
            return Err(MeasureError::Unexpected { what: "flash of 0x140000 bytes", found });
        }
        let mut flash = SimFlash::new(FLASH);
        flash.burn(0, &bytes);
        let record = RecordStore { sectors: LAYOUT.record }
            .load(&mut flash)
            .ok()
            .flatten()
            .ok_or_else(|| missing("a valid boot record"))?;
        let mut faults = Vec::new();
        let whole = |address: u32, size: u32, digest: Digest| {
            address as usize + size as usize <= FLASH && Digest::of(&flash.peek(address, size)) == digest
        };
        let slot = |at: [u32; 2], slot: Slot| at[slot.index()];
        match (record.net.current(), record.io.current()) {
            (Some(net), Some(io)) => {
                if agree((net.link, net.profile), (io.link, io.profile)).is_none() {
                    faults.push("the running pair does not understand each other");
                }
                if !whole(slot([LAYOUT.net[0], NET_B], record.net.active), net.size, net.digest) {
                    faults.push("the net chip's image is not whole");
                }
                if !whole(slot(LAYOUT.io, record.io.active), io.size, io.digest) {
                    faults.push("the io chip's image is not whole");
                }
            }
            _ => faults.push("an image is missing"),
        }
        match record.conf.current() {
            Some(conf) if whole(slot(LAYOUT.conf, record.conf.active), conf.size, conf.digest) => {}
            _ => faults.push("the bundle is not whole"),
        }
        Ok(Self { record, faults })
    }
}

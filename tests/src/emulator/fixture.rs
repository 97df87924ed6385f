//! What an emulated node starts from: flash as a virtual board left it after commissioning, a bundle, an image.

use crate::tool::MeasureError;
use pintle_protocol::agent::BootFault;
use pintle_protocol::author::{AuthorFault, BundleManifest, ImageManifest, payload_uri};
use pintle_protocol::bundle::{
    Address, Alarms, Bundle, Door, DoorKind, Network, Policy, SCHEMA, UnattendedClose,
};
use pintle_protocol::checkin::Ending;
use pintle_protocol::cose::encrypt::SealRandom;
use pintle_protocol::id::{Chip, Digest};
use pintle_protocol::image::{ImageNote, Quirk};
use pintle_protocol::link::agree;
use pintle_protocol::sim::rig::{IO, NET, NODE, Rig, VENDOR};
use pintle_protocol::sim::{Door as VirtualDoor, LAYOUT, SimFlash};
use pintle_protocol::slots::{BootRecord, RecordStore, Slot};
use pintle_protocol::version::{ActuationProfile, LinkRange, Version};
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
    /// The image's digest.
    pub digest: Digest,
}

/// An image for a chip: its note, and bytes that stand for code, `len` in all.
fn image(chip: Chip, version: Version, link: LinkRange, len: usize) -> Vec<u8> {
    let class = if chip == Chip::Net { NET } else { IO };
    let profile = ActuationProfile { id: 1, version: 1 };
    let note = ImageNote { chip, version, link, profile, class, quirk: Quirk::None };
    let mut bytes = vec![0x13; 512];
    bytes.extend_from_slice(&note.encode());
    bytes.extend((0u32..).map(|n| (n * 31 % 251) as u8).take(len.saturating_sub(bytes.len())));
    bytes
}

fn text<const N: usize>(text: &str) -> heapless::String<N> {
    heapless::String::try_from(text).unwrap_or_default()
}

fn network() -> Network {
    Network { ssid: b"larkfield".iter().copied().collect(), passphrase: text("published test phrase") }
}

fn bundle(left_open_minutes: u16) -> Bundle {
    Bundle {
        schema: SCHEMA,
        salt: [7; 16],
        node: NODE,
        name: text("cart shed"),
        networks: [network()].into_iter().collect(),
        wifi_change: None,
        servers: [Address(text("https://192.0.2.7:8443"))].into_iter().collect(),
        checkin_seconds: 300,
        door: Door {
            kind: DoorKind::Sectional,
            open_below_mm: 450,
            closed_above_mm: 2100,
            hysteresis_mm: 20,
            temperature_compensated: true,
            pulse_ms: 500,
            gap_ms: 1500,
            travel_seconds: 20,
        },
        close: UnattendedClose {
            enabled: false,
            after_minutes: 30,
            warn_tenths: 80,
            sound: true,
            light: true,
            max_failed: 2,
            blocked_by_co: true,
            photo_sensor: true,
            tone_hz: 2000,
            pulses_tenths: 45,
            flashes_tenths: 20,
        },
        alarms: Alarms {
            co_fast_ppm: Some(300),
            co_slow_ppm: Some(50),
            co_slow_minutes: 60,
            left_open_minutes: Some(left_open_minutes),
            light_on_above: None,
            light_minutes: 30,
            co_curve_a_milli: 99_269,
            co_curve_b_micro: -1_518_033,
            co_r0_ohms: 9_289,
        },
        policy: Policy {
            rest_seconds: 30,
            trial_seconds: 120,
            consent: false,
            supply_min_mv: 4750,
            supply_max_mv: 5250,
        },
    }
}

fn sealed(rig: &Rig, bundle: &Bundle, sequence: u64) -> Result<Vec<u8>, MeasureError> {
    let claim = rig.server.claim.as_ref().ok_or_else(|| missing("a claim"))?;
    let n = sequence as u8;
    let random = SealRandom { ephemeral: [n + 1; 32], content_key: [n + 2; 32], nonce: [n; 12] };
    let sealing_key = claim.sealing_key;
    let m = BundleManifest { vendor: VENDOR, class: NET, sequence, sealing_key, reference_uri: "bundle" };
    m.envelope(bundle, &random, &rig.yard.bundle).map_err(unwritten)
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
        let first = |chip| image(chip, Version::new(1, 0, 0), one, 9_600);
        let mut rig = Rig::new(&first(Chip::Net), &first(Chip::Io), VirtualDoor::at_rest(false), network());
        if !rig.until(120, |r| r.server.seen.is_some()).map_err(unstarted)? {
            return Err(missing("a check-in of the virtual node"));
        }
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

        let image = image(Chip::Net, Version::new(1, 1, 0), LinkRange { oldest: 1, newest: 2 }, len);
        let digest = Digest::of(&image);
        let manifest = ImageManifest {
            vendor: VENDOR,
            class: NET,
            chip: Chip::Net,
            sequence: 1,
            version: Version::new(1, 1, 0),
            digest,
            size: len as u32,
            uri: &payload_uri(&digest),
            reference_uri: "image",
            link: LinkRange { oldest: 1, newest: 2 },
            profile: ActuationProfile { id: 1, version: 1 },
        };
        let envelope = manifest.envelope(&rig.yard.image).map_err(unwritten)?;
        Ok(Self { flash, bundle: sealed(&rig, &bundle(20), 2)?, image, envelope, digest })
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

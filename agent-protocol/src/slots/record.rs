//! The boot record: everything a node must remember across a power cut, as one value.
//!
//! Changes are functions from a record to a record; only [`super::store`] touches flash.

use crate::cbor::{
    Bounded, Item, Reader, Shape, Unexpected, Writer, codes, fields, read_fields, write_fields,
};
use crate::checkin::{Ending, Outcome, Position};
use crate::id::{Chip, Component, Digest, Role};
use crate::image::ImageNote;
use crate::reason::Reason;
use crate::version::{ActuationProfile, LinkRange, Version};
use minicbor::{Decode, Encode};

/// Starts that something on trial may use up before the node goes back.
pub const TRIAL_STARTS: u8 = 3;
/// Check-in counters reserved at a time, so that flash is written once for so many check-ins: twice a
/// day by a node that is told to check in every second.
pub const COUNTER_BLOCK: u64 = 65_536;
/// Efforts in vain for which nothing is held against whoever makes offers.
pub const FREE_EFFORTS: u8 = 8;
/// The longest rest between two offers that are taken up, in minutes.
pub const LONGEST_REST: u32 = 720;

/// One of two places for the same thing.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Encode, Decode)]
#[cbor(index_only)]
pub enum Slot {
    /// The first.
    #[n(0)]
    A,
    /// The second.
    #[n(1)]
    B,
}

codes!(Slot: A, B);

impl Slot {
    /// The other one.
    pub const fn other(self) -> Self {
        match self {
            Self::A => Self::B,
            Self::B => Self::A,
        }
    }

    /// Position in tables.
    pub const fn index(self) -> usize {
        match self {
            Self::A => 0,
            Self::B => 1,
        }
    }
}

/// An image in a slot.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Encode, Decode)]
#[cbor(map)]
pub struct SlotImage {
    /// SHA-256 over the first `size` bytes of the slot.
    #[n(0)]
    pub digest: Digest,
    /// Bytes in the image.
    #[n(1)]
    pub size: u32,
    /// From its note.
    #[n(2)]
    pub version: Version,
    /// From its note.
    #[n(3)]
    pub link: LinkRange,
    /// From its note.
    #[n(4)]
    pub profile: ActuationProfile,
}

fields!(SlotImage, Map: digest, size, version, link, profile);

impl SlotImage {
    /// From what was measured and what the image says of itself.
    pub const fn new(digest: Digest, size: u32, note: &ImageNote) -> Self {
        Self { digest, size, version: note.version, link: note.link, profile: note.profile }
    }
}

/// A bundle or a set of trust anchors in its place.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Encode, Decode)]
#[cbor(map)]
pub struct SlotText {
    /// SHA-256 of the bytes.
    #[n(0)]
    pub digest: Digest,
    /// How many bytes.
    #[n(1)]
    pub size: u32,
    /// Manifest digest of the envelope that brought it.
    #[n(2)]
    pub manifest: Digest,
}

fields!(SlotText, Map: digest, size, manifest);

/// Two places for one kind of thing, and which one counts.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Encode, Decode)]
#[cbor(map)]
pub struct Pair<T> {
    /// What is in slot A.
    #[n(0)]
    pub a: Option<T>,
    /// What is in slot B.
    #[n(1)]
    pub b: Option<T>,
    /// Which one counts.
    #[n(2)]
    pub active: Slot,
}

impl<T> Default for Pair<T> {
    fn default() -> Self {
        Self { a: None, b: None, active: Slot::A }
    }
}

impl<T: Item> Item for Pair<T> {
    fn blank() -> Self {
        Self::default()
    }

    fn read(&mut self, r: &mut Reader<'_>) -> Result<(), Unexpected> {
        read_fields(r, Shape::Map, &mut [&mut self.a, &mut self.b, &mut self.active])
    }

    fn write(&self, w: &mut Writer<Bounded<'_>>) {
        write_fields(w, Shape::Map, &[&self.a, &self.b, &self.active]);
    }
}

impl<T: Copy> Pair<T> {
    /// What is in `slot`.
    pub const fn get(&self, slot: Slot) -> Option<T> {
        match slot {
            Slot::A => self.a,
            Slot::B => self.b,
        }
    }

    /// What counts.
    pub const fn current(&self) -> Option<T> {
        self.get(self.active)
    }

    /// What counts, where it lies.
    pub const fn current_ref(&self) -> Option<&T> {
        match self.active {
            Slot::A => self.a.as_ref(),
            Slot::B => self.b.as_ref(),
        }
    }

    /// Puts something into `slot`.
    pub fn put(&mut self, slot: Slot, value: Option<T>) {
        match slot {
            Slot::A => self.a = value,
            Slot::B => self.b = value,
        }
    }
}

/// The component of a change, in the boot record.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, Encode, Decode)]
#[cbor(index_only)]
pub enum Part {
    /// The net chip's image.
    #[n(0)]
    Net,
    /// The io chip's image.
    #[n(1)]
    Io,
    /// The bundle.
    #[n(2)]
    Conf,
    /// The trust anchors.
    #[n(3)]
    Keys,
}

codes!(Part: Net, Io, Conf, Keys);

impl From<Component> for Part {
    fn from(c: Component) -> Self {
        match c {
            Component::Chip(Chip::Net) => Self::Net,
            Component::Chip(Chip::Io) => Self::Io,
            Component::Conf => Self::Conf,
            Component::Keys => Self::Keys,
        }
    }
}

impl From<Part> for Component {
    fn from(p: Part) -> Self {
        match p {
            Part::Net => Self::Chip(Chip::Net),
            Part::Io => Self::Chip(Chip::Io),
            Part::Conf => Self::Conf,
            Part::Keys => Self::Keys,
        }
    }
}

/// A change that is complete in the spare slot, or that is on trial in it.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Encode, Decode)]
#[cbor(map)]
pub struct Change {
    /// What it changes.
    #[n(0)]
    pub part: Part,
    /// Manifest digest of its envelope.
    #[n(1)]
    pub manifest: Digest,
    /// Its sequence number, kept only if the trial is.
    #[n(2)]
    pub sequence: u64,
}

fields!(Change, Map: part, manifest, sequence);

impl Change {
    /// The role whose sequence number it raises.
    pub fn role(&self) -> Role {
        Component::from(self.part).writer()
    }
}

/// Something new that has to prove itself.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Encode, Decode)]
#[cbor(map)]
pub struct Trial {
    /// What it is.
    #[n(0)]
    pub change: Change,
    /// Where the door was before the swap.
    #[n(1)]
    pub position_before: Position,
    /// Starts it may still use up.
    #[n(2)]
    pub starts_left: u8,
    /// The network that was preferred before.
    #[n(3)]
    pub network_before: u8,
}

fields!(Trial, Map: change, position_before, starts_left, network_before);

/// Everything a node remembers.
#[derive(Clone, Debug, PartialEq, Eq, Default, Encode, Decode)]
#[cbor(map)]
pub struct BootRecord {
    /// Counts the writes; the highest valid one counts.
    #[n(0)]
    pub generation: u32,
    /// The net chip's images.
    #[n(1)]
    pub net: Pair<SlotImage>,
    /// The io chip's images, as stored with the net chip.
    #[n(2)]
    pub io: Pair<SlotImage>,
    /// The bundles.
    #[n(3)]
    pub conf: Pair<SlotText>,
    /// The trust anchors.
    #[n(4)]
    pub keys: Pair<SlotText>,
    /// Highest sequence number kept, by [`Role::index`].
    #[n(5)]
    pub sequences: [u64; 3],
    /// Check-in counters below this may have been used.
    #[n(6)]
    pub counter_ceiling: u64,
    /// Starts so far.
    #[n(7)]
    pub starts: u32,
    /// Complete in the spare slot, waiting for clearance.
    #[n(8)]
    pub staged: Option<Change>,
    /// On trial in the active slot.
    #[n(9)]
    pub trial: Option<Trial>,
    /// The last change that ended.
    #[n(10)]
    pub outcome: Option<Outcome>,
    /// The preferred network, an index into the bundle's list.
    #[n(11)]
    pub network: u8,
    /// Another image of the io chip counts than the one that it was last known to run: it has to
    /// be brought there, even if it says nothing.
    #[cbor(n(12), default)]
    pub io_due: bool,
    /// Slots erased, refusals and ways back since something was last kept: what offers have cost.
    #[cbor(n(13), default)]
    pub in_vain: u8,
}

/// What records of before it was lack: nothing then.
struct OrNothing<T>(T);

impl<T: Item> Item for OrNothing<T> {
    fn blank() -> Self {
        Self(T::blank())
    }

    fn read(&mut self, r: &mut Reader<'_>) -> Result<(), Unexpected> {
        self.0.read(r)
    }

    fn write(&self, w: &mut Writer<Bounded<'_>>) {
        self.0.write(w);
    }

    fn leave_out(&mut self) -> bool {
        true
    }
}

impl Item for BootRecord {
    fn blank() -> Self {
        Self::default()
    }

    fn read(&mut self, r: &mut Reader<'_>) -> Result<(), Unexpected> {
        let (mut io_due, mut in_vain) = (OrNothing(false), OrNothing(0));
        read_fields(
            r,
            Shape::Map,
            &mut [
                &mut self.generation,
                &mut self.net,
                &mut self.io,
                &mut self.conf,
                &mut self.keys,
                &mut self.sequences,
                &mut self.counter_ceiling,
                &mut self.starts,
                &mut self.staged,
                &mut self.trial,
                &mut self.outcome,
                &mut self.network,
                &mut io_due,
                &mut in_vain,
            ],
        )?;
        (self.io_due, self.in_vain) = (io_due.0, in_vain.0);
        Ok(())
    }

    fn write(&self, w: &mut Writer<Bounded<'_>>) {
        write_fields(
            w,
            Shape::Map,
            &[
                &self.generation,
                &self.net,
                &self.io,
                &self.conf,
                &self.keys,
                &self.sequences,
                &self.counter_ceiling,
                &self.starts,
                &self.staged,
                &self.trial,
                &self.outcome,
                &self.network,
                &self.io_due,
                &self.in_vain,
            ],
        );
    }
}

impl BootRecord {
    /// The images of a chip.
    pub const fn chip(&self, chip: Chip) -> &Pair<SlotImage> {
        match chip {
            Chip::Net => &self.net,
            Chip::Io => &self.io,
        }
    }

    fn chip_mut(&mut self, chip: Chip) -> &mut Pair<SlotImage> {
        match chip {
            Chip::Net => &mut self.net,
            Chip::Io => &mut self.io,
        }
    }

    /// The slot of a part that is not in use: the only one that may be written.
    pub const fn spare(&self, part: Part) -> Slot {
        self.active(part).other()
    }

    /// The slot of a part that is in use.
    pub const fn active(&self, part: Part) -> Slot {
        match part {
            Part::Net => self.net.active,
            Part::Io => self.io.active,
            Part::Conf => self.conf.active,
            Part::Keys => self.keys.active,
        }
    }

    fn set_active(&mut self, part: Part, slot: Slot) {
        match part {
            Part::Net => self.net.active = slot,
            Part::Io => {
                self.io.active = slot;
                self.io_due = true;
            }
            Part::Conf => self.conf.active = slot,
            Part::Keys => self.keys.active = slot,
        }
    }

    /// The highest sequence number kept of what `role` signed; 0 before the first.
    pub fn kept_sequence(&self, role: Role) -> u64 {
        let [root, image, bundle] = self.sequences;
        match role {
            Role::Root => root,
            Role::Image => image,
            Role::Bundle => bundle,
        }
    }

    /// Whether `sequence` may be taken up for `role`: it must be higher than what was kept.
    pub fn admits(&self, role: Role, sequence: u64) -> bool {
        sequence > self.kept_sequence(role)
    }

    /// The spare slot is about to be written: what was in it no longer counts, nor does
    /// anything staged there.
    pub fn spare_opened(&mut self, part: Part) {
        self.in_vain = self.in_vain.saturating_add(1);
        let spare = self.spare(part);
        match part {
            Part::Net => self.net.put(spare, None),
            Part::Io => self.io.put(spare, None),
            Part::Conf => self.conf.put(spare, None),
            Part::Keys => self.keys.put(spare, None),
        }
        if self.staged.is_some_and(|s| s.part == part) {
            self.staged = None;
        }
    }

    /// An image is complete and verified in the spare slot.
    pub fn stage_image(&mut self, chip: Chip, change: Change, image: SlotImage) {
        let spare = self.spare(change.part);
        self.chip_mut(chip).put(spare, Some(image));
        self.staged = Some(change);
    }

    /// A bundle or a set of trust anchors is complete and verified in the spare slot.
    pub fn stage_text(&mut self, change: Change, text: SlotText) {
        let spare = self.spare(change.part);
        match change.part {
            Part::Conf => self.conf.put(spare, Some(text)),
            Part::Keys => self.keys.put(spare, Some(text)),
            Part::Net | Part::Io => {}
        }
        self.staged = Some(change);
    }

    /// Clearance was given: what is staged becomes active and goes on trial.
    pub fn begin_trial(&mut self, position: Position) {
        if let Some(change) = self.staged.take() {
            self.set_active(change.part, self.spare(change.part));
            self.trial = Some(Trial {
                change,
                position_before: position,
                starts_left: TRIAL_STARTS,
                network_before: self.network,
            });
        }
    }

    /// The trial is passed: the change is kept, and only now its sequence number counts.
    pub fn keep(&mut self) {
        if let Some(trial) = self.trial.take() {
            self.in_vain = 0;
            let role = trial.change.role();
            for (r, kept) in Role::ALL.into_iter().zip(self.sequences.iter_mut()) {
                if r == role && trial.change.sequence > *kept {
                    *kept = trial.change.sequence;
                }
            }
            self.outcome =
                Some(Outcome { envelope: trial.change.manifest, ending: Ending::Kept, reason: 0, detail: 0 });
        }
    }

    /// The trial is lost: what ran before counts again.
    pub fn go_back(&mut self, reason: Reason, detail: u32) {
        if let Some(trial) = self.trial.take() {
            self.in_vain = self.in_vain.saturating_add(1);
            self.set_active(trial.change.part, self.spare(trial.change.part));
            self.network = trial.network_before;
            self.outcome = Some(Outcome {
                envelope: trial.change.manifest,
                ending: Ending::WentBack,
                reason: reason.code(),
                detail,
            });
        }
    }

    /// An envelope was not taken up at all; what may have been staged of it is dropped.
    pub fn refuse(&mut self, manifest: Digest, reason: Reason, detail: u32) {
        if self.staged.is_some_and(|s| s.manifest == manifest) {
            self.staged = None;
        }
        self.in_vain = self.in_vain.saturating_add(1);
        self.outcome =
            Some(Outcome { envelope: manifest, ending: Ending::Refused, reason: reason.code(), detail });
    }

    /// A start: counted, and used up if something is on trial. A trial that has none left is
    /// lost. Returns whether it was lost just now.
    pub fn on_start(&mut self) -> bool {
        self.starts = self.starts.saturating_add(1);
        match self.trial.as_mut() {
            Some(trial) if trial.starts_left == 0 => {
                self.go_back(Reason::Resets, u32::from(TRIAL_STARTS));
                true
            }
            Some(trial) => {
                trial.starts_left -= 1;
                false
            }
            None => false,
        }
    }

    /// The least time between two offers that are taken up, in minutes: none at first, then doubled
    /// with every effort in vain up to [`LONGEST_REST`]. A server that offers what comes to nothing
    /// would else wear flash out in days.
    pub fn rest_minutes(&self) -> u32 {
        match self.in_vain.checked_sub(FREE_EFFORTS) {
            None => 0,
            Some(more) => (1 << more.min(10)).min(LONGEST_REST),
        }
    }

    /// Reserves the next block of check-in counters; the first usable one is returned.
    pub fn reserve_counters(&mut self) -> u64 {
        let first = self.counter_ceiling;
        self.counter_ceiling = first.saturating_add(COUNTER_BLOCK);
        first
    }
}

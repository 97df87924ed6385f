//! What happens between power and the first step: read the record, count the start, find a
//! whole image, a whole bundle and whole trust anchors, and if the board is new, commission it.

use super::machine::{Agent, Start};
use super::storage::{measure, read_sealed, read_text, write_sealed};
use super::types::Identity;
use crate::board::{Board, Flash, FlashFault, Layout};
use crate::bundle::{Address, Bundle, MAX_SERVERS, Network};
use crate::card::{self, StarterCard};
use crate::cbor::{decode_message, encode_message};
use crate::id::{Chip, Digest};
use crate::reason::Reason;
use crate::slots::{BootRecord, Pair, Part, RecordStore, Slot, SlotImage, SlotText, StoreFault};
use crate::suit::TrustAnchors;
use ed25519_dalek::SigningKey;
use heapless::Vec;
use x25519_dalek::StaticSecret;

/// Most bytes of a starter card.
pub const CARD_MAX: usize = 2560;

/// Why a node cannot start.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum BootFault {
    /// Flash failed.
    Flash(FlashFault),
    /// The record could not be kept.
    Store(StoreFault),
    /// A new board without a starter card.
    NoCard,
    /// The starter card is not what it should be, at this byte.
    BadCard {
        /// Byte offset in the card.
        at: usize,
    },
    /// The board's first images carry no usable note, or are for another chip.
    BadImage(Chip),
}

impl From<FlashFault> for BootFault {
    fn from(fault: FlashFault) -> Self {
        Self::Flash(fault)
    }
}

impl From<StoreFault> for BootFault {
    fn from(fault: StoreFault) -> Self {
        Self::Store(fault)
    }
}

/// A node that is ready to step.
pub(super) struct Booted {
    pub(super) agent: Agent,
    pub(super) first: FirstContact,
}

/// How to reach the server before the first bundle, from the starter card. The rest of the card stays in flash.
#[derive(Clone)]
pub(super) struct FirstContact {
    pub(super) network: Network,
    pub(super) servers: Vec<Address, MAX_SERVERS>,
}

/// Starts a node: from its record, or, on a new board, from its starter card.
#[inline(never)]
pub(super) fn boot<B: Board>(board: &mut B) -> Result<Booted, BootFault> {
    let layout = board.layout();
    let (record, counter) = wake(board, &layout)?;
    let bundle = read_bundle(board.flash(), &layout, &record.conf, record.conf.active)?;
    let staged = match record.staged {
        Some(change) if change.part == Part::Conf => {
            read_bundle(board.flash(), &layout, &record.conf, record.spare(Part::Conf))?
        }
        Some(_) | None => None,
    };
    let (identity, first) = who(board.flash(), &layout)?;
    let anchors = anchors_in_force(board.flash(), &layout, &record)?.ok_or(BootFault::NoCard)?;
    let start = Start {
        identity,
        record,
        counter,
        anchors,
        bundle,
        staged,
        room_net: layout.net_room,
        room_io: layout.io_room,
    };
    Ok(Booted { agent: Agent::new(start), first })
}

/// Finds the record, counts the start, settles what is whole, and saves that. The record, and the first check-in
/// counter that may be used.
#[inline(never)]
fn wake<B: Board>(board: &mut B, layout: &Layout) -> Result<(BootRecord, u64), BootFault> {
    let store = RecordStore { sectors: layout.record };
    let (mut record, new) = match store.load(board.flash())? {
        Some(record) => (record, false),
        None => (commission(board, layout)?, true),
    };
    record.on_start();
    settle_net(board.flash(), layout, &mut record)?;
    settle_bundle(board.flash(), layout, &mut record)?;
    let counter = record.reserve_counters();
    match store.save(board.flash(), &mut record) {
        Ok(()) => {}
        Err(StoreFault::Flash(FlashFault::Worn { .. } | FlashFault::Chip)) if !new => {
            // Neither sector takes a record any more. The node still watches its door by the
            // bundle that it has. No counter is reserved: the agent tries to before it says
            // anything, and stays silent if that cannot be kept.
            record.counter_ceiling = counter;
        }
        Err(fault) => return Err(fault.into()),
    }
    Ok((record, counter))
}

/// Who the node is, and how it reaches the server before the first bundle.
#[inline(never)]
fn who<F: Flash>(flash: &mut F, layout: &Layout) -> Result<(Identity, FirstContact), BootFault> {
    let (signing, sealing) = read_secrets(flash, layout)?.ok_or(BootFault::NoCard)?;
    let card = read_card(flash, layout)?;
    let identity = Identity {
        node: card.node,
        vendor: card.vendor,
        net_class: card.net_class,
        io_class: card.io_class,
        code: Some(card.code),
        signing,
        sealing,
    };
    Ok((identity, FirstContact { network: card.network, servers: card.servers }))
}

/// The first boot: keys are made here and never leave. Repeatable after a power cut at any point,
/// since the record, which ends it, is written last.
#[inline(never)]
fn commission<B: Board>(board: &mut B, layout: &Layout) -> Result<BootRecord, BootFault> {
    let mut bytes = Vec::<u8, CARD_MAX>::new();
    let given = board.card().ok_or(BootFault::NoCard)?;
    bytes.extend_from_slice(given).map_err(|_| BootFault::BadCard { at: CARD_MAX })?;
    let card: StarterCard = decode_message(&bytes).map_err(|f| BootFault::BadCard { at: f.at() })?;
    if card.schema != card::SCHEMA || card.anchors.check().is_err() {
        return Err(BootFault::BadCard { at: 0 });
    }
    write_sealed(board.flash(), layout.card, &bytes)?;
    if read_secrets(board.flash(), layout)?.is_none() {
        let mut secrets = [0u8; 64];
        board.random(&mut secrets);
        write_sealed(board.flash(), layout.secrets, &secrets)?;
    }
    let mut record = BootRecord::default();
    for (chip, size) in Chip::ALL.into_iter().zip(layout.factory) {
        let part = if chip == Chip::Net { Part::Net } else { Part::Io };
        let found = measure(board.flash(), layout.slot(part, Slot::A), size)?;
        let note = found.note.filter(|n| n.chip == chip).ok_or(BootFault::BadImage(chip))?;
        let image = Some(SlotImage::new(found.digest, size, &note));
        match chip {
            Chip::Net => record.net.put(Slot::A, image),
            Chip::Io => record.io.put(Slot::A, image),
        }
    }
    let mut anchors = [0u8; super::types::BUNDLE_MAX];
    let len = encode_message(&card.anchors, &mut anchors).ok_or(BootFault::BadCard { at: 0 })?;
    let anchors = anchors.get(..len).unwrap_or_default();
    let address = layout.slot(Part::Keys, Slot::A);
    board.flash().erase(address)?;
    super::storage::store(board.flash(), address, anchors)?;
    let manifest = Digest([0; 32]);
    record.keys.put(Slot::A, Some(SlotText { digest: Digest::of(anchors), size: len as u32, manifest }));
    Ok(record)
}

/// The image that runs must be whole: if it is not, the other slot's is taken, if that is.
#[inline(never)]
fn settle_net<F: Flash>(flash: &mut F, layout: &Layout, record: &mut BootRecord) -> Result<(), FlashFault> {
    if is_whole(flash, layout, record, Part::Net, record.net.active)? {
        return Ok(());
    }
    let other = record.net.active.other();
    if is_whole(flash, layout, record, Part::Net, other)? {
        if record.trial.is_some_and(|t| t.change.part == Part::Net) {
            record.go_back(Reason::PayloadWrong, 0);
        } else {
            record.net.active = other;
            settle_io(flash, layout, record)?;
            // What waited there runs now; the spare slot holds nothing whole.
            record.staged.take_if(|s| s.part == Part::Net);
        }
    }
    Ok(())
}

/// The net chip runs an older image than it did. If the io chip's does not understand that one
/// but the one before it does, that one counts again.
fn settle_io<F: Flash>(flash: &mut F, layout: &Layout, record: &mut BootRecord) -> Result<(), FlashFault> {
    let understands = |slot: Slot| match (record.net.current(), record.io.get(slot)) {
        (Some(net), Some(io)) => crate::link::agree((net.link, net.profile), (io.link, io.profile)).is_some(),
        _ => false,
    };
    let (now, before) = (record.io.active, record.io.active.other());
    // What waits in the spare slot was never in force.
    let waits = record.staged.is_some_and(|s| s.part == Part::Io);
    if !understands(now)
        && understands(before)
        && !waits
        && is_whole(flash, layout, record, Part::Io, before)?
    {
        record.io.active = before;
        record.io_due = true;
    }
    Ok(())
}

#[inline(never)]
fn is_whole<F: Flash>(
    flash: &mut F,
    layout: &Layout,
    record: &BootRecord,
    part: Part,
    slot: Slot,
) -> Result<bool, FlashFault> {
    let pair = if part == Part::Io { &record.io } else { &record.net };
    let Some(image) = pair.get(slot) else { return Ok(false) };
    Ok(measure(flash, layout.slot(part, slot), image.size)?.digest == image.digest)
}

/// The bundle in force must be whole: if it is not, the one before counts again.
#[inline(never)]
fn settle_bundle<F: Flash>(
    flash: &mut F,
    layout: &Layout,
    record: &mut BootRecord,
) -> Result<(), FlashFault> {
    let active = record.conf.active;
    if record.conf.current().is_none() || read_bundle(flash, layout, &record.conf, active)?.is_some() {
        return Ok(());
    }
    if record.trial.is_some_and(|t| t.change.part == Part::Conf) {
        record.go_back(Reason::BundleBroken, 0);
    }
    // What waits in the spare slot is not in force, whole or not.
    if record.staged.is_some_and(|s| s.part == Part::Conf) && record.conf.active == active {
        return Ok(());
    }
    if read_bundle(flash, layout, &record.conf, active.other())?.is_some() {
        record.conf.active = active.other();
    }
    Ok(())
}

/// Reads the bundle in `slot`, if it is whole.
#[inline(never)]
pub(super) fn read_bundle<F: Flash>(
    flash: &mut F,
    layout: &Layout,
    pair: &Pair<SlotText>,
    slot: Slot,
) -> Result<Option<Bundle>, FlashFault> {
    let mut bytes = Vec::new();
    if !read_text(flash, layout, Part::Conf, pair, slot, &mut bytes)? {
        return Ok(None);
    }
    Ok(decode_message(&bytes).ok())
}

/// The trust anchors in force; where none in flash are whole, those of the starter card. `None` without either.
pub(super) fn anchors_in_force<F: Flash>(
    flash: &mut F,
    layout: &Layout,
    record: &BootRecord,
) -> Result<Option<TrustAnchors>, FlashFault> {
    match read_anchors(flash, layout, record)? {
        Some(anchors) => Ok(Some(anchors)),
        None => match read_card(flash, layout) {
            Ok(card) => Ok(Some(card.anchors)),
            Err(BootFault::Flash(fault)) => Err(fault),
            Err(_) => Ok(None),
        },
    }
}

/// Reads the trust anchors in force, or the ones before if they are not whole.
#[inline(never)]
fn read_anchors<F: Flash>(
    flash: &mut F,
    layout: &Layout,
    record: &BootRecord,
) -> Result<Option<TrustAnchors>, FlashFault> {
    let staged = record.staged.is_some_and(|s| s.part == Part::Keys);
    let mut bytes = Vec::new();
    for slot in [record.keys.active, record.keys.active.other()] {
        if slot != record.keys.active && staged {
            continue;
        }
        if read_text(flash, layout, Part::Keys, &record.keys, slot, &mut bytes)?
            && let Ok(anchors) = decode_message::<TrustAnchors>(&bytes)
            && anchors.check().is_ok()
        {
            return Ok(Some(anchors));
        }
    }
    Ok(None)
}

fn read_card<F: Flash>(flash: &mut F, layout: &Layout) -> Result<StarterCard, BootFault> {
    let mut bytes = Vec::<u8, CARD_MAX>::new();
    if !read_sealed(flash, layout.card, &mut bytes)? {
        return Err(BootFault::NoCard);
    }
    decode_message(&bytes).map_err(|f| BootFault::BadCard { at: f.at() })
}

#[inline(never)]
fn read_secrets<F: Flash>(
    flash: &mut F,
    layout: &Layout,
) -> Result<Option<(SigningKey, StaticSecret)>, FlashFault> {
    let mut bytes = Vec::<u8, 64>::new();
    if !read_sealed(flash, layout.secrets, &mut bytes)? {
        return Ok(None);
    }
    let (Some(seed), Some(secret)) = (bytes.first_chunk::<32>(), bytes.last_chunk::<32>()) else {
        return Ok(None);
    };
    Ok((bytes.len() == 64).then(|| (SigningKey::from_bytes(seed), StaticSecret::from(*secret))))
}

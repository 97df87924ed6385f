//! What happens between power and the first step: read the record, count the start, find a
//! whole image, a whole bundle and whole trust anchors, and if the board is new, commission it.

use super::machine::{Agent, Start};
use super::storage::{measure, read_sealed, read_text, write_sealed};
use super::types::Identity;
use crate::board::{Board, Flash, FlashFault, Layout};
use crate::bundle::Bundle;
use crate::card::{self, StarterCard};
use crate::cbor::{decode_message, encode_message};
use crate::id::{Chip, Digest};
use crate::reason::Reason;
use crate::slots::{BootRecord, Pair, Part, RecordStore, Slot, SlotImage, SlotText, StoreFault};
use crate::suit::TrustAnchors;
use ed25519_dalek::SigningKey;
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
    pub(super) card: StarterCard,
}

/// Starts a node: from its record, or, on a new board, from its starter card.
pub(super) fn boot<B: Board>(board: &mut B) -> Result<Booted, BootFault> {
    let layout = board.layout();
    let store = RecordStore { sectors: layout.record };
    let (mut record, new) = match store.load(board.flash())? {
        Some(record) => (record, false),
        None => (commission(board, &layout)?, true),
    };
    record.on_start();
    settle_net(board.flash(), &layout, &mut record)?;
    let bundle = settle_bundle(board.flash(), &layout, &mut record)?;
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

    let card = read_card(board, &layout)?;
    let (signing, sealing) = read_secrets(board.flash(), &layout)?.ok_or(BootFault::NoCard)?;
    let anchors = read_anchors(board.flash(), &layout, &record)?.unwrap_or_else(|| card.anchors.clone());
    let staged = match record.staged {
        Some(change) if change.part == Part::Conf => {
            read_bundle(board.flash(), &layout, &record.conf, record.spare(Part::Conf))?
        }
        Some(_) | None => None,
    };
    let identity = Identity {
        node: card.node,
        vendor: card.vendor,
        net_class: card.net_class,
        io_class: card.io_class,
        code: Some(card.code),
        signing,
        sealing,
    };
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
    Ok(Booted { agent: Agent::new(start), card })
}

/// The first boot: keys are made here and never leave. Repeatable after a power cut at any point,
/// since the record, which ends it, is written last.
fn commission<B: Board>(board: &mut B, layout: &Layout) -> Result<BootRecord, BootFault> {
    let mut bytes = heapless::Vec::<u8, CARD_MAX>::new();
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
fn settle_bundle<F: Flash>(
    flash: &mut F,
    layout: &Layout,
    record: &mut BootRecord,
) -> Result<Option<Bundle>, FlashFault> {
    let active = record.conf.active;
    let found = read_bundle(flash, layout, &record.conf, active)?;
    if found.is_some() || record.conf.current().is_none() {
        return Ok(found);
    }
    if record.trial.is_some_and(|t| t.change.part == Part::Conf) {
        record.go_back(Reason::BundleBroken, 0);
    }
    // What waits in the spare slot is not in force, whole or not.
    if record.staged.is_some_and(|s| s.part == Part::Conf) && record.conf.active == active {
        return Ok(None);
    }
    let before = read_bundle(flash, layout, &record.conf, active.other())?;
    if before.is_some() {
        record.conf.active = active.other();
    }
    Ok(before)
}

/// Reads the bundle in `slot`, if it is whole.
pub(super) fn read_bundle<F: Flash>(
    flash: &mut F,
    layout: &Layout,
    pair: &Pair<SlotText>,
    slot: Slot,
) -> Result<Option<Bundle>, FlashFault> {
    let bytes = read_text(flash, layout, Part::Conf, pair, slot)?;
    Ok(bytes.and_then(|b| decode_message(&b).ok()))
}

/// Reads the trust anchors in force, or the ones before if they are not whole.
pub(super) fn read_anchors<F: Flash>(
    flash: &mut F,
    layout: &Layout,
    record: &BootRecord,
) -> Result<Option<TrustAnchors>, FlashFault> {
    let staged = record.staged.is_some_and(|s| s.part == Part::Keys);
    for slot in [record.keys.active, record.keys.active.other()] {
        if slot != record.keys.active && staged {
            continue;
        }
        let bytes = read_text(flash, layout, Part::Keys, &record.keys, slot)?;
        if let Some(anchors) = bytes.and_then(|b| decode_message::<TrustAnchors>(&b).ok())
            && anchors.check().is_ok()
        {
            return Ok(Some(anchors));
        }
    }
    Ok(None)
}

fn read_card<B: Board>(board: &mut B, layout: &Layout) -> Result<StarterCard, BootFault> {
    let bytes = read_sealed::<_, CARD_MAX>(board.flash(), layout.card)?.ok_or(BootFault::NoCard)?;
    decode_message(&bytes).map_err(|f| BootFault::BadCard { at: f.at() })
}

fn read_secrets<F: Flash>(
    flash: &mut F,
    layout: &Layout,
) -> Result<Option<(SigningKey, StaticSecret)>, FlashFault> {
    let Some(bytes) = read_sealed::<_, 64>(flash, layout.secrets)? else { return Ok(None) };
    let (Some(seed), Some(secret)) = (bytes.first_chunk::<32>(), bytes.last_chunk::<32>()) else {
        return Ok(None);
    };
    Ok((bytes.len() == 64).then(|| (SigningKey::from_bytes(seed), StaticSecret::from(*secret))))
}

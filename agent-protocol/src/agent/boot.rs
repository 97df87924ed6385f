//! What happens between power and the first step: read the record, count the start, find a
//! whole image, a whole bundle and whole trust anchors, and if the board is new, commission it.

use super::in_force::InForce;
use super::machine::Agent;
use super::storage::{measure, read_sealed, read_text, write_sealed};
use super::types::{Identity, SigningSeed};
use crate::board::{Board, Flash, FlashFault, Layout, LayoutFault};
use crate::bundle::Bundle;
use crate::card::{self, CardParts, StarterCard};
use crate::cbor::{Item, MessageFault, decode_into, encode_message};
use crate::checkin::ClaimCode;
use crate::copy::copy;
use crate::id::{Chip, Digest};
use crate::interlock::{Touches, bundle_touches};
use crate::reason::Reason;
use crate::slots::{
    BootRecord, Part, RecordStore, Slot, SlotImage, SlotText, StoreFault, is_image, net_on_trial,
};
use crate::suit::TrustAnchors;
use x25519_dalek::StaticSecret;
use zeroize::Zeroizing;

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
    /// The board's layout of flash is one that no node can live with. Nothing was read or written.
    Layout(LayoutFault),
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

/// Room for bytes being read or written while a node starts: nobody needs it for an envelope yet.
pub(super) type Work = [u8];

/// Starts a node: from its record, or, on a new board, from its starter card. Fills in the agent where it
/// lies, one part after the other: no chip has the stack for all of it at once.
#[inline(never)]
pub(super) fn boot<B: Board>(board: &mut B, agent: &mut Agent, work: &mut Work) -> Result<(), BootFault> {
    let layout = board.layout();
    layout.check().map_err(BootFault::Layout)?;
    wake(board, &layout, agent, work)?;
    if agent.restarting {
        board.restart();
        return Ok(());
    }
    let (flash, record) = (board.flash(), &agent.record);
    who(flash, &layout, &mut agent.id, work)?;
    if !anchors_in_force(flash, &layout, record, &mut agent.anchors, work)? {
        return Err(BootFault::NoCard);
    }
    if agent.bundle.is_none() {
        first_contact(flash, &layout, &mut agent.bundle, work)?;
    }
    let open = record.staged.or(record.trial.map(|trial| trial.change));
    if open.is_some_and(|change| change.part == Part::Conf) {
        agent.bundle_touches = touches_of_other(flash, &layout, record, agent.bundle.as_ref(), work)?;
    }
    if let Some(trial) = agent.record.trial {
        // It was carried out, and the start came before that could be told.
        agent.note_report_of(trial.change.manifest, "", Ok(()));
    }
    (agent.room_net, agent.room_io) = (layout.net_room, layout.io_room);
    agent.reset_evidence(0);
    Ok(())
}

/// What the bundle that waits for clearance touches, or the one on trial: what differs from the other one.
#[inline(never)]
fn touches_of_other<F: Flash>(
    flash: &mut F,
    layout: &Layout,
    record: &BootRecord,
    now: Option<&Bundle>,
    work: &mut Work,
) -> Result<Option<Touches>, FlashFault> {
    let mut other = InForce::NOTHING;
    read_bundle(flash, layout, record, record.spare(Part::Conf), &mut other, work)?;
    Ok(other.as_ref().map(|other| bundle_touches(now, other)))
}

/// Finds the record, counts the start, settles what is whole, and saves that. Sets the first check-in counter
/// that may be used.
#[inline(never)]
fn wake<B: Board>(
    board: &mut B,
    layout: &Layout,
    agent: &mut Agent,
    work: &mut Work,
) -> Result<(), BootFault> {
    let store = RecordStore { sectors: layout.record };
    let new = !store.load_into(board.flash(), &mut agent.record)?;
    if new {
        commission(board, layout, &mut agent.record, work)?;
    }
    let record = &mut agent.record;
    let named = record.net.active;
    // One that is on trial still was counted before it was started.
    if !(board.loader_counts() && net_on_trial(record)) {
        record.on_start();
    }
    // The loader read the same record, and started neither what it named nor what counts now: it found that damaged.
    let passed_over = !new && board.running().is_some_and(|runs| ![named, record.net.active].contains(&runs));
    settle_net(board.flash(), layout, record, passed_over)?;
    settle_bundle(board.flash(), layout, record, &mut agent.bundle, work)?;
    agent.counter = record.reserve_counters();
    match store.save(board.flash(), record) {
        // What runs was given up just now. The image that the record names shall look after the door.
        Ok(()) => agent.restarting = board.running().is_some_and(|slot| slot != record.net.active),
        Err(StoreFault::Flash(FlashFault::Worn { .. } | FlashFault::Chip)) if !new => {
            // Neither sector takes a record any more. The node still watches its door by the
            // bundle that it has. No counter is reserved: the agent tries to before it says
            // anything, and stays silent if that cannot be kept. Nor does it start again if it gave up what
            // runs: the record would name the same image for ever.
            record.counter_ceiling = agent.counter;
        }
        Err(fault) => return Err(fault.into()),
    }
    Ok(())
}

/// Who the node is.
#[inline(never)]
fn who<F: Flash>(
    flash: &mut F,
    layout: &Layout,
    id: &mut Identity,
    work: &mut Work,
) -> Result<(), BootFault> {
    let (signing, sealing) = read_secrets(flash, layout)?.ok_or(BootFault::NoCard)?;
    (id.signing, id.sealing) = (signing, sealing);
    let mut code = ClaimCode::blank();
    let card = read_card(flash, layout, work)?;
    let Identity { node, vendor, net_class, io_class, .. } = id;
    card::read_parts(card, CardParts { node, vendor, net_class, io_class, code: &mut code })
        .map_err(bad_card)?;
    id.code = Some(code);
    Ok(())
}

/// How to reach the server before the first bundle.
#[inline(never)]
pub(super) fn first_contact<F: Flash>(
    flash: &mut F,
    layout: &Layout,
    first: &mut InForce,
    work: &mut Work,
) -> Result<(), BootFault> {
    first.read_first(read_card(flash, layout, work)?).map_err(bad_card)
}

/// The first boot: keys are made here and never leave. Repeatable after a power cut at any point,
/// since the record, which ends it, is written last.
#[inline(never)]
fn commission<B: Board>(
    board: &mut B,
    layout: &Layout,
    record: &mut BootRecord,
    work: &mut Work,
) -> Result<(), BootFault> {
    let given = board.card().ok_or(BootFault::NoCard)?;
    let card = match work.get_mut(..given.len()) {
        Some(card) if given.len() <= CARD_MAX => card,
        _ => return Err(BootFault::BadCard { at: CARD_MAX }),
    };
    copy(given, card);
    let len = card.len();
    check_card(card)?;
    write_sealed(board.flash(), layout.card, card)?;
    if read_secrets(board.flash(), layout)?.is_none() {
        let mut secrets = Zeroizing::new([0u8; 64]);
        board.random(&mut *secrets);
        write_sealed(board.flash(), layout.secrets, &*secrets)?;
    }
    *record = BootRecord::default();
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
    first_anchors(board.flash(), layout, record, work, len)
}

/// Checks all of a starter card.
#[inline(never)]
fn check_card(bytes: &[u8]) -> Result<(), BootFault> {
    let mut card = StarterCard::blank();
    decode_into(&mut card, bytes).map_err(bad_card)?;
    if card.schema != card::SCHEMA || card.anchors.check().is_err() {
        return Err(BootFault::BadCard { at: 0 });
    }
    Ok(())
}

/// Brings the starter card's trust anchors to their place. The card is the first `len` bytes of `work`.
#[inline(never)]
fn first_anchors<F: Flash>(
    flash: &mut F,
    layout: &Layout,
    record: &mut BootRecord,
    work: &mut Work,
    len: usize,
) -> Result<(), BootFault> {
    let mut anchors = TrustAnchors::blank();
    card::read_anchors(work.get(..len).unwrap_or_default(), &mut anchors).map_err(bad_card)?;
    let len = encode_message(&anchors, work).ok_or(BootFault::BadCard { at: 0 })?;
    let anchors = work.get(..len).unwrap_or_default();
    let address = layout.slot(Part::Keys, Slot::A);
    flash.erase(address)?;
    super::storage::store(flash, address, anchors)?;
    let manifest = Digest([0; 32]);
    record.keys.put(Slot::A, Some(SlotText { digest: Digest::of(anchors), size: len as u32, manifest }));
    Ok(())
}

fn bad_card(fault: MessageFault) -> BootFault {
    BootFault::BadCard { at: fault.at() }
}

/// The image that runs must be whole: if it is not, the other slot's is taken, if that is. `passed_over`: what the boot
/// loader started is the other one. A bit that reads now so, now so would else have the node start again for ever.
#[inline(never)]
fn settle_net<F: Flash>(
    flash: &mut F,
    layout: &Layout,
    record: &mut BootRecord,
    passed_over: bool,
) -> Result<(), FlashFault> {
    if !passed_over && is_whole(flash, layout, record, Part::Net, record.net.active)? {
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
    is_image(flash, layout.slot(part, slot), &image)
}

/// The bundle in force must be whole: if it is not, the one before counts again. What is in force then is in `bundle`.
#[inline(never)]
fn settle_bundle<F: Flash>(
    flash: &mut F,
    layout: &Layout,
    record: &mut BootRecord,
    bundle: &mut InForce,
    work: &mut Work,
) -> Result<(), FlashFault> {
    let active = record.conf.active;
    if record.conf.current().is_none() || read_bundle(flash, layout, record, active, bundle, work)? {
        return Ok(());
    }
    if record.trial.is_some_and(|t| t.change.part == Part::Conf) {
        record.go_back(Reason::BundleBroken, 0);
    }
    // What waits in the spare slot is not in force, whole or not.
    if record.staged.is_some_and(|s| s.part == Part::Conf) && record.conf.active == active {
        return Ok(());
    }
    if read_bundle(flash, layout, record, active.other(), bundle, work)? {
        record.conf.active = active.other();
    }
    Ok(())
}

/// Reads the bundle in `slot`, if it is whole; otherwise nothing is known. Whether it is.
#[inline(never)]
pub(super) fn read_bundle<F: Flash>(
    flash: &mut F,
    layout: &Layout,
    record: &BootRecord,
    slot: Slot,
    bundle: &mut InForce,
    work: &mut [u8],
) -> Result<bool, FlashFault> {
    let bytes = read_text(flash, layout, Part::Conf, &record.conf, slot, work)?.unwrap_or_default();
    Ok(bundle.read_bundle(bytes))
}

/// Reads the trust anchors in force; where none in flash are whole, those of the starter card. Whether there are
/// any: without, `anchors` means nothing.
#[inline(never)]
pub(super) fn anchors_in_force<F: Flash>(
    flash: &mut F,
    layout: &Layout,
    record: &BootRecord,
    anchors: &mut TrustAnchors,
    work: &mut Work,
) -> Result<bool, FlashFault> {
    if read_anchors(flash, layout, record, anchors, work)? {
        return Ok(true);
    }
    match read_card(flash, layout, work) {
        Ok(card) => Ok(card::read_anchors(card, anchors).is_ok()),
        Err(BootFault::Flash(fault)) => Err(fault),
        Err(_) => Ok(false),
    }
}

/// Reads the trust anchors in force, or the ones before if they are not whole.
#[inline(never)]
fn read_anchors<F: Flash>(
    flash: &mut F,
    layout: &Layout,
    record: &BootRecord,
    anchors: &mut TrustAnchors,
    work: &mut Work,
) -> Result<bool, FlashFault> {
    let staged = record.staged.is_some_and(|s| s.part == Part::Keys);
    for slot in [record.keys.active, record.keys.active.other()] {
        if slot != record.keys.active && staged {
            continue;
        }
        if let Some(bytes) = read_text(flash, layout, Part::Keys, &record.keys, slot, work)?
            && decode_into(anchors, bytes).is_ok()
            && anchors.check().is_ok()
        {
            return Ok(true);
        }
    }
    Ok(false)
}

/// Reads the starter card's bytes.
fn read_card<'a, F: Flash>(
    flash: &mut F,
    layout: &Layout,
    work: &'a mut [u8],
) -> Result<&'a [u8], BootFault> {
    let room = work.len().min(CARD_MAX);
    read_sealed(flash, layout.card, work.get_mut(..room).unwrap_or_default())?.ok_or(BootFault::NoCard)
}

/// Reads the node's keys, if they are there: the seed of its signing key, and its sealing key.
#[inline(never)]
fn read_secrets<F: Flash>(
    flash: &mut F,
    layout: &Layout,
) -> Result<Option<(SigningSeed, StaticSecret)>, FlashFault> {
    let mut bytes = Zeroizing::new([0u8; 64]);
    let Some(found) = read_sealed(flash, layout.secrets, &mut *bytes)? else { return Ok(None) };
    let (Some(seed), Some(secret)) = (found.first_chunk::<32>(), found.last_chunk::<32>()) else {
        return Ok(None);
    };
    Ok((found.len() == 64).then(|| (SigningSeed::new(*seed), StaticSecret::from(*secret))))
}

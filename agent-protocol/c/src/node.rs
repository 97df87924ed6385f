//! A node in memory that the firmware provides.

use crate::board::{PintleBoard, PintleSlot};
use crate::calls::CBoard;
use crate::code::{PINTLE_NODE_ALIGN, PINTLE_NODE_SIZE, PintleCode};
use crate::event::{PintleEvent, event_in};
use crate::raw;
use core::ffi::c_void;
use core::mem::MaybeUninit;
use pintle_protocol::agent::{BootFault, Node, NodeFault};
use pintle_protocol::board::FlashFault;
use pintle_protocol::id::Chip;
use pintle_protocol::slots::StoreFault;
use zeroize::Zeroize;

/// A node. Its memory is the firmware's; what is in it is not for looking at.
pub struct PintleNode {
    mark: u32,
    within: Within,
}

struct Within {
    node: MaybeUninit<Node<CBoard>>,
    /// Milliseconds of the last poll.
    now: u64,
    /// Set once the node has to be started again: what every poll returns from then on.
    over: Option<PintleCode>,
}

const _: () = assert!(size_of::<PintleNode>() <= PINTLE_NODE_SIZE);
const _: () = assert!(align_of::<PintleNode>() <= PINTLE_NODE_ALIGN);

/// A node that is initialised and at rest.
const LIVE: u32 = u32::from_be_bytes(*b"LIVE");
/// A node that one of the functions here works on.
const BUSY: u32 = u32::from_be_bytes(*b"BUSY");

/// A node while a function works on it.
pub(crate) struct Entered<'a> {
    pub(crate) node: &'a mut Node<CBoard>,
    now: &'a mut u64,
    over: &'a mut Option<PintleCode>,
}

/// Runs `work` on a node, unless somebody else is at it.
///
/// # Safety
/// If not null, `node` comes from `pintle_node_init`, and no other thread or interrupt uses it
/// meanwhile.
pub(crate) unsafe fn enter<T>(
    node: *mut PintleNode,
    work: impl FnOnce(Entered<'_>) -> Result<T, PintleCode>,
) -> Result<T, PintleCode> {
    raw::writable(node)?;
    // SAFETY: not null, aligned, and in memory that pintle_node_init has taken over.
    let mark = unsafe { &raw mut (*node).mark };
    // SAFETY: as above; no reference to the mark exists anywhere.
    match unsafe { mark.read() } {
        LIVE => {}
        BUSY => return Err(PintleCode::Busy),
        _ => return Err(PintleCode::Ended),
    }
    // SAFETY: as above.
    unsafe { mark.write(BUSY) };
    // SAFETY: the mark said that there is a node at rest, and now says that nobody else may take
    // this reference. It does not cover the mark.
    let within = unsafe { &mut (*node).within };
    let Within { node: place, now, over } = within;
    // SAFETY: as above, the node was written.
    let inner = unsafe { place.assume_init_mut() };
    let result = work(Entered { node: inner, now, over });
    // SAFETY: as above; the reference is gone.
    unsafe { mark.write(LIVE) };
    result
}

/// Bytes that a node needs here: not more than PINTLE_NODE_SIZE.
#[unsafe(no_mangle)]
pub extern "C" fn pintle_node_size() -> usize {
    size_of::<PintleNode>()
}

/// Alignment that a node needs here, in bytes: not more than PINTLE_NODE_ALIGN.
#[unsafe(no_mangle)]
pub extern "C" fn pintle_node_align() -> usize {
    align_of::<PintleNode>()
}

/// Starts a node from what is in its flash, or on a new board from its starter card. Call once
/// after every start of the chip; it counts the start. Needs 16 KiB of stack, and what the callbacks need, if the
/// library is built for size; without optimisation far more.
///
/// The table is copied. The memory belongs to the node until pintle_node_end; there must be no node
/// in it yet. On anything but PINTLE_CODE_OK there is none, and *node is null.
///
/// memory: memory_len bytes, aligned to pintle_node_align().
/// node: gets the node.
/// detail: gets more about an error, see PintleCode; may be null.
///
/// PINTLE_CODE_RESTART: the boot record names another slot than the one that runs (what was on
/// trial has used up its starts, or is not whole). Reset the chip.
///
/// # Safety
/// The pointers are null or good for what is said above.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn pintle_node_init(
    memory: *mut c_void,
    memory_len: usize,
    board: *const PintleBoard,
    node: *mut *mut PintleNode,
    detail: *mut u32,
) -> PintleCode {
    // SAFETY: as promised.
    let prepared = unsafe { prepare(memory, memory_len, board, node, detail) };
    let started = prepared.map_err(|code| (code, 0)).and_then(|(place, board)| {
        // SAFETY: prepare has found it large enough and aligned.
        unsafe { start(place, board) }?;
        // SAFETY: prepare has found that it can be written.
        unsafe { raw::put(node, place) }.map_err(|code| (code, 0))
    });
    match started {
        Ok(()) => PintleCode::Ok,
        Err((code, more)) => {
            // SAFETY: as promised; that it cannot be written was said before anything was done.
            let _ = unsafe { raw::put_if(detail, more) };
            code
        }
    }
}

/// The checks before anything is touched.
///
/// # Safety
/// As `pintle_node_init`.
unsafe fn prepare<'a>(
    memory: *mut c_void,
    memory_len: usize,
    board: *const PintleBoard,
    node: *mut *mut PintleNode,
    detail: *mut u32,
) -> Result<(*mut PintleNode, &'a PintleBoard), PintleCode> {
    // SAFETY: as promised.
    unsafe { raw::put(node, core::ptr::null_mut()) }?;
    // SAFETY: as promised.
    unsafe { raw::put_if(detail, 0) }?;
    // SAFETY: as promised.
    let board = unsafe { raw::get(board) }?;
    let place = memory.cast::<PintleNode>();
    raw::writable(place)?;
    if memory_len < size_of::<PintleNode>() {
        return Err(PintleCode::Memory);
    }
    Ok((place, board))
}

/// Writes a new node. By itself, since it may stand on the stack before it stands in its place.
///
/// # Safety
/// `place` is aligned, may be written, and is large enough.
#[inline(never)]
unsafe fn put(place: *mut Node<CBoard>, board: CBoard) {
    // SAFETY: as promised.
    unsafe { place.write(Node::new(board)) };
}

/// Starts a node in `place`.
///
/// # Safety
/// `place` is aligned, may be written, and is large enough.
#[inline(never)]
unsafe fn start(place: *mut PintleNode, table: &PintleBoard) -> Result<(), (PintleCode, u32)> {
    if !matches!(table.net_slot, 0 | 1 | 255) {
        return Err((PintleCode::Range, table.net_slot.into()));
    }
    debug_assert!(PintleSlot::Unknown as u8 == 255);
    // SAFETY: as promised; nobody else knows of this memory yet. No reference covers the mark.
    let within = unsafe { &raw mut (*place).within };
    // SAFETY: as above.
    let inner = unsafe { &raw mut (*within).node }.cast::<Node<CBoard>>();
    // Started where it lies: a node is large, and a copy of it would lie on the stack.
    // SAFETY: as above.
    unsafe { put(inner, CBoard::new(table)?) };
    // SAFETY: it was just written.
    let node = unsafe { &mut *inner };
    if let Err(fault) = node.boot() {
        let code = if node.board.without_chance { (PintleCode::Random, 0) } else { boot_code(fault) };
        // SAFETY: it was written, and nobody knows of it.
        unsafe { inner.drop_in_place() };
        return Err(code);
    }
    if node.board.restarts {
        // SAFETY: it was written, and nobody knows of it.
        unsafe { inner.drop_in_place() };
        return Err((PintleCode::Restart, 0));
    }
    // SAFETY: as above.
    let now = unsafe { &raw mut (*within).now };
    // SAFETY: as above.
    unsafe { now.write(0) };
    // SAFETY: as above.
    let over = unsafe { &raw mut (*within).over };
    // SAFETY: as above.
    unsafe { over.write(None) };
    // SAFETY: as above.
    let mark = unsafe { &raw mut (*place).mark };
    // SAFETY: as above. Last, so that there is a node only once all of it is there.
    unsafe { mark.write(LIVE) };
    Ok(())
}

fn boot_code(fault: BootFault) -> (PintleCode, u32) {
    match fault {
        BootFault::Flash(fault) | BootFault::Store(StoreFault::Flash(fault)) => flash_code(fault),
        BootFault::Store(StoreFault::TooLarge) => (PintleCode::Store, 0),
        BootFault::NoCard => (PintleCode::NoCard, 0),
        BootFault::BadCard { at } => (PintleCode::BadCard, u32::try_from(at).unwrap_or(u32::MAX)),
        BootFault::BadImage(Chip::Net) => (PintleCode::BadImage, 1),
        BootFault::BadImage(Chip::Io) => (PintleCode::BadImage, 2),
        BootFault::Layout(fault) => (PintleCode::Layout, fault.at()),
    }
}

pub(crate) fn flash_code(fault: FlashFault) -> (PintleCode, u32) {
    match fault {
        FlashFault::PowerLost => (PintleCode::Power, 0),
        FlashFault::Range { address } | FlashFault::Worn { address } => (PintleCode::Flash, address),
        FlashFault::Chip => (PintleCode::Flash, 0),
    }
}

/// One turn of a node: it looks at the door, takes the event, and does what is to be done, through
/// the callbacks. Call at least once a second. Needs the same stack as pintle_node_init.
///
/// now_ms: milliseconds since the start of the chip; never less than in the call before. A counter of 32 bits
/// wraps after 49.7 days: widen it before that, or every call from then on is PINTLE_CODE_CLOCK.
/// event: what the radio reports; null for nothing.
///
/// PINTLE_CODE_RESTART, and from the callbacks PINTLE_CODE_RANDOM, _FLASH and _POWER: the node has to
/// be started again; until then every call returns the same. Other codes below 0: nothing was done.
///
/// # Safety
/// node comes from pintle_node_init and is used by one thread at a time; event and its body are good.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn pintle_node_poll(
    node: *mut PintleNode,
    now_ms: u64,
    event: *const PintleEvent,
) -> PintleCode {
    let work = |entered: Entered<'_>| {
        if let Some(code) = *entered.over {
            return Err(code);
        }
        if now_ms < *entered.now {
            return Err(PintleCode::Clock);
        }
        // SAFETY: as promised.
        let event = unsafe { event_in(event) }?;
        *entered.now = now_ms;
        let polled = entered.node.poll(now_ms, event);
        let code = match polled {
            _ if entered.node.board.without_chance => Some(PintleCode::Random),
            _ if entered.node.board.restarts => Some(PintleCode::Restart),
            Err(NodeFault::PowerLost) => Some(PintleCode::Power),
            Err(NodeFault::NotStarted) => Some(PintleCode::Ended),
            Err(NodeFault::Flash(fault)) => Some(flash_code(fault).0),
            Ok(()) => None,
        };
        *entered.over = code;
        code.map_or(Ok(()), Err)
    };
    // SAFETY: as promised.
    PintleCode::of(unsafe { enter(node, work) })
}

/// Ends a node and wipes its memory, keys and passphrases with it. The memory is the firmware's again.
///
/// # Safety
/// node comes from pintle_node_init and is used by one thread at a time.
#[unsafe(no_mangle)]
pub unsafe extern "C" fn pintle_node_end(node: *mut PintleNode) -> PintleCode {
    // SAFETY: as promised.
    let result = unsafe {
        enter(node, |entered| {
            let place: *mut Node<CBoard> = entered.node;
            Ok(place)
        })
    };
    let end = result.map(|place| {
        // SAFETY: the node was live; nobody else has a reference, and the mark says from now on
        // that there is none.
        unsafe { place.drop_in_place() };
        // SAFETY: enter has found it not null and aligned; its memory is nobody else's yet.
        let memory = unsafe {
            core::slice::from_raw_parts_mut(node.cast::<MaybeUninit<u8>>(), size_of::<PintleNode>())
        };
        // Passphrases too, and the mark.
        memory.zeroize();
    });
    PintleCode::of(end)
}

//! The node core for firmware in C.
//!
//! `include/pintle.h` is made from this crate and says all that a caller needs to know. Built as a
//! static library, for a PC or for bare metal; no heap. What a node is stays in
//! `pintle_protocol`: here are only checks of what comes over the border, and translations.
//!
//! Everything from C is held in plain numbers and raw pointers until it has been checked: null,
//! alignment, length, range. An enum that C could fill with any number is never a Rust enum
//! here. Nothing unwinds into C: a panic aborts, and on bare metal calls `pintle_panic`.
#![no_std]
#![cfg_attr(not(test), warn(clippy::unwrap_used, clippy::panic, clippy::indexing_slicing))]

// On a PC the standard library brings the panic handler that a static library needs.
#[cfg(not(target_os = "none"))]
extern crate std;

mod board;
mod boot;
mod calls;
mod code;
mod envelope;
mod event;
mod frame;
mod interlock;
mod loader;
mod message;
mod node;
mod note;
mod panic;
mod raw;
mod status;
mod text;
#[cfg(feature = "sim")]
mod virtual_board;
#[cfg(feature = "sim")]
mod virtual_yard;

pub use board::{PintleBoard, PintleFlashFault, PintleLayout, PintleSlot};
pub use boot::{PintleBootSlot, pintle_boot_count, pintle_boot_slot};
pub use code::*;
pub use envelope::{
    PintleDevice, PintleEnvelope, PintleRefusal, pintle_capability_report, pintle_envelope_verify,
};
pub use event::{PintleEvent, PintleEventKind, PintleJoinFault, PintleRequest};
pub use frame::{PintleFrame, pintle_frame_decode, pintle_frame_encode};
pub use interlock::{PintleDoorFacts, PintleFact, PintlePairFacts, PintlePolicy, PintlePosition};
pub use interlock::{pintle_interlock_decide, pintle_interlock_decide_first};
pub use loader::{PintleLoader, PintleLoaderStore};
pub use loader::{pintle_loader_frame, pintle_loader_init, pintle_loader_measure};
pub use message::{PintleAsk, PintleAskKind, PintleDoorStatus, PintleHello, PintleMode};
pub use message::{pintle_answer_done, pintle_answer_hello, pintle_answer_no, pintle_answer_status};
pub use message::{pintle_ask_decode, pintle_settings_sum};
pub use node::{
    PintleNode, pintle_node_align, pintle_node_end, pintle_node_init, pintle_node_poll, pintle_node_size,
};
pub use note::{PintleNote, pintle_note_encode, pintle_note_find};
pub use status::{PintleEnding, PintlePhase, PintleStatus, pintle_node_status};
pub use text::{pintle_abi, pintle_hold_text, pintle_reason_text, pintle_version};
#[cfg(feature = "sim")]
pub use {virtual_board::*, virtual_yard::*};

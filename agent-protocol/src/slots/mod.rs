//! Slots and the boot record.

mod record;
mod start;
mod store;
#[cfg(test)]
mod tests;

pub use record::{
    BootRecord, COUNTER_BLOCK, Change, FREE_EFFORTS, LONGEST_REST, Pair, Part, Slot, SlotImage, SlotText,
    TRIAL_STARTS, Trial,
};
pub use start::{count_start, slot_to_start};
pub(crate) use start::{is_image, net_on_trial};
pub use store::{PLACE, RecordStore, SECTOR, StoreFault};

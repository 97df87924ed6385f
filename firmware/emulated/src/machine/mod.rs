//! What differs between the two machines: start-up, the call to the host, the stack pointer, counting
//! instructions. Each machine has one file with the same functions.

#[cfg(target_arch = "arm")]
mod arm;
#[cfg(target_arch = "riscv32")]
mod riscv;

#[cfg(target_arch = "arm")]
pub(crate) use arm::{call, count_from_now, counted, stack_pointer};
#[cfg(target_arch = "riscv32")]
pub(crate) use riscv::{call, count_from_now, counted, stack_pointer};

unsafe extern "C" {
    static mut _stack_bottom: u32;
}

/// The lowest word of the stack.
pub(crate) fn stack_bottom() -> *mut u32 {
    &raw mut _stack_bottom
}

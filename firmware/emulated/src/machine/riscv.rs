//! QEMU's machine "virt".

use core::arch::{asm, naked_asm};

/// The emulator jumps here: sets the stack pointer, clears `.bss`, then runs.
#[unsafe(no_mangle)]
#[unsafe(link_section = ".start")]
#[unsafe(naked)]
unsafe extern "C" fn start() -> ! {
    naked_asm!(
        "la sp, _stack_top",
        "la a0, _bss_start",
        "la a1, _bss_end",
        "1: bgeu a0, a1, 2f",
        "sw zero, 0(a0)",
        "addi a0, a0, 4",
        "j 1b",
        "2: tail {run}",
        run = sym crate::run,
    )
}

/// A call to the host. Source: RISC-V Semihosting 1.0, section 3 (the three instructions are not compressed).
///
/// # Safety
/// `parameter` is what the operation demands: a number, or the address of its parameters.
pub(crate) unsafe fn call(operation: usize, parameter: usize) -> isize {
    let answer;
    // SAFETY: the caller gives what the operation demands; nothing but the named memory is touched.
    unsafe {
        asm!(
            ".option push",
            ".option norvc",
            ".balign 16",
            "slli zero, zero, 0x1f",
            "ebreak",
            "srai zero, zero, 7",
            ".option pop",
            inlateout("a0") operation as isize => answer,
            in("a1") parameter,
        );
    }
    answer
}

/// Where the stack is now.
#[inline(always)]
pub(crate) fn stack_pointer() -> usize {
    let at;
    // SAFETY: only reads a register.
    unsafe { asm!("mv {}, sp", out(reg) at, options(nomem, nostack)) };
    at
}

fn instructions() -> u32 {
    let count;
    // SAFETY: only reads a counter.
    unsafe { asm!("csrr {}, minstret", out(reg) count, options(nomem, nostack)) };
    count
}

/// Begins to count instructions; give the result to [`counted`]. The emulator counts with `-icount shift=0`.
pub(crate) fn count_from_now() -> u32 {
    instructions()
}

/// Instructions since then, at most 2^32 - 1.
pub(crate) fn counted(from: u32) -> u32 {
    instructions().wrapping_sub(from)
}

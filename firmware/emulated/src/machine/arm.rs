//! QEMU's machine "mps2-an385": a Cortex-M3, which runs ARMv6-M code.

use core::arch::{asm, naked_asm};

unsafe extern "C" {
    static mut _stack_top: u32;
}

/// Where a core of this kind starts. Source: ARMv6-M Architecture Reference Manual, section B1.5.3.
#[repr(C)]
struct Vectors {
    stack_top: *mut u32,
    reset: unsafe extern "C" fn() -> !,
    faults: [unsafe extern "C" fn() -> !; 14],
}

// SAFETY: nobody writes it.
unsafe impl Sync for Vectors {}

#[unsafe(link_section = ".vectors")]
#[used]
static VECTORS: Vectors = Vectors { stack_top: &raw mut _stack_top, reset: start, faults: [fault; 14] };

/// The emulator jumps here: clears `.bss`, then runs.
#[unsafe(no_mangle)]
#[unsafe(link_section = ".start")]
#[unsafe(naked)]
unsafe extern "C" fn start() -> ! {
    naked_asm!(
        "ldr r0, =_bss_start",
        "ldr r1, =_bss_end",
        "movs r2, #0",
        "1: cmp r0, r1",
        "bhs 2f",
        "str r2, [r0]",
        "adds r0, r0, #4",
        "b 1b",
        "2: bl {run}",
        ".ltorg",
        run = sym crate::run,
    )
}

unsafe extern "C" fn fault() -> ! {
    crate::host::stop("fault: the program did something that the chip does not do")
}

/// A call to the host. Source: Semihosting for AArch32 and AArch64, 2020Q4, section 3.
///
/// # Safety
/// `parameter` is what the operation demands: a number, or the address of its parameters.
pub(crate) unsafe fn call(operation: usize, parameter: usize) -> isize {
    let answer;
    // SAFETY: the caller gives what the operation demands; nothing but the named memory is touched.
    unsafe { asm!("bkpt #0xab", inlateout("r0") operation as isize => answer, in("r1") parameter) };
    answer
}

/// Where the stack is now.
#[inline(always)]
pub(crate) fn stack_pointer() -> usize {
    let at;
    // SAFETY: only reads a register.
    unsafe { asm!("mov {}, sp", out(reg) at, options(nomem, nostack)) };
    at
}

/// The first timer of the machine: control, value, reload. Source: Cortex-M System Design Kit r1p1, section 4.5.
const TIMER: [*mut u32; 3] = [0x4000_0000 as *mut u32, 0x4000_0004 as *mut u32, 0x4000_0008 as *mut u32];
/// With `-icount shift=0` an instruction takes a nanosecond, and the timer counts at 25 MHz.
const INSTRUCTIONS_PER_COUNT: u32 = 40;

/// Begins to count instructions; give the result to [`counted`].
pub(crate) fn count_from_now() -> u32 {
    let [control, value, reload] = TIMER;
    // SAFETY: a register of the timer, which nobody else uses.
    unsafe { control.write_volatile(0) };
    // SAFETY: as above.
    unsafe { reload.write_volatile(u32::MAX) };
    // SAFETY: as above.
    unsafe { value.write_volatile(u32::MAX) };
    // SAFETY: as above.
    unsafe { control.write_volatile(1) };
    // SAFETY: as above.
    unsafe { value.read_volatile() }
}

/// Instructions since then, to the next 40, at most 2^32 - 1.
pub(crate) fn counted(from: u32) -> u32 {
    let [_, value, _] = TIMER;
    // SAFETY: a register of the timer, which nobody else uses.
    let now = unsafe { value.read_volatile() };
    from.wrapping_sub(now).saturating_mul(INSTRUCTIONS_PER_COUNT)
}

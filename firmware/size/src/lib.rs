//! The one register through which all programs read and write everything.
//!
//! Volatile, so that the compiler can leave nothing out. Nothing ever runs these programs: they are linked to see how
//! much flash the node core takes (`tests/measure node`), and where it could panic (`tests/tests/panics.rs`).
#![no_std]

/// The register.
const PORT: *mut u32 = 0x4000_0000 as *mut u32;

/// Reads it.
pub fn get() -> u32 {
    // SAFETY: reading this register touches no memory of the program.
    unsafe { PORT.read_volatile() }
}

/// Writes it.
pub fn set(value: u32) {
    // SAFETY: writing this register touches no memory of the program.
    unsafe { PORT.write_volatile(value) }
}

/// Fills `into`, byte by byte.
pub fn get_all(into: &mut [u8]) {
    for byte in into {
        *byte = get() as u8;
    }
}

/// Writes `from`, byte by byte.
pub fn set_all(from: &[u8]) {
    for byte in from {
        set(u32::from(*byte));
    }
}

#[panic_handler]
fn panic(info: &core::panic::PanicInfo<'_>) -> ! {
    if cfg!(feature = "places")
        && let Some(place) = info.location()
    {
        set_all(place.file().as_bytes());
        set(place.line());
        set(place.column());
    }
    loop {
        set(0);
    }
}

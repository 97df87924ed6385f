//! What happens when Rust code stops. The node core has no way to: this is for what nobody thought of.

#[cfg(all(feature = "panic-handler", target_os = "none"))]
mod handler {
    use core::panic::PanicInfo;

    unsafe extern "C" {
        /// For the firmware to write, if the library was built with the feature panic-handler: called
        /// when the library cannot go on. Switch the relay off and reset the chip; it must not return,
        /// and if it does, the library stays in a loop, for the watchdog to end.
        ///
        /// file is the source file's name of file_len bytes, not ended by a zero; line the line in it.
        fn pintle_panic(file: *const u8, file_len: usize, line: u32);
    }

    #[panic_handler]
    fn panic(info: &PanicInfo<'_>) -> ! {
        let (file, line) = info.location().map_or(("", 0), |l| (l.file(), l.line()));
        // SAFETY: the pointer is good for the length; the function is the firmware's.
        unsafe { pintle_panic(file.as_ptr(), file.len(), line) };
        loop {
            core::hint::spin_loop();
        }
    }
}

//! What the host does for the program: files, lines of text, the command, the end.
//!
//! Source: Semihosting for AArch32 and AArch64, 2020Q4, section 6 (the RISC-V one uses the same operations).

use crate::machine::call;
use core::fmt::{self, Write};

const OPEN: usize = 0x01;
const CLOSE: usize = 0x02;
const WRITE: usize = 0x05;
const READ: usize = 0x06;
const SEEK: usize = 0x0a;
const COMMAND_LINE: usize = 0x15;
const EXIT_EXTENDED: usize = 0x20;
/// Opening modes "rb", "r+b" and "w", in this order.
const READ_ONLY: usize = 1;
const CHANGE: usize = 3;
const CONSOLE_OUT: usize = 4;
/// The program ended by itself.
const APPLICATION_EXIT: usize = 0x2_0026;

fn ask<const N: usize>(operation: usize, parameters: &[usize; N]) -> isize {
    // SAFETY: each caller gives the parameters of its operation, with lengths that fit their buffers.
    unsafe { call(operation, parameters.as_ptr().addr()) }
}

/// A file of the host.
pub(crate) struct File {
    handle: usize,
}

impl File {
    fn open(name: &str, mode: usize) -> Self {
        let mut path = [0u8; 64];
        match path.get_mut(..name.len()) {
            Some(start) if name.len() < 64 => start.copy_from_slice(name.as_bytes()),
            _ => stop("the name of a file is too long"),
        }
        match usize::try_from(ask(OPEN, &[path.as_ptr().addr(), mode, name.len()])) {
            Ok(handle) => Self { handle },
            Err(_) => stop(name),
        }
    }

    /// Opens a file that can be changed.
    pub(crate) fn change(name: &str) -> Self {
        Self::open(name, CHANGE)
    }

    /// Reads from the start into `into`; how many bytes there were.
    pub(crate) fn read(&self, into: &mut [u8]) -> usize {
        ask(SEEK, &[self.handle, 0]);
        let missing = ask(READ, &[self.handle, into.as_mut_ptr().addr(), into.len()]);
        match usize::try_from(missing) {
            Ok(missing) if missing <= into.len() => into.len() - missing,
            _ => stop("a file cannot be read"),
        }
    }

    /// Writes at an offset. What is written is with the host when this returns.
    pub(crate) fn write_at(&self, offset: usize, bytes: &[u8]) {
        if ask(SEEK, &[self.handle, offset]) != 0
            || ask(WRITE, &[self.handle, bytes.as_ptr().addr(), bytes.len()]) != 0
        {
            stop("a file cannot be written");
        }
    }
}

/// Reads a whole file; how many bytes it has.
pub(crate) fn read_file(name: &str, into: &mut [u8]) -> usize {
    let file = File::open(name, READ_ONLY);
    let len = file.read(into);
    ask(CLOSE, &[file.handle]);
    len
}

/// The command that the emulator was started with.
pub(crate) fn command(buffer: &mut [u8; 128]) -> &str {
    let mut parameters = [buffer.as_mut_ptr().addr(), buffer.len()];
    // SAFETY: address and length of a buffer; the host writes the length that it used back.
    if unsafe { call(COMMAND_LINE, parameters.as_mut_ptr().addr()) } != 0 {
        stop("no command");
    }
    let len = buffer.iter().position(|b| *b == 0).unwrap_or(0);
    core::str::from_utf8(&buffer[..len]).unwrap_or_default()
}

/// Lines of text for the host, gathered and written one by one.
pub(crate) struct Lines {
    handle: usize,
    line: [u8; 256],
    len: usize,
}

impl Lines {
    /// The host's standard output.
    pub(crate) fn open() -> Self {
        let handle = ask(OPEN, &[c":tt".as_ptr().addr(), CONSOLE_OUT, 3]);
        Self { handle: handle.unsigned_abs(), line: [0; 256], len: 0 }
    }

    fn flush(&mut self) {
        ask(WRITE, &[self.handle, self.line.as_ptr().addr(), self.len]);
        self.len = 0;
    }
}

impl Write for Lines {
    fn write_str(&mut self, text: &str) -> fmt::Result {
        for byte in text.bytes() {
            self.line[self.len] = byte;
            self.len += 1;
            if byte == b'\n' || self.len == self.line.len() {
                self.flush();
            }
        }
        Ok(())
    }
}

/// Bytes as lower-case hexadecimal digits.
pub(crate) struct Hex<'a>(pub(crate) &'a [u8]);

impl fmt::Display for Hex<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.iter().try_for_each(|byte| write!(f, "{byte:02x}"))
    }
}

/// Writes a line of text for the host.
#[macro_export]
macro_rules! say {
    ($($part:tt)*) => {{
        use core::fmt::Write as _;
        let _ = writeln!($crate::host::Lines::open(), $($part)*);
    }};
}

/// Ends the emulator with exit code 0.
pub(crate) fn done() -> ! {
    exit(0)
}

/// Ends the emulator with exit code 1, after a line that says why.
pub(crate) fn stop(why: &str) -> ! {
    say!("stopped: {why}");
    exit(1)
}

fn exit(code: usize) -> ! {
    loop {
        ask(EXIT_EXTENDED, &[APPLICATION_EXIT, code]);
    }
}

#[panic_handler]
fn panic(info: &core::panic::PanicInfo<'_>) -> ! {
    say!("stopped: {info}");
    exit(1)
}

//! The text form of locks and boxes.

use super::{Cost, LockedError};

/// One line, with its number for error texts.
#[derive(Clone, Copy)]
pub(super) struct Line<'a> {
    number: usize,
    text: &'a str,
}

/// The text above the line `sealed:`, and all lines. One line break at the end; CR LF, as git
/// may leave behind, is read as LF.
pub(super) fn split(text: &str) -> Result<(String, Vec<Line<'_>>), LockedError> {
    let lines: Vec<Line<'_>> =
        text.lines().enumerate().map(|(n, text)| Line { number: n + 1, text }).collect();
    let head = lines.iter().take(lines.len().saturating_sub(1)).fold(String::new(), |mut head, line| {
        head.push_str(line.text);
        head.push('\n');
        head
    });
    Ok((head, lines))
}

pub(super) fn exactly<'a, const N: usize>(
    lines: &[Line<'a>],
    expected: &'static str,
) -> Result<[Line<'a>; N], LockedError> {
    lines.try_into().map_err(|_| LockedError::Form { line: lines.len().min(N) + 1, expected })
}

pub(super) fn hex_line<const N: usize>(
    line: Line<'_>,
    prefix: &'static str,
    expected: &'static str,
) -> Result<[u8; N], LockedError> {
    let bytes = line.hex(prefix, expected)?;
    bytes.try_into().map_err(|_| line.wrong(expected))
}

impl<'a> Line<'a> {
    fn wrong(self, expected: &'static str) -> LockedError {
        LockedError::Form { line: self.number, expected }
    }

    pub(super) fn is(self, expected: &'static str) -> Result<(), LockedError> {
        if self.text == expected { Ok(()) } else { Err(self.wrong(expected)) }
    }

    pub(super) fn value(self, prefix: &'static str) -> Result<&'a str, LockedError> {
        self.text.strip_prefix(prefix).ok_or_else(|| self.wrong(prefix))
    }

    pub(super) fn hex(self, prefix: &'static str, expected: &'static str) -> Result<Vec<u8>, LockedError> {
        let digits = self.text.strip_prefix(prefix).ok_or_else(|| self.wrong(expected))?;
        hex::decode(digits).map_err(|_| self.wrong(expected))
    }

    /// `cost: 65536 KiB, 3 passes, 4 lanes`.
    pub(super) fn cost(self) -> Result<Cost, LockedError> {
        let read = || {
            let rest = self.text.strip_prefix("cost: ")?;
            let (memory, rest) = rest.split_once(" KiB, ")?;
            let (passes, rest) = rest.split_once(" passes, ")?;
            let lanes = rest.strip_suffix(" lanes")?;
            Some(Cost {
                memory_kib: memory.parse().ok()?,
                passes: passes.parse().ok()?,
                lanes: lanes.parse().ok()?,
            })
        };
        read().ok_or_else(|| self.wrong("cost: N KiB, N passes, N lanes"))
    }
}

//! Where the door is, from the range finder.

use latchboard::tables::{SOUND, SOUND_LEN};

/// Where the door is. The numbers travel over the link.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(crate) enum Position {
    /// Not known: too few echoes were heard.
    Unknown = 0,
    /// Fully open.
    Open = 1,
    /// Between open and closed.
    PartlyOpen = 2,
    /// Closed.
    Closed = 3,
}

/// Below this the door is open, in millimetres.
const OPEN_BELOW_MM: u32 = 600;
/// Above this the door is closed, in millimetres.
const CLOSED_ABOVE_MM: u32 = 1_900;
/// Readings kept for the median.
const KEPT: usize = 5;

/// The last readings.
pub(crate) struct Door {
    readings: [Option<u32>; KEPT],
    next: usize,
}

impl Door {
    pub(crate) const fn new() -> Self {
        Self { readings: [None; KEPT], next: 0 }
    }

    /// Takes one raw reading (register RANGE, made for 20 degrees Celsius) and the temperature of the air
    /// in hundredths of a degree.
    pub(crate) fn add(&mut self, raw: u32, air: i32) {
        let heard = raw >> 31 == 1;
        let step = ((air + 4_000) / 5).clamp(0, SOUND_LEN as i32 - 1) as usize;
        // Millimetres up to 65535 times micrometres per millisecond do not fit in 32 bits; in tenths they do.
        let corrected = (raw & 0xffff) * (SOUND[step] / 100) / 3_432;
        self.readings[self.next] = heard.then_some(corrected);
        self.next = (self.next + 1) % KEPT;
    }

    /// Where the door is by the median of the readings that were heard, if most were.
    pub(crate) fn position(&self) -> Position {
        let mut heard = [0; KEPT];
        let mut len = 0;
        for reading in self.readings.iter().flatten() {
            heard[len] = *reading;
            len += 1;
        }
        if len <= KEPT / 2 {
            return Position::Unknown;
        }
        let heard = &mut heard[..len];
        heard.sort_unstable();
        match heard[len / 2] {
            mm if mm < OPEN_BELOW_MM => Position::Open,
            mm if mm > CLOSED_ABOVE_MM => Position::Closed,
            _ => Position::PartlyOpen,
        }
    }
}

//! Where the door is, from the range finder.

use latchboard::regs::reached;
use latchboard::settings::{
    CLOSED_ABOVE_MM, HYSTERESIS_MM, OPEN_BELOW_MM, Settings, TEMPERATURE_COMPENSATED,
};
use latchboard::tables::{SOUND, SOUND_LEN};

/// Where the door is. The numbers travel over the link.
#[derive(Clone, Copy, PartialEq, Eq)]
pub(crate) enum Position {
    /// Not known: too few echoes were heard, or the settings have not come yet.
    Unknown = 0,
    /// Fully open.
    Open = 1,
    /// Between open and closed.
    PartlyOpen = 2,
    /// Closed.
    Closed = 3,
}

/// Readings kept for the median.
const KEPT: usize = 5;
/// A door that moved by more than this since it last stood still moves, in millimetres.
const STILL_MM: u32 = 30;
/// It moves until it has stood still for so long, in milliseconds.
const STILL_MS: u32 = 2_000;

/// The last readings, and what they tell.
pub(crate) struct Door {
    readings: [Option<u32>; KEPT],
    next: usize,
    position: Position,
    /// Where it last stood still, and since when.
    still: Option<(u32, u32)>,
}

impl Door {
    pub(crate) const fn new() -> Self {
        Self { readings: [None; KEPT], next: 0, position: Position::Unknown, still: None }
    }

    /// Takes one raw reading (register RANGE) and the temperature of the air in hundredths of a degree.
    /// `settings`: `None` before they have come.
    pub(crate) fn add(&mut self, now: u32, raw: u32, air: i32, settings: Option<&Settings>) {
        let heard = raw >> 31 == 1;
        let mut mm = raw & 0xffff;
        if settings.is_some_and(|s| s[TEMPERATURE_COMPENSATED] == 1) {
            let step = ((air + 4_000) / 5).clamp(0, SOUND_LEN as i32 - 1) as usize;
            // 65535 mm times micrometres per millisecond does not fit in 32 bits; hundreds of them do.
            mm = mm * (SOUND[step] / 100) / 3_432;
        }
        self.readings[self.next] = heard.then_some(mm);
        self.next = (self.next + 1) % KEPT;
        let median = self.median();
        self.still = match (median, self.still) {
            (None, _) => None,
            (Some(mm), Some((stood, since))) if mm.abs_diff(stood) <= STILL_MM => Some((stood, since)),
            (Some(mm), _) => Some((mm, now)),
        };
        self.position = match (median, settings) {
            (Some(mm), Some(settings)) => self.place(mm, settings),
            _ => Position::Unknown,
        };
    }

    /// By the thresholds; one that was passed is left only when passed back by the hysteresis.
    fn place(&self, mm: u32, settings: &Settings) -> Position {
        let by = settings[HYSTERESIS_MM];
        let open_below =
            settings[OPEN_BELOW_MM].saturating_add(if self.position == Position::Open { by } else { 0 });
        let closed_above =
            settings[CLOSED_ABOVE_MM].saturating_sub(if self.position == Position::Closed { by } else { 0 });
        match mm {
            mm if mm < open_below => Position::Open,
            mm if mm > closed_above => Position::Closed,
            _ => Position::PartlyOpen,
        }
    }

    /// The median of the readings that were heard, if most were.
    fn median(&self) -> Option<u32> {
        let mut heard = [0; KEPT];
        let mut len = 0;
        for reading in self.readings.iter().flatten() {
            heard[len] = *reading;
            len += 1;
        }
        if len <= KEPT / 2 {
            return None;
        }
        let heard = &mut heard[..len];
        heard.sort_unstable();
        Some(heard[len / 2])
    }

    pub(crate) const fn position(&self) -> Position {
        self.position
    }

    /// Whether the range finder is heard at all.
    pub(crate) const fn heard(&self) -> bool {
        self.still.is_some()
    }

    /// Unknown counts as moving: nothing may rely on rest that was not seen.
    pub(crate) fn moves(&self, now: u32) -> bool {
        self.still.is_none_or(|(_, since)| !reached(now, since.wrapping_add(STILL_MS)))
    }

    /// Seconds at rest, at most 65535.
    pub(crate) fn rest_seconds(&self, now: u32) -> u16 {
        self.still.map_or(0, |(_, since)| (now.wrapping_sub(since) / 1_000).min(0xffff) as u16)
    }
}

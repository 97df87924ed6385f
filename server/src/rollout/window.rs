//! Time windows, by the clock on the wall of a time zone.
//!
//! A window is open at an instant if the wall clock then shows a time inside of it. What daylight
//! saving does follows from that: an hour that the clock skips opens nothing, and an hour that it
//! shows twice is open both times.

use crate::contract::{Day, DaySpan, MOST_SPANS, Seconds, Windows};
use jiff::civil::{Date, DateTime, Weekday};
use jiff::tz::{TimeZone, TimeZoneDatabase};
use jiff::{Timestamp, ToSpan};
use std::fmt;
use std::sync::LazyLock;

const DAY_MINUTES: u16 = 24 * 60;
/// Days looked ahead for a change: every span begins or ends within a week, and a day more for a
/// span that runs over midnight.
const DAYS_AHEAD: i64 = 9;

/// The time zones that were compiled in, so that the machine's own cannot differ.
static ZONES: LazyLock<TimeZoneDatabase> = LazyLock::new(TimeZoneDatabase::bundled);

/// Why windows are none.
#[derive(Clone, Debug, PartialEq, Eq, thiserror::Error)]
pub enum BadWindows {
    /// No such time zone.
    #[error("`{0}` is no time zone of the IANA database, such as `Etc/UTC`")]
    Zone(String),
    /// None or too many.
    #[error("there are {0} spans; take 1 to {MOST_SPANS}")]
    Count(usize),
    /// A span on no day.
    #[error("span {0} is on no day of the week")]
    NoDay(usize),
    /// A time that is none.
    #[error("`{0}` is no time of the day such as `09:00`; 24:00 is an end only")]
    Time(String),
}

/// Windows that were checked.
#[derive(Clone)]
pub struct Calendar {
    windows: Windows,
    zone: TimeZone,
    spans: Vec<Span>,
}

#[derive(Clone, Copy)]
struct Span {
    days: [bool; 7],
    /// Minutes after midnight.
    from: u16,
    until: u16,
}

impl PartialEq for Calendar {
    fn eq(&self, other: &Self) -> bool {
        self.windows == other.windows
    }
}

impl Eq for Calendar {}

impl fmt::Debug for Calendar {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.windows.fmt(f)
    }
}

impl Calendar {
    /// Checks windows.
    ///
    /// # Errors
    /// [`BadWindows`].
    pub fn new(windows: Windows) -> Result<Self, BadWindows> {
        let zone = ZONES.get(&windows.zone).map_err(|_| BadWindows::Zone(windows.zone.clone()))?;
        if windows.spans.is_empty() || windows.spans.len() > MOST_SPANS {
            return Err(BadWindows::Count(windows.spans.len()));
        }
        let spans = windows
            .spans
            .iter()
            .enumerate()
            .map(|(n, span)| Span::read(n, span))
            .collect::<Result<_, _>>()?;
        Ok(Self { windows, zone, spans })
    }

    /// As planned.
    pub const fn windows(&self) -> &Windows {
        &self.windows
    }

    /// Whether something new may be offered at this moment.
    pub fn is_open(&self, at: Seconds) -> bool {
        self.wall(at).is_some_and(|wall| self.spans.iter().any(|span| span.holds(wall)))
    }

    /// When that changes next; nothing if it never does.
    pub fn changes_at(&self, now: Seconds) -> Option<Seconds> {
        let open = self.is_open(now);
        let first = self.wall(now)?.date().checked_sub(1.day()).ok()?;
        let mut edges = Vec::new();
        for n in 0..=DAYS_AHEAD {
            let Ok(date) = first.checked_add(n.days()) else { break };
            edges.extend(
                self.spans.iter().flat_map(|s| [s.from, s.until]).flat_map(|m| self.instants(date, m)),
            );
        }
        // The wall clock also jumps into or out of a window when daylight saving begins or ends.
        let from = Timestamp::from_second(now).ok()?;
        let limit = now + DAYS_AHEAD * 86_400;
        let jumps = self.zone.following(from).map(|jump| jump.timestamp().as_second());
        edges.extend(jumps.take_while(|at| *at <= limit).take(8));
        edges.sort_unstable();
        edges.into_iter().find(|at| *at > now && self.is_open(*at) != open)
    }

    /// The wall clock of a moment, such as `Mon 2027-03-29 09:00`, with the zone's abbreviation.
    pub fn wall_words(&self, at: Seconds) -> String {
        match Timestamp::from_second(at) {
            Ok(moment) => moment.to_zoned(self.zone.clone()).strftime("%a %Y-%m-%d %H:%M %Z").to_string(),
            Err(_) => format!("{at} s"),
        }
    }

    fn wall(&self, at: Seconds) -> Option<DateTime> {
        Timestamp::from_second(at).ok().map(|moment| self.zone.to_datetime(moment))
    }

    /// Every moment at which the wall clock shows this minute: one, none or two. For none, the
    /// moments that it would be before and after the jump, which does no harm.
    fn instants(&self, date: Date, minute: u16) -> Vec<Seconds> {
        let (date, minute) = match (minute, date.checked_add(1.day())) {
            (DAY_MINUTES, Ok(next)) => (next, 0),
            (DAY_MINUTES, Err(_)) => return Vec::new(),
            _ => (date, minute),
        };
        // Both are below 24 and 60.
        let (hour, minute) = ((minute / 60) as i8, (minute % 60) as i8);
        let local = self.zone.to_ambiguous_timestamp(date.at(hour, minute, 0, 0));
        let both = [local.earlier(), local.later()];
        both.into_iter().flatten().map(Timestamp::as_second).collect()
    }
}

impl Span {
    fn read(n: usize, span: &DaySpan) -> Result<Self, BadWindows> {
        if span.days.is_empty() {
            return Err(BadWindows::NoDay(n + 1));
        }
        let bad = |text: &str| BadWindows::Time(text.to_owned());
        let from = minutes(&span.from).filter(|m| *m < DAY_MINUTES).ok_or_else(|| bad(&span.from))?;
        let until = minutes(&span.until).filter(|m| *m > 0).ok_or_else(|| bad(&span.until))?;
        Ok(Self { days: Day::ALL.map(|day| span.days.contains(&day)), from, until })
    }

    fn holds(&self, wall: DateTime) -> bool {
        let minute = u16::try_from(wall.hour()).unwrap_or(0) * 60 + u16::try_from(wall.minute()).unwrap_or(0);
        let today = day(wall.weekday());
        let begins = |n: usize| self.days.get(n).copied().unwrap_or(false);
        if self.from < self.until {
            return begins(today) && (self.from..self.until).contains(&minute);
        }
        begins(today) && minute >= self.from || begins((today + 6) % 7) && minute < self.until
    }
}

fn day(weekday: Weekday) -> usize {
    usize::try_from(weekday.to_monday_zero_offset()).unwrap_or(0)
}

/// `HH:MM` in minutes after midnight, up to 24:00.
fn minutes(text: &str) -> Option<u16> {
    let (hours, minutes) = text.split_once(':')?;
    let two = |part: &str| -> Option<u16> {
        let plain = part.len() == 2 && part.bytes().all(|b| b.is_ascii_digit());
        if plain { part.parse().ok() } else { None }
    };
    let (hours, minutes) = (two(hours)?, two(minutes)?);
    let all = hours * 60 + minutes;
    (minutes < 60 && all <= DAY_MINUTES).then_some(all)
}

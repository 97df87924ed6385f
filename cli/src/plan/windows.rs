//! When a rollout may offer something new, as people write it.

use pintle_server::contract::{Day, DaySpan, Windows};
use pintle_server::rollout::window::{BadWindows, Calendar};
use std::str::FromStr;
use thiserror::Error;

/// Why windows are wrong.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum WindowError {
    /// Not of the form that is asked for.
    #[error("`{0}` is no window such as `mon-fri 09:00-17:00`, `sat,sun 10:00-16:00` or `09:00-17:00`")]
    Form(String),
    /// No time zone is known.
    #[error("a window needs a time zone, and yard.toml names none")]
    NoZone,
    /// The server would not take them.
    #[error(transparent)]
    Bad(#[from] BadWindows),
}

/// One window: days of the week, and a span of the day.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Window(pub DaySpan);

impl FromStr for Window {
    type Err = WindowError;

    fn from_str(text: &str) -> Result<Self, WindowError> {
        let form = || WindowError::Form(text.to_owned());
        let words: Vec<&str> = text.split_whitespace().collect();
        let (days, times) = match words[..] {
            [times] => (Day::ALL.to_vec(), times),
            [days, times] => (read_days(days).ok_or_else(form)?, times),
            _ => return Err(form()),
        };
        let (from, until) = times.split_once('-').ok_or_else(form)?;
        let span = DaySpan { days, from: from.to_owned(), until: until.to_owned() };
        // Times are checked by the engine that will use them.
        Calendar::new(Windows { zone: "Etc/UTC".to_owned(), spans: vec![span.clone()] })?;
        Ok(Self(span))
    }
}

/// `mon-fri`, `sat,sun`, `fri-mon`: days in the order of the week, each once.
fn read_days(text: &str) -> Option<Vec<Day>> {
    let day = |word: &str| Day::ALL.iter().position(|d| d.word() == word);
    let mut on = [false; 7];
    for part in text.split(',') {
        let (first, last) = part.split_once('-').unwrap_or((part, part));
        let (mut at, last) = (day(first)?, day(last)?);
        on[at] = true;
        while at != last {
            at = (at + 1) % 7;
            on[at] = true;
        }
    }
    Some(Day::ALL.into_iter().zip(on).filter_map(|(day, on)| on.then_some(day)).collect())
}

/// Windows in a time zone; nothing if there are none.
///
/// # Errors
/// [`WindowError`] if the zone is missing or unknown.
pub fn windows(spans: &[Window], zone: Option<&str>) -> Result<Option<Windows>, WindowError> {
    if spans.is_empty() {
        return Ok(None);
    }
    let zone = zone.ok_or(WindowError::NoZone)?.to_owned();
    let windows = Windows { zone, spans: spans.iter().map(|w| w.0.clone()).collect() };
    Ok(Some(Calendar::new(windows)?.windows().clone()))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn days(text: &str) -> String {
        let window: Window = format!("{text} 09:00-17:00").parse().unwrap();
        window.0.days.iter().map(|d| d.word()).collect::<Vec<_>>().join(" ")
    }

    #[test]
    fn days_and_times_are_read() {
        assert_eq!(days("mon-fri"), "mon tue wed thu fri");
        assert_eq!(days("sun,sat"), "sat sun");
        assert_eq!(days("fri-mon,wed"), "mon wed fri sat sun");
        assert_eq!("22:00-02:00".parse::<Window>().unwrap().0.days, Day::ALL);
        for bad in
            ["", "mon", "mon-fri", "09:00", "noon-13:00", "man 09:00-10:00", "mon 9-10", "mon 09:00-10:00 x"]
        {
            assert!(bad.parse::<Window>().is_err(), "{bad}");
        }
    }

    #[test]
    fn a_window_needs_a_zone_that_there_is() {
        let all = ["09:00-17:00".parse().unwrap()];
        assert_eq!(windows(&[], None), Ok(None));
        assert_eq!(windows(&all, None), Err(WindowError::NoZone));
        assert!(matches!(windows(&all, Some("Larkfield/Barn")), Err(WindowError::Bad(BadWindows::Zone(_)))));
        assert_eq!(windows(&all, Some("Etc/UTC")).unwrap().unwrap().zone, "Etc/UTC");
    }
}

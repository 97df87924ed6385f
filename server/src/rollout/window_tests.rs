use super::window::*;
use crate::contract::{Day, DaySpan, Seconds, Windows};
use jiff::Timestamp;
use proptest::prelude::*;

fn calendar(zone: &str, days: &[Day], from: &str, until: &str) -> Calendar {
    let span = DaySpan { days: days.to_vec(), from: from.to_owned(), until: until.to_owned() };
    Calendar::new(Windows { zone: zone.to_owned(), spans: vec![span] }).unwrap()
}

fn at(text: &str) -> Seconds {
    text.parse::<Timestamp>().unwrap().as_second()
}

/// Minutes open between two moments.
fn minutes_open(calendar: &Calendar, from: &str, until: &str) -> usize {
    (at(from)..at(until)).step_by(60).filter(|m| calendar.is_open(*m)).count()
}

const WORKDAYS: [Day; 5] = [Day::Mon, Day::Tue, Day::Wed, Day::Thu, Day::Fri];

#[test]
fn office_hours_are_open_on_weekdays_only() {
    let calendar = calendar("Etc/UTC", &WORKDAYS, "09:00", "17:00");
    // 2027-01-04 is a Monday (ISO 8601 week 1 of 2027 begins on it).
    for (moment, open) in [
        ("2027-01-03T12:00:00Z", false),
        ("2027-01-04T08:59:59Z", false),
        ("2027-01-04T09:00:00Z", true),
        ("2027-01-04T16:59:59Z", true),
        ("2027-01-04T17:00:00Z", false),
        ("2027-01-08T16:00:00Z", true),
        ("2027-01-09T16:00:00Z", false),
    ] {
        assert_eq!(calendar.is_open(at(moment)), open, "{moment}");
    }
    assert_eq!(calendar.changes_at(at("2027-01-08T17:00:00Z")), Some(at("2027-01-11T09:00:00Z")));
    assert_eq!(calendar.changes_at(at("2027-01-04T09:00:00Z")), Some(at("2027-01-04T17:00:00Z")));
    assert_eq!(calendar.wall_words(at("2027-01-04T09:00:00Z")), "Mon 2027-01-04 09:00 UTC");
}

#[test]
fn a_window_over_midnight_belongs_to_the_day_on_which_it_begins() {
    let night = calendar("Etc/UTC", &[Day::Fri], "22:00", "02:00");
    assert_eq!(minutes_open(&night, "2027-01-04T00:00:00Z", "2027-01-11T00:00:00Z"), 240);
    assert!(night.is_open(at("2027-01-09T01:59:00Z")) && !night.is_open(at("2027-01-08T01:59:00Z")));
    let all_day = calendar("Etc/UTC", &[Day::Sun], "00:00", "24:00");
    assert_eq!(minutes_open(&all_day, "2027-01-04T00:00:00Z", "2027-01-11T00:00:00Z"), 1440);
    let whole_week = calendar("Etc/UTC", &Day::ALL, "00:00", "24:00");
    assert_eq!(whole_week.changes_at(at("2027-01-04T09:00:00Z")), None, "it never closes");
}

/// Source: IANA time zone database, file `europe`, rules `EU`: since 1996 summer time runs from
/// the last Sunday of March, 01:00 UTC, to the last Sunday of October, 01:00 UTC; zone
/// Europe/Berlin is UTC+1. In 2027 these are 28 March and 31 October.
#[test]
fn the_european_hours_that_are_skipped_and_shown_twice() {
    let night = calendar("Europe/Berlin", &[Day::Sun], "02:00", "03:00");
    assert_eq!(minutes_open(&night, "2027-03-28T00:00:00Z", "2027-03-28T03:00:00Z"), 0, "skipped");
    assert_eq!(minutes_open(&night, "2027-10-30T23:00:00Z", "2027-10-31T04:00:00Z"), 120, "shown twice");
    assert_eq!(minutes_open(&night, "2027-03-21T00:00:00Z", "2027-03-21T03:00:00Z"), 60);
    assert_eq!(night.changes_at(at("2027-10-30T12:00:00Z")), Some(at("2027-10-31T00:00:00Z")));
    assert_eq!(night.changes_at(at("2027-10-31T00:00:00Z")), Some(at("2027-10-31T02:00:00Z")));

    let half = calendar("Europe/Berlin", &[Day::Sun], "01:30", "02:30");
    // It ends at the jump: 02:30 never shows.
    assert_eq!(half.changes_at(at("2027-03-28T00:30:00Z")), Some(at("2027-03-28T01:00:00Z")));
    // It is left at 02:30, and entered again when the clock is set back to 02:00.
    assert_eq!(half.changes_at(at("2027-10-31T00:00:00Z")), Some(at("2027-10-31T00:30:00Z")));
    assert_eq!(half.changes_at(at("2027-10-31T00:30:00Z")), Some(at("2027-10-31T01:00:00Z")));

    // Office hours follow the wall clock.
    let office = calendar("Europe/Berlin", &WORKDAYS, "09:00", "17:00");
    assert_eq!(office.changes_at(at("2027-03-26T16:00:00Z")), Some(at("2027-03-29T07:00:00Z")));
    assert_eq!(office.changes_at(at("2027-10-29T15:00:00Z")), Some(at("2027-11-01T08:00:00Z")));
    assert_eq!(office.wall_words(at("2027-03-29T07:00:00Z")), "Mon 2027-03-29 09:00 CEST");
}

/// Source: IANA time zone database, file `northamerica`, rules `US`: since 2007 daylight time
/// runs from the second Sunday of March, 02:00 local, to the first Sunday of November, 02:00
/// local; zone America/New_York is UTC-5. In 2027 these are 14 March and 7 November.
#[test]
fn the_american_hours_that_are_skipped_and_shown_twice() {
    let night = calendar("America/New_York", &Day::ALL, "02:00", "03:00");
    assert_eq!(minutes_open(&night, "2027-03-14T05:00:00Z", "2027-03-14T12:00:00Z"), 0);
    assert_eq!(minutes_open(&night, "2027-11-07T04:00:00Z", "2027-11-07T12:00:00Z"), 60);
    let one = calendar("America/New_York", &Day::ALL, "01:00", "02:00");
    assert_eq!(minutes_open(&one, "2027-11-07T04:00:00Z", "2027-11-07T12:00:00Z"), 120);
    assert!(one.is_open(at("2027-11-07T05:30:00Z")) && one.is_open(at("2027-11-07T06:30:00Z")));
}

/// Source: IANA time zone database, file `australasia`, rules `LH`: since 2008 Lord Howe Island
/// is UTC+10:30 and moves by half an hour, from the first Sunday of October, 02:00 local, to the
/// first Sunday of April, 02:00 local. In 2027 these are 3 October and 4 April.
#[test]
fn half_an_hour_in_the_south() {
    let night = calendar("Australia/Lord_Howe", &[Day::Sun], "01:30", "02:30");
    assert_eq!(minutes_open(&night, "2027-04-03T12:00:00Z", "2027-04-04T00:00:00Z"), 90);
    assert_eq!(minutes_open(&night, "2027-10-02T12:00:00Z", "2027-10-03T00:00:00Z"), 30);
}

#[test]
fn what_is_wrong_is_named() {
    let windows = |zone: &str, from: &str, until: &str, days: Vec<Day>| {
        let span = DaySpan { days, from: from.to_owned(), until: until.to_owned() };
        Calendar::new(Windows { zone: zone.to_owned(), spans: vec![span] }).map(drop)
    };
    let zone = "Etc/Nowhere".to_owned();
    assert_eq!(windows(&zone, "09:00", "10:00", vec![Day::Mon]), Err(BadWindows::Zone(zone.clone())));
    assert_eq!(windows("Etc/UTC", "09:00", "10:00", vec![]), Err(BadWindows::NoDay(1)));
    for bad in ["24:00", "9:00", "09:60", "25:00", "0900", "09:00:00", "+9:00", "", "aa:bb", "\u{e9}9:00"] {
        let found = windows("Etc/UTC", bad, "10:00", vec![Day::Mon]);
        assert_eq!(found, Err(BadWindows::Time(bad.to_owned())));
    }
    assert_eq!(
        windows("Etc/UTC", "09:00", "00:00", vec![Day::Mon]),
        Err(BadWindows::Time("00:00".to_owned()))
    );
    let none = Windows { zone: "Etc/UTC".to_owned(), spans: Vec::new() };
    assert_eq!(Calendar::new(none).map(drop), Err(BadWindows::Count(0)));
}

fn zone() -> impl Strategy<Value = &'static str> {
    prop_oneof![
        Just("Etc/UTC"),
        Just("Europe/Berlin"),
        Just("America/New_York"),
        Just("Australia/Lord_Howe"),
        Just("Asia/Kolkata"),
    ]
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(48))]

    /// The next change is the first minute that differs: found by looking at every one.
    #[test]
    fn the_next_change_is_the_first_minute_that_differs(
        zone in zone(),
        days in proptest::sample::subsequence(Day::ALL.to_vec(), 1..7),
        from in 0u16..1440,
        until in 1u16..=1440,
        now in 1_790_000_000i64..1_830_000_000,
    ) {
        let now = now - now % 60;
        let text = |m: u16| format!("{:02}:{:02}", m / 60, m % 60);
        let calendar = calendar(zone, &days, &text(from), &text(until));
        let open = calendar.is_open(now);
        let looked = (1..=9 * 1440).map(|m| now + m * 60).find(|m| calendar.is_open(*m) != open);
        prop_assert_eq!(calendar.changes_at(now), looked);
    }
}

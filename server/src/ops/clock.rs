//! What follows from a clock that was set, and from a server that was away.

use crate::clock::steady::{Cause, Change};
use crate::journal::Line;
use crate::store::{Connection, StoreFault, clock, journal, server, who};
use crate::words::span;

/// Lines of an hour about a clock that is set again and again, at most: it must not fill the journal.
const MOST_LINES: u32 = 10;

/// Writes down a change of the machine's clock against the server's own time.
pub(super) fn note(conn: &Connection, change: Change) -> Result<(), StoreFault> {
    let Change { at, ahead, by, cause } = change;
    clock::note_step(conn, at, ahead)?;
    let far = span(by.saturating_abs());
    let line = match cause {
        Cause::Set => {
            let often = clock::steps_since(conn, at - 3600)?;
            if often > MOST_LINES {
                return Ok(());
            }
            let what = if by < 0 {
                format!("was set back by {far}")
            } else {
                format!("was set forward by {far}, or the machine slept")
            };
            let why = if often == MOST_LINES {
                "it is set again and again, and that is not written down any more while it goes on like this"
            } else {
                "soaks, silence and sessions go on by the time that has really passed"
            };
            Line::new("clock_set", format!("The machine's clock {what}: {why}"))
        }
        Cause::Away => {
            server::listen_anew(conn, at)?;
            // Whether the time has really passed is not known: where that matters, it has.
            who::shorten(conn, by)?;
            let why = "that counts neither as soak nor as silence";
            Line::new("server_back", format!("The server was away for {far}, by the machine's clock: {why}"))
        }
        Cause::Behind => {
            server::listen_anew(conn, at)?;
            who::end_every_session(conn)?;
            let why = "no time counts as passed, and browsers have to sign in anew";
            let what = format!("{far} before the time at which the server was last there");
            Line::new("clock_behind", format!("The machine's clock stands {what}: {why}"))
        }
    };
    journal::append(conn, at, vec![line])
}

//! What follows from a clock that was set, and from a server that was away.

use crate::clock::steady::{Cause, Change};
use crate::journal::Line;
use crate::journal::quota::MOST_LINES;
use crate::store::{Connection, StoreFault, clock, journal, server, who};
use crate::words::span;

/// Writes down a change of the machine's clock against the server's own time. No more than [`MOST_LINES`] an
/// hour: a clock that is set again and again must not fill the journal. Nor the table of its changes: beyond
/// that, the newest one takes the place of the one before it, and only moments between those two are shown by
/// a clock that was right a little earlier.
pub(super) fn note(conn: &Connection, change: Change) -> Result<(), StoreFault> {
    let Change { at, ahead, by, cause } = change;
    if clock::steps_since(conn, at - 3600)? > MOST_LINES {
        clock::forget_newest_step(conn)?;
    }
    clock::note_step(conn, at, ahead)?;
    let often = clock::steps_since(conn, at - 3600)?;
    let far = span(by.saturating_abs());
    let mut line = match cause {
        Cause::Set => {
            let what = if by < 0 {
                format!("was set back by {far}")
            } else {
                format!("was set forward by {far}, or the machine slept")
            };
            let why = "soaks, silence and sessions go on by the time that has really passed";
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
    if often > MOST_LINES {
        return Ok(());
    }
    if often == MOST_LINES {
        line.sentence += "; more changes of the clock are not written down while they go on like this";
    }
    journal::append(conn, at, vec![line])
}

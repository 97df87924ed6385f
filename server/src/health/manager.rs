//! What a service manager is told, if one started the program: that the server is ready, goes on, and stops.
//!
//! # Source
//! `sd_notify(3)` and `sd_watchdog_enabled(3)` of systemd 252.

use super::pulse::Beat;
use super::readiness;
use crate::app::App;
use actix_server::GracefulShutdownSignal;
use actix_web::rt::time::timeout;
use sd_notify::NotifyState::{self, Ready, Status, Stopping, Watchdog};
use std::ffi::OsStr;
use std::io;
use std::os::linux::net::SocketAddrExt;
use std::os::unix::ffi::OsStrExt;
use std::os::unix::net::{SocketAddr, UnixDatagram};
use std::pin::pin;
use std::time::Duration;

const STOPS: &str = "stopping: what is under way is answered";

/// Tells that the server listens and takes check-ins.
pub(crate) fn tell_ready(app: &App) {
    if let Err(cause) = tell(&[Ready, Status(&readiness(app).1)]) {
        tracing::warn!(%cause, "The service manager could not be told that the server is ready");
    }
}

/// Tells how it goes until the server stops, and then that.
pub(crate) async fn keep_telling(app: App, stopping: GracefulShutdownSignal) {
    if std::env::var_os(SOCKET).is_none() {
        return;
    }
    let watchdog = sd_notify::watchdog_enabled();
    let mut stops = pin!(stopping.notified());
    let (mut said, mut is_mute) = (String::new(), false);
    loop {
        let line = readiness(&app).1;
        let states = to_tell(watchdog.is_some(), app.pulse.beat(app.time.counted()), &line, &said);
        let told = if states.is_empty() { Ok(()) } else { tell(&states) };
        match told {
            Ok(()) => (said, is_mute) = (line, false),
            Err(cause) if !is_mute => {
                is_mute = true;
                tracing::warn!(%cause, "The service manager could not be told how the server goes");
            }
            Err(_) => {}
        }
        if timeout(pause(watchdog, app.tick), &mut stops).await.is_ok() {
            break;
        }
    }
    if let Err(cause) = tell(&[Stopping, Status(STOPS)]) {
        tracing::warn!(%cause, "The service manager could not be told that the server stops");
    }
}

/// What there is to tell: that the ticks and the writer go on, and how it goes if that is news.
fn to_tell<'a>(watched: bool, beat: Beat, line: &'a str, said: &str) -> Vec<NotifyState<'a>> {
    let goes_on = (watched && beat.goes_on()).then_some(Watchdog);
    goes_on.into_iter().chain((line != said).then_some(Status(line))).collect()
}

/// Half the time in which a watchdog wants to hear something, as its manual page recommends; no longer than a tick.
fn pause(watchdog: Option<Duration>, tick: Duration) -> Duration {
    watchdog.map_or(tick, |within| (within / 2).min(tick)).max(Duration::from_millis(1))
}

/// Where a service manager hears what it is told.
const SOCKET: &str = "NOTIFY_SOCKET";

/// Waits for nobody: a manager that does not read must hold up neither ticks nor the end.
fn tell(states: &[NotifyState<'_>]) -> io::Result<()> {
    let Some(path) = std::env::var_os(SOCKET) else { return Ok(()) };
    let words: String = states.iter().map(|state| format!("{state}\n")).collect();
    let socket = UnixDatagram::unbound()?;
    socket.set_nonblocking(true)?;
    socket.send_to_addr(words.as_bytes(), &address(&path)?).map(drop)
}

/// A path, or after `@` a name that is in no file system.
fn address(path: &OsStr) -> io::Result<SocketAddr> {
    match path.as_bytes().strip_prefix(b"@") {
        Some(name) => SocketAddr::from_abstract_name(name),
        None => SocketAddr::from_pathname(path),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::health::pulse::LATE;

    fn words(watched: bool, since_answered: i64, line: &str) -> Vec<String> {
        let beat = Beat { since_answered, since_kept: 0 };
        to_tell(watched, beat, line, "ready").iter().map(ToString::to_string).collect()
    }

    #[test]
    fn the_watchdog_hears_of_a_server_that_goes_on() {
        assert_eq!(words(true, LATE, "ready"), ["WATCHDOG=1"]);
        let full = "not ready: nothing can be written: the disk is full";
        assert_eq!(words(true, 0, full), ["WATCHDOG=1".to_owned(), format!("STATUS={full}")]);
        assert_eq!(words(false, 0, "ready"), [""; 0], "nobody watches");
        assert_eq!(words(true, LATE + 1, "ready"), [""; 0]);
        let stopped = "not ready: the ticks have stopped";
        assert_eq!(words(true, LATE + 1, stopped), [format!("STATUS={stopped}")]);
    }

    #[test]
    fn it_hears_something_twice_in_its_time() {
        let (tick, s) = (Duration::from_secs(5), Duration::from_secs);
        assert_eq!(pause(None, tick), tick);
        assert_eq!(pause(Some(s(60)), tick), tick);
        assert_eq!(pause(Some(s(2)), tick), s(1));
        assert_eq!(pause(Some(Duration::ZERO), tick), Duration::from_millis(1), "it must not spin");
    }

    #[test]
    fn names_and_paths_are_told_apart() {
        assert_eq!(address(OsStr::new("@pintle")).unwrap().as_abstract_name(), Some(&b"pintle"[..]));
        let path = "/run/systemd/notify";
        assert_eq!(address(OsStr::new(path)).unwrap().as_pathname(), Some(path.as_ref()));
        assert!(address(OsStr::new(&"x".repeat(200))).is_err());
    }
}

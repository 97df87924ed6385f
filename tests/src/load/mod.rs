//! Load on a server: fleets of nodes that are not there, and connections that check in and fetch.
//!
//! A fleet follows from its seed: names, keys, what its nodes report. [`fill()`] writes it into a data folder by the
//! server's own functions; [`Fleet::signed`] are check-ins as nodes send them. [`drive()`] sends what was made
//! beforehand over connections that stay, takes the time, and ends by itself. It goes to loopback only.

mod drive;
mod fill;
mod fleet;
mod http;
mod tls;

pub use drive::{Answer, Lane, Took, drive};
pub use fill::{FillError, fill, filled};
pub use fleet::{Fleet, Signed};
pub use http::{check_in_request, fetch_request};
pub use tls::{CIPHER, Trust};

use std::net::SocketAddr;
use std::time::Duration;

/// Why a load could not be put on a server.
#[derive(Debug, thiserror::Error)]
pub enum LoadError {
    /// It would leave this machine.
    #[error("{addr} is not this machine: load goes to loopback only, such as 127.0.0.1")]
    NotLoopback {
        /// Where it was to go.
        addr: SocketAddr,
    },
    /// A connection failed.
    #[error("{addr}: {source}")]
    Connection {
        /// The server.
        addr: SocketAddr,
        /// What the system answered.
        source: std::io::Error,
    },
    /// What came back is no HTTP/1.1 answer with a length.
    #[error("{addr} answered {found:?}; expected HTTP/1.1 with a Content-Length")]
    NotHttp {
        /// The server.
        addr: SocketAddr,
        /// The beginning of what came.
        found: String,
    },
    /// An answer is not the one expected.
    #[error("{what}, found {found}")]
    Answer {
        /// What was expected.
        what: &'static str,
        /// What came.
        found: String,
    },
    /// It took too long.
    #[error("{addr} did not answer everything within {} s", patience.as_secs())]
    TooLate {
        /// The server.
        addr: SocketAddr,
        /// How long it was given.
        patience: Duration,
    },
    /// TLS cannot be set up.
    #[error("TLS: {why}")]
    Tls {
        /// What the library says.
        why: String,
    },
}

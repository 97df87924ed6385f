//! What every request handler needs. Built in `start` and in tests; there are no globals.

use crate::clock::keeper::Keeper;
use crate::config::{Config, Intervals, Limits};
use crate::contract::Seconds;
use crate::health::Pulse;
use crate::held::Held;
use crate::keys;
use crate::known_keys::KnownKeys;
use crate::metrics::Metrics;
use crate::ops;
use crate::store::files::Folder;
use crate::store::{Connection, Db, StoreFault};
use crate::tls::Certificates;
use pintle_protocol::cose::SigningKey;
use pintle_protocol::id::PublicKey;
use std::sync::Arc;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::Duration;

/// The server's parts. Cloning gives another handle to the same.
#[derive(Clone)]
pub(crate) struct App {
    pub(crate) db: Db,
    pub(crate) time: Keeper,
    pub(crate) payloads: Folder,
    pub(crate) envelopes: Folder,
    pub(crate) intervals: Intervals,
    pub(crate) limits: Limits,
    /// Absent with plain HTTP.
    pub(crate) certificates: Option<Arc<Certificates>>,
    /// Keys by which check-ins were verified lately.
    pub(crate) keys: KnownKeys,
    /// Payloads that are being fetched.
    pub(crate) held: Held,
    online: Arc<SigningKey>,
    uploads: Arc<AtomicU64>,
    /// How often a tick comes.
    pub(crate) tick: Duration,
    /// Whether the ticks and the writer go on.
    pub(crate) pulse: Arc<Pulse>,
    pub(crate) metrics: Metrics,
}

/// What is taken in at most by a process that may have only so many files open.
#[cfg(unix)]
fn fitting(limits: Limits) -> Limits {
    Limits { connections: crate::net::fit(limits.connections), ..limits }
}

#[cfg(not(unix))]
fn fitting(limits: Limits) -> Limits {
    limits
}

impl App {
    pub(crate) fn new(
        config: &Config,
        time: Keeper,
        db: Db,
        (payloads, envelopes): (Folder, Folder),
        online: SigningKey,
        certificates: Option<Arc<Certificates>>,
    ) -> Self {
        let counted = time.counted();
        Self {
            db,
            time,
            payloads,
            envelopes,
            intervals: config.intervals,
            limits: fitting(config.limits),
            certificates,
            keys: KnownKeys::default(),
            held: Held::default(),
            online: Arc::new(online),
            uploads: Arc::default(),
            tick: config.tick,
            pulse: Arc::new(Pulse::new(counted)),
            metrics: Metrics::default(),
        }
    }

    /// The server's own time, which no setting of the machine's clock moves: for whatever lasts. If the clock
    /// was set, that is queued to be written down before anything that is queued with this time.
    pub(crate) fn now(&self) -> Seconds {
        if self.db.trouble().is_some() {
            // A tick writes it down once writing works again.
            return self.time.now();
        }
        self.time.now_telling(|changes| {
            let (noting, time) = (changes.clone(), self.time.clone());
            let note = move |conn: &Connection| ops::note_clock(conn, &noting);
            self.db.write_then(note, move |noted: Result<(), StoreFault>| {
                if noted.is_err() {
                    time.give_back(changes);
                }
            });
        })
    }

    /// What the machine's clock shows, in seconds since 1970-01-01 UTC: for whatever people read.
    pub(crate) fn wall(&self) -> Seconds {
        self.time.wall()
    }

    /// The key that signs replies to nodes.
    pub(crate) fn online(&self) -> &SigningKey {
        &self.online
    }

    /// Its public half.
    pub(crate) fn server_key(&self) -> PublicKey {
        keys::public(&self.online)
    }

    /// A number that no other upload has in this run.
    pub(crate) fn next_upload(&self) -> u64 {
        self.uploads.fetch_add(1, Ordering::Relaxed)
    }
}

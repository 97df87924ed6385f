//! What went over the wire between nodes and server, for whoever wants to look at it afterwards.

use pintle_protocol::sim::OwnedRequest;
use std::sync::{Arc, Mutex, PoisonError};

/// A request that was answered.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Exchange {
    /// What the node asked.
    pub request: OwnedRequest,
    /// Status of the answer.
    pub status: u16,
    /// Body of the answer.
    pub body: Vec<u8>,
}

/// A list of exchanges that grows while a rehearsal goes on. Clones share the list.
#[derive(Clone, Debug, Default)]
pub struct Record(Arc<Mutex<Vec<Exchange>>>);

impl Record {
    pub(super) fn put(&self, exchange: Exchange) {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).push(exchange);
    }

    /// Takes what has been recorded since the last time.
    pub fn take(&self) -> Vec<Exchange> {
        std::mem::take(&mut self.0.lock().unwrap_or_else(PoisonError::into_inner))
    }
}

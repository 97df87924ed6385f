//! How many connections there are, in all and from each address.

use std::collections::HashMap;
use std::net::IpAddr;
use std::sync::{Arc, Mutex, PoisonError};

/// Counts connections. Cloning gives another handle to the same.
#[derive(Clone, Debug)]
pub(crate) struct Crowd(Arc<Inside>);

#[derive(Debug)]
struct Inside {
    /// From this many on it is crowded.
    crowded: usize,
    per_address: usize,
    counts: Mutex<Counts>,
}

#[derive(Debug, Default)]
struct Counts {
    all: usize,
    by_address: HashMap<IpAddr, usize>,
}

/// A connection that was let in; gives its place back when dropped.
#[derive(Debug)]
pub(crate) struct Pass {
    inside: Arc<Inside>,
    from: IpAddr,
}

impl Crowd {
    /// `most`: connections at the same time, which somebody else sees to. `per_address`: of those,
    /// from one address.
    pub(crate) fn new(most: usize, per_address: usize) -> Self {
        Self(Arc::new(Inside { crowded: most / 2, per_address, counts: Mutex::default() }))
    }

    /// Lets a connection in, unless there are too many from its address.
    pub(crate) fn enter(&self, from: IpAddr) -> Option<Pass> {
        let from = neighbourhood(from);
        let mut counts = self.0.counts.lock().unwrap_or_else(PoisonError::into_inner);
        let here = counts.by_address.entry(from).or_default();
        if *here >= self.0.per_address {
            return None;
        }
        *here += 1;
        counts.all += 1;
        Some(Pass { inside: self.0.clone(), from })
    }

    /// Whether more than half of the places are taken.
    pub(crate) fn is_crowded(&self) -> bool {
        self.0.counts.lock().unwrap_or_else(PoisonError::into_inner).all > self.0.crowded
    }
}

impl Drop for Pass {
    fn drop(&mut self) {
        let mut counts = self.inside.counts.lock().unwrap_or_else(PoisonError::into_inner);
        counts.all = counts.all.saturating_sub(1);
        if let Some(here) = counts.by_address.get_mut(&self.from) {
            *here = here.saturating_sub(1);
            if *here == 0 {
                counts.by_address.remove(&self.from);
            }
        }
    }
}

/// One client's addresses as one: of IPv6 a whole network of 64 bits is one client's (RFC 4291
/// section 2.5.4), and an IPv4 address may come mapped into IPv6.
fn neighbourhood(from: IpAddr) -> IpAddr {
    match from.to_canonical() {
        IpAddr::V6(address) => {
            let [a, b, c, d, ..] = address.segments();
            IpAddr::V6([a, b, c, d, 0, 0, 0, 0].into())
        }
        four => four,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn ip(text: &str) -> IpAddr {
        text.parse().unwrap()
    }

    #[test]
    fn one_address_does_not_take_everybodys_places() {
        let crowd = Crowd::new(8, 2);
        let first = crowd.enter(ip("192.0.2.7")).unwrap();
        let second = crowd.enter(ip("::ffff:192.0.2.7")).unwrap();
        assert!(crowd.enter(ip("192.0.2.7")).is_none());
        let other = crowd.enter(ip("192.0.2.8")).unwrap();
        drop(first);
        let third = crowd.enter(ip("192.0.2.7")).unwrap();
        assert!(crowd.enter(ip("192.0.2.7")).is_none());
        drop((second, third, other));
        assert!(crowd.0.counts.lock().unwrap().by_address.is_empty(), "nothing is kept of those who left");
    }

    #[test]
    fn a_network_of_ipv6_is_one_client() {
        let crowd = Crowd::new(8, 1);
        let _in = crowd.enter(ip("2001:db8:0:1::1")).unwrap();
        assert!(crowd.enter(ip("2001:db8:0:1:ffff::2")).is_none());
        assert!(crowd.enter(ip("2001:db8:0:2::1")).is_some());
    }

    #[test]
    fn it_is_crowded_when_more_than_half_is_taken() {
        let crowd = Crowd::new(4, 9);
        let mut inside: Vec<_> = (0..2).map(|_| crowd.enter(ip("192.0.2.7")).unwrap()).collect();
        assert!(!crowd.is_crowded());
        inside.extend(crowd.enter(ip("192.0.2.9")));
        assert!(crowd.is_crowded());
        inside.pop();
        assert!(!crowd.is_crowded());
    }
}

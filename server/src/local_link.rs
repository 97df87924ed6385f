//! The server on the local link: advertised by DNS-SD, so that nodes find it after its address has
//! changed, and searched for by whoever wants to know what is advertised.
//!
//! Everything told is public, and anybody can say the same. It is an address to try, not more: a node
//! believes replies under the server's key only, and TLS is pinned to the server's own root.
//!
//! # Source
//! RFC 6763 (service names, SRV, TXT), RFC 6762 (multicast DNS).

use mdns_sd::{IfKind, ServiceDaemon, ServiceEvent, ServiceInfo};
use pintle_protocol::board::SERVICE;
use pintle_protocol::cose::thumbprint;
use pintle_protocol::id::PublicKey;
use std::collections::BTreeSet;
use std::net::{IpAddr, SocketAddr};
use std::time::{Duration, Instant};

/// How long the farewell at the end may take.
const FAREWELL: Duration = Duration::from_millis(500);

/// Multicast DNS cannot be used on this machine.
#[derive(Debug, thiserror::Error)]
#[error("multicast DNS cannot be used here: {0}")]
pub struct LinkFault(#[from] mdns_sd::Error);

/// Name of a server's host on the local link, without a dot at its end: `pintle-` and the first 8
/// hex digits of its key's thumbprint, `.local`.
pub fn host(key: &PublicKey) -> String {
    let mut digits = hex::encode(thumbprint(key));
    digits.truncate(8);
    format!("pintle-{digits}.local")
}

/// An advertisement that lasts until it is dropped.
pub(crate) struct Advert {
    daemon: ServiceDaemon,
    name: String,
}

impl Advert {
    /// Advertises a server that listens at `addr`: on the interface with that address, or on all
    /// interfaces but loopback if it is the unspecified one.
    pub(crate) fn begin(addr: SocketAddr, tls: bool, key: &PublicKey) -> Result<Self, LinkFault> {
        let host = host(key);
        let label = host.strip_suffix(".local").unwrap_or(&host).to_owned();
        let key = hex::encode(thumbprint(key));
        let txt = [("key", key.as_str()), ("tls", if tls { "1" } else { "0" })];
        let (service, target) = (format!("{SERVICE}."), format!("{host}."));
        let info = ServiceInfo::new(&service, &label, &target, (), addr.port(), &txt[..])?.enable_addr_auto();
        let name = info.get_fullname().to_owned();
        let daemon = ServiceDaemon::new()?;
        let advert = Self { daemon, name };
        match addr.ip() {
            ip if !ip.is_unspecified() => {
                advert.daemon.disable_interface(IfKind::All)?;
                advert.daemon.enable_interface(IfKind::Addr(ip))?;
            }
            IpAddr::V4(_) => advert.daemon.disable_interface(vec![IfKind::LoopbackV4, IfKind::IPv6])?,
            IpAddr::V6(_) => advert.daemon.disable_interface(vec![IfKind::LoopbackV4, IfKind::LoopbackV6])?,
        }
        advert.daemon.register(info)?;
        Ok(advert)
    }
}

impl Drop for Advert {
    /// Tells that the server is gone. Whoever misses it forgets it when the records have expired.
    fn drop(&mut self) {
        if let Ok(gone) = self.daemon.unregister(&self.name) {
            let _ = gone.recv_timeout(FAREWELL);
        }
        if let Ok(ended) = self.daemon.shutdown() {
            let _ = ended.recv_timeout(FAREWELL);
        }
    }
}

/// A server that says to be there.
#[derive(Clone, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub struct Found {
    /// Its base address, with the name for which its certificate is good.
    pub base: String,
    /// Thumbprint of the key with which it says that it signs replies.
    pub key: [u8; 32],
    /// Where that name leads, as it says.
    pub addresses: Vec<IpAddr>,
}

/// Listens for `time` to who is there, on all interfaces.
///
/// # Errors
/// [`LinkFault`] if multicast DNS cannot be used.
pub fn search(time: Duration) -> Result<Vec<Found>, LinkFault> {
    let daemon = ServiceDaemon::new()?;
    let heard = daemon.browse(&format!("{SERVICE}."))?;
    let (until, mut found) = (Instant::now() + time, BTreeSet::new());
    while let Some(left) = until.checked_duration_since(Instant::now()) {
        let Ok(event) = heard.recv_timeout(left) else { break };
        let ServiceEvent::ServiceResolved(service) = event else { continue };
        let txt = |key: &str| service.get_property_val_str(key);
        if let Some((base, key)) = read(service.get_hostname(), service.get_port(), txt) {
            let mut addresses: Vec<_> = service.get_addresses().iter().map(|ip| ip.to_ip_addr()).collect();
            addresses.sort();
            // The last word about it counts: addresses come one after the other.
            found.retain(|known: &Found| (&known.base, known.key) != (&base, key));
            found.insert(Found { base, key, addresses });
        }
    }
    if let Ok(ended) = daemon.shutdown() {
        let _ = ended.recv_timeout(FAREWELL);
    }
    Ok(found.into_iter().collect())
}

/// Base address and thumbprint, from what stands in SRV and TXT; `None` if it is no server's.
fn read<'a>(target: &str, port: u16, txt: impl Fn(&str) -> Option<&'a str>) -> Option<(String, [u8; 32])> {
    let mut key = [0; 32];
    hex::decode_to_slice(txt("key")?, &mut key).ok()?;
    let host = target.strip_suffix('.').unwrap_or(target);
    let name = |byte: u8| byte.is_ascii_alphanumeric() || byte == b'-' || byte == b'.';
    if host.is_empty() || !host.bytes().all(name) || port == 0 {
        return None;
    }
    let scheme = if txt("tls") == Some("0") { "http" } else { "https" };
    Some((format!("{scheme}://{host}:{port}"), key))
}

#[cfg(test)]
mod tests {
    use super::*;

    const KEY: &str = "00112233445566778899aabbccddeeff00112233445566778899aabbccddeeff";

    fn txt<'a>(key: Option<&'a str>, tls: Option<&'a str>) -> impl Fn(&str) -> Option<&'a str> {
        move |name| match name {
            "key" => key,
            "tls" => tls,
            _ => None,
        }
    }

    #[test]
    fn records_become_a_base_address() {
        let base = |target, port, tls| read(target, port, txt(Some(KEY), tls)).map(|(base, _)| base);
        let https = Some("https://pintle-1a.local:7443".to_owned());
        assert_eq!(base("pintle-1a.local.", 7443, Some("1")), https);
        assert_eq!(base("pintle-1a.local", 7443, None), https);
        assert_eq!(base("pintle-1a.local.", 7080, Some("0")).as_deref(), Some("http://pintle-1a.local:7080"));
    }

    #[test]
    fn what_is_no_server_is_passed_over() {
        for key in [None, Some(""), Some(&KEY[2..]), Some("zz")] {
            assert_eq!(read("a.local.", 1, txt(key, None)), None);
        }
        for (target, port) in [("", 1), (".", 1), ("a b.local", 1), ("a/b.local", 1), ("a.local.", 0)] {
            assert_eq!(read(target, port, txt(Some(KEY), None)), None, "{target} {port}");
        }
    }

    #[test]
    fn the_longest_address_fits_into_a_bundle() {
        let host = host(&PublicKey([3; 32]));
        let (base, _) = read(&host, u16::MAX, txt(Some(KEY), None)).unwrap();
        assert!(base.len() <= 64, "{base}");
    }
}

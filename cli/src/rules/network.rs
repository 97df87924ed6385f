//! Wi-Fi and the server. Passphrases are checked when they are stored and again when a bundle is
//! sealed; they are not in a plan.

use super::{Rule, Severity, when};
use pintle_protocol::bundle::check_network;

pub(super) const RULES: &[Rule] = &[
    Rule {
        id: "R60",
        severity: Severity::Error,
        asks: "at least one network, each with an SSID of 1 to 32 bytes",
        source: "IEEE 802.11 (SSID of 0 to 32 bytes; the empty one is a wildcard, from memory)",
        check: |case| {
            let networks = &case.plan.draft.networks;
            if networks.is_empty() {
                return Some("the node has no network; add one with `pintle wifi add`".to_owned());
            }
            networks.iter().zip(&case.plan.networks).find_map(|(network, name)| {
                // Any passphrase that Wi-Fi allows: only the SSID is looked at here.
                let fault = check_network(&network.ssid, b"passphrase").err()?;
                Some(format!("network `{name}`: {fault}"))
            })
        },
    },
    Rule {
        id: "R61",
        severity: Severity::Error,
        asks: "a change of Wi-Fi keeps a network that works until the new one is proved",
        source: "ours",
        check: |case| {
            let draft = &case.plan.draft;
            draft.wifi_change?;
            when(draft.networks.len() < 2, || {
                "the node would have the candidate network alone, with nothing to fall back to".to_owned()
            })
        },
    },
    Rule {
        id: "R62",
        severity: Severity::Error,
        asks: "at least one server address, each `http://` or `https://` with a host and no path",
        source: "ours",
        check: |case| {
            let servers = &case.plan.draft.servers;
            if servers.is_empty() {
                return Some("the yard has no server; join one with `pintle server join`".to_owned());
            }
            servers.iter().find_map(|address| {
                let text = address.0.as_str();
                let host = text.strip_prefix("https://").or_else(|| text.strip_prefix("http://"));
                let good = host.is_some_and(|h| {
                    !h.is_empty() && h.bytes().all(|b| b.is_ascii_graphic() && !b"/?#@".contains(&b))
                });
                when(!good, || format!("the server address `{text}` is no `https://host:port`"))
            })
        },
    },
    Rule {
        id: "R63",
        severity: Severity::Error,
        asks: "a new network is tried at the earliest 5 min after the old one has gone, and at the latest after a day",
        source: "ours: a router that restarts is gone for a few minutes",
        check: |case| {
            let minutes = case.plan.draft.wifi_change?.after_loss_minutes?;
            when(!(5..=1440).contains(&minutes), || {
                format!("`candidate.after_loss_minutes` is {minutes}; 5 to 1440 is asked for")
            })
        },
    },
];

//! The rules that a node itself keeps, whoever signed the bundle.
//!
//! The operator's checker knows many more; these are the ones whose breach could hurt somebody,
//! repeated here so that a stolen bundle key or a faulty tool cannot get past the node.

use super::{Bundle, DoorKind, SCHEMA, check_network};

/// The number of the first rule that a bundle breaks, or `None`.
///
/// | number | rule | source |
/// | --- | --- | --- |
/// | 1 | the schema is one that this node knows | ours |
/// | 2 | no unattended close on one-piece, swinging or unknown doors | 16 CFR 1211.14(a)(2) |
/// | 3 | an unattended close is warned of for at least 5 s | 16 CFR 1211.14(c)(2) |
/// | 4 | the warning sounds and flashes | 16 CFR 1211.14(c)(1) |
/// | 5 | it stops after at most two failed tries | 16 CFR 1211.14(d) |
/// | 6 | it is blocked while carbon monoxide is present | common practice, no source |
/// | 7 | the operator has its own photo sensor | 16 CFR 1211.6(b)(1), 1211.8 |
/// | 8 | thresholds for open and closed lie apart by more than twice the hysteresis | common practice, no source |
/// | 9 | a pulse lasts 0.2 to 1.0 s, with at least 1 s between two | common practice, no source |
/// | 10 | the door must be at rest for at least 10 s before an update, and a trial lasts 30 s to 1 h | ours |
/// | 11 | the supply range is not empty | ours |
/// | 12 | there is a network, every network is usable, and a candidate is one of them | IEEE 802.11i-2004 annex H.4.1 |
/// | 13 | there is a server, and the check-in interval is 10 s to 1 day | ours |
/// | 14 | no alarm threshold for carbon monoxide above 70 ppm (slow) or 400 ppm (fast) | UL 2034 points, as quoted by secondary sources |
pub fn node_refuses(b: &Bundle) -> Option<u32> {
    let c = &b.close;
    let when_closing = |broken: bool| c.enabled && broken;
    let excluded = matches!(b.door.kind, DoorKind::OnePiece | DoorKind::Swinging | DoorKind::Unknown);
    let apart = u32::from(b.door.open_below_mm) + 2 * u32::from(b.door.hysteresis_mm);
    let pulse_ok = (200..=1000).contains(&b.door.pulse_ms) && b.door.gap_ms >= 1000;
    let times_ok = b.policy.rest_seconds >= 10 && (30..=3600).contains(&b.policy.trial_seconds);
    let networks_ok = !b.networks.is_empty()
        && b.networks.iter().all(|n| check_network(&n.ssid, n.passphrase.as_bytes()).is_ok())
        && b.wifi_change.is_none_or(|w| usize::from(w.candidate) < b.networks.len());
    let server_ok = !b.servers.is_empty() && (10..=86_400).contains(&b.checkin_seconds);
    let co_ok = b.alarms.co_slow_ppm.is_none_or(|p| p <= 70) && b.alarms.co_fast_ppm.is_none_or(|p| p <= 400);
    let broken = [
        (1, b.schema != SCHEMA),
        (2, when_closing(excluded)),
        (3, when_closing(c.warn_tenths < 50)),
        (4, when_closing(!c.sound || !c.light)),
        (5, when_closing(!(1..=2).contains(&c.max_failed))),
        (6, when_closing(!c.blocked_by_co)),
        (7, when_closing(!c.photo_sensor)),
        (8, u32::from(b.door.closed_above_mm) <= apart),
        (9, !pulse_ok),
        (10, !times_ok),
        (11, b.policy.supply_min_mv >= b.policy.supply_max_mv),
        (12, !networks_ok),
        (13, !server_ok),
        (14, !co_ok),
    ];
    broken.iter().find(|(_, b)| *b).map(|(rule, _)| *rule)
}

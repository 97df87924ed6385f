use super::*;

/// Source: IEEE 802.11i-2004 annex H.4.1 for the lengths and characters; IEEE 802.11 for the
/// SSID's 32 bytes.
#[test]
fn networks_follow_the_published_lengths() {
    assert_eq!(check_network(b"", b"12345678"), Err(BadNetwork::SsidLength(0)));
    assert_eq!(check_network(&[b'x'; 33], b"12345678"), Err(BadNetwork::SsidLength(33)));
    assert_eq!(check_network(&[0xff; 32], b"12345678"), Ok(()));
    assert_eq!(check_network(b"a", b"1234567"), Err(BadNetwork::PassphraseLength(7)));
    assert_eq!(check_network(b"a", &[b'~'; 63]), Ok(()));
    assert_eq!(check_network(b"a", &[b'F'; 64]), Ok(()));
    let mut almost = [b'0'; 64];
    almost[40] = b'g';
    assert_eq!(check_network(b"a", &almost), Err(BadNetwork::PassphraseHex { at: 40 }));
    assert_eq!(check_network(b"a", &[b'0'; 65]), Err(BadNetwork::PassphraseLength(65)));
    for bad in [b'\t', 127, 0xc3] {
        assert_eq!(
            check_network(b"a", &[b'p', b'p', b'p', b'p', b'p', b'p', b'p', bad]),
            Err(BadNetwork::PassphraseCharacter { at: 7 })
        );
    }
}

#[test]
fn a_passphrase_never_shows_in_debug_output() {
    assert!(!format!("{:?}", sample::bundle()).contains("published"));
}

#[test]
fn a_bundle_reads_back() {
    let mut buffer = [0u8; 1024];
    let mut cursor = minicbor::encode::write::Cursor::new(&mut buffer[..]);
    minicbor::encode(sample::bundle(), &mut cursor).unwrap();
    let len = cursor.position();
    assert_eq!(minicbor::decode::<Bundle>(&buffer[..len]).unwrap(), sample::bundle());
    assert!(len < 512, "{len}");
}

/// Sources stand with the rules in `node_rules.rs`.
#[test]
fn the_node_keeps_its_own_rules() {
    assert_eq!(node_refuses(&sample::bundle()), None);
    type Case = (u32, fn(&mut Bundle));
    let cases: [Case; 22] = [
        (1, |b| b.schema = 2),
        (2, |b| b.door.kind = DoorKind::OnePiece),
        (2, |b| b.door.kind = DoorKind::Swinging),
        (2, |b| b.door.kind = DoorKind::Unknown),
        (3, |b| b.close.warn_tenths = 49),
        (4, |b| b.close.sound = false),
        (4, |b| b.close.light = false),
        (5, |b| b.close.max_failed = 3),
        (5, |b| b.close.max_failed = 0),
        (6, |b| b.close.blocked_by_co = false),
        (7, |b| b.close.photo_sensor = false),
        (8, |b| b.door.closed_above_mm = b.door.open_below_mm + 40),
        (9, |b| b.door.pulse_ms = 199),
        (9, |b| b.door.gap_ms = 999),
        (10, |b| b.policy.rest_seconds = 9),
        (10, |b| b.policy.trial_seconds = 29),
        (11, |b| b.policy.supply_min_mv = 5250),
        (12, |b| b.networks.clear()),
        (12, |b| b.wifi_change = Some(WifiChange { candidate: 1, after_loss_minutes: None })),
        (13, |b| b.servers.clear()),
        (14, |b| b.alarms.co_slow_ppm = Some(71)),
        (14, |b| b.alarms.co_fast_ppm = Some(401)),
    ];
    for (rule, change) in cases {
        let mut b = sample::bundle();
        change(&mut b);
        assert_eq!(node_refuses(&b), Some(rule));
    }
    // What only matters when the door closes by itself does not matter otherwise.
    let mut b = sample::bundle();
    b.close.enabled = false;
    b.close.warn_tenths = 0;
    b.door.kind = DoorKind::Swinging;
    assert_eq!(node_refuses(&b), None);
}

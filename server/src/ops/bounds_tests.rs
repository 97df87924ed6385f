//! What can be said again and again fills neither the journal nor any other table.

use super::*;
use crate::clock::steady::{Cause, Change};
use crate::journal::quota::MOST_LINES;
use crate::store::outcomes::MOST_MADE_UP;
use pintle_protocol::checkin::Claim;
use pintle_protocol::id::NodeId;

fn made_up(n: u32) -> Digest {
    Digest::of(&n.to_be_bytes())
}

fn rows(yard: &Yard, table: &str) -> u32 {
    yard.conn.query_row(&format!("SELECT count(*) FROM {table}"), [], |row| row.get(0)).unwrap()
}

/// Entries of a kind; the journal's chain must hold.
fn entries(yard: &Yard, event: &str) -> Vec<String> {
    let all = journal::page(&yard.conn, 0, 5000).unwrap().entries;
    assert_eq!(journal::check(&yard.conn).unwrap().bad, None);
    all.into_iter().filter(|e| e.event == event).map(|e| e.sentence).collect()
}

fn is_bounded(yard: &Yard, event: &str, hours: u32) {
    let found = entries(yard, event);
    assert_eq!(found.len(), (hours * MOST_LINES) as usize, "{event}: {found:?}");
    for (n, sentence) in found.iter().enumerate() {
        let is_last = (n as u32 + 1).is_multiple_of(MOST_LINES);
        assert_eq!(sentence.contains("not written down"), is_last, "{n}: {sentence}");
    }
}

#[test]
fn claims_with_ever_new_keys_fill_no_journal() {
    let mut yard = Yard::new(1);
    for n in [7, 8] {
        super::super::nodes::announce(&yard.conn, node(n), yard.wish(n), yard.now).unwrap();
    }
    let claim = |node: NodeId, code: u8, n: u32| Claim {
        protocol: 1,
        node,
        signing_key: PublicKey(made_up(n).0),
        sealing_key: PublicKey([2; 32]),
        code_digest: Digest([code; 32]),
        proof: Digest([0; 32]),
        class: Uuid16([1; 16]),
    };
    for hour in 1..=2 {
        for n in 0..200 {
            let claim = claim(node(7), 7, hour * 1000 + n);
            assert_eq!(claim::take(&yard.conn, &claim, b"claim", yard.now).unwrap(), claim::Taken::Waits);
            yard.now += 1;
        }
        is_bounded(&yard, "claimed", hour);
        yard.now += 3600;
    }
    // The true one comes in between, waits, and is shown, whether or not there is a line about it.
    let own = claim(node(7), 7, 9);
    claim::take(&yard.conn, &own, b"the true one", yard.now).unwrap();
    assert!(
        crate::store::nodes::claims(&yard.conn)
            .unwrap()
            .iter()
            .any(|c| c.body == hex::encode("the true one"))
    );
    assert_eq!(rows(&yard, "claim"), 4);
    // Another node's claims have room of their own.
    claim::take(&yard.conn, &claim(node(8), 8, 1), b"claim", yard.now).unwrap();
    assert_eq!(entries(&yard, "claimed").len() as u32, 2 * MOST_LINES + 2);
}

#[test]
fn made_up_outcomes_fill_neither_journal_nor_table_and_true_ones_stay() {
    let mut yard = Yard::new(1);
    let rollout = yard.add(&testing::plan(&[1], 2, gate(1, 1), OnFailure::Hold));
    yard.act(rollout, rollouts::Action::Start).unwrap();
    yard.check_in(1).unwrap();
    yard.nodes[0].end(envelope(1, 0, false), Ending::Refused);
    yard.check_in(1).unwrap();
    // The same two in turn, as a node does that goes to and fro.
    for n in 0..50 {
        yard.nodes[0].end(made_up(n % 2), Ending::Kept);
        yard.check_in(1).unwrap();
    }
    assert_eq!(entries(&yard, "not_sent").len(), 2);
    // Ever new ones.
    yard.now += 3600;
    for n in 0..300 {
        yard.now += 1;
        yard.nodes[0].end(made_up(100 + n), Ending::WentBack);
        yard.check_in(1).unwrap();
    }
    assert_eq!(entries(&yard, "not_sent").len() as u32, 2 + MOST_LINES);
    assert_eq!(rows(&yard, "outcome"), MOST_MADE_UP + 1);
    let failed = crate::store::outcomes::failed(&yard.conn, &node(1)).unwrap();
    assert!(failed.contains_key(&envelope(1, 0, false)), "what a rollout learnt is never forgotten");
    assert!(failed.contains_key(&made_up(399)), "of the others the newest are kept");
}

#[test]
fn made_up_images_and_bundles_fill_neither_journal_nor_table() {
    let mut yard = Yard::new(1);
    yard.check_in(1).unwrap();
    let components = rows(&yard, "seen");
    for hour in 1..=2 {
        for n in 0..100 {
            yard.nodes[0].check_in.net.digest = made_up(hour * 1000 + n);
            yard.nodes[0].check_in.bundle = Some(made_up(hour * 1000 + n));
            yard.check_in(1).unwrap();
            yard.now += 1;
        }
        is_bounded(&yard, "not_sent", hour);
        yard.now += 3600;
    }
    assert_eq!((components, rows(&yard, "seen")), (2, 2 * MOST_MADE_UP + 1));
}

#[test]
fn a_node_that_takes_an_offer_up_and_drops_it_again_fills_no_journal() {
    let mut yard = Yard::new(1);
    let rollout = yard.add(&testing::plan(&[1], 1, gate(0, 0), OnFailure::Hold));
    yard.act(rollout, rollouts::Action::Start).unwrap();
    for _ in 0..100 {
        yard.nodes[0].check_in.phase = Phase::Idle;
        assert!(yard.check_in(1).unwrap().offer.is_some(), "it is offered all the same");
        yard.check_in(1).unwrap();
    }
    is_bounded(&yard, "offered", 1);
    // What it has room for once is written, however much came before.
    yard.nodes[0].end(envelope(1, 0, false), Ending::Kept);
    yard.check_in(1).unwrap();
    assert_eq!(entries(&yard, "kept").len(), 1);
}

#[test]
fn a_clock_that_is_set_for_ever_fills_no_table() {
    let yard = Yard::new(1);
    let (mut now, mut ahead) = (yard.now, 0);
    for n in 0..1000 {
        now += 5;
        let by = if n % 2 == 0 { 86_400 } else { -86_400 };
        ahead += by;
        let cause = [Cause::Set, Cause::Away, Cause::Behind][n % 3];
        tick(&yard.conn, &[Change { at: now, ahead, by, cause }], now).unwrap();
        // What the clock shows now is right always.
        assert_eq!(clocks::wall(&yard.conn, now).unwrap(), now + ahead);
    }
    // 5000 seconds: 11 in each of two hours that have begun, as the window slides.
    let lines: usize =
        ["clock_set", "server_back", "clock_behind"].map(|e| entries(&yard, e).len()).iter().sum();
    assert!(rows(&yard, "clock_step") <= 2 * (MOST_LINES + 1), "{}", rows(&yard, "clock_step"));
    assert!(lines as u32 <= 2 * MOST_LINES + 1, "{lines}");
    assert!(
        entries(&yard, "server_back")
            .iter()
            .chain(&entries(&yard, "clock_set"))
            .chain(&entries(&yard, "clock_behind"))
            .any(|sentence| sentence.contains("not written down"))
    );
}

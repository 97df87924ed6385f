use super::*;
use crate::store::Db;
use crate::store::nodes::{Announced, announce};
use pintle_protocol::checkin::{Phase, Running, Wifi};
use pintle_protocol::id::{Digest, Nonce, Uuid16};
use pintle_protocol::version::{ActuationProfile, LinkRange, Version};

const DAY: Seconds = 86_400;

fn check_in(node: NodeId) -> CheckIn {
    let running = Running {
        version: Version::new(1, 2, 3),
        digest: Digest([1; 32]),
        link: LinkRange { oldest: 1, newest: 1 },
        profile: ActuationProfile { id: 1, version: 1 },
        slot: 0,
    };
    CheckIn {
        protocol: 1,
        node,
        counter: 1,
        nonce: Nonce([1; 16]),
        uptime_seconds: 60,
        starts: 4,
        net: running,
        io: Some(running),
        sequences: [0; 3],
        bundle: None,
        position: Position::PartlyOpen,
        phase: Phase::Idle,
        subject: None,
        holds: 5,
        outcome: None,
        wifi: Wifi { index: 0, rssi_dbm: -60, candidate: None },
        report: Default::default(),
        supply_mv: 5000,
        relay_pulses: 3,
    }
}

fn count(db: &Db, node: NodeId, from: Seconds, to: Seconds) -> i64 {
    let sql = "SELECT count(*) FROM history WHERE node = ?1 AND at >= ?2 AND at < ?3";
    db.read_blocking::<_, StoreFault, _>(
        |conn| Ok(conn.query_row(sql, (node.0, from, to), |row| row.get(0))?),
    )
    .unwrap()
}

/// Two nodes, 200 days with three check-ins each; the second one began on day 100.
fn years(now: Seconds) -> (tempfile::TempDir, Db, [NodeId; 2]) {
    let folder = tempfile::tempdir().unwrap();
    let db = Db::open(&folder.path().join("pintle.db")).unwrap();
    let nodes = [NodeId([1; 16]), NodeId([2; 16])];
    db.write_blocking::<_, StoreFault, _>(move |conn| {
        for (n, id) in nodes.into_iter().enumerate() {
            let (class, code_digest) = (Uuid16([1; 16]), Digest([2; 32]));
            let wish = Announced { id, name: format!("Hatch {n}"), class, code_digest, expecting: false };
            announce(conn, &wish, 1)?;
            for ago in 0..200 - 100 * n as i64 {
                for hour in [1, 9, 22] {
                    let at = (retention::day(now) - ago) * DAY + hour * 3600;
                    let said = CheckIn { starts: hour as u32, supply_mv: 5000 + hour as u16, ..check_in(id) };
                    add(conn, &said, at)?;
                }
            }
        }
        Ok(())
    })
    .unwrap();
    (folder, db, nodes)
}

#[test]
fn old_check_ins_are_thinned_in_small_steps_to_one_a_day() {
    let now = 1_800_000_000;
    for step in [2, 7, 500] {
        let (_folder, db, nodes) = years(now);
        let mut steps = 0;
        loop {
            let left: bool = db
                .write_blocking::<_, StoreFault, _>(move |conn| {
                    let looked_at = thin_by(conn, step, now)?.unwrap();
                    assert!(looked_at <= step + 1, "{looked_at} rows in a step of {step}");
                    let sql = "SELECT EXISTS (SELECT 1 FROM node WHERE thinned_until < ?1)";
                    Ok(conn.query_row(sql, [retention::cutoff(now)], |row| row.get(0))?)
                })
                .unwrap();
            steps += 1;
            assert!(steps < 2000, "it never ended");
            if !left {
                break;
            }
        }
        db.write_blocking::<_, StoreFault, _>(move |conn| {
            assert_eq!(thin_by(conn, step, now)?, None);
            assert!(!thin(conn, now)?);
            Ok(())
        })
        .unwrap();
        let cutoff = retention::cutoff(now);
        for (node, old_days) in nodes.into_iter().zip([109, 9]) {
            assert_eq!(count(&db, node, 0, cutoff), old_days, "steps of {step}");
            assert_eq!(count(&db, node, cutoff, now + DAY), 91 * 3, "steps of {step}");
        }
        let last_of_each: bool = db
            .read_blocking::<_, StoreFault, _>(|conn| {
                let sql = "SELECT min(at % 86400 = 22 * 3600) FROM history WHERE at < ?1";
                Ok(conn.query_row(sql, [cutoff], |row| row.get(0))?)
            })
            .unwrap();
        assert!(last_of_each);
        // The day after, one more day is thinned out.
        db.write_blocking(move |conn| (0..4).try_for_each(|_| thin_by(conn, 500, now + DAY).map(drop)))
            .unwrap();
        assert_eq!(count(&db, nodes[0], 0, cutoff + DAY), 110);
    }
}

/// A clock that shows some hours more than the server's own time: days begin where the clock says so, and a
/// cutoff lies within one. Still one check-in of each is kept, whatever the steps.
#[test]
fn one_a_day_stays_by_the_clock_on_the_wall_however_far_that_is_ahead() {
    let now = 1_800_000_000;
    for ahead in [-100, 1, 5 * 3600, 20 * 3600, 3 * DAY + 7 * 3600] {
        for step in [2, 7, 500] {
            let (_folder, db, nodes) = years(now);
            db.write_blocking::<_, StoreFault, _>(move |conn| {
                clock::note_step(conn, 1, ahead)?;
                // Day after day, as a running server does it.
                for later in -120..=10 {
                    while thin_by(conn, step, now + later * DAY)?.is_some() {}
                }
                Ok(())
            })
            .unwrap();
            let sql = "SELECT count(*), count(DISTINCT (at + ?2) / 86400), max(at) FROM history
                WHERE node = ?1 AND at < ?3";
            for node in nodes {
                let cutoff = retention::cutoff(now + 10 * DAY);
                let (rows, days, last): (i64, i64, i64) = db
                    .read_blocking::<_, StoreFault, _>(|conn| {
                        let of = (node.0, ahead, cutoff);
                        Ok(conn.query_row(sql, of, |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))?)
                    })
                    .unwrap();
                assert_eq!(rows, days, "{ahead} s ahead, steps of {step}");
                assert!(days > 10 && last < cutoff, "{days} days");
            }
        }
    }
}

#[test]
fn days_are_shown_with_their_extremes_and_what_ran_last() {
    let (_folder, db, nodes) = years(1_800_000_000);
    let last_at = retention::day(1_800_000_000) * DAY + 22 * 3600;
    db.write_blocking(move |conn| {
        let odd = CheckIn {
            supply_mv: 4100,
            wifi: Wifi { index: 0, rssi_dbm: -90, candidate: None },
            io: None,
            ..check_in(nodes[0])
        };
        add(conn, &odd, last_at - 60)
    })
    .unwrap();
    let days = db.read_blocking(|conn| days(conn, &nodes[0], last_at - 2 * DAY)).unwrap();
    assert_eq!(days.len(), 3);
    let want = Day {
        last_at,
        check_ins: 4,
        supply_mv: 4100,
        rssi_dbm: -90,
        starts: (1, 22),
        relay_pulses: (3, 3),
        versions: ("1.2.3".to_owned(), Some("1.2.3".to_owned())),
    };
    assert_eq!(days[0], want);
    assert_eq!((days[2].check_ins, days[2].last_at), (1, last_at - 2 * DAY));
}

#[test]
fn two_check_ins_in_a_second_make_one_row_with_the_lower_supply() {
    let (_folder, db, nodes) = years(1_800_000_000);
    let at = 1_900_000_000;
    for (supply_mv, starts) in [(4000, 7), (4900, 8)] {
        db.write_blocking(move |conn| add(conn, &CheckIn { supply_mv, starts, ..check_in(nodes[1]) }, at))
            .unwrap();
    }
    let days = db.read_blocking(|conn| days(conn, &nodes[1], at)).unwrap();
    assert_eq!((days.len(), days[0].supply_mv, days[0].starts), (1, 4000, (8, 8)));
}

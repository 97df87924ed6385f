use super::*;
use crate::board::{Flash, FlashFault};
use crate::checkin::{Ending, Position};
use crate::id::{Chip, Digest, Role};
use crate::reason::Reason;
use crate::version::{ActuationProfile, LinkRange, Version};
use std::vec::Vec;

/// Flash in memory that loses power after a number of operations; programming goes word by word.
struct Cut {
    bytes: Vec<u8>,
    left: u32,
}

impl Cut {
    fn new() -> Self {
        Self { bytes: vec![0xff; 2 * SECTOR as usize], left: u32::MAX }
    }

    fn spend(&mut self) -> Result<(), FlashFault> {
        self.left = self.left.checked_sub(1).ok_or(FlashFault::PowerLost)?;
        Ok(())
    }
}

impl Flash for Cut {
    fn read(&mut self, address: u32, into: &mut [u8]) -> Result<(), FlashFault> {
        let at = address as usize;
        into.copy_from_slice(&self.bytes[at..at + into.len()]);
        Ok(())
    }
    fn program(&mut self, address: u32, bytes: &[u8]) -> Result<(), FlashFault> {
        for (n, word) in bytes.chunks(4).enumerate() {
            self.spend()?;
            for (m, b) in word.iter().enumerate() {
                self.bytes[address as usize + n * 4 + m] &= b;
            }
        }
        Ok(())
    }
    fn erase(&mut self, address: u32) -> Result<(), FlashFault> {
        self.spend()?;
        // A cut erase leaves rubbish: the worst case is half done.
        let at = address as usize;
        if self.left == 0 {
            self.bytes[at..at + 100].fill(0xff);
            return Err(FlashFault::PowerLost);
        }
        self.bytes[at..at + SECTOR as usize].fill(0xff);
        Ok(())
    }
}

const STORE: RecordStore = RecordStore { sectors: [0, SECTOR] };

fn change(part: Part, sequence: u64) -> Change {
    Change { part, manifest: Digest([sequence as u8; 32]), sequence }
}

fn image(n: u8) -> SlotImage {
    SlotImage {
        digest: Digest([n; 32]),
        size: 1000,
        version: Version::new(1, n.into(), 0),
        link: LinkRange { oldest: 1, newest: 2 },
        profile: ActuationProfile { id: 1, version: 1 },
    }
}

fn full_record() -> BootRecord {
    let mut r = BootRecord::default();
    for chip in Chip::ALL {
        r.stage_image(chip, change(if chip == Chip::Net { Part::Net } else { Part::Io }, 1), image(1));
        r.begin_trial(Position::Closed);
        r.keep();
    }
    for part in [Part::Conf, Part::Keys] {
        let text = SlotText { digest: Digest([3; 32]), size: 400, manifest: Digest([4; 32]) };
        r.stage_text(change(part, u64::MAX - 1), text);
        r.begin_trial(Position::Open);
        r.keep();
        r.stage_text(change(part, u64::MAX), text);
    }
    r.stage_image(Chip::Net, change(Part::Net, 9), image(2));
    r.begin_trial(Position::Open);
    r.stage_image(Chip::Io, change(Part::Io, 10), image(2));
    r.counter_ceiling = u64::MAX;
    r.refuse(Digest([8; 32]), Reason::Unsupported, u32::MAX);
    r
}

#[test]
fn the_fullest_record_fits_its_place() {
    let mut flash = Cut::new();
    let mut record = full_record();
    STORE.save(&mut flash, &mut record).unwrap();
    assert_eq!(STORE.load(&mut flash).unwrap(), Some(record));
}

#[test]
fn a_cut_at_any_word_of_any_write_leaves_the_record_before_or_after() {
    let mut flash = Cut::new();
    let mut record = full_record();
    let mut points = 0;
    for round in 0..6u32 {
        let before = record.clone();
        let mut cut = 0;
        loop {
            let mut trial = Cut { bytes: flash.bytes.clone(), left: cut };
            let mut next = before.clone();
            next.starts = round + 100;
            let done = STORE.save(&mut trial, &mut next);
            trial.left = u32::MAX;
            let found = STORE.load(&mut trial).unwrap();
            match found {
                Some(f) if round > 0 => assert!(
                    f == before || (f.starts == round + 100 && f.generation == before.generation + 1),
                    "round {round} cut {cut}"
                ),
                Some(f) => assert_eq!(f.starts, 100),
                None => assert_eq!(round, 0, "round {round} cut {cut}"),
            }
            // And it can be written again.
            let mut again = STORE.load(&mut trial).unwrap().unwrap_or_default();
            again.starts = 7;
            STORE.save(&mut trial, &mut again).unwrap();
            assert_eq!(STORE.load(&mut trial).unwrap().unwrap().starts, 7);
            points += 1;
            if done.is_ok() {
                break;
            }
            cut += 1;
        }
        record.starts = round + 100;
        STORE.save(&mut flash, &mut record).unwrap();
    }
    println!("boot record: {points} cut points");
    assert!(points > 1000);
}

#[test]
fn a_second_cut_never_brings_back_a_record_older_than_one_that_was_loaded() {
    let mut flash = Cut::new();
    let mut record = full_record();
    let mut points = 0;
    for _ in 0..5 {
        STORE.save(&mut flash, &mut record).unwrap();
        let mut first = 0;
        loop {
            let mut once = Cut { bytes: flash.bytes.clone(), left: first };
            let whole = STORE.save(&mut once, &mut record.clone()).is_ok();
            let loaded = STORE.load(&mut once).unwrap().unwrap();
            for second in (0..40).chain((40..700).step_by(23)) {
                let mut twice = Cut { bytes: once.bytes.clone(), left: second };
                let _ = STORE.save(&mut twice, &mut loaded.clone());
                let found = STORE.load(&mut twice).unwrap().unwrap();
                assert!(found.generation >= loaded.generation, "cuts {first} and {second}");
                points += 1;
            }
            if whole {
                break;
            }
            first += 5;
        }
    }
    println!("boot record: {points} second cuts");
    assert!(points > 5000);
}

#[test]
fn a_place_with_a_bit_that_stays_cleared_is_passed_over() {
    let mut flash = Cut::new();
    let mut record = full_record();
    for round in 0..7 {
        // Just after an erase of the first sector, the bit shows again.
        flash.bytes[1900] &= 0xfe;
        record.starts = round;
        STORE.save(&mut flash, &mut record).unwrap();
        assert_eq!(STORE.load(&mut flash).unwrap().unwrap().starts, round);
    }
}

#[test]
fn one_flipped_bit_in_one_sector_loses_nothing() {
    let mut flash = Cut::new();
    let mut record = full_record();
    STORE.save(&mut flash, &mut record).unwrap();
    for bit in (0..800 * 8).step_by(13) {
        let mut hurt = Cut { bytes: flash.bytes.clone(), left: u32::MAX };
        hurt.bytes[bit / 8] ^= 1 << (bit % 8);
        assert_eq!(STORE.load(&mut hurt).unwrap().as_ref(), Some(&record));
    }
}

#[test]
fn a_sequence_number_counts_only_when_kept() {
    let mut r = BootRecord::default();
    r.stage_image(Chip::Net, change(Part::Net, 5), image(1));
    assert!(r.admits(Role::Image, 5));
    r.begin_trial(Position::Closed);
    assert!(r.admits(Role::Image, 5));
    r.go_back(Reason::NoCheckIn, 0);
    assert!(r.admits(Role::Image, 5));
    assert_eq!(r.outcome.unwrap().ending, Ending::WentBack);
    r.stage_image(Chip::Net, change(Part::Net, 6), image(1));
    r.begin_trial(Position::Closed);
    r.keep();
    assert!(!r.admits(Role::Image, 6) && r.admits(Role::Image, 7));
    assert!(r.admits(Role::Bundle, 1) && r.admits(Role::Root, 1));
}

#[test]
fn a_trial_that_keeps_restarting_is_lost_and_runs_what_ran_before() {
    let mut r = BootRecord::default();
    r.stage_image(Chip::Net, change(Part::Net, 1), image(1));
    r.begin_trial(Position::Closed);
    r.keep();
    let good = r.net.active;
    r.stage_image(Chip::Net, change(Part::Net, 2), image(2));
    r.begin_trial(Position::Closed);
    assert_ne!(r.net.active, good);
    for _ in 0..TRIAL_STARTS {
        assert!(!r.on_start());
        assert_ne!(r.net.active, good);
    }
    assert!(r.on_start());
    assert_eq!(r.net.active, good);
    assert_eq!(r.outcome.unwrap().reason, Reason::Resets.code());
    assert!(!r.on_start());
}

#[test]
fn opening_the_spare_slot_drops_what_was_staged_there_and_nothing_else() {
    let mut r = full_record();
    r.stage_image(Chip::Io, change(Part::Io, 11), image(4));
    let before = r.clone();
    r.spare_opened(Part::Net);
    assert_eq!(r.staged, before.staged);
    assert_eq!(r.io, before.io);
    r.spare_opened(Part::Io);
    assert_eq!(r.staged, None);
    assert_eq!(r.io.current(), before.io.current());
}

#[test]
fn counters_are_reserved_ahead() {
    let mut r = BootRecord::default();
    assert_eq!(r.reserve_counters(), 0);
    assert_eq!(r.reserve_counters(), COUNTER_BLOCK);
    r.counter_ceiling = u64::MAX - 1;
    assert_eq!(r.reserve_counters(), u64::MAX - 1);
    assert_eq!(r.counter_ceiling, u64::MAX);
}

#[test]
fn what_comes_to_nothing_makes_the_rests_longer_and_what_is_kept_ends_them() {
    let mut r = full_record();
    r.in_vain = 0;
    let mut rests = std::vec::Vec::new();
    for n in 0..20 {
        rests.push(r.rest_minutes());
        if n % 2 == 0 {
            r.refuse(Digest([1; 32]), Reason::FetchFailed, 0);
        } else {
            r.spare_opened(Part::Conf);
        }
    }
    assert_eq!(rests, [0, 0, 0, 0, 0, 0, 0, 0, 1, 2, 4, 8, 16, 32, 64, 128, 256, 512, 720, 720]);
    r.in_vain = u8::MAX - 1;
    for _ in 0..3 {
        r.stage_image(Chip::Io, change(Part::Io, 11), image(4));
        r.begin_trial(Position::Closed);
        r.go_back(Reason::NoCheckIn, 0);
    }
    assert_eq!((r.in_vain, r.rest_minutes()), (u8::MAX, LONGEST_REST));
    r.stage_image(Chip::Io, change(Part::Io, 11), image(4));
    r.begin_trial(Position::Closed);
    r.keep();
    assert_eq!((r.in_vain, r.rest_minutes()), (0, 0));
}

use super::*;
use crate::journal::{Line, START};
use proptest::prelude::*;

/// `n` entries whose sentences begin with `word`; `from` decides where the word differs.
fn chain(n: i64, word: &str, from: i64) -> Vec<JournalEntry> {
    let mut head = START;
    (1..=n)
        .map(|i| {
            let word = if i >= from { word } else { "Sentence" };
            let entry = Line::new("kept", format!("{word} {i}")).chained(i, 1_000 + i, head);
            head = entry.hash;
            entry
        })
        .collect()
}

fn seen(entry: &JournalEntry) -> Seen {
    Seen { number: entry.number, hash: entry.hash }
}

fn whole(entries: &[JournalEntry], kept: Option<Seen>) -> Result<Seen, Broken> {
    let mut follow = Follow::from_start(kept);
    entries.iter().for_each(|entry| follow.next(entry));
    follow.finish()
}

/// As a client does that asks for entries from the one it has seen.
fn since(entries: &[JournalEntry], kept: Seen) -> Result<Seen, Broken> {
    let mut follow = Follow::from_seen(kept);
    assert_eq!(follow.wants(), kept.number);
    entries.iter().filter(|entry| entry.number >= kept.number).for_each(|entry| follow.next(entry));
    follow.finish()
}

#[test]
fn a_journal_that_went_on_is_the_same() {
    let entries = chain(9, "Sentence", 0);
    for kept in &entries {
        assert_eq!(since(&entries, seen(kept)), Ok(seen(&entries[8])));
        assert_eq!(whole(&entries, Some(seen(kept))), Ok(seen(&entries[8])));
    }
    assert_eq!(whole(&[], None), Ok(Seen { number: 0, hash: START }));
}

#[test]
fn a_journal_cut_short_is_told() {
    let entries = chain(9, "Sentence", 0);
    let kept = seen(&entries[6]);
    for left in 0..=6 {
        let cut = Err(Broken::CutShort { last: left as i64, seen: 7 });
        assert_eq!(whole(&entries[..left], Some(kept)), cut);
        let since = since(&entries[..left], kept);
        assert!(matches!(since, Err(Broken::CutShort { last: 6, seen: 7 })), "{since:?}");
    }
    // Entries that were never seen can be cut off unnoticed, but for the head that was signed.
    assert_eq!(whole(&entries[..8], Some(kept)), Ok(seen(&entries[7])));
    let mut follow = Follow::from_seen(kept);
    entries[6..8].iter().for_each(|entry| follow.next(entry));
    assert_eq!(follow.finish_at(seen(&entries[8])), Err(Broken::CutShort { last: 8, seen: 9 }));
}

#[test]
fn a_journal_written_anew_is_another_history() {
    let kept = seen(&chain(9, "Sentence", 0)[6]);
    for from in 1..=7 {
        let anew = chain(12, "Other", from);
        let other = Err(Broken::OtherHistory { number: 7, seen: kept.hash, found: anew[6].hash });
        assert_eq!(since(&anew, kept), other);
        assert_eq!(whole(&anew, Some(kept)), other);
    }
    assert!(whole(&chain(12, "Other", 8), Some(kept)).is_ok(), "what follows was never seen");
}

#[test]
fn entries_must_lead_to_the_signed_head() {
    let entries = chain(5, "Sentence", 0);
    let other = chain(5, "Other", 4);
    let mut follow = Follow::from_start(None);
    other.iter().for_each(|entry| follow.next(entry));
    let (found, signed) = (other[4].hash, entries[4].hash);
    assert_eq!(follow.finish_at(seen(&entries[4])), Err(Broken::OtherHead { number: 5, found, signed }));
}

proptest! {
    /// Deleting, editing, swapping and doubling entries is found, and the first one named.
    #[test]
    fn every_change_names_the_first_bad_entry(at in 0usize..10, what in 0u8..5, kept in 0usize..12) {
        let good = chain(12, "Sentence", 0);
        let mut entries = good.clone();
        match what {
            0 => drop(entries.remove(at)),
            1 => entries[at].sentence.push('!'),
            2 => entries[at].at -= 1,
            3 => entries.swap(at, at + 1),
            _ => entries.insert(at + 1, good[at].clone()),
        }
        // A doubled entry is bad as the one after the first copy.
        let first = if what == 4 { at as i64 + 2 } else { at as i64 + 1 };
        let found = whole(&entries, Some(seen(&good[kept])));
        let Err(Broken::Entry(bad)) = found else { return Err(TestCaseError::fail(format!("{found:?}"))) };
        prop_assert_eq!(bad.number, first);
    }
}

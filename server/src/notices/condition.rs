//! What is worth a notice, and which of it is new. Pure.

use crate::contract::Seconds;
use crate::tls::Ends;
use crate::words::date;

/// What a notice is about.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub enum Kind {
    /// A rollout is held, by a gate or by a person.
    RolloutHeld,
    /// A rollout has turned back.
    RolloutTurnedBack,
    /// A wave waits for a person's approval.
    ApprovalWanted,
    /// A node was not heard for an hour.
    NodeSilent,
    /// A node that was silent is heard again.
    NodeHeard,
    /// A certificate nears its end, and could not be made anew.
    CertificateEnds,
    /// The server's key has been in use for long.
    KeyAges,
    /// Somebody tries whether notices come through; never stored.
    Test,
}

/// Something that lasts, or has just happened, and is worth a notice.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Condition {
    /// What it is about.
    pub kind: Kind,
    /// Which one: a rollout's number, a node's identifier in hexadecimal, the name of a certificate.
    pub subject: String,
    /// For people, without a full stop.
    pub sentence: String,
}

/// A notice that is stored and lasts.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Lasting {
    /// Its number.
    pub id: i64,
    /// What it says.
    pub condition: Condition,
    /// When it was seen first, by the server's own time.
    pub at: Seconds,
}

/// A notice as it is sent.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Written {
    /// Its number, by which a second copy shows.
    pub id: i64,
    /// What it says.
    pub condition: Condition,
    /// What the clock on the wall showed when it was seen first.
    pub at: Seconds,
}

/// What has changed since notices were stored last.
#[derive(Debug, Default, PartialEq, Eq)]
pub struct Changes {
    /// Begins to last.
    pub begun: Vec<Condition>,
    /// Has just happened, and does not last.
    pub passing: Vec<Condition>,
    /// Numbers of what lasts no longer.
    pub over: Vec<i64>,
}

impl Changes {
    /// Whether there is nothing to store.
    pub fn is_empty(&self) -> bool {
        self.begun.is_empty() && self.passing.is_empty() && self.over.is_empty()
    }

    /// What lasts now against what lasted. Whatever says something else than before is told anew.
    pub fn between(lasting: &[Lasting], now: Vec<Condition>) -> Self {
        let over = lasting.iter().filter(|old| !now.contains(&old.condition)).map(|old| old.id).collect();
        let begun = now.into_iter().filter(|new| lasting.iter().all(|old| old.condition != *new)).collect();
        Self { begun, passing: Vec::new(), over }
    }
}

/// A served certificate should have been made anew when it had a month left.
const SERVED_DAYS: Seconds = 14;
/// A root should have been when it had two years left.
const ROOT_DAYS: Seconds = 2 * 365 - 30;
const DAY: Seconds = 86_400;

/// Certificates that near their end although the server makes them anew in time; `wall` is what the clock on the
/// wall shows.
pub(super) fn ending(ends: &Ends, wall: Seconds) -> Vec<Condition> {
    let all = [("root", ends.root, ROOT_DAYS), ("served", ends.served, SERVED_DAYS)];
    let near = all.into_iter().filter(|(_, end, days)| end - wall < days * DAY);
    let told = near.map(|(name, end, _)| Condition {
        kind: Kind::CertificateEnds,
        subject: name.to_owned(),
        sentence: format!(
            "The server's {name} certificate ends on {} and could not be made anew: its log says why; after \
             that day no node comes through to it",
            date(end)
        ),
    });
    told.collect()
}

/// Years after which a key of the server is told of: one before the ten that nodes are meant to run, so that it is
/// changed while every node is still heard. Common practice, no source.
const KEY_YEARS: Seconds = 9;

/// The server's key, once it has been in use for [`KEY_YEARS`].
///
/// `since`, `now`: by the server's own time. `began`: what the clock on the wall showed at `since`.
pub(super) fn aged(since: Seconds, began: Seconds, now: Seconds) -> Option<Condition> {
    (now - since >= KEY_YEARS * 365 * DAY).then(|| Condition {
        kind: Kind::KeyAges,
        subject: "server".to_owned(),
        sentence: format!(
            "The key by which nodes know this server has been in use since {}: keys do not end, but change it while \
             every node is heard; `pintle-server new-key` makes another",
            date(began)
        ),
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_key_is_told_of_after_nine_years_and_always_in_the_same_words() {
        let (since, began) = (1_000, 1_800_000_000);
        let nine = since + 9 * 365 * DAY;
        assert_eq!(aged(since, began, nine - 1), None);
        let told = aged(since, began, nine).unwrap();
        assert!(told.sentence.contains("in use since 2027-01-15"), "{}", told.sentence);
        assert_eq!(aged(since, began, nine + 4 * 365 * DAY), Some(told));
    }

    fn held(subject: &str, why: &str) -> Condition {
        let (subject, sentence) = (subject.to_owned(), format!("\"Firmware\" is held: {why}"));
        Condition { kind: Kind::RolloutHeld, subject, sentence }
    }

    fn stored(id: i64, condition: Condition) -> Lasting {
        Lasting { id, condition, at: 5 }
    }

    #[test]
    fn what_lasts_is_told_once() {
        let lasting = [stored(1, held("3", "guests")), stored(2, held("4", "frost"))];
        let same = vec![held("4", "frost"), held("3", "guests")];
        assert!(Changes::between(&lasting, same).is_empty());
        assert_eq!(Changes::between(&lasting, Vec::new()).over, [1, 2]);
        let changes = Changes::between(&lasting, vec![held("3", "a gate"), held("4", "frost")]);
        assert_eq!((changes.begun, changes.over), (vec![held("3", "a gate")], vec![1]), "for another reason");
        assert_eq!(Changes::between(&[], vec![held("3", "x")]).begun, [held("3", "x")]);
    }

    #[test]
    fn a_certificate_is_told_of_only_when_it_should_have_been_made_anew_long_ago() {
        let now = 1_800_000_000;
        let ends = |root, served| Ends { begin: 0, root: now + root * DAY, served: now + served * DAY };
        let told = |ends: Ends| ending(&ends, now).into_iter().map(|c| c.subject).collect::<Vec<_>>();
        assert!(told(ends(731, 31)).is_empty());
        assert!(told(ends(700, 14)).is_empty());
        assert_eq!(told(ends(731, 13)), ["served"]);
        assert_eq!(told(ends(699, 31)), ["root"]);
        assert_eq!(told(ends(-1, -1)), ["root", "served"]);
        let sentence = &ending(&ends(731, 13), now)[0].sentence;
        assert!(sentence.starts_with("The server's served certificate ends on 2027-01-28 "), "{sentence}");
    }
}

//! Which of the server's addresses is asked next: those of the bundle in their order, then those that
//! were found on the local link.
//!
//! An address proves nothing. What is found there counts for something only once it has answered a
//! check-in with a reply under a key of the server; until then it costs one check-in a turn.

use super::trial::Millis;
use crate::bundle::Address;
use crate::cose::thumbprint;
use crate::id::PublicKey;
use heapless::{String, Vec};

/// Most addresses found on the local link that are remembered.
const FOUND_MAX: usize = 2;
/// A search is not repeated before so long.
const SEARCH_PAUSE: Millis = 60_000;
/// Answers that prove nothing after which the next address has its turn. Three: a node that is not
/// known checks in, claims and checks in again, all with the same server.
const UNPROVED_MAX: u8 = 3;

/// How a check-in or a claim went.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Went {
    /// The server has replied under its key.
    Proved,
    /// Somebody has answered, in a way that everybody could.
    Unproved,
    /// Nobody has answered.
    Silent,
}

/// Whose turn it is.
#[derive(Clone, Debug, Default)]
pub(super) struct Servers {
    turn: usize,
    unproved: u8,
    /// The turn in which a check-in was last answered.
    proved: Option<usize>,
    found: Vec<Address, FOUND_MAX>,
    searched_at: Option<Millis>,
    /// The place in `found` that the next one takes when both are taken.
    oldest: usize,
}

impl Servers {
    /// Whom a check-in or a claim goes to; empty if there is nobody.
    pub(super) fn to_ask<'a>(&'a self, listed: &'a [Address]) -> &'a str {
        self.at(listed, self.turn)
    }

    /// Whom an envelope or a payload is fetched from: whoever answered a check-in last, so that nobody
    /// else can make an update fail. Before anybody has, only an address that was given.
    pub(super) fn to_fetch_from<'a>(&'a self, listed: &'a [Address]) -> &'a str {
        self.at(listed, self.proved.unwrap_or(0))
    }

    fn at<'a>(&'a self, listed: &'a [Address], turn: usize) -> &'a str {
        let all = listed.len() + self.found.len();
        let mut addresses = listed.iter().chain(&self.found);
        addresses.nth(turn % all.max(1)).map_or("", |address| address.0.as_str())
    }

    /// Goes on with this address or with the next. Whether to search the local link now.
    pub(super) fn went(&mut self, how: Went, listed: &[Address], now: Millis) -> bool {
        match how {
            Went::Proved => {
                (self.proved, self.unproved) = (Some(self.turn), 0);
                return false;
            }
            Went::Unproved if self.unproved + 1 < UNPROVED_MAX => {
                self.unproved += 1;
                return false;
            }
            Went::Unproved | Went::Silent => self.unproved = 0,
        }
        self.turn = (self.turn + 1) % (listed.len() + self.found.len()).max(1);
        let due = self.searched_at.is_none_or(|at| now.saturating_sub(at) >= SEARCH_PAUSE);
        if due {
            self.searched_at = Some(now);
        }
        due
    }

    /// Somebody on the local link says to be a server under the key with this thumbprint.
    ///
    /// Passed over: another key than those of `keys`; what is no address; plain HTTP where the bundle
    /// has TLS only; what is known already. The newest take the place of the oldest.
    pub(super) fn found<'k>(
        &mut self,
        base: &str,
        thumbprint_told: &[u8; 32],
        listed: &[Address],
        mut keys: impl Iterator<Item = &'k PublicKey>,
    ) {
        let plain = |base: &str| base.starts_with("http://");
        let fits = (base.starts_with("https://") || plain(base) && listed.iter().any(|a| plain(&a.0)))
            && base.bytes().all(|byte| byte.is_ascii_graphic())
            && !listed.iter().chain(&self.found).any(|known| known.0 == base);
        let Ok(address) = String::try_from(base) else { return };
        if !fits || !keys.any(|key| thumbprint(key) == *thumbprint_told) {
            return;
        }
        if self.found.is_full() {
            // Turns are numbers: the one that works must not move away under its number.
            let works = self.proved.and_then(|turn| turn.checked_sub(listed.len()));
            let next = |at: usize| (at + 1) % FOUND_MAX;
            let at = if works == Some(self.oldest) { next(self.oldest) } else { self.oldest };
            self.oldest = next(at);
            if let Some(oldest) = self.found.get_mut(at) {
                *oldest = Address(address);
            }
            return;
        }
        let _ = self.found.push(Address(address));
    }

    /// Another bundle is in force, with so many addresses: the first has its turn, unless it is the turn
    /// of one that was found. A network that is joined again changes nothing, or a node that is told to
    /// check in seldom would begin with its first address for ever.
    pub(super) fn relisted(&mut self, before: usize, after: usize) {
        let moved = |turn: usize| turn.checked_sub(before).map(|found| after + found);
        (self.turn, self.proved) = (moved(self.turn).unwrap_or(0), self.proved.and_then(moved));
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const KEY: PublicKey = PublicKey([7; 32]);

    fn address(text: &str) -> Address {
        Address(String::try_from(text).unwrap())
    }

    fn listed() -> [Address; 2] {
        [address("https://192.0.2.7:7443"), address("https://192.0.2.8:7443")]
    }

    fn hear(servers: &mut Servers, base: &str) {
        servers.found(base, &thumbprint(&KEY), &listed(), [&KEY].into_iter());
    }

    #[test]
    fn listed_addresses_have_their_turn_before_those_found_and_then_again() {
        let mut servers = Servers::default();
        hear(&mut servers, "https://pintle-1.local:7443");
        let mut asked = std::vec::Vec::new();
        for _ in 0..4 {
            asked.push(std::string::String::from(servers.to_ask(&listed())));
            servers.went(Went::Silent, &listed(), 0);
        }
        assert_eq!(
            asked,
            [
                "https://192.0.2.7:7443",
                "https://192.0.2.8:7443",
                "https://pintle-1.local:7443",
                "https://192.0.2.7:7443"
            ]
        );
    }

    #[test]
    fn the_link_is_searched_at_the_first_failure_and_then_once_a_minute() {
        let mut servers = Servers::default();
        let due = [0, 1, 59_999, 60_000, 60_001].map(|now| servers.went(Went::Silent, &listed(), now));
        assert_eq!(due, [true, false, false, true, false]);
    }

    #[test]
    fn an_unknown_node_checks_in_claims_and_checks_in_again_with_the_same_server() {
        let mut servers = Servers::default();
        let asked = [0; 6].map(|_| {
            let asked = servers.turn;
            servers.went(Went::Unproved, &listed(), 0);
            asked
        });
        assert_eq!(asked, [0, 0, 0, 1, 1, 1]);
        servers.went(Went::Unproved, &listed(), 0);
        servers.went(Went::Proved, &listed(), 0);
        servers.went(Went::Unproved, &listed(), 0);
        servers.went(Went::Unproved, &listed(), 0);
        assert_eq!(servers.turn, 0);
    }

    #[test]
    fn what_is_fetched_comes_from_whoever_answered_last() {
        let mut servers = Servers::default();
        servers.went(Went::Silent, &listed(), 0);
        servers.went(Went::Proved, &listed(), 0);
        servers.went(Went::Silent, &listed(), 0);
        assert_eq!(servers.to_ask(&listed()), "https://192.0.2.7:7443");
        assert_eq!(servers.to_fetch_from(&listed()), "https://192.0.2.8:7443");
    }

    #[test]
    fn nothing_is_fetched_from_an_address_that_was_found_before_it_has_proved_itself() {
        let mut servers = Servers::default();
        hear(&mut servers, "https://spoof.local");
        for went in [Went::Silent, Went::Silent, Went::Unproved, Went::Unproved] {
            servers.went(went, &listed(), 0);
            assert_eq!(servers.to_fetch_from(&listed()), "https://192.0.2.7:7443");
        }
        assert_eq!(servers.to_ask(&listed()), "https://spoof.local");
    }

    #[test]
    fn another_list_begins_at_its_first_and_keeps_one_that_was_found_and_works() {
        let mut servers = Servers::default();
        hear(&mut servers, "https://a.local");
        servers.turn = 1;
        servers.went(Went::Proved, &listed(), 0);
        servers.relisted(2, 3);
        assert_eq!((servers.turn, servers.proved), (0, None));
        servers.turn = 2;
        servers.went(Went::Proved, &listed(), 0);
        servers.relisted(2, 1);
        let one = [address("https://192.0.2.9:7443")];
        assert_eq!(
            (servers.to_ask(&one), servers.to_fetch_from(&one)),
            ("https://a.local", "https://a.local")
        );
    }

    #[test]
    fn the_newest_take_the_place_of_the_oldest() {
        let mut servers = Servers::default();
        for name in ["a", "b", "c", "d", "e"] {
            hear(&mut servers, &std::format!("https://{name}.local"));
        }
        let found: std::vec::Vec<_> = servers.found.iter().map(|address| address.0.as_str()).collect();
        assert_eq!(found, ["https://e.local", "https://d.local"]);
    }

    #[test]
    fn what_does_not_fit_is_passed_over() {
        let mut servers = Servers::default();
        let told = thumbprint(&KEY);
        let long = std::format!("https://{}", "a".repeat(57));
        for base in [
            "",
            "pintle.local",
            "http://pintle.local",
            "https://192.0.2.7:7443",
            "https://a b",
            "ftp://a",
            &long,
        ] {
            servers.found(base, &told, &listed(), [&KEY].into_iter());
        }
        servers.found("https://other.local", &[0; 32], &listed(), [&KEY].into_iter());
        servers.found("https://nobody.local", &told, &listed(), [].into_iter());
        assert!(servers.found.is_empty());
        let plain = [address("http://192.0.2.7:7080")];
        servers.found("http://pintle.local", &told, &plain, [&KEY].into_iter());
        assert_eq!(servers.found.len(), 1);
    }

    #[test]
    fn the_one_that_works_is_not_pushed_out() {
        for works in 0..FOUND_MAX {
            let mut servers = Servers::default();
            hear(&mut servers, "https://a.local");
            hear(&mut servers, "https://b.local");
            servers.turn = listed().len() + works;
            servers.went(Went::Proved, &listed(), 0);
            let before = std::string::String::from(servers.to_ask(&listed()));
            for n in 0..10 {
                hear(&mut servers, &std::format!("https://spoof-{n}.local"));
            }
            assert_eq!(servers.to_ask(&listed()), before);
        }
    }

    #[test]
    fn without_any_address_nobody_is_asked() {
        let mut servers = Servers::default();
        servers.went(Went::Silent, &[], 0);
        assert_eq!((servers.to_ask(&[]), servers.to_fetch_from(&[])), ("", ""));
    }

    proptest! {
        #[test]
        fn every_address_gets_a_turn_whatever_is_found(
            heard in proptest::collection::vec(0u8..6, 0..12), fails in 0usize..20,
        ) {
            let mut servers = Servers::default();
            for (n, name) in heard.iter().enumerate() {
                hear(&mut servers, &std::format!("https://{name}.local"));
                if n < fails { servers.went(Went::Silent, &listed(), n as Millis); }
            }
            let mut asked = std::collections::BTreeSet::new();
            for _ in 0..listed().len() + FOUND_MAX {
                asked.insert(std::string::String::from(servers.to_ask(&listed())));
                servers.went(Went::Silent, &listed(), 0);
            }
            prop_assert_eq!(asked.len(), listed().len() + servers.found.len());
        }
    }
}

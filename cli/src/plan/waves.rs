//! Waves: which nodes go first.

use std::collections::BTreeSet;
use std::fmt;
use thiserror::Error;

/// Why waves are wrong.
#[derive(Clone, Debug, PartialEq, Eq, Error)]
pub enum WaveError {
    /// A node that is not there.
    #[error("there is no node `{node}` to put into a wave")]
    NoNode {
        /// The name.
        node: String,
        /// The one that was probably meant.
        nearest: Option<String>,
    },
    /// A node in two waves.
    #[error("node {0} stands in two waves")]
    Twice(String),
    /// A wave without nodes.
    #[error("wave {0} has no nodes")]
    Empty(usize),
    /// `rest` stands twice.
    #[error("`rest` stands in two waves")]
    TwoRests,
    /// No nodes at all.
    #[error("there are no nodes to roll out to")]
    NoNodes,
    /// A time that is none.
    #[error("`{0}` is no time such as 90s, 30m, 2h or 1d")]
    Time(String),
}

/// Splits `nodes` into waves. Each of `asked` is a list of names with commas, or holds the word
/// `rest` for all that stand in no other wave. With nothing asked: the first node alone, then the
/// rest, so that a fault shows on one door.
///
/// # Errors
/// [`WaveError`].
pub fn split(nodes: &[&str], asked: &[String]) -> Result<Vec<Vec<String>>, WaveError> {
    if nodes.is_empty() {
        return Err(WaveError::NoNodes);
    }
    if asked.is_empty() {
        let (first, rest) = nodes.split_at(1);
        let own = |n: &[&str]| n.iter().map(|n| (*n).to_owned()).collect::<Vec<_>>();
        return Ok([own(first), own(rest)].into_iter().filter(|w| !w.is_empty()).collect());
    }
    let mut named = BTreeSet::new();
    let mut rests = 0;
    for name in asked.iter().flat_map(|w| names(w)) {
        if name == "rest" {
            rests += 1;
        } else if !nodes.contains(&name) {
            let nearest = crate::yard::names::nearest(name, nodes.iter().copied()).map(str::to_owned);
            return Err(WaveError::NoNode { node: name.to_owned(), nearest });
        } else if !named.insert(name) {
            return Err(WaveError::Twice(name.to_owned()));
        }
    }
    if rests > 1 {
        return Err(WaveError::TwoRests);
    }
    let rest = || nodes.iter().filter(|n| !named.contains(**n)).copied();
    let mut waves = Vec::new();
    for (number, wave) in asked.iter().enumerate() {
        let mut list = Vec::new();
        for name in names(wave) {
            match name {
                "rest" => list.extend(rest().map(str::to_owned)),
                name => list.push(name.to_owned()),
            }
        }
        if list.is_empty() {
            return Err(WaveError::Empty(number + 1));
        }
        waves.push(list);
    }
    Ok(waves)
}

fn names(wave: &str) -> impl Iterator<Item = &str> {
    wave.split(',').map(str::trim).filter(|n| !n.is_empty())
}

/// A length of time as people write it: `90s`, `30m`, `2h`, `1d`, in seconds.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Span(pub u32);

impl std::str::FromStr for Span {
    type Err = WaveError;
    fn from_str(text: &str) -> Result<Self, WaveError> {
        let wrong = || WaveError::Time(text.to_owned());
        let unit = match text.as_bytes().last() {
            Some(b's') => 1,
            Some(b'm') => 60,
            Some(b'h') => 3600,
            Some(b'd') => 86_400,
            _ => return Err(wrong()),
        };
        let digits = text.get(..text.len() - 1).filter(|d| d.bytes().all(|b| b.is_ascii_digit()));
        let number: u32 = digits.and_then(|d| d.parse().ok()).ok_or_else(wrong)?;
        number.checked_mul(unit).map(Self).ok_or_else(wrong)
    }
}

impl fmt::Display for Span {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (divisor, unit) = match self.0 {
            s if s != 0 && s.is_multiple_of(86_400) => (86_400, 'd'),
            s if s != 0 && s.is_multiple_of(3600) => (3600, 'h'),
            s if s != 0 && s.is_multiple_of(60) => (60, 'm'),
            _ => (1, 's'),
        };
        write!(f, "{}{unit}", self.0 / divisor)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    const NODES: [&str; 4] = ["barn", "gate", "hen-house", "shed"];

    fn waves(asked: &[&str]) -> Result<Vec<Vec<String>>, WaveError> {
        split(&NODES, &asked.iter().map(|a| (*a).to_owned()).collect::<Vec<_>>())
    }

    #[test]
    fn without_a_wish_one_node_goes_first() {
        assert_eq!(waves(&[]).unwrap(), [vec!["barn"], vec!["gate", "hen-house", "shed"]]);
        assert_eq!(split(&["barn"], &[]).unwrap(), [vec!["barn"]]);
    }

    #[test]
    fn rest_is_what_no_other_wave_names() {
        assert_eq!(
            waves(&["shed, gate", "rest"]).unwrap(),
            [vec!["shed", "gate"], vec!["barn", "hen-house"]]
        );
        assert_eq!(waves(&["rest", "shed"]).unwrap()[1], ["shed"]);
        assert_eq!(waves(&["barn"]).unwrap(), [vec!["barn"]]);
    }

    #[test]
    fn faults_are_named() {
        assert_eq!(waves(&["barn", "barn"]), Err(WaveError::Twice("barn".into())));
        assert_eq!(waves(&["rest", "rest"]), Err(WaveError::TwoRests));
        assert_eq!(waves(&["barn", ","]), Err(WaveError::Empty(2)));
        assert_eq!(waves(&["barn,gate,shed,hen-house", "rest"]), Err(WaveError::Empty(2)));
        assert_eq!(
            waves(&["bran"]),
            Err(WaveError::NoNode { node: "bran".into(), nearest: Some("barn".into()) })
        );
        assert_eq!(split(&[], &[]), Err(WaveError::NoNodes));
    }

    #[test]
    fn times_are_read_and_shown() {
        for (text, seconds) in [("90s", 90), ("30m", 1800), ("2h", 7200), ("1d", 86_400), ("0s", 0)] {
            let span: Span = text.parse().unwrap();
            assert_eq!((span.0, span.to_string().as_str()), (seconds, text));
        }
        for bad in ["", "30", "m", "-1m", "1.5h", "30 m", "99999999d", "1w", "\u{e9}m"] {
            assert!(bad.parse::<Span>().is_err(), "{bad}");
        }
    }

    proptest! {
        #[test]
        fn every_node_stands_in_one_wave_at_most(asked in proptest::collection::vec("(barn|gate|shed|rest)(,(gate|shed|rest))?", 0..4)) {
            if let Ok(found) = split(&NODES, &asked) {
                let all: Vec<_> = found.iter().flatten().collect();
                let unique: BTreeSet<_> = all.iter().collect();
                prop_assert_eq!(unique.len(), all.len());
                prop_assert!(found.iter().all(|w| !w.is_empty()));
            }
        }
    }
}

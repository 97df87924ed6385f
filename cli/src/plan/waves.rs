//! Waves: which nodes go first.

use pintle_server::contract::MOST_SECONDS;
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
    /// A share that is none.
    #[error("`{0}` in --wave is no share such as 25%: 1% to 100%")]
    Share(String),
    /// A label that no node has.
    #[error("no node that this goes to has the label `{label}` in --wave")]
    NoLabel {
        /// The label.
        label: String,
        /// The one that was probably meant.
        nearest: Option<String>,
    },
    /// A time that is none.
    #[error("`{0}` is no time such as 90s, 30m, 2h or 1d; {most} d at most", most = MOST_SECONDS / 86_400)]
    Time(String),
}

/// A node that a rollout may go to.
#[derive(Clone, Copy, Debug)]
pub struct Choice<'a> {
    /// Its name.
    pub name: &'a str,
    /// Its labels.
    pub labels: &'a [String],
    /// Whether it takes part when it is not asked for by name.
    pub fits: bool,
}

/// What a wave asks for.
enum Ask<'a> {
    Name(&'a str),
    Label(&'a str),
    /// Per cent of all nodes that fit.
    Share(usize),
    Rest,
}

/// Splits nodes into waves. Each of `asked` is a list with commas of names, `label=NAME` (all
/// with that label), `NN%` (a share of all nodes, rounded up, in the order of their names) and the
/// word `rest`. A node stands in one wave: names are taken out first, then labels, then shares,
/// each wave by wave, then the rest. The same nodes and the same wish give the same waves.
///
/// With nothing asked: the first node alone, then the rest, so that a fault shows on one door.
///
/// # Errors
/// [`WaveError`].
pub fn split(nodes: &[Choice<'_>], asked: &[String]) -> Result<Vec<Vec<String>>, WaveError> {
    let fitting = || nodes.iter().filter(|n| n.fits);
    if asked.is_empty() {
        let mut names = fitting().map(|n| n.name.to_owned());
        let first = names.next().ok_or(WaveError::NoNodes)?;
        let rest: Vec<String> = names.collect();
        return Ok([vec![first], rest].into_iter().filter(|w| !w.is_empty()).collect());
    }
    if nodes.is_empty() {
        return Err(WaveError::NoNodes);
    }
    let asks: Vec<Vec<Ask<'_>>> = asked
        .iter()
        .map(|wave| wave.split(',').map(str::trim).filter(|w| !w.is_empty()).map(ask).collect())
        .collect::<Result<_, _>>()?;
    if asks.iter().flatten().filter(|a| matches!(a, Ask::Rest)).count() > 1 {
        return Err(WaveError::TwoRests);
    }
    let mut taken = BTreeSet::new();
    let mut waves = vec![Vec::new(); asks.len()];
    let each = || asks.iter().enumerate().flat_map(|(w, wave)| wave.iter().map(move |a| (w, a)));
    for (w, ask) in each() {
        let Ask::Name(name) = ask else { continue };
        let node = nodes.iter().find(|n| n.name == *name).ok_or_else(|| no_node(nodes, name))?;
        if !taken.insert(node.name) {
            return Err(WaveError::Twice((*name).to_owned()));
        }
        waves[w].push(node.name.to_owned());
    }
    for (w, ask) in each() {
        let Ask::Label(label) = ask else { continue };
        let has = |n: &&Choice<'_>| n.labels.iter().any(|l| l == label);
        if !fitting().any(|n| has(&n)) {
            return Err(no_label(nodes, label));
        }
        for node in fitting().filter(has) {
            if taken.insert(node.name) {
                waves[w].push(node.name.to_owned());
            }
        }
    }
    for (w, ask) in each() {
        let Ask::Share(percent) = ask else { continue };
        let most = (fitting().count() * percent).div_ceil(100);
        let free: Vec<&str> = fitting().map(|n| n.name).filter(|n| !taken.contains(n)).take(most).collect();
        taken.extend(&free);
        waves[w].extend(free.into_iter().map(str::to_owned));
    }
    for (w, ask) in each() {
        if matches!(ask, Ask::Rest) {
            waves[w].extend(fitting().map(|n| n.name).filter(|n| !taken.contains(n)).map(str::to_owned));
        }
    }
    match waves.iter().position(Vec::is_empty) {
        Some(empty) => Err(WaveError::Empty(empty + 1)),
        None => Ok(waves),
    }
}

fn ask(word: &str) -> Result<Ask<'_>, WaveError> {
    if word == "rest" {
        return Ok(Ask::Rest);
    }
    if let Some(label) = word.strip_prefix("label=") {
        return Ok(Ask::Label(label));
    }
    let Some(share) = word.strip_suffix('%') else { return Ok(Ask::Name(word)) };
    let digits = share.bytes().all(|b| b.is_ascii_digit());
    let percent = share.parse().ok().filter(|p| digits && (1..=100).contains(p));
    percent.map(Ask::Share).ok_or_else(|| WaveError::Share(word.to_owned()))
}

fn no_node(nodes: &[Choice<'_>], name: &str) -> WaveError {
    let nearest = crate::yard::names::nearest(name, nodes.iter().map(|n| n.name)).map(str::to_owned);
    WaveError::NoNode { node: name.to_owned(), nearest }
}

fn no_label(nodes: &[Choice<'_>], label: &str) -> WaveError {
    let known = nodes.iter().flat_map(|n| n.labels).map(String::as_str);
    let nearest = crate::yard::names::nearest(label, known).map(str::to_owned);
    WaveError::NoLabel { label: label.to_owned(), nearest }
}

/// A length of time as people write it: `90s`, `30m`, `2h`, `1d`, in seconds; a year at most.
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
        number.checked_mul(unit).filter(|s| *s <= MOST_SECONDS).map(Self).ok_or_else(wrong)
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

    fn split(nodes: &[&str], asked: &[String]) -> Result<Vec<Vec<String>>, WaveError> {
        let field = ["field".to_owned()];
        let labels = |name: &str| if matches!(name, "gate" | "shed") { &field[..] } else { &[] };
        let choice = |n: &&'static str| Choice { name: n, labels: labels(n), fits: *n != "spare" };
        let nodes: Vec<&'static str> =
            [&NODES[..], &["spare"]].concat().into_iter().filter(|n| nodes.contains(n)).collect();
        super::split(&nodes.iter().map(choice).collect::<Vec<_>>(), asked)
    }

    fn waves(asked: &[&str]) -> Result<Vec<Vec<String>>, WaveError> {
        split(&NODES, &asked.iter().map(|a| (*a).to_owned()).collect::<Vec<_>>())
    }

    #[test]
    fn labels_and_shares_take_what_is_not_named() {
        assert_eq!(
            waves(&["label=field", "rest"]).unwrap(),
            [vec!["gate", "shed"], vec!["barn", "hen-house"]]
        );
        assert_eq!(waves(&["25%", "rest"]).unwrap(), [vec!["barn"], vec!["gate", "hen-house", "shed"]]);
        assert_eq!(waves(&["26%", "rest"]).unwrap()[0], ["barn", "gate"], "rounded up");
        assert_eq!(waves(&["50%", "100%"]).unwrap(), [vec!["barn", "gate"], vec!["hen-house", "shed"]]);
        // Names come before labels, labels before shares, whatever the order of the waves.
        assert_eq!(
            waves(&["50%", "label=field", "gate"]).unwrap(),
            [vec!["barn", "hen-house"], vec!["shed"], vec!["gate"]]
        );
        assert_eq!(waves(&["barn,25%", "rest"]).unwrap(), [vec!["barn", "gate"], vec!["hen-house", "shed"]]);
        assert_eq!(waves(&["100%", "1%"]), Err(WaveError::Empty(2)));
        for bad in ["0%", "101%", "%", "2.5%", "+5%", "-1%", "99999999999999999999%"] {
            assert_eq!(waves(&[bad]), Err(WaveError::Share(bad.to_owned())));
        }
        let nearest = Some("field".to_owned());
        assert_eq!(waves(&["label=feild"]), Err(WaveError::NoLabel { label: "feild".to_owned(), nearest }));
    }

    #[test]
    fn what_does_not_fit_goes_only_when_named() {
        let nodes = ["barn", "gate", "spare"];
        let asked =
            |asked: &[&str]| split(&nodes, &asked.iter().map(|a| (*a).to_owned()).collect::<Vec<_>>());
        assert_eq!(asked(&[]).unwrap(), [vec!["barn"], vec!["gate"]]);
        assert_eq!(asked(&["100%"]).unwrap(), [vec!["barn", "gate"]]);
        assert_eq!(asked(&["spare", "rest"]).unwrap(), [vec!["spare"], vec!["barn", "gate"]]);
        assert_eq!(split(&["spare"], &[]), Err(WaveError::NoNodes));
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
        for (text, seconds) in [("90s", 90), ("30m", 1800), ("2h", 7200), ("365d", 31_536_000), ("0s", 0)] {
            let span: Span = text.parse().unwrap();
            assert_eq!((span.0, span.to_string().as_str()), (seconds, text));
        }
        for bad in ["", "30", "m", "-1m", "1.5h", "30 m", "366d", "99999999d", "1w", "\u{e9}m"] {
            assert!(bad.parse::<Span>().is_err(), "{bad}");
        }
    }

    proptest! {
        #[test]
        fn every_node_stands_in_one_wave_at_most(asked in proptest::collection::vec("(barn|gate|shed|rest|label=field|40%)(,(gate|shed|rest|25%))?", 0..4)) {
            if let Ok(found) = split(&NODES, &asked) {
                let all: Vec<_> = found.iter().flatten().collect();
                let unique: BTreeSet<_> = all.iter().collect();
                prop_assert_eq!(unique.len(), all.len());
                prop_assert!(found.iter().all(|w| !w.is_empty()));
            }
        }
    }
}

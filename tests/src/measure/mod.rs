//! Values that have a bound, and how they are measured.
//!
//! Every value is taken from the real thing: a build from an empty folder, a server that runs, a program that was
//! linked. What cannot be had is an error, never a row. Times depend on the machine and on what else it does; what is
//! judged by a ratio is taken in turns with what it is compared with, and the value is the median of the turns.

mod bench;
mod node;
mod server;

pub use crate::tool::MeasureError;

use std::fmt;

/// What is measured together.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Group {
    /// How long things take.
    Bench,
    /// What the server takes.
    Server,
    /// How much flash, memory and work a node takes.
    Node,
    /// How large pages are.
    Page,
}

impl Group {
    /// All groups, in the order in which they are measured.
    pub const ALL: [Self; 4] = [Self::Bench, Self::Server, Self::Node, Self::Page];

    /// Its word.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Bench => "bench",
            Self::Server => "server",
            Self::Node => "node",
            Self::Page => "page",
        }
    }

    /// Reads the word.
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|g| g.word() == word)
    }
}

/// One value with its bound.
#[derive(Clone, Debug, PartialEq)]
pub struct Row {
    /// What it belongs to.
    pub group: Group,
    /// What was measured, with its unit.
    pub name: &'static str,
    /// The value.
    pub value: f64,
    /// Which values hold.
    pub bound: Bound,
}

/// Which values hold.
#[derive(Clone, Copy, Debug, PartialEq)]
pub enum Bound {
    /// This one and lower ones.
    AtMost(f64),
    /// This one and higher ones.
    AtLeast(f64),
    /// Any: it only stands beside others.
    Shown,
}

impl Row {
    /// Whether the value keeps its bound.
    pub fn holds(&self) -> bool {
        match self.bound {
            Bound::AtMost(most) => self.value <= most,
            Bound::AtLeast(least) => self.value >= least,
            Bound::Shown => true,
        }
    }
}

impl fmt::Display for Row {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { group, name, value, bound } = self;
        // Ratios need more digits than sizes.
        let digits = if value.abs() < 10.0 { 2 } else { 1 };
        write!(f, "{}\t{name}\t{value:.digits$}\t", group.word())?;
        let word = if self.holds() { "holds" } else { "short" };
        match bound {
            Bound::AtMost(most) => write!(f, "{most}\t{word}"),
            Bound::AtLeast(least) => write!(f, "at least {least}\t{word}"),
            Bound::Shown => f.write_str("-\tshown"),
        }
    }
}

/// A part of a group: takes its values, and hands each row over as soon as it is there.
pub type Part = fn(&mut dyn FnMut(Row)) -> Result<(), MeasureError>;

/// The parts of a group with their words, in the order in which they are measured.
pub fn parts(group: Group) -> Vec<(&'static str, Part)> {
    match group {
        Group::Bench => vec![("bench", bench::rows as Part)],
        Group::Server => server::PARTS.to_vec(),
        Group::Node => vec![("node", |show| node::rows().map(|rows| rows.into_iter().for_each(show)))],
        Group::Page => vec![("page", server::page::rows)],
    }
}

/// The middle one of some values; not a number if there are none.
fn median(mut values: Vec<f64>) -> f64 {
    values.sort_by(f64::total_cmp);
    values.get(values.len() / 2).copied().unwrap_or(f64::NAN)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rows_are_parted_by_tabs_and_say_whether_they_hold() {
        let row = |value, bound| Row { group: Group::Bench, name: "rehearsal, s", value, bound };
        let most = Bound::AtMost(60.0);
        assert_eq!(row(12.34, most).to_string(), "bench\trehearsal, s\t12.3\t60\tholds");
        assert_eq!(row(60.0, most).to_string(), "bench\trehearsal, s\t60.0\t60\tholds");
        assert_eq!(row(60.1, most).to_string(), "bench\trehearsal, s\t60.1\t60\tshort");
        let least = Bound::AtLeast(0.8);
        assert_eq!(row(0.8, least).to_string(), "bench\trehearsal, s\t0.80\tat least 0.8\tholds");
        assert_eq!(row(0.79, least).to_string(), "bench\trehearsal, s\t0.79\tat least 0.8\tshort");
        assert_eq!(row(12.34, Bound::Shown).to_string(), "bench\trehearsal, s\t12.3\t-\tshown");
        // Not a number is not a value that keeps a bound.
        assert!(!row(f64::NAN, most).holds() && !row(f64::NAN, least).holds());
    }

    #[test]
    fn the_median_is_one_of_the_values() {
        assert_eq!(median(vec![3.0, 1.0, 2.0]), 2.0);
        assert_eq!(median(vec![1.0]), 1.0);
        assert!(median(Vec::new()).is_nan());
    }

    #[test]
    fn groups_have_words() {
        for group in Group::ALL {
            assert_eq!(Group::from_word(group.word()), Some(group));
        }
        assert_eq!(Group::from_word("speed"), None);
        let words: Vec<&str> = parts(Group::Server).into_iter().map(|(word, _)| word).collect();
        assert_eq!(words, ["memory", "check-in", "download", "gate", "many"]);
    }
}

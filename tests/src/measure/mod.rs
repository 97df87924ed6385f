//! Values that have a bound, and how they are measured.
//!
//! Every value is taken from the real thing: a build from an empty folder, a server that runs, a program that was
//! linked. What cannot be had is an error, never a row.

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
    /// The highest value that holds; infinite for a value that only stands beside others.
    pub bound: f64,
}

impl Row {
    /// Whether the value keeps its bound.
    pub fn holds(&self) -> bool {
        self.value <= self.bound
    }
}

impl fmt::Display for Row {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let Self { group, name, value, bound } = self;
        if *bound == f64::INFINITY {
            return write!(f, "{}\t{name}\t{value:.1}\t-\tshown", group.word());
        }
        let word = if self.holds() { "holds" } else { "short" };
        write!(f, "{}\t{name}\t{value:.1}\t{bound}\t{word}", group.word())
    }
}

/// Measures a group.
///
/// # Errors
/// [`MeasureError`] if a value cannot be had.
pub fn run(group: Group) -> Result<Vec<Row>, MeasureError> {
    match group {
        Group::Bench => bench::rows(),
        Group::Server => server::memory_rows(),
        Group::Node => node::rows(),
        Group::Page => server::page_rows(),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rows_are_parted_by_tabs_and_say_whether_they_hold() {
        let row = |value| Row { group: Group::Bench, name: "rehearsal, s", value, bound: 60.0 };
        assert_eq!(row(12.34).to_string(), "bench\trehearsal, s\t12.3\t60\tholds");
        assert_eq!(row(60.0).to_string(), "bench\trehearsal, s\t60.0\t60\tholds");
        assert_eq!(row(60.1).to_string(), "bench\trehearsal, s\t60.1\t60\tshort");
        let beside = Row { bound: f64::INFINITY, ..row(12.34) };
        assert_eq!(beside.to_string(), "bench\trehearsal, s\t12.3\t-\tshown");
        // Not a number is not a value that keeps a bound.
        assert!(!row(f64::NAN).holds());
    }

    #[test]
    fn groups_have_words() {
        for group in Group::ALL {
            assert_eq!(Group::from_word(group.word()), Some(group));
        }
        assert_eq!(Group::from_word("speed"), None);
    }
}

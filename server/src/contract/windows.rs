//! When a rollout may offer something new, by the clock on the wall of the yard.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Spans of a rollout, at most.
pub const MOST_SPANS: usize = 16;

/// When a rollout may offer something new. Outside of it nothing new is offered; what a node has
/// taken up already goes on, and a node that is returned to what it ran before is not kept
/// waiting.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Windows {
    /// A name of the IANA time zone database, such as `Etc/UTC`.
    pub zone: String,
    /// When it is open; 1 to 16. Open in any of them is open.
    #[schemars(length(min = 1, max = MOST_SPANS))]
    pub spans: Vec<DaySpan>,
}

/// A span of the day on some days of the week, as a clock on the wall shows it.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct DaySpan {
    /// The days on which it begins, at least one.
    #[schemars(length(min = 1))]
    pub days: Vec<Day>,
    /// When it begins: `HH:MM`, 00:00 to 23:59.
    #[schemars(regex(pattern = "^([01][0-9]|2[0-3]):[0-5][0-9]$"))]
    pub from: String,
    /// When it ends: `HH:MM`, 00:01 to 24:00; at or before `from`, it ends on the next day.
    #[schemars(regex(pattern = "^(?!00:00)(([01][0-9]|2[0-3]):[0-5][0-9]|24:00)$"))]
    pub until: String,
}

/// A day of the week.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
#[expect(missing_docs, reason = "a day is a day")]
pub enum Day {
    Mon,
    Tue,
    Wed,
    Thu,
    Fri,
    Sat,
    Sun,
}

impl Day {
    /// All, Monday first.
    pub const ALL: [Self; 7] = [Self::Mon, Self::Tue, Self::Wed, Self::Thu, Self::Fri, Self::Sat, Self::Sun];

    /// Three letters, as in the JSON.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Mon => "mon",
            Self::Tue => "tue",
            Self::Wed => "wed",
            Self::Thu => "thu",
            Self::Fri => "fri",
            Self::Sat => "sat",
            Self::Sun => "sun",
        }
    }
}

/// Where the windows of a rollout stand now.
#[derive(Clone, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
pub struct WindowsView {
    /// As planned.
    #[serde(flatten)]
    pub windows: Windows,
    /// Whether something new may be offered now.
    pub open: bool,
    /// When that changes; absent if it never does.
    pub changes_at: Option<super::Seconds>,
    /// The same, as a clock on the wall there shows it.
    pub changes_at_local: Option<String>,
}

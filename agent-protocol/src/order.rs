//! The order in which the two chips of a node are updated.
//!
//! Two chips are never updated at the same instant, so every pair on the way must understand
//! each other: share a link version and mean the same by moving the door. [`route`] finds the
//! shortest sequence of single-chip updates, through older or newer images at hand where the
//! direct way is barred. Where there is none, it says which one image would open it.
//!
//! ```text
//!        io 1       io 2        a state is a pair of images; a step changes one of them
//! net 1  here --->  (1,2)       a pair whose chips share no link version is a wall
//!          |          |
//! net 2   wall      there
//! ```

use crate::id::Chip;
use crate::version::{ActuationProfile, LinkRange};
use core::fmt;
use heapless::Vec;

/// Most images at hand for one chip.
pub const MAX_AT_HAND: usize = 15;
/// Most steps in a route: every pair at most once.
pub const MAX_STEPS: usize = SIDE * SIDE - 1;

/// Images on one side: the installed one and those at hand.
const SIDE: usize = MAX_AT_HAND + 1;

/// What one image speaks.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Speaks {
    /// Link versions.
    pub link: LinkRange,
    /// Meaning of moving the door.
    pub profile: ActuationProfile,
}

impl Speaks {
    /// Whether two chips with these images understand each other.
    pub const fn understands(self, other: Self) -> bool {
        self.link.common(other.link).is_some() && self.profile.common(other.profile).is_some()
    }
}

/// What is installed, and what is at hand to install.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Plan<'a> {
    /// Installed on the net chip.
    pub net: Speaks,
    /// Installed on the io chip.
    pub io: Speaks,
    /// At hand for the net chip, at most [`MAX_AT_HAND`].
    pub net_images: &'a [Speaks],
    /// At hand for the io chip, at most [`MAX_AT_HAND`].
    pub io_images: &'a [Speaks],
    /// Index in `net_images` to end with; `None` to end with what is installed.
    pub want_net: Option<usize>,
    /// Index in `io_images` to end with; `None` to end with what is installed.
    pub want_io: Option<usize>,
}

/// One single-chip update.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Step {
    /// The chip to update.
    pub chip: Chip,
    /// Index of the image among those at hand for it; `None` is the one installed at the start.
    pub image: Option<usize>,
}

/// An image that is missing: with it, a route exists.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Stone {
    /// The chip it is for.
    pub chip: Chip,
    /// The narrowest link range that helps.
    pub link: LinkRange,
    /// The actuation profile it must implement.
    pub profile: u16,
}

impl fmt::Display for Stone {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "an image for the {} chip that speaks link {} and actuation profile {}",
            self.chip, self.link, self.profile
        )
    }
}

/// Why there is no route.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
#[non_exhaustive]
pub enum NoRoute {
    /// More than [`MAX_AT_HAND`] images for one chip.
    TooMany {
        /// The chip.
        chip: Chip,
        /// Images given.
        given: usize,
    },
    /// The image asked for is not among those at hand.
    NotAtHand {
        /// The chip.
        chip: Chip,
        /// The index asked for.
        index: usize,
    },
    /// The two chips do not understand each other as they are; the io chip cannot be reached.
    ApartNow,
    /// The two images asked for do not understand each other.
    ApartAfter,
    /// A stepping stone is missing.
    Missing(Stone),
    /// The two ends mean different things by moving the door, and one image has one meaning:
    /// no stepping stone can help.
    OtherMeaning {
        /// Profile identifier now.
        now: u16,
        /// Profile identifier afterwards.
        after: u16,
    },
}

impl fmt::Display for NoRoute {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::TooMany { chip, given } => {
                write!(
                    f,
                    "{given} images are at hand for the {chip} chip; at most {MAX_AT_HAND} can be weighed"
                )
            }
            Self::NotAtHand { chip, index } => {
                write!(f, "image number {index} for the {chip} chip is not at hand")
            }
            Self::ApartNow => f.write_str("the two chips do not understand each other as they are"),
            Self::ApartAfter => f.write_str("the two images asked for do not understand each other"),
            Self::Missing(stone) => write!(f, "a stepping stone is missing: {stone}"),
            Self::OtherMeaning { now, after } => write!(
                f,
                "actuation profile {now} now and {after} afterwards mean different things by moving the door; no order of single updates is safe"
            ),
        }
    }
}

impl core::error::Error for NoRoute {}

/// Finds the shortest sequence of single-chip updates from what is installed to what is wanted,
/// each pair on the way understanding each other. Of equally short ones, the one that updates
/// the io chip first: the net chip can always be reached over the network.
///
/// # Errors
/// [`NoRoute`] if there is none, with the one image that would open it where one can.
pub fn route(plan: &Plan<'_>) -> Result<Vec<Step, MAX_STEPS>, NoRoute> {
    let net = side(Chip::Net, plan.net, plan.net_images)?;
    let io = side(Chip::Io, plan.io, plan.io_images)?;
    let goal = (wanted(Chip::Net, plan.want_net, net.len())?, wanted(Chip::Io, plan.want_io, io.len())?);
    let open = |(n, i): Pair| match (net.get(n), io.get(i)) {
        (Some(n), Some(i)) => n.understands(*i),
        _ => false,
    };
    if !open(HERE) {
        return Err(NoRoute::ApartNow);
    }
    if !open(goal) {
        return Err(NoRoute::ApartAfter);
    }
    let from_here = Reached::from(HERE, net.len(), io.len(), open);
    if from_here.has(goal) {
        return Ok(from_here.steps_to(goal));
    }
    let to_goal = Reached::from(goal, net.len(), io.len(), open);
    Err(stone(&net, &io, &from_here, &to_goal, goal))
}

/// Indices into the two sides; 0 is what is installed.
type Pair = (usize, usize);
const HERE: Pair = (0, 0);

fn side(chip: Chip, installed: Speaks, at_hand: &[Speaks]) -> Result<Vec<Speaks, SIDE>, NoRoute> {
    let mut all = Vec::new();
    let too_many = NoRoute::TooMany { chip, given: at_hand.len() };
    all.push(installed).map_err(|_| too_many)?;
    all.extend_from_slice(at_hand).map_err(|_| too_many)?;
    Ok(all)
}

fn wanted(chip: Chip, want: Option<usize>, len: usize) -> Result<usize, NoRoute> {
    match want {
        None => Ok(0),
        Some(index) if index < len.saturating_sub(1) => Ok(index + 1),
        Some(index) => Err(NoRoute::NotAtHand { chip, index }),
    }
}

/// Every pair that can be reached from one pair, with the pair it was reached from.
struct Reached {
    came_from: [[Option<(u8, u8)>; SIDE]; SIDE],
}

impl Reached {
    /// Walks breadth first, io chip first. Steps can be taken both ways, so this also gives
    /// the pairs from which `start` can be reached.
    fn from(start: Pair, nets: usize, ios: usize, open: impl Fn(Pair) -> bool) -> Self {
        let mut reached = Self { came_from: [[None; SIDE]; SIDE] };
        let mut queue: Vec<Pair, { SIDE * SIDE }> = Vec::new();
        reached.visit(start, start, &mut queue);
        let mut at = 0;
        while let Some(&pair) = queue.get(at) {
            at += 1;
            for i in 0..ios {
                if open((pair.0, i)) {
                    reached.visit((pair.0, i), pair, &mut queue);
                }
            }
            for n in 0..nets {
                if open((n, pair.1)) {
                    reached.visit((n, pair.1), pair, &mut queue);
                }
            }
        }
        reached
    }

    fn visit(&mut self, pair: Pair, from: Pair, queue: &mut Vec<Pair, { SIDE * SIDE }>) {
        let Some(cell) = self.came_from.get_mut(pair.0).and_then(|row| row.get_mut(pair.1)) else { return };
        // The queue holds each pair once, so there is always room.
        if cell.is_none() && queue.push(pair).is_ok() {
            *cell = Some((from.0 as u8, from.1 as u8));
        }
    }

    fn before(&self, pair: Pair) -> Option<Pair> {
        let (n, i) = (*self.came_from.get(pair.0)?.get(pair.1)?)?;
        Some((n as usize, i as usize))
    }

    fn has(&self, pair: Pair) -> bool {
        self.before(pair).is_some()
    }

    fn steps_to(&self, goal: Pair) -> Vec<Step, MAX_STEPS> {
        let mut steps = Vec::new();
        let mut at = goal;
        while let Some(from) = self.before(at) {
            if from == at {
                break;
            }
            let step = if from.0 == at.0 {
                Step { chip: Chip::Io, image: at.1.checked_sub(1) }
            } else {
                Step { chip: Chip::Net, image: at.0.checked_sub(1) }
            };
            // At most one step for each pair but the first, so there is always room.
            if steps.push(step).is_err() {
                break;
            }
            at = from;
        }
        steps.reverse();
        steps
    }
}

/// The narrowest single image that joins the pairs around here with those around the goal.
///
/// With a stone `s` on the io chip the way is `(n, i) -> (n, s) -> (m, s) -> (m, j)` for a
/// reachable `(n, i)` and a `(m, j)` from which the goal is reached: `s` must share a link
/// version with both `n` and `m`. The same holds with the chips exchanged.
fn stone(net: &[Speaks], io: &[Speaks], here: &Reached, there: &Reached, goal: Pair) -> NoRoute {
    let mut best: Option<Stone> = None;
    for (chip, images, others) in [(Chip::Io, net, io), (Chip::Net, io, net)] {
        let touches = |reached: &Reached, at: usize| {
            (0..others.len()).any(|o| reached.has(if chip == Chip::Io { (at, o) } else { (o, at) }))
        };
        for (a, near) in images.iter().enumerate().filter(|(a, _)| touches(here, *a)) {
            for (b, far) in images.iter().enumerate().filter(|(b, _)| touches(there, *b)) {
                if near.profile.id != far.profile.id || a == b {
                    continue;
                }
                let found = Stone { chip, link: bridge(near.link, far.link), profile: near.profile.id };
                if best.is_none_or(|b| width(found.link) < width(b.link)) {
                    best = Some(found);
                }
            }
        }
    }
    match best {
        Some(stone) => NoRoute::Missing(stone),
        None => NoRoute::OtherMeaning {
            now: net.first().map_or(0, |s| s.profile.id),
            after: net.get(goal.0).map_or(0, |s| s.profile.id),
        },
    }
}

/// The narrowest range that shares a version with both.
fn bridge(a: LinkRange, b: LinkRange) -> LinkRange {
    let (low, high) = if a.newest <= b.newest { (a, b) } else { (b, a) };
    match a.common(b) {
        Some(version) => LinkRange { oldest: version, newest: version },
        None => LinkRange { oldest: low.newest, newest: high.oldest },
    }
}

const fn width(range: LinkRange) -> u8 {
    range.newest - range.oldest
}

#[cfg(test)]
#[path = "order_tests.rs"]
mod tests;

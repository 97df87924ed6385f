//! Whether two chips understand each other.

use crate::interlock::PairFacts;
use crate::version::{ActuationProfile, LinkRange};

/// What two chips agreed on.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub struct Agreement {
    /// Newest link version that both speak.
    pub link: u8,
    /// Actuation profile that both implement.
    pub profile: ActuationProfile,
}

/// What a chip's image speaks.
pub type Speaks = (LinkRange, ActuationProfile);

/// What two images agree on, if they do.
pub fn agree(a: Speaks, b: Speaks) -> Option<Agreement> {
    Some(Agreement { link: a.0.common(b.0)?, profile: a.1.common(b.1)? })
}

/// The interlock's view of a pair now and after a change. `None` where an image is not known.
pub fn pair_facts(now: (Speaks, Option<Speaks>), after: (Option<Speaks>, Option<Speaks>)) -> PairFacts {
    let link = |a: Speaks, b: Speaks| a.0.common(b.0).is_some();
    let profile = |a: Speaks, b: Speaks| a.1.common(b.1).is_some();
    let both = after.0.zip(after.1);
    PairFacts {
        link_now: now.1.map(|io| link(now.0, io)),
        profile_now: now.1.map(|io| profile(now.0, io)),
        link_after: both.map(|(net, io)| link(net, io)),
        profile_after: both.map(|(net, io)| profile(net, io)),
    }
}

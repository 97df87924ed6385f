//! SUIT manifests (draft-ietf-suit-manifest-37): the subset that a node needs, under the profile
//! suit-sha256-ed25519-ecdh-chacha-poly.
//!
//! ```text
//! bytes --envelope::open--> Authentic --manifest--> Manifest --Run::next--> Ask, Ask, ... Done
//!        digest, signature            every command              one thing at a time;
//!                                     scanned                    the caller does it
//! ```
//!
//! Nothing inside a manifest is read before its signature is verified, nothing is carried out
//! before all of it is understood, and nothing here does I/O.

mod anchors;
mod capability;
mod codes;
mod device;
pub mod envelope;
mod failure;
mod manifest;
mod outer;
mod params;
mod peek;
mod place;
mod process;
mod refusal;
mod report;
mod report_read;
mod scan;
mod stopped;
#[cfg(test)]
pub(crate) mod tests;

pub use anchors::{AnchorFault, MAX_KEYS, TrustAnchors};
pub use capability::{ALGORITHMS, Capabilities, Missing, ReadCapabilities, read_capabilities};
pub use codes::{Command, Parameter, ReportReason, Section};
pub use device::{ComponentSpec, Device, Identity, MAX_COMPONENTS, Roles, node_components};
pub use envelope::{Authentic, Ticket, Verifier};
pub use failure::{Failure, FailureKind, Found, Holding};
pub use manifest::Manifest;
pub use outer::{MAX_BLOCKS, MAX_MANIFEST};
pub use params::{MAX_NUMBERS, MAX_URI, payload_named};
pub use peek::{Peek, peek};
pub use place::{Asked, AskedVersion, Place, place};
pub use process::{Answer, Ask, MAX_STEPS, Parameters, Run};
pub use refusal::Refusal;
pub use report::{Claim, Ending, Report, write_report};
pub use report_read::{ReadEnding, ReadRecord, ReadReport, ReportFault, read_report};
pub use scan::{MAX_ALTERNATIVES, MAX_NESTING};
pub use stopped::Stopped;

use crate::id::{Chip, Component};

/// The components of a node, in the order of [`node_components`].
pub const NODE_COMPONENTS: [Component; 4] =
    [Component::Chip(Chip::Net), Component::Chip(Chip::Io), Component::Conf, Component::Keys];

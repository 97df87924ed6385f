//! What a manifest is held against: who this node is and what it is made of.

use crate::id::{NodeId, Role, Uuid16};

/// Most components that one manifest may name.
pub const MAX_COMPONENTS: usize = 4;

/// A set of [`Role`]s.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub struct Roles(u8);

impl Roles {
    /// No role.
    pub const NONE: Self = Self(0);

    /// Adds a role.
    #[must_use]
    pub const fn with(self, role: Role) -> Self {
        Self(self.0 | 1 << role.index())
    }

    /// Whether this role is among them.
    pub const fn has(self, role: Role) -> bool {
        self.0 & 1 << role.index() != 0
    }
}

impl From<Role> for Roles {
    fn from(role: Role) -> Self {
        Self::NONE.with(role)
    }
}

/// The identifiers that a manifest has to test for a component, in the same procedure and before
/// it is fetched to, written, copied to or invoked. So a manifest that forgets to say for which
/// boards it is meant is meant for none.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Hash)]
pub struct Identity(u8);

impl Identity {
    /// None: for components that nothing is run from, such as staging areas.
    pub const NONE: Self = Self(0);
    /// The vendor identifier.
    pub const VENDOR: Self = Self(1);
    /// Vendor and class identifier.
    pub const CLASS: Self = Self(1 | 2);
    /// Vendor, class and device identifier.
    pub const DEVICE: Self = Self(1 | 2 | 4);

    pub(super) const TESTED_VENDOR: Self = Self(1);
    pub(super) const TESTED_CLASS: Self = Self(2);
    pub(super) const TESTED_DEVICE: Self = Self(4);

    pub(super) const fn and(self, other: Self) -> Self {
        Self(self.0 | other.0)
    }

    pub(super) const fn covers(self, wanted: Self) -> bool {
        self.0 & wanted.0 == wanted.0
    }
}

/// A component that a node has.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct ComponentSpec<'a> {
    /// Its identifier: the byte strings of the array on the wire.
    pub id: &'a [&'a [u8]],
    /// The class identifier that counts for it.
    pub class: Uuid16,
    /// Who may write it.
    pub writers: Roles,
    /// What a manifest must test before it touches it.
    pub identity: Identity,
}

/// Who a node is and what it is made of.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct Device<'a> {
    /// Its vendor identifier.
    pub vendor: Uuid16,
    /// Its device identifier.
    pub device: NodeId,
    /// Its components.
    pub components: &'a [ComponentSpec<'a>],
}

/// The components of a node, in the order net, io, conf, keys ([`super::NODE_COMPONENTS`]).
///
/// Images must test vendor and class; a bundle also the device; trust anchors the vendor, so
/// that one signed set serves a whole yard.
pub fn node_components(net_class: Uuid16, io_class: Uuid16) -> [ComponentSpec<'static>; 4] {
    use crate::id::{Chip, Component};
    super::NODE_COMPONENTS.map(|component| {
        let (id, class, identity): (&'static [&'static [u8]], _, _) = match component {
            Component::Chip(Chip::Net) => (&[b"net"], net_class, Identity::CLASS),
            Component::Chip(Chip::Io) => (&[b"io"], io_class, Identity::CLASS),
            Component::Conf => (&[b"conf"], net_class, Identity::DEVICE),
            Component::Keys => (&[b"keys"], net_class, Identity::VENDOR),
        };
        ComponentSpec { id, class, writers: component.writer().into(), identity }
    })
}

//! What a node goes by: its bundle, or before the first one what its starter card says.

use crate::bundle::{Address, Bundle, MAX_SERVERS, Network, settings_sum};
use crate::card;
use crate::cbor::{Item, MessageFault, decode_into};
use heapless::{String, Vec};

/// How to reach the server before the first bundle, from the starter card. The rest of the card stays in flash.
#[derive(Clone, Debug)]
pub(super) struct FirstContact {
    pub(super) network: Network,
    pub(super) servers: Vec<Address, MAX_SERVERS>,
}

/// The bundle in force, or the first contact: one place for both, since one is needed only without the other.
#[derive(Clone, Debug)]
#[allow(clippy::large_enum_variant, reason = "there is no heap, and one of these")]
pub(super) enum InForce {
    Bundle {
        bundle: Bundle,
        /// The sum over its settings, as the io chip says it.
        sum: u16,
    },
    First(FirstContact),
}

impl InForce {
    /// Neither is known.
    pub(super) const NOTHING: Self = Self::First(FirstContact {
        network: Network { ssid: Vec::new(), passphrase: String::new() },
        servers: Vec::new(),
    });

    /// This bundle, or nothing.
    pub(super) fn of(bundle: Option<Bundle>) -> Self {
        match bundle {
            Some(bundle) => Self::Bundle { sum: settings_sum(&bundle), bundle },
            None => Self::NOTHING,
        }
    }

    /// The bundle, if there is one.
    pub(super) fn as_ref(&self) -> Option<&Bundle> {
        match self {
            Self::Bundle { bundle, .. } => Some(bundle),
            Self::First(_) => None,
        }
    }

    #[cfg(test)]
    pub(super) fn as_mut(&mut self) -> Option<&mut Bundle> {
        match self {
            Self::Bundle { bundle, .. } => Some(bundle),
            Self::First(_) => None,
        }
    }

    pub(super) fn is_some(&self) -> bool {
        self.as_ref().is_some()
    }

    pub(super) fn is_none(&self) -> bool {
        !self.is_some()
    }

    /// Reads a bundle, if it is whole; otherwise nothing is known. Whether it is.
    #[inline(never)]
    pub(super) fn read_bundle(&mut self, bytes: &[u8]) -> bool {
        *self = Self::Bundle { bundle: Bundle::blank(), sum: 0 };
        let whole = match self {
            Self::Bundle { bundle, sum } => {
                let whole = decode_into(bundle, bytes).is_ok();
                *sum = settings_sum(bundle);
                whole
            }
            Self::First(_) => false,
        };
        if !whole {
            *self = Self::NOTHING;
        }
        whole
    }

    /// Reads the first contact from a starter card.
    ///
    /// # Errors
    /// Where the card is none; nothing is known then.
    #[inline(never)]
    pub(super) fn read_first(&mut self, card: &[u8]) -> Result<(), MessageFault> {
        *self = Self::NOTHING;
        match self {
            Self::First(first) => card::read_contact(card, &mut first.network, &mut first.servers),
            Self::Bundle { .. } => Ok(()),
        }
    }

    /// The sum over the settings that the io chip should go by; 0 before the first bundle.
    pub(super) fn sum(&self) -> u16 {
        match self {
            Self::Bundle { sum, .. } => *sum,
            Self::First(_) => 0,
        }
    }

    /// The server's addresses, as listed.
    pub(super) fn servers(&self) -> &[Address] {
        match self {
            Self::Bundle { bundle, .. } => &bundle.servers,
            Self::First(first) => &first.servers,
        }
    }

    /// A network by its index; before the first bundle there is one. `None` if there is none.
    pub(super) fn network(&self, index: u8) -> Option<&Network> {
        match self {
            Self::Bundle { bundle, .. } => bundle.networks.get(usize::from(index)),
            Self::First(first) => Some(&first.network),
        }
    }
}

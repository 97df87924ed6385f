//! Writers for the operator's side: identifiers, manifests, signatures, sealed bundles.

mod ids;
mod manifest;

pub use crate::cose::encrypt::SealRandom;
pub use ids::{class_id, node_id, vendor_id};
pub use manifest::{AuthorFault, BundleManifest, ImageManifest, KeysManifest, encode_bundle, payload_uri};

#[cfg(test)]
mod tests;

//! What nodes said, by their own signatures. A server in the wrong hands can tell anything of a node; what a node
//! signed it cannot make up. It can withhold it, or show something older: then a node seems to have done less.

use crate::api::{ApiError, Client};
use crate::yard::Yard;
use crate::yard::tables::NodeFile;
use pintle_protocol::cbor::decode_message;
use pintle_protocol::checkin::CheckIn;
use pintle_protocol::cose::{AAD_CHECK_IN, sign1};
use pintle_protocol::id::{NodeId, PublicKey};
use pintle_server::contract::{NodeView, ReportView};
use std::collections::BTreeMap;

/// All nodes as the server shows them, but with what the yard's own nodes signed in place of what the server says they
/// reported. A node without a signed check-in has not been heard.
///
/// # Errors
/// [`ApiError::Forged`] if one is not signed by the key that this yard admitted; other [`ApiError`]s.
pub fn nodes(yard: &Yard, client: &Client) -> Result<Vec<NodeView>, ApiError> {
    let ours: BTreeMap<NodeId, (&String, &NodeFile)> =
        yard.nodes.iter().map(|(name, file)| (yard.node_id(name), (name, file))).collect();
    let mut views = client.nodes()?;
    for view in &mut views {
        let Some((name, file)) = ours.get(&view.id) else { continue };
        let signed = match (&file.keys, &view.report) {
            (Some(keys), Some(_)) if view.in_service() => {
                client.check_in(&view.id)?.map(|bytes| (&keys.signing, bytes))
            }
            _ => None,
        };
        view.report = match signed {
            None => None,
            Some((signing, bytes)) => {
                let said = opened(&bytes, signing, &view.id);
                let said = said.map_err(|why| ApiError::Forged { node: (*name).clone(), why })?;
                Some(ReportView::of(&said))
            }
        };
    }
    Ok(views)
}

/// The check-in in a message, if this node has signed it.
fn opened(bytes: &[u8], signing: &str, id: &NodeId) -> Result<CheckIn, String> {
    let key: PublicKey = signing.parse().map_err(|e| format!("the key in the yard is none: {e}"))?;
    let inside = sign1::open(bytes, &key, AAD_CHECK_IN).map_err(|e| e.to_string())?;
    let said: CheckIn = decode_message(inside).map_err(|e| e.to_string())?;
    if said.node == *id { Ok(said) } else { Err(format!("it speaks of node {}", said.node)) }
}

#[cfg(test)]
mod tests;

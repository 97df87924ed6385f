//! What ties a claim to its starter card.

use super::Claim;
use crate::id::{Digest, NodeId, PublicKey, Uuid16};
use hmac::{Hmac, KeyInit, Mac};
use sha2::Sha256;
use subtle::ConstantTimeEq;

/// The one-time claim code on a starter card: 16 random bytes.
pub type ClaimCode = [u8; 16];

/// HMAC-SHA-256 (RFC 2104) keyed by the claim code over
/// `node (16) || signing key (32) || sealing key (32) || class (16)`.
pub fn claim_proof(
    code: &ClaimCode,
    node: &NodeId,
    signing_key: &PublicKey,
    sealing_key: &PublicKey,
    class: &Uuid16,
) -> Digest {
    // Keys of any length are accepted by HMAC; `new_from_slice` never fails for it.
    let Ok(mut mac) = <Hmac<Sha256> as KeyInit>::new_from_slice(code) else { return Digest([0; 32]) };
    mac.update(&node.0);
    mac.update(&signing_key.0);
    mac.update(&sealing_key.0);
    mac.update(&class.0);
    Digest(mac.finalize().into_bytes().into())
}

/// Whether a claim was made by somebody who held the claim code. Takes the same time for any
/// wrong proof.
pub fn claim_is_genuine(code: &ClaimCode, claim: &Claim) -> bool {
    let expected = claim_proof(code, &claim.node, &claim.signing_key, &claim.sealing_key, &claim.class);
    expected.0.ct_eq(&claim.proof.0).into() && Digest::of(code).0.ct_eq(&claim.code_digest.0).into()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::checkin::PROTOCOL;

    #[test]
    fn a_claim_with_any_other_key_or_code_is_not_genuine() {
        let code = [5; 16];
        let (node, s, x, class) = (NodeId([1; 16]), PublicKey([2; 32]), PublicKey([3; 32]), Uuid16([4; 16]));
        let claim = Claim {
            protocol: PROTOCOL,
            node,
            signing_key: s,
            sealing_key: x,
            class,
            code_digest: Digest::of(&code),
            proof: claim_proof(&code, &node, &s, &x, &class),
        };
        assert!(claim_is_genuine(&code, &claim));
        assert!(!claim_is_genuine(&[6; 16], &claim));
        for slipped in [
            Claim { signing_key: PublicKey([9; 32]), ..claim.clone() },
            Claim { sealing_key: PublicKey([9; 32]), ..claim.clone() },
            Claim { node: NodeId([9; 16]), ..claim.clone() },
            Claim { class: Uuid16([9; 16]), ..claim.clone() },
        ] {
            assert!(!claim_is_genuine(&code, &slipped));
        }
    }
}

//! What a node asks of the server.

use crate::id::Digest;
use heapless::String;

/// Longest path of a request, in bytes.
pub const PATH_MAX: usize = 80;

/// A request to the server.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Request<'a> {
    /// `POST /node/claim`.
    Claim(&'a [u8]),
    /// `POST /node/check-in`.
    CheckIn(&'a [u8]),
    /// `GET /node/envelope/<hex>`.
    Envelope(Digest),
    /// `GET /node/payload/<hex>` with `Range: bytes=<offset>-<offset + len - 1>`.
    Payload {
        /// SHA-256 of the whole payload.
        digest: Digest,
        /// First byte.
        offset: u32,
        /// How many bytes.
        len: u32,
    },
}

impl Request<'_> {
    /// Its path, to be put behind the server's base address.
    pub fn path(&self) -> String<PATH_MAX> {
        let mut path = String::new();
        let (text, digest) = match self {
            Self::Claim(_) => ("/node/claim", None),
            Self::CheckIn(_) => ("/node/check-in", None),
            Self::Envelope(digest) => ("/node/envelope/", Some(digest)),
            Self::Payload { digest, .. } => ("/node/payload/", Some(digest)),
        };
        // The longest, an envelope's, has 79 bytes.
        let mut fits = path.push_str(text).is_ok();
        for byte in digest.iter().flat_map(|d| d.0) {
            for half in [byte >> 4, byte & 15] {
                let digit = char::from_digit(half.into(), 16).unwrap_or('0');
                fits &= path.push(digit).is_ok();
            }
        }
        debug_assert!(fits);
        path
    }

    /// What is sent with `POST`; `None` for what is read with `GET`.
    pub const fn body(&self) -> Option<&[u8]> {
        match self {
            Self::Claim(body) | Self::CheckIn(body) => Some(body),
            Self::Envelope(_) | Self::Payload { .. } => None,
        }
    }

    /// First byte and number of bytes asked for, if not all.
    pub const fn range(&self) -> Option<(u32, u32)> {
        match self {
            Self::Payload { offset, len, .. } => Some((*offset, *len)),
            Self::Claim(_) | Self::CheckIn(_) | Self::Envelope(_) => None,
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn paths_and_bodies_are_those_of_the_contract() {
        let digest = Digest::of(b"larkfield");
        assert_eq!(Request::Claim(b"c").path(), "/node/claim");
        assert_eq!(Request::CheckIn(b"c").path(), "/node/check-in");
        assert_eq!(Request::Envelope(digest).path().as_str(), format!("/node/envelope/{digest}"));
        let payload = Request::Payload { digest, offset: 4096, len: 7 };
        assert_eq!(payload.path().as_str(), format!("/node/payload/{digest}"));
        assert_eq!((payload.body(), payload.range()), (None, Some((4096, 7))));
        assert_eq!((Request::CheckIn(b"c").body(), Request::CheckIn(b"c").range()), (Some(&b"c"[..]), None));
    }
}

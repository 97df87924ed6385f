//! The headers that keep pages to themselves.

use sha2::{Digest as _, Sha256};

/// The style of every page.
pub(super) const CSS: &str = include_str!("../../templates/style.css");

/// Headers on every answer. Strict-Transport-Security comes only where it is asked for: it binds
/// every other service on the same host name too (RFC 6797 section 8.3 takes no port into account).
#[derive(Clone, Debug)]
pub(crate) struct Headers {
    content_security_policy: String,
}

impl Headers {
    /// With the hash of the one style that pages carry inline; no script runs at all.
    pub(crate) fn new() -> Self {
        let style = base64(&Sha256::digest(CSS.as_bytes()));
        Self {
            content_security_policy: format!(
                "default-src 'none'; style-src 'sha256-{style}'; form-action 'self'; \
                 frame-ancestors 'none'; base-uri 'none'"
            ),
        }
    }

    /// Name and value of each; with `hsts`, browsers take TLS only for a year (RFC 6797).
    pub(crate) fn all(&self, hsts: bool) -> Vec<(&'static str, &str)> {
        let mut all = vec![
            ("Content-Security-Policy", self.content_security_policy.as_str()),
            ("X-Content-Type-Options", "nosniff"),
            ("X-Frame-Options", "DENY"),
            ("Referrer-Policy", "no-referrer"),
            ("Cross-Origin-Opener-Policy", "same-origin"),
            ("Cross-Origin-Resource-Policy", "same-origin"),
            ("Permissions-Policy", "camera=(), geolocation=(), microphone=()"),
            // Whatever is answered is for the asker alone.
            ("Cache-Control", "no-store"),
        ];
        if hsts {
            all.push(("Strict-Transport-Security", "max-age=31536000"));
        }
        all
    }
}

/// Base64 with padding (RFC 4648 section 4).
fn base64(bytes: &[u8]) -> String {
    const ALPHABET: &[u8; 64] = b"ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789+/";
    let mut text = String::new();
    for chunk in bytes.chunks(3) {
        let group = chunk.iter().fold(0u32, |g, b| g << 8 | u32::from(*b)) << (8 * (3 - chunk.len()));
        for n in 0..4 {
            let sextet = (group >> (18 - 6 * n)) as usize & 63;
            text.push(if n <= chunk.len() { char::from(ALPHABET[sextet]) } else { '=' });
        }
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: RFC 4648 section 10.
    #[test]
    fn rfc4648_base64() {
        let rows = [
            ("", ""),
            ("f", "Zg=="),
            ("fo", "Zm8="),
            ("foo", "Zm9v"),
            ("foob", "Zm9vYg=="),
            ("fooba", "Zm9vYmE="),
            ("foobar", "Zm9vYmFy"),
        ];
        for (plain, text) in rows {
            assert_eq!(base64(plain.as_bytes()), text);
        }
    }
}

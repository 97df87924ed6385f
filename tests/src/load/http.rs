//! As much of HTTP/1.1 as a load needs: requests as bytes, answers with a length.

use super::LoadError;
use pintle_protocol::id::Digest;
use std::io;
use std::net::SocketAddr;
use tokio::io::{AsyncRead, AsyncReadExt, AsyncWrite, AsyncWriteExt};

/// A check-in as a whole request.
pub fn check_in_request(signed: &[u8]) -> Vec<u8> {
    let mut request = format!(
        "POST /node/check-in HTTP/1.1\r\nHost: localhost\r\nContent-Type: application/cbor\r\nContent-Length: {}\r\n\r\n",
        signed.len()
    )
    .into_bytes();
    request.extend_from_slice(signed);
    request
}

/// Fetching a whole payload.
pub fn fetch_request(payload: &Digest) -> Vec<u8> {
    format!("GET /node/payload/{payload} HTTP/1.1\r\nHost: localhost\r\n\r\n").into_bytes()
}

/// The head of an answer, and how many bytes of the body came with it.
pub(super) struct Head {
    /// Its status.
    pub(super) status: u16,
    /// Length of the body.
    pub(super) length: usize,
}

/// A connection that both sides write to.
pub(super) trait Stream: AsyncRead + AsyncWrite + Unpin {}
impl<T: AsyncRead + AsyncWrite + Unpin> Stream for T {}

/// Bytes read at a time.
const PIECE: usize = 64 << 10;

/// One connection, used for one request after the other.
pub(super) struct Connection {
    addr: SocketAddr,
    stream: Box<dyn Stream>,
    piece: Vec<u8>,
}

impl Connection {
    pub(super) fn new(addr: SocketAddr, stream: Box<dyn Stream>, room: usize) -> Self {
        Self { addr, stream, piece: vec![0; room.clamp(4 << 10, PIECE)] }
    }

    /// Sends a request and reads the whole answer; `take` gets the pieces of its body.
    pub(super) async fn ask(
        &mut self,
        request: &[u8],
        mut take: impl FnMut(&[u8]),
    ) -> Result<(u16, usize), LoadError> {
        let addr = self.addr;
        let at = |source| LoadError::Connection { addr, source };
        self.stream.write_all(request).await.map_err(at)?;
        self.stream.flush().await.map_err(at)?;
        let mut have = 0;
        let (head, end) = loop {
            let read = self.read(have).await?;
            have += read;
            let found = self.piece.get(..have).unwrap_or_default();
            if let Some(end) = found.windows(4).position(|w| w == b"\r\n\r\n") {
                let head = found.get(..end).unwrap_or_default();
                let not_http =
                    || LoadError::NotHttp { addr, found: String::from_utf8_lossy(head).into_owned() };
                break (parse(head).ok_or_else(not_http)?, end + 4);
            }
            if have == self.piece.len() {
                let found = String::from_utf8_lossy(found).into_owned();
                return Err(LoadError::NotHttp { addr, found });
            }
        };
        let mut came = have - end;
        take(self.piece.get(end..have).unwrap_or_default());
        while came < head.length {
            let read = self.read(0).await?;
            came += read;
            take(self.piece.get(..read).unwrap_or_default());
        }
        if came > head.length {
            let found = format!("{came} bytes of a body of {}", head.length);
            return Err(LoadError::NotHttp { addr, found });
        }
        Ok((head.status, head.length))
    }

    async fn read(&mut self, from: usize) -> Result<usize, LoadError> {
        let addr = self.addr;
        let at = |source| LoadError::Connection { addr, source };
        let room = self.piece.get_mut(from..).unwrap_or_default();
        match self.stream.read(room).await.map_err(at)? {
            0 => Err(at(io::Error::new(io::ErrorKind::UnexpectedEof, "the connection ended early"))),
            read => Ok(read),
        }
    }
}

fn parse(head: &[u8]) -> Option<Head> {
    let mut lines = std::str::from_utf8(head).ok()?.split("\r\n");
    let status = lines.next()?.strip_prefix("HTTP/1.1 ")?.get(..3)?.parse().ok()?;
    let length = lines.find_map(|line| {
        let (name, value) = line.split_once(':')?;
        name.eq_ignore_ascii_case("content-length").then(|| value.trim().parse().ok())?
    })?;
    Some(Head { status, length })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn heads_are_read_or_refused() {
        let head = parse(b"HTTP/1.1 200 OK\r\ncontent-length: 12\r\nA: b").unwrap();
        assert_eq!((head.status, head.length), (200, 12));
        for bad in [
            &b"HTTP/1.0 200 OK\r\ncontent-length: 1"[..],
            b"HTTP/1.1 200 OK",
            b"x",
            b"HTTP/1.1 200\r\ncontent-length: x",
        ] {
            assert!(parse(bad).is_none());
        }
    }
}

//! Sends requests over connections that stay, and takes the time.

use super::http::{Connection, Stream};
use super::{LoadError, Trust};
use rustls::pki_types::ServerName;
use std::net::SocketAddr;
use std::sync::Arc;
use std::time::{Duration, Instant};
use tokio::net::TcpStream;
use tokio::task::JoinSet;
use tokio_rustls::TlsConnector;

/// What one connection asks, in order: the next when the one before was answered.
#[derive(Clone, Debug, Default)]
pub struct Lane {
    /// Whole requests, each sent so many times.
    pub requests: Vec<(Vec<u8>, usize)>,
    /// Whether bodies are kept. Those of large files are only counted.
    pub keep: bool,
}

/// What came back.
#[derive(Clone, Debug)]
pub struct Answer {
    /// Its status.
    pub status: u16,
    /// Bytes in the body.
    pub length: usize,
    /// The body, if it was to be kept.
    pub body: Vec<u8>,
    /// How long it took.
    pub took: Duration,
}

/// What became of a load.
#[derive(Clone, Debug)]
pub struct Took {
    /// From the first request to the last answer. Connections were made before.
    pub time: Duration,
    /// Answers, lane by lane.
    pub answers: Vec<Vec<Answer>>,
}

impl Took {
    /// Answers for each second.
    pub fn rate(&self) -> f64 {
        self.count() as f64 / self.time.as_secs_f64()
    }

    /// How many answers came.
    pub fn count(&self) -> usize {
        self.answers.iter().map(Vec::len).sum()
    }

    /// Bytes of all bodies.
    pub fn bytes(&self) -> u64 {
        self.answers.iter().flatten().map(|a| a.length as u64).sum()
    }

    /// The time that this part of the answers took at most; `part`: from 0 to 1.
    pub fn within(&self, part: f64) -> Duration {
        let mut times: Vec<Duration> = self.answers.iter().flatten().map(|a| a.took).collect();
        times.sort_unstable();
        let at = (times.len() as f64 * part).ceil() as usize;
        times.get(at.saturating_sub(1)).copied().unwrap_or_default()
    }

    /// Makes sure that every answer has this status.
    ///
    /// # Errors
    /// [`LoadError::Answer`] with the first that has not.
    pub fn all_are(&self, status: u16) -> Result<(), LoadError> {
        match self.answers.iter().flatten().find(|a| a.status != status) {
            None => Ok(()),
            Some(other) => Err(LoadError::Answer {
                what: "expected every request to be answered with success",
                found: format!("status {}: {}", other.status, String::from_utf8_lossy(&other.body)),
            }),
        }
    }
}

/// Opens one connection for each lane, then sends what the lanes hold, all at the same time.
///
/// # Errors
/// [`LoadError`]; also if it takes longer than `patience`.
pub fn drive(
    addr: SocketAddr,
    trust: &Trust,
    lanes: Vec<Lane>,
    patience: Duration,
) -> Result<Took, LoadError> {
    if !addr.ip().is_loopback() {
        return Err(LoadError::NotLoopback { addr });
    }
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(|source| LoadError::Connection { addr, source })?;
    runtime.block_on(async move {
        tokio::time::timeout(patience, run(addr, trust, lanes))
            .await
            .map_err(|_| LoadError::TooLate { addr, patience })?
    })
}

async fn run(addr: SocketAddr, trust: &Trust, lanes: Vec<Lane>) -> Result<Took, LoadError> {
    let mut ready = Vec::with_capacity(lanes.len());
    for lane in lanes {
        let stream = connect(addr, trust).await.map_err(|source| LoadError::Connection { addr, source })?;
        let room = if lane.keep { 4 << 10 } else { usize::MAX };
        ready.push((Connection::new(addr, stream, room), lane));
    }
    let mut tasks = JoinSet::new();
    let local = tokio::task::LocalSet::new();
    let from = Instant::now();
    let lanes = ready.len();
    for (number, (connection, lane)) in ready.into_iter().enumerate() {
        tasks.spawn_local_on(async move { (number, walk(connection, lane).await) }, &local);
    }
    let mut answers = vec![Vec::new(); lanes];
    let finish = async {
        while let Some(joined) = tasks.join_next().await {
            let (number, walked) =
                joined.map_err(|e| LoadError::Connection { addr, source: std::io::Error::other(e) })?;
            if let Some(lane) = answers.get_mut(number) {
                *lane = walked?;
            }
        }
        Ok::<(), LoadError>(())
    };
    local.run_until(finish).await?;
    Ok(Took { time: from.elapsed(), answers })
}

async fn walk(mut connection: Connection, lane: Lane) -> Result<Vec<Answer>, LoadError> {
    let mut answers = Vec::new();
    for (request, times) in lane.requests {
        for _ in 0..times {
            let from = Instant::now();
            let mut body = Vec::new();
            let keep = lane.keep;
            let (status, length) = connection
                .ask(&request, |piece| {
                    if keep {
                        body.extend_from_slice(piece)
                    }
                })
                .await?;
            answers.push(Answer { status, length, body, took: from.elapsed() });
        }
    }
    Ok(answers)
}

async fn connect(addr: SocketAddr, trust: &Trust) -> std::io::Result<Box<dyn Stream>> {
    let stream = TcpStream::connect(addr).await?;
    stream.set_nodelay(true)?;
    match trust {
        Trust::Plain => Ok(Box::new(stream)),
        Trust::Root(config) => {
            let name = ServerName::try_from("localhost").map_err(std::io::Error::other)?;
            Ok(Box::new(TlsConnector::from(Arc::clone(config)).connect(name, stream).await?))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn load_does_not_leave_this_machine() {
        let far = SocketAddr::from(([192, 0, 2, 1], 80));
        let found = drive(far, &Trust::Plain, vec![Lane::default()], Duration::from_secs(1));
        assert!(matches!(found, Err(LoadError::NotLoopback { addr }) if addr == far));
    }

    #[test]
    fn a_server_that_never_answers_is_given_up() {
        let silent = std::net::TcpListener::bind("127.0.0.1:0").unwrap();
        let lane = Lane { requests: vec![(b"GET / HTTP/1.1\r\n\r\n".to_vec(), 1)], keep: true };
        let found = drive(silent.local_addr().unwrap(), &Trust::Plain, vec![lane], Duration::from_millis(50));
        assert!(matches!(found, Err(LoadError::TooLate { .. })));
    }
}

//! A stream that gives up a client which does not read what it asked for, or says nothing any more.

use super::crowd::Pass;
use actix_web::rt::net::TcpStream;
use std::future::Future;
use std::io;
use std::pin::Pin;
use std::task::{Context, Poll};
use std::time::Duration;
use tokio::io::{AsyncRead, AsyncWrite, ReadBuf};
use tokio::time::{Instant, Sleep, sleep, sleep_until};

/// A connection, its place in the crowd, and for how long it may stand still.
pub(super) struct Watched<S = TcpStream> {
    io: S,
    /// How long a write may wait.
    patience: Duration,
    /// Runs while a write waits.
    waiting: Option<Pin<Box<Sleep>>>,
    /// How long nothing may come or go.
    quiet: Duration,
    /// When something last did.
    moved: Instant,
    /// Runs while nothing does.
    resting: Option<Pin<Box<Sleep>>>,
    _pass: Pass,
}

impl<S> Watched<S> {
    pub(super) fn new(io: S, pass: Pass, write_seconds: u64, quiet_seconds: u64) -> Self {
        Self {
            io,
            patience: Duration::from_secs(write_seconds),
            waiting: None,
            quiet: Duration::from_secs(quiet_seconds),
            moved: Instant::now(),
            resting: None,
            _pass: pass,
        }
    }

    /// Passes on what became of a read, and ends a connection on which nothing moves.
    fn watch_read(&mut self, cx: &mut Context<'_>, read: Poll<io::Result<()>>) -> Poll<io::Result<()>> {
        if read.is_ready() {
            self.moved = Instant::now();
            return read;
        }
        loop {
            let end = self.moved + self.quiet;
            let resting = self.resting.get_or_insert_with(|| Box::pin(sleep_until(end)));
            if resting.as_mut().poll(cx).is_pending() {
                return Poll::Pending;
            }
            self.resting = None;
            if Instant::now() >= end {
                return Poll::Ready(Err(io::ErrorKind::TimedOut.into()));
            }
        }
    }

    /// Passes on what became of a write, and ends one that waits too long.
    fn watch_write<T>(&mut self, cx: &mut Context<'_>, written: Poll<io::Result<T>>) -> Poll<io::Result<T>> {
        if written.is_ready() {
            self.moved = Instant::now();
            self.waiting = None;
            return written;
        }
        let patience = self.patience;
        let waiting = self.waiting.get_or_insert_with(|| Box::pin(sleep(patience)));
        waiting.as_mut().poll(cx).map(|()| Err(io::ErrorKind::TimedOut.into()))
    }
}

impl<S: AsyncRead + Unpin> AsyncRead for Watched<S> {
    fn poll_read(
        mut self: Pin<&mut Self>,
        cx: &mut Context<'_>,
        buf: &mut ReadBuf<'_>,
    ) -> Poll<io::Result<()>> {
        let read = Pin::new(&mut self.io).poll_read(cx, buf);
        self.watch_read(cx, read)
    }
}

impl<S: AsyncWrite + Unpin> AsyncWrite for Watched<S> {
    fn poll_write(mut self: Pin<&mut Self>, cx: &mut Context<'_>, buf: &[u8]) -> Poll<io::Result<usize>> {
        let written = Pin::new(&mut self.io).poll_write(cx, buf);
        self.watch_write(cx, written)
    }

    fn poll_flush(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        // Flushing a socket is always done at once, and says nothing of what was taken.
        Pin::new(&mut self.io).poll_flush(cx)
    }

    fn poll_shutdown(mut self: Pin<&mut Self>, cx: &mut Context<'_>) -> Poll<io::Result<()>> {
        let shut = Pin::new(&mut self.io).poll_shutdown(cx);
        self.watch_write(cx, shut)
    }
}

#[cfg(test)]
mod tests {
    use super::super::crowd::Crowd;
    use super::*;
    use std::net::IpAddr;
    use tokio::io::{AsyncReadExt, AsyncWriteExt, DuplexStream};

    const HOME: IpAddr = IpAddr::V4(std::net::Ipv4Addr::LOCALHOST);

    /// A stream that may wait 1 s to write and be quiet for 2 s, its other end, and the crowd.
    fn watched() -> (Watched<DuplexStream>, DuplexStream, Crowd) {
        let (here, there) = tokio::io::duplex(16);
        let crowd = Crowd::new(4, 1);
        let pass = crowd.enter(HOME).unwrap();
        (Watched::new(here, pass, 1, 2), there, crowd)
    }

    #[tokio::test]
    async fn a_client_that_does_not_read_is_given_up_and_one_that_does_is_not() {
        let (mut watched, mut there, crowd) = watched();
        // Somebody who takes a little now and then gets it all.
        let reading = tokio::spawn(async move {
            let mut taken = [0; 8];
            for _ in 0..6 {
                sleep(Duration::from_millis(300)).await;
                there.read_exact(&mut taken).await.unwrap();
            }
            there
        });
        watched.write_all(&[7; 48]).await.unwrap();
        let _there = reading.await.unwrap();
        let fault = watched.write_all(&[7; 48]).await.unwrap_err();
        assert_eq!(fault.kind(), io::ErrorKind::TimedOut);
        assert!(crowd.enter(HOME).is_none());
        drop(watched);
        assert!(crowd.enter(HOME).is_some(), "its place is free again");
    }

    #[tokio::test]
    async fn a_connection_on_which_nothing_moves_ends_and_one_that_is_written_to_does_not() {
        let (watched, mut there, _) = watched();
        let (mut reading, mut writing) = tokio::io::split(watched);
        let begun = Instant::now();
        // Nothing comes, but something goes.
        let taking = tokio::spawn(async move {
            for _ in 0..6 {
                sleep(Duration::from_millis(500)).await;
                writing.write_all(b"more").await.unwrap();
                there.read_exact(&mut [0; 4]).await.unwrap();
            }
            (writing, there)
        });
        let fault = reading.read_exact(&mut [0; 1]).await.unwrap_err();
        let _open = taking.await.unwrap();
        assert_eq!(fault.kind(), io::ErrorKind::TimedOut);
        assert!(begun.elapsed() >= Duration::from_secs(5), "it ended while something went");
    }
}

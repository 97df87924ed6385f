//! Connections: how many there may be, from whom, and for how long one may say nothing.
//!
//! From the outside in: a connection is let in or closed at once ([`crowd`]); it has to say
//! something soon; with TLS it waits for its turn to shake hands; then it speaks HTTP, over a
//! stream that gives up a client which does not read ([`stream`]).

pub(crate) mod crowd;
#[cfg(unix)]
mod descriptors;
mod signals;
mod stream;

#[cfg(unix)]
pub(crate) use descriptors::fit;
#[cfg(unix)]
pub use descriptors::raise as raise_descriptors;

use crate::app::App;
use crate::config::Limits;
use crate::{failures, routes};
use actix_http::body::BoxBody;
use actix_http::error::DispatchError;
use actix_http::{HttpService, Response};
use actix_server::{GracefulShutdownSignal, Server};
use actix_service::{IntoServiceFactory, ServiceFactory, ServiceFactoryExt, fn_service, map_config};
use actix_web::dev::AppConfig;
use actix_web::middleware::from_fn;
use actix_web::rt::net::TcpStream;
use crowd::Crowd;
use rustls::server::Acceptor;
use std::future::poll_fn;
use std::io;
use std::net::{SocketAddr, TcpListener};
use std::pin::pin;
use std::sync::Arc;
use std::task::Poll;
use std::time::Duration;
use stream::Watched;
use tokio::io::{AsyncRead, AsyncWrite};
use tokio::sync::Semaphore;
use tokio::task::yield_now;
use tokio::time::{Instant, timeout};
use tokio_rustls::server::TlsStream;
use tokio_rustls::{LazyConfigAcceptor, StartHandshake};

/// Threads that serve connections. Two: one that is busy for a moment does not keep all waiting.
const WORKERS: usize = 2;
/// How long requests that are under way may take when the server stops, in seconds.
const STOP_SECONDS: u64 = 5;
/// How long a connection may be idle between two requests.
const KEEP_ALIVE: Duration = Duration::from_secs(30);
/// A connection that has said nothing is looked at again after so long.
const LOOK_AGAIN: Duration = Duration::from_millis(500);

/// Serves until it is stopped.
///
/// `shared`: whether many clients may come from one address, as behind a reverse proxy. What it returns also tells
/// when the server begins to stop.
pub(crate) fn serve(
    app: App,
    listener: TcpListener,
    tls: Option<rustls::ServerConfig>,
    shared: bool,
    (signals, hsts): (bool, bool),
) -> io::Result<(Server, GracefulShutdownSignal)> {
    let limits = app.limits;
    let builder = Server::build()
        .workers(WORKERS)
        .worker_max_blocking_threads(4)
        .max_concurrent_connections(limits.connections)
        .backlog(1024)
        .shutdown_timeout(STOP_SECONDS);
    // The builder's own way cuts off what is under way at SIGINT.
    let builder = builder.disable_signals();
    let builder = if signals { builder.shutdown_signal(signals::asked_to_stop()?) } else { builder };
    let stopping = builder.graceful_shutdown_signal();
    let told = stopping.clone();
    let per_address = if shared { usize::MAX } else { limits.per_address };
    let entry = Entry { crowd: Crowd::new(limits.connections.saturating_mul(WORKERS), per_address), limits };
    let builder = match tls {
        None => builder.listen("plain", listener, move || {
            let entry = entry.clone();
            fn_service(move |io: TcpStream| {
                let entry = entry.clone();
                async move {
                    let peer = io.peer_addr()?;
                    Ok::<_, DispatchError>((entry.let_in(io, peer).await?, Some(peer)))
                }
            })
            .and_then(http(app.clone(), limits, stopping.clone(), hsts))
        })?,
        Some(tls) => {
            let tls = Arc::new(tls);
            let turns = Arc::new(Semaphore::new(limits.handshakes));
            builder.listen("tls", listener, move || {
                let (entry, tls, turns) = (entry.clone(), tls.clone(), turns.clone());
                fn_service(move |io: TcpStream| {
                    let (entry, tls, turns) = (entry.clone(), tls.clone(), turns.clone());
                    async move {
                        let peer = io.peer_addr()?;
                        let io = entry.let_in(io, peer).await?;
                        let hello = LazyConfigAcceptor::new(Acceptor::default(), io);
                        let hello = entry.while_patient(hello).await??;
                        // A small node takes seconds to reckon, whether it is crowded here or not.
                        let within = Duration::from_secs(entry.limits.head_seconds);
                        let shaking = shake_hands(hello, tls, &turns);
                        let io = timeout(within, shaking).await.map_err(|_| late())??;
                        Ok::<_, DispatchError>((io, Some(peer)))
                    }
                })
                .and_then(http(app.clone(), limits, stopping.clone(), hsts))
            })?
        }
    };
    Ok((builder.run(), told))
}

/// What a new connection has to get past.
#[derive(Clone)]
struct Entry {
    crowd: Crowd,
    limits: Limits,
}

impl Entry {
    /// Lets a connection in once it has said something. What is not let in is closed without an
    /// answer.
    async fn let_in(&self, io: TcpStream, peer: SocketAddr) -> io::Result<Watched> {
        // Best effort: without it small answers only wait a little longer.
        let _ = io.set_nodelay(true);
        let pass = self.crowd.enter(peer.ip()).ok_or(io::ErrorKind::ConnectionRefused)?;
        self.while_patient(io.readable()).await??;
        Ok(Watched::new(io, pass, self.limits.write_seconds, self.limits.quiet_seconds))
    }

    /// What a client has to do before it counts as one, for as long as it may take over it: less while it is crowded.
    async fn while_patient<T>(&self, does: impl Future<Output = T>) -> io::Result<T> {
        let came = Instant::now();
        let mut does = pin!(does);
        loop {
            if let Ok(done) = timeout(LOOK_AGAIN, &mut does).await {
                return Ok(done);
            }
            let limits = &self.limits;
            let most = if self.crowd.is_crowded() { limits.crowded_seconds } else { limits.head_seconds };
            if came.elapsed() >= Duration::from_secs(most) {
                return Err(late());
            }
        }
    }
}

fn late() -> io::Error {
    io::ErrorKind::TimedOut.into()
}

/// The TLS handshake after its first message. Whoever waits for a client waits without a turn: a turn is for the one
/// answer that costs time, and others are served before the next one's.
async fn shake_hands(
    hello: StartHandshake<Watched>,
    tls: Arc<rustls::ServerConfig>,
    turns: &Semaphore,
) -> io::Result<TlsStream<Watched>> {
    let turn = turns.acquire().await.map_err(io::Error::other)?;
    let mut shaking = pin!(hello.into_stream(tls));
    if let Poll::Ready(done) = poll_fn(|cx| Poll::Ready(shaking.as_mut().poll(cx))).await {
        return done;
    }
    yield_now().await;
    drop(turn);
    shaking.await
}

/// HTTP/1.1 over whatever a client came by.
fn http<T>(
    app: App,
    limits: Limits,
    stopping: GracefulShutdownSignal,
    hsts: bool,
) -> impl ServiceFactory<(T, Option<SocketAddr>), Config = (), Response = (), Error = DispatchError, InitError = ()>
where
    T: AsyncRead + AsyncWrite + Unpin + 'static,
{
    let served = actix_web::App::new()
        .wrap(from_fn(failures::log))
        .wrap(routes::headers(hsts))
        .configure(routes::configure(app))
        .into_factory();
    let served = served.map_err(|error: actix_web::Error| Response::<BoxBody>::from(error.error_response()));
    HttpService::build()
        .graceful_shutdown_signal(move || {
            let stopping = stopping.clone();
            async move { stopping.notified().await }
        })
        .keep_alive(KEEP_ALIVE)
        .client_request_timeout(Duration::from_secs(limits.head_seconds))
        .client_disconnect_timeout(Duration::from_secs(2))
        .h1(map_config(served, |()| AppConfig::default()))
}

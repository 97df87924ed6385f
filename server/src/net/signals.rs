//! The signals by which the system asks a program to stop.

/// Comes when SIGTERM, SIGINT or SIGQUIT does. From the call on, none of them ends the program by itself.
///
/// # Errors
/// What the system answered.
#[cfg(unix)]
pub(super) fn asked_to_stop() -> std::io::Result<impl Future<Output = ()> + Send + 'static> {
    use tokio::signal::unix::{SignalKind, signal};
    let mut terminate = signal(SignalKind::terminate())?;
    let mut interrupt = signal(SignalKind::interrupt())?;
    let mut quit = signal(SignalKind::quit())?;
    Ok(async move {
        let name = tokio::select! {
            _ = terminate.recv() => "SIGTERM",
            _ = interrupt.recv() => "SIGINT",
            _ = quit.recv() => "SIGQUIT",
        };
        tracing::info!(signal = name, "The server stops: what is under way is answered");
    })
}

/// Comes when the system asks the program to stop.
///
/// # Errors
/// None here.
#[cfg(not(unix))]
pub(super) fn asked_to_stop() -> std::io::Result<impl Future<Output = ()> + Send + 'static> {
    Ok(async {
        // Where nothing can ask, nothing does.
        if tokio::signal::ctrl_c().await.is_err() {
            std::future::pending::<()>().await;
        }
        tracing::info!("The server stops: what is under way is answered");
    })
}

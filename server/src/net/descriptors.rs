//! How many files a process may have open, of which every connection is one.

use std::io;

/// Files beside connections: the database and its log, payloads that are read, the listener, what
/// the runtime needs. Twice of what was seen.
const OTHERS: u64 = 128;
/// Files of a connection: itself, and the payload that it is being sent.
const EACH: u64 = 2;

/// Lets this process have as many files open as the system allows, up to what the limits ask for.
///
/// # Errors
/// What the system answered; nothing was changed, and the server makes do with what there is.
pub fn raise(connections: usize) -> io::Result<u64> {
    let (soft, hard) = rlimit::Resource::NOFILE.get()?;
    let wanted = wanted(connections).min(hard);
    if wanted > soft {
        rlimit::Resource::NOFILE.set(wanted, hard)?;
    }
    Ok(wanted.max(soft))
}

/// Connections of each worker that the files which may be open allow, no more than these.
pub(crate) fn fit(connections: usize) -> usize {
    rlimit::Resource::NOFILE.get().map_or(connections, |(soft, _)| fit_into(connections, soft))
}

fn wanted(connections: usize) -> u64 {
    let connections = u64::try_from(connections.saturating_mul(super::WORKERS)).unwrap_or(u64::MAX);
    connections.saturating_mul(EACH).saturating_add(OTHERS)
}

fn fit_into(connections: usize, files: u64) -> usize {
    let workers = u64::try_from(super::WORKERS).unwrap_or(1);
    let room = files.saturating_sub(OTHERS) / workers / EACH;
    // Few are better than none: a server that can answer nobody cannot say why.
    connections.min(usize::try_from(room).unwrap_or(usize::MAX)).max(8)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn connections_fit_into_what_may_be_open() {
        assert_eq!(fit_into(4096, u64::MAX), 4096);
        assert_eq!(fit_into(4096, 1024), 224);
        assert_eq!(fit_into(4096, 10), 8);
        assert_eq!(wanted(4096), 16_512);
        assert_eq!(fit_into(4096, wanted(4096)), 4096);
    }
}

//! Fleets in data folders.

use super::Fleet;
use pintle_server::fleet::{self, FleetError, Member};
use std::fs;
use std::io;
use std::path::{Path, PathBuf};
use std::sync::mpsc::sync_channel;

/// Why a folder was not filled.
#[derive(Debug, thiserror::Error)]
pub enum FillError {
    /// The server's part did not take it.
    #[error(transparent)]
    Fleet(#[from] FleetError),
    /// A file or folder could not be read or written.
    #[error("{}: {source}", path.display())]
    File {
        /// The file or folder.
        path: PathBuf,
        /// What the system answered.
        source: io::Error,
    },
}

/// Writes a fleet into a folder. Keys are made on a thread of their own, for they take as long as writing.
///
/// # Errors
/// [`FillError`].
pub fn fill(data: &Path, fleet: Fleet) -> Result<(), FillError> {
    let (hand_over, handed) = sync_channel::<Member>(1024);
    let maker = std::thread::spawn(move || {
        for n in 0..fleet.nodes {
            // Nobody takes them any more if a row was not written.
            if hand_over.send(fleet.member(n)).is_err() {
                return;
            }
        }
    });
    let filled = fleet::enroll(data, handed, fleet::now());
    let made = maker.join();
    filled?;
    made.map_err(|_| FillError::File {
        path: data.to_owned(),
        source: io::Error::other("keys were not made"),
    })
}

/// A copy, in `to`, of a folder with this fleet. The folder itself is made once, under `kept`, and made anew
/// when the shape of the database or of the fleet has changed.
///
/// # Errors
/// [`FillError`].
pub fn filled(kept: &Path, fleet: Fleet, to: &Path) -> Result<(), FillError> {
    let at = |path: &Path| {
        let path = path.to_owned();
        move |source| FillError::File { path, source }
    };
    let folder = kept.join(format!("fleet-{}-{}", fleet.nodes, fleet.seed));
    let (data, mark) = (folder.join("data"), folder.join("made"));
    // Whatever shapes the rows: the schema and this module.
    let shape = format!("{}\n{:?}\n", pintle_server::fleet::schema(), fleet.member(0));
    if fs::read_to_string(&mark).unwrap_or_default() != shape {
        if folder.exists() {
            fs::remove_dir_all(&folder).map_err(at(&folder))?;
        }
        fs::create_dir_all(&data).map_err(at(&data))?;
        fill(&data, fleet)?;
        fs::write(&mark, shape).map_err(at(&mark))?;
    }
    fs::create_dir_all(to).map_err(at(to))?;
    let (from, to) = (data.join("pintle.db"), to.join("pintle.db"));
    fs::copy(&from, &to).map_err(at(&to))?;
    fs::File::open(&to).and_then(|file| file.sync_all()).map_err(at(&to))
}

#[cfg(test)]
mod tests {
    use super::*;
    use pintle_server::clock::Clock;
    use pintle_server::config::{Config, Tls};
    use pintle_server::{contract::NodeView, start};

    #[test]
    fn a_server_knows_the_nodes_it_was_filled_with() {
        let folder = tempfile::tempdir().unwrap();
        let fleet = Fleet::new(7, 20);
        let data = folder.path().join("data");
        filled(folder.path(), fleet, &data).unwrap();
        let mut config = Config::new(&data, ([127, 0, 0, 1], 0).into());
        config.tls = Tls::Plain;
        config.clock = Clock::manual(fleet::now());
        let server = start(config).unwrap();
        let http = pintle::api::http::Http::new(
            &server.base_url,
            pintle::api::Trust::Plain,
            server.operator_token.clone().unwrap().into(),
        )
        .unwrap();
        let nodes: Vec<NodeView> = pintle::api::Client::over(http).nodes().unwrap();
        assert_eq!(nodes.len(), 20);
        assert!(nodes.iter().any(|n| n.id == fleet.id(19) && n.name == fleet.name(19)));
        server.stop().unwrap();
        // The folder that is kept is as it was.
        filled(folder.path(), fleet, &folder.path().join("second")).unwrap();
    }
}

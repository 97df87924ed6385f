//! The air over a yard: access points that come and go.

use crate::board::JoinFault;
use std::string::String;
use std::vec::Vec;

/// One access point.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct AccessPoint {
    /// Its SSID.
    pub ssid: Vec<u8>,
    /// Its passphrase.
    pub passphrase: String,
    /// On the air.
    pub on: bool,
    /// Names of the places that do not hear it.
    pub deaf_places: Vec<String>,
    /// It hands out addresses.
    pub gives_addresses: bool,
    /// The server is reached through it.
    pub reaches_server: bool,
}

impl AccessPoint {
    /// One that works everywhere.
    pub fn new(ssid: &str, passphrase: &str) -> Self {
        Self {
            ssid: ssid.as_bytes().to_vec(),
            passphrase: passphrase.into(),
            on: true,
            deaf_places: Vec::new(),
            gives_addresses: true,
            reaches_server: true,
        }
    }
}

/// All access points.
#[derive(Clone, Debug, Default, PartialEq, Eq)]
pub struct Air {
    /// In no order.
    pub points: Vec<AccessPoint>,
}

impl Air {
    fn heard<'a>(&'a self, ssid: &'a [u8], place: &'a str) -> impl Iterator<Item = &'a AccessPoint> {
        self.points
            .iter()
            .filter(move |p| p.on && p.ssid == ssid && !p.deaf_places.iter().any(|d| d == place))
    }

    /// What joining brings at a place.
    ///
    /// # Errors
    /// [`JoinFault`], as a radio would tell.
    pub fn join(&self, ssid: &[u8], passphrase: &str, place: &str) -> Result<(), JoinFault> {
        let mut heard = self.heard(ssid, place).peekable();
        if heard.peek().is_none() {
            return Err(JoinFault::NotFound);
        }
        let right: Vec<_> = heard.filter(|p| p.passphrase == passphrase).collect();
        if right.is_empty() {
            return Err(JoinFault::WrongPassphrase);
        }
        if right.iter().any(|p| p.gives_addresses) { Ok(()) } else { Err(JoinFault::NoAddress) }
    }

    /// Whether the server is reached from a place through a network.
    pub fn reaches_server(&self, ssid: &[u8], place: &str) -> bool {
        self.heard(ssid, place).any(|p| p.reaches_server)
    }

    /// Whether a network is still there at a place.
    pub fn is_there(&self, ssid: &[u8], place: &str) -> bool {
        self.heard(ssid, place).next().is_some()
    }
}

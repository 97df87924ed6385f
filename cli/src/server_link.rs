//! Joining a server, and reaching the one that was joined.

use crate::api::{ApiError, Client, Trust, http::Http};
use crate::yard::files::{self, FileError, Readers};
use crate::yard::tables::{ServerTable, YardFile};
use crate::yard::{Unlocked, Yard, YardError};
use pintle_protocol::id::PublicKey;
use pintle_server::contract::About;
use rand_core::CryptoRng;
use thiserror::Error;
use zeroize::Zeroizing;

/// File with the certificate of the server's authority, in a yard.
const CA_FILE: &str = "keys/server-ca.pem";

/// Why a server is not joined or not reached.
#[derive(Debug, Error)]
pub enum JoinError {
    /// The server has another key than was expected.
    #[error("the server's key is {found}, expected {expected}")]
    OtherKey {
        /// The expected key.
        expected: PublicKey,
        /// Its key.
        found: PublicKey,
    },
    /// The server's key in `yard.toml` is no key.
    #[error("yard.toml: `server.key` is no key: {0}")]
    BadKey(pintle_protocol::id::BadId),
    /// The token file holds no token.
    #[error("the token has {0} characters; a token has 16 to 256 letters, digits and signs in one line")]
    Token(usize),
    /// The server.
    #[error(transparent)]
    Api(#[from] ApiError),
    /// The yard.
    #[error(transparent)]
    Yard(#[from] YardError),
    /// A file.
    #[error(transparent)]
    File(#[from] FileError),
}

/// A server to join.
#[derive(Clone, Debug)]
pub struct NewServer<'a> {
    /// Addresses in the order in which nodes try them; the first is asked now.
    pub addresses: &'a [String],
    /// Certificate of its authority, in PEM; `None` for plain HTTP.
    pub ca: Option<&'a [u8]>,
    /// The operator's token.
    pub token: &'a str,
    /// The key that it must have; `None` to take the one that it says, which only a certificate
    /// protects.
    pub key: Option<PublicKey>,
}

/// Joins a server: asks it who it is, then stores address, certificate, key and token.
///
/// # Errors
/// [`JoinError`]; nothing is stored then.
pub fn join(
    yard: &Yard,
    unlocked: &Unlocked,
    new: &NewServer<'_>,
    rng: &mut dyn CryptoRng,
) -> Result<About, JoinError> {
    let token = new.token.trim();
    if !(16..=256).contains(&token.len()) || !token.bytes().all(|b| b.is_ascii_graphic()) {
        return Err(JoinError::Token(token.len()));
    }
    let trust = new.ca.map_or(Trust::Plain, Trust::Authority);
    let first = new.addresses.first().ok_or(ApiError::NotJoined)?;
    let client = Client::over(Http::new(first, trust, Zeroizing::new(token.to_owned()))?);
    let about = client.about()?;
    // That the token is taken is seen from a call that needs it.
    client.nodes()?;
    record(yard, unlocked, new, about.server_key, rng)?;
    Ok(about)
}

/// Stores what [`join`] found out. For rehearsals, which ask the server in another way.
///
/// # Errors
/// [`JoinError::OtherKey`] if another key was expected; nothing is stored then.
pub fn record(
    yard: &Yard,
    unlocked: &Unlocked,
    new: &NewServer<'_>,
    key: PublicKey,
    rng: &mut dyn CryptoRng,
) -> Result<(), JoinError> {
    if let Some(expected) = new.key.filter(|k| *k != key) {
        return Err(JoinError::OtherKey { expected, found: key });
    }
    unlocked.put_server_token(new.token.trim(), rng)?;
    if let Some(ca) = new.ca {
        files::replace(&yard.path(CA_FILE), ca, Readers::Usual)?;
    }
    let addresses = new.addresses.iter().map(|a| a.trim_end_matches('/').to_owned()).collect();
    let ca = new.ca.map(|_| CA_FILE.to_owned());
    let server = Some(ServerTable { addresses, ca, key: key.to_string() });
    let file = YardFile { server, ..yard.file.clone() };
    files::replace(&yard.path("yard.toml"), crate::yard::yard_text(&file).as_bytes(), Readers::Usual)?;
    Ok(())
}

/// Pins another key of the server that the yard has joined.
///
/// # Errors
/// [`JoinError`] if none is joined, or `yard.toml` cannot be written.
pub fn pin(yard: &Yard, key: PublicKey) -> Result<(), JoinError> {
    let server = yard.file.server.clone().ok_or(ApiError::NotJoined)?;
    let file = YardFile { server: Some(ServerTable { key: key.to_string(), ..server }), ..yard.file.clone() };
    files::replace(&yard.path("yard.toml"), crate::yard::yard_text(&file).as_bytes(), Readers::Usual)?;
    Ok(())
}

/// Reaches the server that the yard has joined, and makes sure that it is that one.
///
/// # Errors
/// [`JoinError`] if none is joined, it does not answer, or it is another one.
pub fn client(yard: &Yard, unlocked: &Unlocked) -> Result<Client, JoinError> {
    let server = yard.file.server.as_ref().ok_or(ApiError::NotJoined)?;
    let address = server.addresses.first().ok_or(ApiError::NotJoined)?;
    let key = PublicKey::parse(&server.key).map_err(JoinError::BadKey)?;
    let pem = server.ca.as_ref().map(|ca| files::read_bytes(&yard.path(ca), 1 << 20)).transpose()?;
    let trust = pem.as_deref().map_or(Trust::Plain, Trust::Authority);
    let http = Http::new(address, trust, unlocked.server_token()?)?;
    Ok(Client::expecting_either(http, key, yard.next.server)?)
}

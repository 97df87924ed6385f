//! The server's own root certificate, and the certificate that it serves with.

use crate::contract::Seconds;
use crate::keys::{write_private, write_whole};
use rcgen::{
    BasicConstraints, CertificateParams, DistinguishedName, DnType, ExtendedKeyUsagePurpose, IsCa, Issuer,
    KeyPair, KeyUsagePurpose, PKCS_ECDSA_P256_SHA256,
};
use rustls::ServerConfig;
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::{Duration, UNIX_EPOCH};

const DAY: Seconds = 86_400;
/// The root outlives the boards that pin it.
const ROOT_DAYS: Seconds = 20 * 365;
/// Longest that common clients take for a server certificate is 398 days.
const SERVER_DAYS: Seconds = 397;
/// The server certificate is made anew at a start within so many days of its end.
const RENEW_DAYS: Seconds = 30;

/// Why TLS could not be set up.
#[derive(Debug, thiserror::Error)]
pub enum TlsFault {
    /// A file could not be read or written.
    #[error("{}: {source}", path.display())]
    File {
        /// The file.
        path: PathBuf,
        /// What the system answered.
        source: std::io::Error,
    },
    /// The root's certificate is there and its key is not, or the other way round.
    #[error(
        "{} is missing beside its counterpart: restore it from a backup; a new root would make every node \
         distrust this server",
        path.display()
    )]
    HalfRoot {
        /// The missing file.
        path: PathBuf,
    },
    /// A name cannot stand in a certificate.
    #[error("the certificate cannot be made: {why}")]
    Certificate {
        /// What the certificate library says.
        why: String,
    },
}

impl From<rcgen::Error> for TlsFault {
    fn from(error: rcgen::Error) -> Self {
        Self::Certificate { why: error.to_string() }
    }
}

/// What TLS needs.
pub(crate) struct Ready {
    /// For the listener.
    pub(crate) config: ServerConfig,
    /// The root certificate, PEM: what nodes and clients pin.
    pub(crate) ca_pem: String,
}

/// Reads or makes `ca.pem`, `ca.key`, `tls.pem`, `tls.key` and `tls.names` in `data`.
pub(crate) fn ready(data: &Path, names: &[String], now: Seconds) -> Result<Ready, TlsFault> {
    let (ca_pem, issuer) = root(data, now)?;
    let (chain, key) = served(data, names, &issuer, now)?;
    let config = ServerConfig::builder_with_provider(Arc::new(rustls::crypto::ring::default_provider()))
        .with_safe_default_protocol_versions()
        .map_err(certificate)?
        .with_no_client_auth()
        .with_single_cert(chain, key)
        .map_err(certificate)?;
    Ok(Ready { config, ca_pem })
}

fn root(data: &Path, now: Seconds) -> Result<(String, Issuer<'static, KeyPair>), TlsFault> {
    let (pem_path, key_path) = (data.join("ca.pem"), data.join("ca.key"));
    let pem = match (pem_path.exists(), key_path.exists()) {
        (false, false) => {
            let key = KeyPair::generate_for(&PKCS_ECDSA_P256_SHA256)?;
            let mut params = root_params()?;
            lasts(&mut params, now, ROOT_DAYS);
            let pem = params.self_signed(&key)?.pem();
            write_private(&key_path, key.serialize_pem().as_bytes()).map_err(file(&key_path))?;
            write_whole(&pem_path, pem.as_bytes(), 0o644).map_err(file(&pem_path))?;
            pem
        }
        (true, true) => fs::read_to_string(&pem_path).map_err(file(&pem_path))?,
        (false, true) => return Err(TlsFault::HalfRoot { path: pem_path }),
        (true, false) => return Err(TlsFault::HalfRoot { path: key_path }),
    };
    let key = fs::read_to_string(&key_path).map_err(file(&key_path))?;
    Ok((pem, Issuer::new(root_params()?, KeyPair::from_pem(&key)?)))
}

/// All of the root that its certificates refer to; the key's identifier follows from the key.
fn root_params() -> Result<CertificateParams, TlsFault> {
    let mut params = CertificateParams::new(Vec::new())?;
    params.distinguished_name = named("Pintle server's own root");
    params.is_ca = IsCa::Ca(BasicConstraints::Constrained(0));
    params.key_usages = vec![KeyUsagePurpose::KeyCertSign, KeyUsagePurpose::CrlSign];
    Ok(params)
}

type Served = (Vec<CertificateDer<'static>>, PrivateKeyDer<'static>);

fn served(
    data: &Path,
    names: &[String],
    issuer: &Issuer<'_, KeyPair>,
    now: Seconds,
) -> Result<Served, TlsFault> {
    let (pem_path, key_path, note_path) =
        (data.join("tls.pem"), data.join("tls.key"), data.join("tls.names"));
    // What the certificate is good for: its last day but RENEW_DAYS, and its names.
    let wanted = names.join("\n");
    let noted = fs::read_to_string(&note_path).unwrap_or_default();
    let good = noted.split_once('\n').is_some_and(|(renew_at, names)| {
        renew_at.parse::<Seconds>().is_ok_and(|at| now < at) && names == wanted
    });
    if !(good && pem_path.exists() && key_path.exists()) {
        let key = KeyPair::generate_for(&PKCS_ECDSA_P256_SHA256)?;
        let mut params = CertificateParams::new(names.to_vec())?;
        params.distinguished_name = named("Pintle server");
        params.key_usages = vec![KeyUsagePurpose::DigitalSignature];
        params.extended_key_usages = vec![ExtendedKeyUsagePurpose::ServerAuth];
        params.use_authority_key_identifier_extension = true;
        lasts(&mut params, now, SERVER_DAYS);
        let pem = params.signed_by(&key, issuer)?.pem();
        let renew_at = now + (SERVER_DAYS - RENEW_DAYS) * DAY;
        write_private(&key_path, key.serialize_pem().as_bytes()).map_err(file(&key_path))?;
        write_whole(&pem_path, pem.as_bytes(), 0o644).map_err(file(&pem_path))?;
        write_whole(&note_path, format!("{renew_at}\n{wanted}").as_bytes(), 0o644)
            .map_err(file(&note_path))?;
    }
    let chain = CertificateDer::pem_file_iter(&pem_path)
        .and_then(Iterator::collect::<Result<Vec<_>, _>>)
        .map_err(certificate)?;
    let key = PrivateKeyDer::from_pem_file(&key_path).map_err(certificate)?;
    Ok((chain, key))
}

fn lasts(params: &mut CertificateParams, now: Seconds, days: Seconds) {
    let at = |seconds: Seconds| UNIX_EPOCH + Duration::from_secs(u64::try_from(seconds).unwrap_or(0));
    // A day earlier, for clients whose clocks are behind.
    params.not_before = at(now - DAY).into();
    params.not_after = at(now + (days - 1) * DAY).into();
}

fn named(name: &str) -> DistinguishedName {
    let mut distinguished = DistinguishedName::new();
    distinguished.push(DnType::CommonName, name);
    distinguished
}

fn file(path: &Path) -> impl FnOnce(std::io::Error) -> TlsFault {
    let path = path.to_owned();
    move |source| TlsFault::File { path, source }
}

fn certificate(error: impl std::fmt::Display) -> TlsFault {
    TlsFault::Certificate { why: error.to_string() }
}

#[cfg(test)]
mod tests {
    use super::*;

    const NOW: Seconds = 1_800_000_000;

    fn read(data: &Path, name: &str) -> String {
        fs::read_to_string(data.join(name)).unwrap()
    }

    #[test]
    fn the_root_stays_and_the_certificate_is_renewed_in_time() {
        let data = tempfile::tempdir().unwrap();
        let names = ["localhost".to_owned(), "127.0.0.1".to_owned()];
        let first = ready(data.path(), &names, NOW).unwrap().ca_pem;
        let (served, key) = (read(data.path(), "tls.pem"), read(data.path(), "ca.key"));
        ready(data.path(), &names, NOW + 366 * DAY).unwrap();
        assert_eq!(read(data.path(), "tls.pem"), served, "31 days before its end it is kept");
        ready(data.path(), &names, NOW + 367 * DAY).unwrap();
        assert_ne!(read(data.path(), "tls.pem"), served, "30 days before its end it is made anew");
        assert_eq!(read(data.path(), "ca.pem"), first);
        assert_eq!(read(data.path(), "ca.key"), key);
    }

    #[test]
    fn other_names_make_another_certificate() {
        let data = tempfile::tempdir().unwrap();
        ready(data.path(), &["localhost".to_owned()], NOW).unwrap();
        let served = read(data.path(), "tls.pem");
        ready(data.path(), &["gatehouse.lan".to_owned()], NOW).unwrap();
        assert_ne!(read(data.path(), "tls.pem"), served);
    }

    #[test]
    fn half_a_root_is_not_replaced() {
        let data = tempfile::tempdir().unwrap();
        ready(data.path(), &["localhost".to_owned()], NOW).unwrap();
        fs::remove_file(data.path().join("ca.key")).unwrap();
        let fault = ready(data.path(), &["localhost".to_owned()], NOW).err().unwrap();
        assert!(matches!(fault, TlsFault::HalfRoot { .. }), "{fault}");
        assert!(data.path().join("ca.pem").exists());
    }
}

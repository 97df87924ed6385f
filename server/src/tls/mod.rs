//! The server's own root certificate, and the certificate that it serves with. Both are made anew
//! before they end, also while the server runs. The root keeps its name and its key then, so that
//! whoever pinned the earlier certificate takes what it signs (RFC 5280 section 6.1.1: a trust anchor
//! is a name and a key).

mod validity;

use validity::{Validity, validity};

use crate::contract::Seconds;
use crate::keys::{write_private, write_whole};
use rcgen::{
    BasicConstraints, CertificateParams, DistinguishedName, DnType, ExtendedKeyUsagePurpose, IsCa, Issuer,
    KeyPair, KeyUsagePurpose, PKCS_ECDSA_P256_SHA256,
};
use rustls::ServerConfig;
use rustls::crypto::ring;
use rustls::pki_types::pem::PemObject;
use rustls::pki_types::{CertificateDer, PrivateKeyDer};
use rustls::server::{ClientHello, ResolvesServerCert};
use rustls::sign::CertifiedKey;
use rustls::version::{TLS12, TLS13};
use std::fs;
use std::path::{Path, PathBuf};
use std::sync::{Arc, PoisonError, RwLock};
use std::time::{Duration, UNIX_EPOCH};

const DAY: Seconds = 86_400;
/// The root outlives the boards that pin it.
const ROOT_DAYS: Seconds = 20 * 365;
/// Longest that common clients take for a server certificate is 398 days.
const SERVER_DAYS: Seconds = 397;
/// The server certificate is made anew so many days before its end.
const RENEW_DAYS: Seconds = 30;
/// The root is, so many days before its own: longer than a server certificate lasts.
const RENEW_ROOT_DAYS: Seconds = 2 * 365;

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

/// When certificates begin and end, in seconds since 1970-01-01 UTC.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(crate) struct Ends {
    /// When the later one of the two begins.
    pub(crate) begin: Seconds,
    /// The root.
    pub(crate) root: Seconds,
    /// The one that the server serves with.
    pub(crate) served: Seconds,
}

/// The certificates in use. Handed to the listener, which takes the newest for each connection.
#[derive(Debug)]
pub(crate) struct Certificates {
    data: PathBuf,
    names: Vec<String>,
    current: RwLock<(Arc<CertifiedKey>, Ends)>,
}

impl Certificates {
    /// Reads or makes `ca.pem`, `ca.key`, `tls.pem`, `tls.key` and `tls.names` in `data`.
    pub(crate) fn ready(data: &Path, names: &[String], now: Seconds) -> Result<Arc<Self>, TlsFault> {
        let current = RwLock::new(load(data, names, now)?);
        Ok(Arc::new(Self { data: data.to_owned(), names: names.to_vec(), current }))
    }

    /// Makes anew what nears its end, or was dated by a clock that has been set back since; whether
    /// there was anything.
    pub(crate) fn renew(&self, now: Seconds) -> Result<bool, TlsFault> {
        let ends = self.ends();
        let (served, root) = (ends.served - RENEW_DAYS * DAY, ends.root - RENEW_ROOT_DAYS * DAY);
        if (ends.begin..served).contains(&now) && now < root {
            return Ok(false);
        }
        let renewed = load(&self.data, &self.names, now)?;
        *self.current.write().unwrap_or_else(PoisonError::into_inner) = renewed;
        Ok(true)
    }

    /// When they end.
    pub(crate) fn ends(&self) -> Ends {
        self.current.read().unwrap_or_else(PoisonError::into_inner).1
    }

    /// What the listener needs: TLS 1.2 and 1.3, no client certificates.
    pub(crate) fn config(self: &Arc<Self>) -> Result<ServerConfig, TlsFault> {
        Ok(ServerConfig::builder_with_provider(Arc::new(ring::default_provider()))
            .with_protocol_versions(&[&TLS13, &TLS12])
            .map_err(certificate)?
            .with_no_client_auth()
            .with_cert_resolver(Arc::clone(self) as Arc<dyn ResolvesServerCert>))
    }

    /// The root certificate, PEM: what nodes and clients pin.
    pub(crate) fn ca_pem(&self) -> Result<String, TlsFault> {
        let path = self.data.join("ca.pem");
        fs::read_to_string(&path).map_err(file(&path))
    }
}

impl ResolvesServerCert for Certificates {
    fn resolve(&self, _: ClientHello<'_>) -> Option<Arc<CertifiedKey>> {
        Some(Arc::clone(&self.current.read().unwrap_or_else(PoisonError::into_inner).0))
    }
}

fn load(data: &Path, names: &[String], now: Seconds) -> Result<(Arc<CertifiedKey>, Ends), TlsFault> {
    let (issuer, root) = root(data, now)?;
    let (key, served) = served(data, names, &issuer, root.not_after, now)?;
    let begin = root.not_before.max(served.not_before);
    let ends = Ends { begin, root: root.not_after, served: served.not_after };
    Ok((Arc::new(key), ends))
}

fn root(data: &Path, now: Seconds) -> Result<(Issuer<'static, KeyPair>, Validity), TlsFault> {
    let (pem_path, key_path) = (data.join("ca.pem"), data.join("ca.key"));
    match (pem_path.exists(), key_path.exists()) {
        (false, false) => {
            let key = KeyPair::generate_for(&PKCS_ECDSA_P256_SHA256)?;
            write_private(&key_path, key.serialize_pem().as_bytes()).map_err(file(&key_path))?;
            sign_root(&pem_path, &key, now)?;
        }
        (true, true) => {}
        (false, true) => return Err(TlsFault::HalfRoot { path: pem_path }),
        (true, false) => return Err(TlsFault::HalfRoot { path: key_path }),
    }
    let key = fs::read_to_string(&key_path).map_err(file(&key_path))?;
    let key = KeyPair::from_pem(&key)?;
    let mut span = of_file(&pem_path)?;
    if !(span.not_before..span.not_after - RENEW_ROOT_DAYS * DAY).contains(&now) {
        sign_root(&pem_path, &key, now)?;
        span = of_file(&pem_path)?;
    }
    Ok((Issuer::new(root_params()?, key), span))
}

fn sign_root(path: &Path, key: &KeyPair, now: Seconds) -> Result<(), TlsFault> {
    let mut params = root_params()?;
    lasts(&mut params, now, now + (ROOT_DAYS - 1) * DAY);
    let pem = params.self_signed(key)?.pem();
    write_whole(path, pem.as_bytes(), 0o644).map_err(file(path))
}

/// The validity of the first certificate in a PEM file.
fn of_file(path: &Path) -> Result<Validity, TlsFault> {
    let der = CertificateDer::from_pem_file(path).map_err(certificate)?;
    validity(&der).ok_or_else(|| TlsFault::Certificate { why: format!("{} has no validity", path.display()) })
}

/// All of the root that its certificates refer to; the key's identifier follows from the key.
fn root_params() -> Result<CertificateParams, TlsFault> {
    let mut params = CertificateParams::new(Vec::new())?;
    params.distinguished_name = named("Pintle server's own root");
    params.is_ca = IsCa::Ca(BasicConstraints::Constrained(0));
    params.key_usages = vec![KeyUsagePurpose::KeyCertSign, KeyUsagePurpose::CrlSign];
    Ok(params)
}

/// A certificate with the key that it is for.
fn pair(pem: &Path, key: &Path) -> Result<CertifiedKey, TlsFault> {
    let chain = CertificateDer::pem_file_iter(pem)
        .and_then(Iterator::collect::<Result<Vec<_>, _>>)
        .map_err(certificate)?;
    let key = PrivateKeyDer::from_pem_file(key).map_err(certificate)?;
    CertifiedKey::from_der(chain, key, &ring::default_provider()).map_err(certificate)
}

fn served(
    data: &Path,
    names: &[String],
    issuer: &Issuer<'_, KeyPair>,
    root_ends: Seconds,
    now: Seconds,
) -> Result<(CertifiedKey, Validity), TlsFault> {
    let (pem_path, key_path, note_path) =
        (data.join("tls.pem"), data.join("tls.key"), data.join("tls.names"));
    // What the certificate is good for: when it is to be made anew, and its names.
    let wanted = names.join("\n");
    let noted = fs::read_to_string(&note_path).unwrap_or_default();
    let same_names = noted.split_once('\n').is_some_and(|(_, names)| names == wanted);
    let lasts_on = pem_path.exists()
        && of_file(&pem_path)
            .is_ok_and(|span| (span.not_before..span.not_after - RENEW_DAYS * DAY).contains(&now));
    // A backup that was made during a renewal may hold one from before it and one from after it.
    if !(same_names && lasts_on && pair(&pem_path, &key_path).is_ok()) {
        let key = KeyPair::generate_for(&PKCS_ECDSA_P256_SHA256)?;
        let mut params = CertificateParams::new(names.to_vec())?;
        params.distinguished_name = named("Pintle server");
        params.key_usages = vec![KeyUsagePurpose::DigitalSignature];
        params.extended_key_usages = vec![ExtendedKeyUsagePurpose::ServerAuth];
        params.use_authority_key_identifier_extension = true;
        // Never beyond the root, which RENEW_ROOT_DAYS sees to; said here all the same.
        lasts(&mut params, now, (now + (SERVER_DAYS - 1) * DAY).min(root_ends));
        let pem = params.signed_by(&key, issuer)?.pem();
        let renew_at = now + (SERVER_DAYS - RENEW_DAYS) * DAY;
        write_private(&key_path, key.serialize_pem().as_bytes()).map_err(file(&key_path))?;
        write_whole(&pem_path, pem.as_bytes(), 0o644).map_err(file(&pem_path))?;
        write_whole(&note_path, format!("{renew_at}\n{wanted}").as_bytes(), 0o644)
            .map_err(file(&note_path))?;
    }
    Ok((pair(&pem_path, &key_path)?, of_file(&pem_path)?))
}

/// From a day before `now`, for clients whose clocks are behind, until `end`.
fn lasts(params: &mut CertificateParams, now: Seconds, end: Seconds) {
    let at = |seconds: Seconds| UNIX_EPOCH + Duration::from_secs(u64::try_from(seconds).unwrap_or(0));
    params.not_before = at(now - DAY).into();
    params.not_after = at(end).into();
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
    use rustls::RootCertStore;
    use rustls::client::WebPkiServerVerifier;
    use rustls::client::danger::ServerCertVerifier;
    use rustls::pki_types::{ServerName, UnixTime};

    const NOW: Seconds = 1_800_000_000;
    const YEAR: Seconds = 365 * DAY;

    fn ready(data: &Path, names: &[String], now: Seconds) -> Result<Arc<Certificates>, TlsFault> {
        Certificates::ready(data, names, now)
    }

    /// Whether a client that pinned `root` takes what is served at this time.
    fn taken(root: &str, certificates: &Certificates, now: Seconds) -> bool {
        let mut roots = RootCertStore::empty();
        roots.add(CertificateDer::from_pem_slice(root.as_bytes()).unwrap()).unwrap();
        let provider = Arc::new(ring::default_provider());
        let verifier =
            WebPkiServerVerifier::builder_with_provider(Arc::new(roots), provider).build().unwrap();
        let chain = &certificates.current.read().unwrap().0.cert;
        let name = ServerName::try_from("localhost").unwrap();
        let at = UnixTime::since_unix_epoch(Duration::from_secs(now.try_into().unwrap()));
        verifier.verify_server_cert(&chain[0], &chain[1..], &name, &[], at).is_ok()
    }

    #[test]
    fn a_key_that_is_not_the_certificates_is_made_anew_with_it() {
        let (data, other) = (tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap());
        let names = ["localhost".to_owned()];
        let pinned = ready(data.path(), &names, NOW).unwrap().ca_pem().unwrap();
        ready(other.path(), &names, NOW).unwrap();
        let path = |name: &str| data.path().join(name);
        let before = fs::read(path("tls.pem")).unwrap();
        for spoil in ["tls.key", "tls.pem"] {
            fs::copy(other.path().join(spoil), path(spoil)).unwrap();
            let certificates = ready(data.path(), &names, NOW).unwrap();
            assert!(taken(&pinned, &certificates, NOW), "{spoil}");
            assert!(certificates.current.read().unwrap().0.keys_match().is_ok(), "{spoil}");
            assert_ne!(fs::read(path("tls.pem")).unwrap(), before);
        }
        // What fits is left as it is.
        let before = [fs::read(path("tls.pem")).unwrap(), fs::read(path("tls.key")).unwrap()];
        ready(data.path(), &names, NOW).unwrap();
        assert_eq!([fs::read(path("tls.pem")).unwrap(), fs::read(path("tls.key")).unwrap()], before);
    }

    /// A server that runs for thirty years, looking every day, is taken on each of them by who
    /// pinned its first root; the middle of 2050 changes the form of the times.
    #[test]
    fn a_server_that_is_never_restarted_is_taken_every_day_for_thirty_years() {
        let data = tempfile::tempdir().unwrap();
        let certificates = ready(data.path(), &["localhost".to_owned()], NOW).unwrap();
        let pinned = certificates.ca_pem().unwrap();
        let (mut renewals, mut roots) = (0, vec![certificates.ends().root]);
        for day in 0..30 * 365 {
            let now = NOW + day * DAY;
            let ends = certificates.ends();
            if certificates.renew(now).unwrap() {
                renewals += 1;
                assert!(now < ends.served && now < ends.root, "renewed after the end");
                assert_ne!(certificates.ends(), ends);
            }
            let Ends { root, served, .. } = certificates.ends();
            if roots.last() != Some(&root) {
                roots.push(root);
            }
            assert!(now + (RENEW_DAYS - 1) * DAY < served && served <= root, "day {day}");
            if day % 90 == 0 || root > 2_524_608_000 && day % 30 == 0 {
                assert!(taken(&pinned, &certificates, now), "day {day}");
                assert!(!taken(&pinned, &certificates, served + 1), "day {day}");
            }
        }
        assert!((29..=31).contains(&renewals), "{renewals}");
        assert_eq!(roots.len(), 2, "{roots:?}");
        assert!(roots[0] < 2_524_608_000 && roots[1] > NOW + 36 * YEAR);
        assert_eq!(fs::read_to_string(data.path().join("ca.pem")).unwrap(), certificates.ca_pem().unwrap());
    }

    #[test]
    fn what_a_wrong_clock_dated_is_made_anew_when_it_is_right() {
        let data = tempfile::tempdir().unwrap();
        let certificates = ready(data.path(), &["localhost".to_owned()], NOW).unwrap();
        let pinned = certificates.ca_pem().unwrap();
        for wrong in [NOW + 2 * YEAR, NOW + 40 * YEAR, NOW - 20 * YEAR] {
            certificates.renew(wrong).unwrap();
            assert!(taken(&pinned, &certificates, wrong), "{wrong}");
            assert!(certificates.renew(NOW).unwrap(), "{wrong}");
            assert!(taken(&pinned, &certificates, NOW), "{wrong}");
            assert!(!certificates.renew(NOW + 5).unwrap());
        }
    }

    fn read(data: &Path, name: &str) -> String {
        fs::read_to_string(data.join(name)).unwrap()
    }

    #[test]
    fn the_root_stays_and_the_certificate_is_renewed_in_time() {
        let data = tempfile::tempdir().unwrap();
        let names = ["localhost".to_owned(), "127.0.0.1".to_owned()];
        let first = ready(data.path(), &names, NOW).unwrap().ca_pem().unwrap();
        let (served, key) = (read(data.path(), "tls.pem"), read(data.path(), "ca.key"));
        // It ends 396 days after it was made: it begins a day earlier.
        ready(data.path(), &names, NOW + 365 * DAY).unwrap();
        assert_eq!(read(data.path(), "tls.pem"), served, "31 days before its end it is kept");
        ready(data.path(), &names, NOW + 366 * DAY).unwrap();
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

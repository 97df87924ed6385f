//! What the person who runs the server has set: by flags, by the environment, and in a file.
//!
//! One struct is all three, so that a key of the file is a flag without its dashes. Flags count before the
//! environment, the environment before the file, the file before what is usual.

mod file;
mod telling;
#[cfg(test)]
mod tests;

pub use file::{SettingsError, read};

use crate::config::{Config, Tls};
use clap::parser::ValueSource;
use clap::{ArgMatches, ValueEnum};
use serde::{Deserialize, Deserializer, de};
use std::net::{Ipv4Addr, SocketAddr};
use std::path::{Path, PathBuf};

/// Where the server listens if nothing is said: on every IPv4 address.
const LISTEN: SocketAddr = SocketAddr::new(std::net::IpAddr::V4(Ipv4Addr::UNSPECIFIED), 7443);
/// The name in its certificate if nothing is said.
const TLS_NAME: &str = "localhost";

/// What was set; `None` is not set there.
#[derive(Clone, Debug, Default, PartialEq, Eq, clap::Args, Deserialize)]
#[serde(rename_all = "kebab-case", deny_unknown_fields, default)]
pub struct Settings {
    /// Folder with everything that the server keeps; made if it is not there
    #[arg(long, value_name = "DIR", env = "PINTLE_DATA", hide_env_values = true)]
    #[serde(deserialize_with = "path")]
    pub data: Option<PathBuf>,

    /// Address and port to listen on; 0.0.0.0:7443 if left out
    #[arg(long, value_name = "ADDR", env = "PINTLE_LISTEN", hide_env_values = true)]
    pub listen: Option<SocketAddr>,

    /// A name or IP address by which nodes and browsers reach the server; may be repeated; localhost if
    /// left out
    #[arg(
        long,
        value_name = "NAME",
        env = "PINTLE_TLS_NAMES",
        hide_env_values = true,
        value_delimiter = ','
    )]
    #[serde(deserialize_with = "names")]
    pub tls_name: Option<Vec<String>>,

    /// Plain HTTP instead of TLS; only on loopback, behind a reverse proxy that adds TLS
    #[arg(long, env = "PINTLE_PLAIN", hide_env_values = true, value_name = SWITCH, num_args = 0..=1,
        require_equals = true, default_missing_value = "true", hide_possible_values = true)]
    pub plain: Option<bool>,

    /// Tell browsers to take TLS only for this host name, also for other services on it
    #[arg(long, env = "PINTLE_HSTS", hide_env_values = true, value_name = SWITCH, num_args = 0..=1,
        require_equals = true, default_missing_value = "true", hide_possible_values = true)]
    pub hsts: Option<bool>,

    /// When to advertise the server on the local link by DNS-SD (_pintle._tcp), so that nodes find it
    /// at a new address; auto if left out
    #[arg(long, value_name = "WHEN", env = "PINTLE_ADVERTISE", hide_env_values = true)]
    pub advertise: Option<Advertise>,

    /// Address to which notices are posted as JSON: rollouts that are held or wait, nodes that fall silent; it
    /// begins with http:// or https://
    #[arg(long, value_name = "URL", env = "PINTLE_WEBHOOK", hide_env_values = true)]
    pub webhook: Option<String>,

    /// File with a secret that the webhook gets as bearer token; only with https, or on loopback
    #[arg(long, value_name = "FILE", env = "PINTLE_WEBHOOK_TOKEN", hide_env_values = true)]
    #[serde(deserialize_with = "path")]
    pub webhook_token: Option<PathBuf>,

    /// Mail server for notices: smtps://HOST:PORT for TLS from the start, smtp://HOST:PORT for STARTTLS;
    /// on loopback smtp:// is without TLS
    #[arg(long, value_name = "URL", env = "PINTLE_MAIL_SERVER", hide_env_values = true)]
    pub mail_server: Option<String>,

    /// Address from which notices are mailed
    #[arg(long, value_name = "ADDRESS", env = "PINTLE_MAIL_FROM", hide_env_values = true)]
    pub mail_from: Option<String>,

    /// Address to which notices are mailed; may be repeated
    #[arg(
        long,
        value_name = "ADDRESS",
        env = "PINTLE_MAIL_TO",
        hide_env_values = true,
        value_delimiter = ','
    )]
    #[serde(deserialize_with = "names")]
    pub mail_to: Option<Vec<String>>,

    /// Name to sign in to the mail server with
    #[arg(long, value_name = "NAME", env = "PINTLE_MAIL_USER", hide_env_values = true)]
    pub mail_user: Option<String>,

    /// File with the password for it
    #[arg(long, value_name = "FILE", env = "PINTLE_MAIL_PASSWORD", hide_env_values = true)]
    #[serde(deserialize_with = "path")]
    pub mail_password: Option<PathBuf>,

    /// PEM file with authorities to trust for webhook and mail server, besides the system's
    #[arg(long, value_name = "FILE", env = "PINTLE_NOTICE_ROOTS", hide_env_values = true)]
    #[serde(deserialize_with = "path")]
    pub notice_roots: Option<PathBuf>,

    /// Log as JSON, one object a line
    #[arg(long, env = "PINTLE_LOG_JSON", hide_env_values = true, value_name = SWITCH, num_args = 0..=1,
        require_equals = true, default_missing_value = "true", hide_possible_values = true)]
    pub log_json: Option<bool>,
}

/// What a flag that is on or off takes after `=`, to turn off what the file turns on.
const SWITCH: &str = "true|false";

/// When the server is advertised on the local link.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Advertise {
    /// Unless it listens on loopback only
    Auto,
    /// Always
    Always,
    /// Never
    Never,
}

fn path<'de, D: Deserializer<'de>>(from: D) -> Result<Option<PathBuf>, D::Error> {
    let path = PathBuf::deserialize(from)?;
    if path.as_os_str().is_empty() {
        return Err(de::Error::custom("it is empty"));
    }
    Ok(Some(path))
}

fn names<'de, D: Deserializer<'de>>(from: D) -> Result<Option<Vec<String>>, D::Error> {
    let names = Vec::<String>::deserialize(from)?;
    if names.is_empty() || names.iter().any(String::is_empty) {
        return Err(de::Error::custom("there is no name in it"));
    }
    Ok(Some(names))
}

/// What the value of a key of the file has to be, with its unit if it has one; `None` if there is no such key.
const fn expected(key: &str) -> Option<&'static str> {
    Some(match key.as_bytes() {
        b"data" => "a folder in quotes, such as \"/var/lib/pintle\"",
        b"listen" => "address and port in quotes, such as \"0.0.0.0:7443\" or \"[::]:7443\"",
        b"tls-name" => "a list of names in quotes, such as [\"pintle.home.arpa\", \"192.0.2.7\"]",
        b"advertise" => "\"auto\", \"always\" or \"never\"",
        b"webhook" => "an address in quotes, such as \"https://home.arpa/hooks/pintle\"",
        b"mail-server" => {
            "an address in quotes, such as \"smtps://mail.home.arpa\" or \"smtp://mail.home.arpa:587\""
        }
        b"mail-from" => "an address in quotes, such as \"pintle@home.arpa\"",
        b"mail-to" => "a list of addresses in quotes, such as [\"gatekeeper@home.arpa\"]",
        b"mail-user" => "a name in quotes",
        b"webhook-token" | b"mail-password" | b"notice-roots" => {
            "a file in quotes, such as \"/etc/pintle/secret\""
        }
        b"plain" | b"hsts" | b"log-json" => "true or false, without quotes",
        _ => return None,
    })
}

impl Settings {
    /// What the command line and the environment set, read once: `before` the file and everything in it.
    ///
    /// `given` are all of them as clap merged them, with `matches` to tell where each came from.
    ///
    /// # Errors
    /// [`SettingsError::Exclusive`] for settings of one of the two that exclude each other.
    pub fn over_file(given: &Self, matches: &ArgMatches, file: Option<&Path>) -> Result<Self, SettingsError> {
        let of = |source| given.clone().only(|id| matches.value_source(id) == Some(source));
        let (flags, environment) = (of(ValueSource::CommandLine), of(ValueSource::EnvVariable));
        flags.consistent(|key| format!("`--{key}`"), "the command line")?;
        environment.consistent(|key| format!("what stands for `--{key}`"), "the environment")?;
        let file = file.map(read).transpose()?.unwrap_or_default();
        Ok(flags.before(environment).before(file))
    }

    /// Only those for whose name `keep` is true.
    fn only(self, keep: impl Fn(&str) -> bool) -> Self {
        Self {
            data: self.data.filter(|_| keep("data")),
            listen: self.listen.filter(|_| keep("listen")),
            tls_name: self.tls_name.filter(|_| keep("tls_name")),
            plain: self.plain.filter(|_| keep("plain")),
            hsts: self.hsts.filter(|_| keep("hsts")),
            advertise: self.advertise.filter(|_| keep("advertise")),
            webhook: self.webhook.filter(|_| keep("webhook")),
            webhook_token: self.webhook_token.filter(|_| keep("webhook_token")),
            mail_server: self.mail_server.filter(|_| keep("mail_server")),
            mail_from: self.mail_from.filter(|_| keep("mail_from")),
            mail_to: self.mail_to.filter(|_| keep("mail_to")),
            mail_user: self.mail_user.filter(|_| keep("mail_user")),
            mail_password: self.mail_password.filter(|_| keep("mail_password")),
            notice_roots: self.notice_roots.filter(|_| keep("notice_roots")),
            log_json: self.log_json.filter(|_| keep("log_json")),
        }
    }

    /// These, and for what they do not set, `lower`. Plain HTTP here puts aside what is about TLS there, and
    /// the other way round.
    fn before(self, lower: Self) -> Self {
        let (plain, tls) = (self.plain == Some(true), self.tls_name.is_some() || self.hsts == Some(true));
        Self {
            data: self.data.or(lower.data),
            listen: self.listen.or(lower.listen),
            tls_name: self.tls_name.or(lower.tls_name.filter(|_| !plain)),
            plain: self.plain.or(lower.plain.filter(|_| !tls)),
            hsts: self.hsts.or(lower.hsts.filter(|_| !plain)),
            advertise: self.advertise.or(lower.advertise),
            webhook: self.webhook.or(lower.webhook),
            webhook_token: self.webhook_token.or(lower.webhook_token),
            mail_server: self.mail_server.or(lower.mail_server),
            mail_from: self.mail_from.or(lower.mail_from),
            mail_to: self.mail_to.or(lower.mail_to),
            mail_user: self.mail_user.or(lower.mail_user),
            mail_password: self.mail_password.or(lower.mail_password),
            notice_roots: self.notice_roots.or(lower.notice_roots),
            log_json: self.log_json.or(lower.log_json),
        }
    }

    /// Settings of one place that exclude each other; `named` names a key in the words of that place.
    fn exclusive(&self) -> Option<&'static str> {
        let plain = self.plain == Some(true);
        let other = |is: bool, key| (plain && is).then_some(key);
        other(self.tls_name.is_some(), "tls-name").or(other(self.hsts == Some(true), "hsts"))
    }

    fn consistent(&self, named: impl Fn(&str) -> String, place: &str) -> Result<(), SettingsError> {
        let Some(other) = self.exclusive() else { return Ok(()) };
        Err(SettingsError::Exclusive { place: place.to_owned(), plain: named("plain"), other: named(other) })
    }

    /// Takes relative paths from this folder.
    fn root(self, folder: &Path) -> Self {
        let joined = |path: Option<PathBuf>| path.map(|path| folder.join(path));
        Self {
            data: joined(self.data),
            webhook_token: joined(self.webhook_token),
            mail_password: joined(self.mail_password),
            notice_roots: joined(self.notice_roots),
            ..self
        }
    }

    /// The folder of the server.
    ///
    /// # Errors
    /// [`SettingsError::NoFolder`] if none is set.
    pub fn folder(&self) -> Result<&Path, SettingsError> {
        self.data.as_deref().ok_or(SettingsError::NoFolder)
    }

    /// Whether the log is JSON.
    pub fn log_json(&self) -> bool {
        self.log_json.unwrap_or_default()
    }

    /// How the server runs by these settings, with the usual ones for what is not set.
    ///
    /// # Errors
    /// [`SettingsError::NoFolder`] if no folder is set, [`SettingsError::Unfit`] for a way to tell people that
    /// cannot be used as it is set.
    pub fn config(&self) -> Result<Config, SettingsError> {
        let listen = self.listen.unwrap_or(LISTEN);
        let mut config = Config::new(self.folder()?, listen);
        config.tls = if self.plain == Some(true) {
            Tls::Plain
        } else {
            Tls::Names(self.tls_name.clone().unwrap_or_else(|| vec![TLS_NAME.to_owned()]))
        };
        config.hsts = self.hsts.unwrap_or_default();
        config.advertise = match self.advertise.unwrap_or(Advertise::Auto) {
            Advertise::Auto => !listen.ip().is_loopback(),
            Advertise::Always => true,
            Advertise::Never => false,
        };
        config.notices = self.notices()?;
        Ok(config)
    }
}

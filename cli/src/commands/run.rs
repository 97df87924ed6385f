//! What every command has at hand.

use crate::api::Client;
use crate::error::CliError;
use crate::random;
use crate::ui::Ui;
use crate::yard::files;
use crate::yard::{Unlocked, Yard};
use rand_chacha::ChaCha20Rng;
use std::path::{Path, PathBuf};
use zeroize::Zeroizing;

/// One run of the command.
pub struct Run {
    dir: PathBuf,
    passphrase_file: Option<PathBuf>,
    /// Where it prints.
    pub ui: Ui,
}

impl Run {
    /// For the yard in `dir` or above it.
    pub fn new(dir: PathBuf, passphrase_file: Option<PathBuf>, ui: Ui) -> Self {
        Self { dir, passphrase_file, ui }
    }

    /// The yard.
    ///
    /// # Errors
    /// [`CliError::Yard`].
    pub fn yard(&self) -> Result<Yard, CliError> {
        Ok(Yard::find(&self.dir)?)
    }

    /// Opens the yard's keys.
    ///
    /// # Errors
    /// [`CliError`] if there is no passphrase, or it is the wrong one.
    pub fn unlock(&mut self, yard: &Yard) -> Result<Unlocked, CliError> {
        let passphrase = self.secret(self.passphrase_file.clone().as_deref(), "Passphrase of the yard: ")?;
        Ok(yard.unlock(passphrase.as_bytes())?)
    }

    /// A new passphrase for the yard: from the file, or asked for twice.
    ///
    /// # Errors
    /// [`CliError`] if there is none, or the two are not the same.
    pub fn new_passphrase(&mut self, file: Option<&Path>) -> Result<Zeroizing<String>, CliError> {
        let first = self.secret(file, "New passphrase of the yard: ")?;
        if file.is_none() && first != self.secret(None, "The same again: ")? {
            return Err(CliError::NotTheSame);
        }
        Ok(first)
    }

    /// The file that was given with `--passphrase-file`.
    pub fn passphrase_file(&self) -> Option<&Path> {
        self.passphrase_file.as_deref()
    }

    /// A secret: the one line of `file`, or asked for on a terminal.
    ///
    /// # Errors
    /// [`CliError`] if the file has no or several lines, or there is nobody to ask.
    pub fn secret(&mut self, file: Option<&Path>, prompt: &str) -> Result<Zeroizing<String>, CliError> {
        match file {
            Some(path) => {
                let text = Zeroizing::new(files::read_text(path)?);
                let line = text.strip_suffix('\n').unwrap_or(&text);
                let line = line.strip_suffix('\r').unwrap_or(line);
                if line.is_empty() || line.contains(['\n', '\r']) {
                    return Err(CliError::SecretFile(path.to_owned()));
                }
                Ok(Zeroizing::new(line.to_owned()))
            }
            None if self.ui.can_ask() => {
                rpassword::prompt_password(prompt).map(Zeroizing::new).map_err(CliError::Asking)
            }
            None => Err(CliError::NobodyToAsk),
        }
    }

    /// The passphrase of a network: the one line of `--wifi-passphrase-file`, or asked for.
    ///
    /// # Errors
    /// As [`Self::secret`], and it says which file to give.
    pub fn wifi_passphrase(
        &mut self,
        file: Option<&Path>,
        prompt: &str,
    ) -> Result<Zeroizing<String>, CliError> {
        self.secret(file, prompt).map_err(|error| match error {
            CliError::NobodyToAsk => CliError::NoWifiPassphrase,
            other => other,
        })
    }

    /// Randomness from the system.
    ///
    /// # Errors
    /// [`CliError::Random`].
    pub fn rng(&self) -> Result<ChaCha20Rng, CliError> {
        Ok(random::from_system()?)
    }

    /// Yard, keys and server.
    ///
    /// # Errors
    /// [`CliError`] if one of them cannot be had.
    pub fn all(&mut self) -> Result<(Yard, Unlocked, Client), CliError> {
        let yard = self.yard()?;
        let unlocked = self.unlock(&yard)?;
        let client = crate::server_link::client(&yard, &unlocked)?;
        Ok((yard, unlocked, client))
    }
}

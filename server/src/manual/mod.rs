//! Manual pages and completions for the shell, made from what a program's command line takes.
//!
//! Both programs use it, so that neither can name an option that is not there. Nothing of the machine gets into a
//! page: no date, no path, and no value from the environment.

#[cfg(test)]
mod tests;

use crate::keys::write_whole;
use clap::{Command, ValueEnum};
use clap_complete::{Generator, Shell};
use clap_mangen::Man;
use clap_mangen::roff::{Roff, bold, roman};
use std::io;
use std::path::{Path, PathBuf};
use thiserror::Error;

/// A program, as its manual tells of it.
#[derive(Clone, Debug)]
pub struct Program<'a> {
    /// Its command line.
    pub command: Command,
    /// The section of the manual: `1` for what anybody runs, `8` for what looks after a machine.
    pub section: &'a str,
    /// Exit codes, and what each means.
    pub exits: Vec<(u8, &'a str)>,
    /// Variables of the environment that are no option, and what each does.
    pub environment: &'a [(&'a str, &'a str)],
    /// Pages of other programs, such as `pintle(1)`.
    pub also: &'a [&'a str],
}

/// A file of the manual.
#[derive(Clone, Debug, PartialEq, Eq)]
pub struct Page {
    /// Where it belongs in a folder like `/usr/share`.
    pub path: PathBuf,
    /// What is in it.
    pub text: String,
}

/// A page that was not written.
#[derive(Debug, Error)]
#[error("{} cannot be written: {source}; give a folder that you may write to", path.display())]
pub struct NotWritten {
    /// The file or folder.
    pub path: PathBuf,
    /// Why.
    pub source: io::Error,
}

impl Program<'_> {
    /// A page for the program and one for each of its commands, then completions for bash, zsh and fish.
    ///
    /// # Errors
    /// What formatting says, which has no other source of errors than this program.
    pub fn pages(&self) -> io::Result<Vec<Page>> {
        let mut whole = self.command.clone().disable_help_subcommand(true);
        whole.build();
        let source = format!("{} {}", whole.get_name(), whole.get_version().unwrap_or_default());
        let mut pages = Vec::new();
        self.add(&whole, &[], &source, &mut pages)?;
        for shell in [Shell::Bash, Shell::Zsh, Shell::Fish] {
            pages.push(self.completion(shell)?);
        }
        Ok(pages)
    }

    fn add(&self, command: &Command, above: &[&str], source: &str, pages: &mut Vec<Page>) -> io::Result<()> {
        let name = display_name(command);
        pages.push(Page {
            path: format!("man/man{0}/{name}.{0}", self.section).into(),
            text: self.page(command, above, source)?,
        });
        let above = [above, &[name]].concat();
        command
            .get_subcommands()
            .filter(|sub| !sub.is_hide_set())
            .try_for_each(|sub| self.add(sub, &above, source, pages))
    }

    fn page(&self, command: &Command, above: &[&str], source: &str) -> io::Result<String> {
        let man = Man::new(command.clone()).section(self.section);
        let mut bytes = Vec::new();
        man.render_name_section(&mut bytes)?;
        man.render_synopsis_section(&mut bytes)?;
        man.render_description_section(&mut bytes)?;
        man.render_options_section(&mut bytes)?;
        if command.has_subcommands() {
            man.render_subcommands_section(&mut bytes)?;
        }
        let mut end = Roff::new();
        if above.is_empty() && !self.environment.is_empty() {
            listed(
                &mut end,
                "ENVIRONMENT",
                self.environment.iter().map(|(name, text)| ((*name).to_owned(), *text)),
            );
        }
        listed(&mut end, "EXIT STATUS", self.exits.iter().map(|(code, text)| (code.to_string(), *text)));
        let own = above.iter().rev().map(|name| format!("{name}({})", self.section));
        let also: Vec<_> = own.chain(self.also.iter().map(|page| (*page).to_owned())).collect();
        if !also.is_empty() {
            end.control("SH", ["SEE ALSO"]).text([roman(also.join(", "))]);
        }
        end.to_writer(&mut bytes)?;
        // Each piece begins with the same lines of set-up. The title is written here, for an empty date has to be
        // quoted, or what follows would be taken for it.
        let (set_up, name) = (Roff::new().render(), display_name(command));
        let title = format!(".TH \"{name}\" \"{}\" \"\" \"{source}\" \"Pintle\"\n", self.section);
        Ok(set_up.clone() + &title + &text(bytes)?.replace(&set_up, ""))
    }

    fn completion(&self, shell: Shell) -> io::Result<Page> {
        let mut command = self.command.clone();
        let name = command.get_name().to_owned();
        command.set_bin_name(&name);
        command.build();
        let path = match shell {
            Shell::Bash => format!("bash-completion/completions/{name}"),
            Shell::Zsh => format!("zsh/site-functions/_{name}"),
            Shell::Fish => format!("fish/vendor_completions.d/{name}.fish"),
            other => {
                return Err(io::Error::other(format!(
                    "there is no place known for {:?}",
                    other.to_possible_value()
                )));
            }
        };
        let mut bytes = Vec::new();
        shell.try_generate(&command, &mut bytes)?;
        let mut text = text(bytes)?;
        if shell == Shell::Bash && name.contains('-') {
            // The generator sets `my__tool__subcmd__..` and asks for `my__subcmd__tool__subcmd__..` (clap-rs/clap#6421).
            text = text.replace(&name.replace('-', "__subcmd__"), &name.replace('-', "__"));
        }
        Ok(Page { path: path.into(), text })
    }

    /// Writes all pages into a folder like `/usr/local/share` or `~/.local/share`, and makes it if need be. Pages of
    /// an earlier version are replaced, each whole or not at all; says how many were written.
    ///
    /// # Errors
    /// [`NotWritten`] for the first that could not be written.
    pub fn write(&self, share: &Path) -> Result<usize, NotWritten> {
        let failed = |path: &Path| {
            let path = path.to_owned();
            |source| NotWritten { path, source }
        };
        let pages = self.pages().map_err(failed(share))?;
        for page in &pages {
            let path = share.join(&page.path);
            let folder = path.parent().unwrap_or(share);
            std::fs::create_dir_all(folder).map_err(failed(folder))?;
            write_whole(&path, page.text.as_bytes(), 0o644).map_err(failed(&path))?;
        }
        Ok(pages.len())
    }
}

fn display_name(command: &Command) -> &str {
    command.get_display_name().unwrap_or_else(|| command.get_name())
}

fn listed<'t>(roff: &mut Roff, heading: &str, rows: impl Iterator<Item = (String, &'t str)>) {
    roff.control("SH", [heading]);
    for (name, text) in rows {
        roff.control("TP", []).text([bold(name)]).text([roman(text)]);
    }
}

fn text(bytes: Vec<u8>) -> io::Result<String> {
    String::from_utf8(bytes).map_err(io::Error::other)
}

//! The manual that a program writes, held against what its own `--help` says. For both programs.

use std::collections::BTreeSet;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

/// A value in the environment that no page may show.
const SECRETIVE: &str = "never-in-a-page";

pub(crate) struct Manual {
    program: PathBuf,
    name: &'static str,
    section: char,
    share: tempfile::TempDir,
}

impl Manual {
    /// Has `program` write its manual, with paths in the environment that must not get into it.
    pub(crate) fn written(program: &str, name: &'static str, section: char) -> Self {
        let share = tempfile::tempdir().unwrap();
        let manual = Self { program: program.into(), name, section, share };
        let mut command = manual.command(&["manual", "--to"]);
        command.arg(manual.share.path());
        for variable in ["PINTLE_DATA", "PINTLE_TLS_NAMES", "PINTLE_YARD", "PINTLE_PASSPHRASE_FILE"] {
            command.env(variable, SECRETIVE);
        }
        let done = command.output().unwrap();
        assert!(done.status.success(), "{done:?}");
        let said = String::from_utf8(done.stdout).unwrap();
        assert!(said.contains(&format!("{} files written below ", manual.files().len())), "{said}");
        manual
    }

    fn command(&self, args: &[&str]) -> Command {
        let mut command = Command::new(&self.program);
        for (variable, _) in std::env::vars_os().filter(|(v, _)| v.to_string_lossy().starts_with("PINTLE_")) {
            command.env_remove(variable);
        }
        command.args(args).stdin(Stdio::null());
        command
    }

    /// Every file, by its path below the folder.
    fn files(&self) -> BTreeSet<PathBuf> {
        let (mut files, mut left) = (BTreeSet::new(), vec![self.share.path().to_owned()]);
        while let Some(folder) = left.pop() {
            for path in fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path()) {
                if path.is_dir() {
                    left.push(path);
                } else {
                    files.insert(path.strip_prefix(self.share.path()).unwrap().to_owned());
                }
            }
        }
        files
    }

    fn read(&self, path: impl AsRef<Path>) -> String {
        let path = path.as_ref();
        fs::read_to_string(self.share.path().join(path)).unwrap_or_else(|e| panic!("{}: {e}", path.display()))
    }

    /// Every command, the program itself first, with what `--help` says of it.
    fn helps(&self) -> Vec<(Vec<String>, String)> {
        let (mut all, mut left) = (Vec::new(), vec![Vec::<String>::new()]);
        while let Some(words) = left.pop() {
            let mut args: Vec<&str> = words.iter().map(String::as_str).collect();
            args.push("--help");
            let help = String::from_utf8(self.command(&args).output().unwrap().stdout).unwrap();
            for sub in subcommands(&help) {
                left.push([words.clone(), vec![sub]].concat());
            }
            all.push((words, help));
        }
        all
    }

    /// Every command has its page, the page names every option, and there is no page more.
    pub(crate) fn names_everything(&self) {
        let mut expected = BTreeSet::new();
        for (words, help) in self.helps() {
            let name = [&[self.name.to_owned()], words.as_slice()].concat().join("-");
            let path = PathBuf::from(format!("man/man{0}/{name}.{0}", self.section));
            let page = self.read(&path).replace('\\', "");
            for option in options(&help) {
                assert!(page.contains(&format!("fB{option}fR")), "{} lacks {option}", path.display());
            }
            for sub in subcommands(&help) {
                assert!(page.contains(&format!("{name}-{sub}({})", self.section)), "{name} lacks {sub}");
            }
            expected.insert(path);
        }
        let pages: BTreeSet<_> = self.files().into_iter().filter(|path| path.starts_with("man")).collect();
        assert_eq!(pages, expected);
    }

    /// No file quotes a path of this machine, or what the environment holds.
    pub(crate) fn tells_nothing_of_this_machine(&self) {
        let mut secrets = vec![SECRETIVE.to_owned(), env!("CARGO_MANIFEST_DIR").to_owned()];
        secrets.push(self.share.path().to_str().unwrap().to_owned());
        secrets.push(self.program.parent().unwrap().to_str().unwrap().to_owned());
        secrets.extend(std::env::var("HOME").into_iter().filter(|home| home.len() > 1));
        for path in self.files() {
            let text = self.read(&path);
            for secret in &secrets {
                assert!(!text.contains(secret), "{} is in {}", secret, path.display());
            }
        }
    }

    /// bash takes the completions, and they complete: what follows `typed`, whose last word is being typed.
    pub(crate) fn completes(&self, typed: &[&str], expected: &[&str]) {
        let path = self.share.path().join("bash-completion/completions").join(self.name);
        let checked = Command::new("bash").arg("-n").arg(&path).output().unwrap();
        assert!(checked.status.success() && checked.stderr.is_empty(), "{checked:?}");
        let script = "source \"$1\"; shift; COMP_WORDS=(\"$@\"); COMP_CWORD=$(($# - 1)); \
                      \"$(complete -p \"$1\" | sed 's/.* -F \\([^ ]*\\) .*/\\1/')\" \"$1\" \"${COMP_WORDS[COMP_CWORD]}\" \"${COMP_WORDS[COMP_CWORD - 1]}\"; \
                      printf '%s\\n' \"${COMPREPLY[@]}\"";
        let done = Command::new("bash")
            .args(["--norc", "-c", script, "bash"])
            .arg(&path)
            .arg(self.name)
            .args(typed)
            .output()
            .unwrap();
        let said = String::from_utf8(done.stdout).unwrap();
        assert_eq!(
            said.split_whitespace().collect::<Vec<_>>(),
            expected,
            "{}",
            String::from_utf8_lossy(&done.stderr)
        );
    }

    /// The other shells' completions are for this program, and name each of its commands.
    pub(crate) fn other_shells_know_every_command(&self) {
        let zsh = self.read(format!("zsh/site-functions/_{}", self.name));
        let fish = self.read(format!("fish/vendor_completions.d/{}.fish", self.name));
        assert!(zsh.starts_with(&format!("#compdef {}\n", self.name)), "{zsh}");
        for (words, _) in self.helps() {
            let Some(last) = words.last() else { continue };
            assert!(zsh.contains(&format!("({last})\n")), "zsh: {words:?}");
            assert!(fish.contains(&format!(" -a \"{last}\" ")), "fish: {words:?}");
        }
    }
}

/// The names below `Commands:`.
fn subcommands(help: &str) -> Vec<String> {
    let named = help.lines().skip_while(|line| *line != "Commands:").skip(1);
    named
        .take_while(|line| !line.is_empty())
        .filter(|line| line.starts_with("  ") && !line.starts_with("   "))
        .filter_map(|line| line.split_whitespace().next())
        .filter(|name| *name != "help")
        .map(str::to_owned)
        .collect()
}

/// The long options that a help text lists.
fn options(help: &str) -> BTreeSet<&str> {
    let listed = help.lines().map(str::trim_start).filter(|line| line.starts_with('-'));
    let words =
        listed.flat_map(|line| line.split([' ', ',', '=', '['])).filter(|word| word.starts_with("--"));
    words.collect()
}

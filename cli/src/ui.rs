//! The only file that prints: answers on stdout, talk on stderr.

use crate::error::CliError;
use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use serde::Serialize;
use std::io::{self, IsTerminal, Write};

/// What a command found out or did.
pub trait Answer: Serialize {
    /// For people, with a line break at the end.
    fn text(&self) -> String;
}

/// Where a run of the command prints.
pub struct Ui {
    json: bool,
    colour: bool,
    terminal: bool,
    out: Box<dyn Write>,
    err: Box<dyn Write>,
}

impl Ui {
    /// Stdout and stderr. Colour and progress only on a terminal; `NO_COLOR` is respected.
    pub fn standard(json: bool) -> Self {
        let terminal = io::stderr().is_terminal();
        let no_colour = std::env::var_os("NO_COLOR").is_some_and(|v| !v.is_empty());
        Self {
            json,
            colour: terminal && !no_colour,
            terminal,
            out: Box::new(io::stdout()),
            err: Box::new(io::stderr()),
        }
    }

    /// Anything else, without colour and progress.
    pub fn plain(json: bool, out: impl Write + 'static, err: impl Write + 'static) -> Self {
        Self { json, colour: false, terminal: false, out: Box::new(out), err: Box::new(err) }
    }

    /// Whether a person can be asked.
    pub fn can_ask(&self) -> bool {
        self.terminal && io::stdin().is_terminal()
    }

    /// Shows an answer. A reader that has gone away is no fault.
    pub fn answer(&mut self, answer: &impl Answer) {
        let text = if self.json {
            serde_json::to_string_pretty(answer).unwrap_or_else(|e| format!("{{\"error\":\"{e}\"}}")) + "\n"
        } else {
            harmless(&answer.text())
        };
        let _ = self.out.write_all(text.as_bytes()).and_then(|()| self.out.flush());
    }

    /// Talks.
    pub fn say(&mut self, text: &str) {
        let _ = writeln!(self.err, "{}", harmless(text));
    }

    /// Warns.
    pub fn warn(&mut self, text: &str) {
        let head = self.painted("warning:", "33");
        let _ = writeln!(self.err, "{head} {}", harmless(text));
    }

    /// Shows why it did not work.
    pub fn error(&mut self, error: &CliError) {
        let head = self.painted("error:", "31");
        let mut text = format!("{head} {}\n", harmless(&error.to_string()));
        if let Some(cause) = error.cause().map(|cause| harmless(&cause.to_string())) {
            text += &format!("  cause: {cause}\n");
        }
        if let Some(hint) = error.hint().map(|hint| harmless(&hint)) {
            text += &format!("\nhint: {hint}\n");
        }
        let _ = self.err.write_all(text.as_bytes());
    }

    /// A progress bar of `steps` steps; invisible unless on a terminal.
    pub fn progress(&self, steps: usize, what: &str) -> ProgressBar {
        if !self.terminal || self.json {
            return ProgressBar::hidden();
        }
        let bar = ProgressBar::with_draw_target(Some(steps as u64), ProgressDrawTarget::stderr());
        if let Ok(style) = ProgressStyle::with_template("{msg} {wide_bar} {pos} of {len}") {
            bar.set_style(style);
        }
        bar.set_message(what.to_owned());
        bar
    }

    fn painted(&self, text: &str, code: &str) -> String {
        if self.colour { format!("\x1b[1;{code}m{text}\x1b[0m") } else { text.to_owned() }
    }
}

/// Text without anything that could steer a terminal or turn the direction of writing: much of it
/// comes from the server. Line breaks stay.
fn harmless(text: &str) -> String {
    let steers = |c: char| {
        c.is_control() && c != '\n' || matches!(c, '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}')
    };
    text.chars().map(|c| if steers(c) { '\u{fffd}' } else { c }).collect()
}

/// `1 node`, `2 nodes`.
pub fn count(n: usize, one: &str) -> String {
    if n == 1 { format!("1 {one}") } else { format!("{n} {one}s") }
}

/// Rows of cells, the columns as wide as their widest cell.
pub fn table(rows: &[Vec<String>]) -> String {
    let columns = rows.iter().map(Vec::len).max().unwrap_or(0);
    let width = |c: usize| rows.iter().filter_map(|r| r.get(c)).map(|t| t.chars().count()).max().unwrap_or(0);
    let widths: Vec<usize> = (0..columns).map(width).collect();
    let mut text = String::new();
    for row in rows {
        let mut line = String::new();
        for (cell, width) in row.iter().zip(&widths) {
            line += cell;
            line.extend(std::iter::repeat_n(' ', width - cell.chars().count() + 2));
        }
        text += line.trim_end();
        text.push('\n');
    }
    text
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::cell::RefCell;
    use std::rc::Rc;

    #[derive(Clone, Default)]
    struct Shared(Rc<RefCell<Vec<u8>>>);
    impl Write for Shared {
        fn write(&mut self, bytes: &[u8]) -> io::Result<usize> {
            self.0.borrow_mut().write(bytes)
        }
        fn flush(&mut self) -> io::Result<()> {
            Ok(())
        }
    }

    #[derive(Serialize)]
    struct Doors {
        doors: u8,
    }
    impl Answer for Doors {
        fn text(&self) -> String {
            format!("{}\n", count(self.doors.into(), "door"))
        }
    }

    fn shown(json: bool, run: impl FnOnce(&mut Ui)) -> (String, String) {
        let (out, err) = (Shared::default(), Shared::default());
        run(&mut Ui::plain(json, out.clone(), err.clone()));
        let text = |s: Shared| String::from_utf8(s.0.take()).unwrap();
        (text(out), text(err))
    }

    #[test]
    fn answers_go_out_and_talk_goes_aside() {
        let run = |ui: &mut Ui| {
            ui.say("looking");
            ui.answer(&Doors { doors: 8 });
        };
        assert_eq!(shown(false, run), ("8 doors\n".into(), "looking\n".into()));
        assert_eq!(shown(true, run), ("{\n  \"doors\": 8\n}\n".into(), "looking\n".into()));
    }

    #[test]
    fn errors_have_one_shape() {
        let error = CliError::Api(crate::api::ApiError::Down {
            address: "http://192.0.2.7".into(),
            cause: "refused".into(),
        });
        let (_, err) = shown(false, |ui| ui.error(&error));
        assert_eq!(
            err,
            "error: the server at http://192.0.2.7 does not answer\n  cause: refused\n\nhint: see that it runs and that this machine is on the same network\n"
        );
    }

    #[test]
    fn tables_line_up() {
        let row = |a: &str, b: &str| vec![a.to_owned(), b.to_owned()];
        assert_eq!(table(&[row("barn", "closed"), row("g", "open")]), "barn  closed\ng     open\n");
    }
}

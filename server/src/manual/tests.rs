use super::*;
use clap::{Arg, ArgAction};

fn program() -> Program<'static> {
    let show = Command::new("show").about("Shows a gate").arg(
        Arg::new("wide")
            .long("wide")
            .env("PINTLE_TEST_PATH_OF_WIDE")
            .hide_env_values(true)
            .help("Shows .more of it"),
    );
    let gate = Command::new("gate").about("Looks after gates").subcommand(show);
    let hidden = Command::new("old").hide(true);
    let command = Command::new("latch")
        .version("1.2.3")
        .about("Counts gates")
        .arg(Arg::new("json").long("json").global(true).action(ArgAction::SetTrue).help("Answers in JSON"))
        .subcommands([gate, hidden]);
    Program {
        command,
        section: "8",
        exits: vec![(0, "done"), (7, "no gate")],
        environment: &[("GATES", "how many")],
        also: &["hinge(1)"],
    }
}

fn paths(pages: &[Page]) -> Vec<&str> {
    pages.iter().map(|page| page.path.to_str().unwrap()).collect()
}

#[test]
fn every_command_has_a_page_where_shells_and_man_look() {
    assert_eq!(
        paths(&program().pages().unwrap()),
        [
            "man/man8/latch.8",
            "man/man8/latch-gate.8",
            "man/man8/latch-gate-show.8",
            "bash-completion/completions/latch",
            "zsh/site-functions/_latch",
            "fish/vendor_completions.d/latch.fish",
        ]
    );
}

#[test]
fn a_page_says_what_help_says_and_leads_on() {
    let pages = program().pages().unwrap();
    let (whole, show) = (&pages[0].text, &pages[2].text);
    assert!(whole.contains(".TH \"latch\" \"8\" \"\" \"latch 1.2.3\" \"Pintle\"\n"), "{whole}");
    assert!(whole.contains("latch\\-gate(8)") && !whole.contains("old"), "{whole}");
    assert!(whole.contains(".SH ENVIRONMENT\n.TP\n\\fBGATES\\fR\nhow many\n"), "{whole}");
    assert!(
        whole.contains(".SH \"EXIT STATUS\"\n.TP\n\\fB0\\fR\ndone\n.TP\n\\fB7\\fR\nno gate\n"),
        "{whole}"
    );
    assert!(whole.ends_with(".SH \"SEE ALSO\"\nhinge(1)\n"), "{whole}");
    assert!(show.contains("\\-\\-wide") && show.contains("\\-\\-json"), "{show}");
    assert!(show.ends_with(".SH \"SEE ALSO\"\nlatch\\-gate(8), latch(8), hinge(1)\n"), "{show}");
}

#[test]
fn pages_of_an_earlier_version_are_replaced() {
    let share = tempfile::tempdir().unwrap();
    let old = share.path().join("man/man8/latch.8");
    std::fs::create_dir_all(old.parent().unwrap()).unwrap();
    std::fs::write(&old, "old").unwrap();
    assert_eq!(program().write(share.path()).unwrap(), 6);
    for page in program().pages().unwrap() {
        assert_eq!(std::fs::read_to_string(share.path().join(page.path)).unwrap(), page.text);
    }
    let taken = share.path().join("file");
    std::fs::write(&taken, "").unwrap();
    let fault = program().write(&taken).unwrap_err().to_string();
    assert!(
        fault.contains("file/man/man8 cannot be written: ") && fault.contains("give a folder"),
        "{fault}"
    );
}

use super::*;
use crate::settings::file::known;
use clap::{Args as _, Command, FromArgMatches};
use std::collections::BTreeSet;
use std::path::PathBuf;

const SAMPLE: &str = include_str!("../../../packaging/server.toml");
const PAGE: &str = include_str!("../../../docs/operations.md");

/// The flags, with their long names and variables of the environment.
fn flags() -> Vec<(String, String)> {
    let command = Settings::augment_args(Command::new("pintle-server"));
    let each = |arg: &clap::Arg| {
        let env = arg.get_env().map(|name| name.to_str().unwrap().to_owned());
        (arg.get_long().unwrap().to_owned(), env.unwrap())
    };
    command
        .get_arguments()
        .filter(|arg| !["help", "version"].contains(&arg.get_id().as_str()))
        .map(each)
        .collect()
}

/// The keys of the file, as the reader itself lists them.
fn keys() -> BTreeSet<String> {
    let fault = toml::from_str::<Settings>("no-such-key = 1").unwrap_err();
    known(fault.message()).into_iter().collect()
}

/// The sample with what it leaves out by `#`.
fn whole_sample() -> String {
    let setting =
        |line: &str| line.starts_with(|first: char| first.is_ascii_lowercase()) && line.contains(" = ");
    SAMPLE
        .lines()
        .map(|line| line.strip_prefix('#').filter(|rest| setting(rest)).unwrap_or(line).to_owned() + "\n")
        .collect()
}

fn read_text(text: &str) -> Result<Settings, SettingsError> {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("server.toml");
    std::fs::write(&path, text).unwrap();
    read(&path)
}

/// What the command line says, with no environment.
fn given(flags: &[&str], file: Option<&Path>) -> Result<Settings, SettingsError> {
    let command = Settings::augment_args(Command::new("pintle-server"));
    let matches =
        command.mut_args(|arg| arg.env(None::<&str>)).get_matches_from([&["pintle-server"], flags].concat());
    Settings::over_file(&Settings::from_arg_matches(&matches).unwrap(), &matches, file)
}

#[test]
fn every_flag_has_a_key_and_every_key_a_flag() {
    let flags: BTreeSet<String> = flags().into_iter().map(|(long, _)| long).collect();
    assert_eq!(flags, keys());
    for key in keys() {
        assert!(expected(&key).is_some(), "it is not said what `{key}` has to be");
    }
    let table: toml::Table = toml::from_str(&whole_sample()).unwrap();
    assert_eq!(table.keys().cloned().collect::<BTreeSet<_>>(), keys(), "packaging/server.toml");
}

#[test]
fn the_sample_shows_what_is_usual() {
    let short: Settings = toml::from_str(SAMPLE).unwrap();
    let data = Some(PathBuf::from("/var/lib/pintle"));
    assert_eq!(short, Settings { data, ..Settings::default() });
    let (usual, whole) = (short.config().unwrap(), toml::from_str::<Settings>(&whole_sample()).unwrap());
    let said = whole.config().unwrap();
    assert_eq!(
        (said.listen, said.tls, said.hsts, said.advertise),
        (usual.listen, usual.tls, usual.hsts, usual.advertise)
    );
    assert_eq!((whole.log_json, whole.advertise), (Some(short.log_json()), Some(Advertise::Auto)));
}

/// Settings that nothing is said for unless somebody says it.
const NOTICES: [&str; 8] = [
    "webhook",
    "webhook-token",
    "mail-server",
    "mail-from",
    "mail-to",
    "mail-user",
    "mail-password",
    "notice-roots",
];

#[test]
fn the_page_has_a_row_for_every_setting() {
    let table: toml::Table = toml::from_str(&whole_sample()).unwrap();
    for (long, env) in flags() {
        let unset = long == "data" || NOTICES.contains(&long.as_str());
        let usual = if unset { String::new() } else { format!("`{}` ", table[&long]) };
        let row = format!("| `{long}` | `{env}` | {usual}|");
        assert!(PAGE.contains(&row), "docs/operations.md lacks: {row}");
    }
    assert_eq!(PAGE.matches("| `PINTLE_").count(), flags().len(), "a row is of no setting");
}

#[test]
fn the_upper_one_counts_for_every_setting() {
    let upper: Settings = toml::from_str(
        "data = 'a'\nlisten = '127.0.0.1:1'\nplain = false\ntls-name = ['a']\nhsts = false\nadvertise = 'never'\nlog-json = false",
    )
    .unwrap();
    let lower: Settings = toml::from_str(
        "data = 'b'\nlisten = '127.0.0.1:2'\nplain = false\ntls-name = ['b']\nhsts = true\nadvertise = 'always'\nlog-json = true",
    )
    .unwrap();
    assert_eq!(upper.clone().before(lower.clone()), upper);
    assert_eq!(Settings::default().before(lower.clone()), lower);
    assert_eq!(lower.clone().before(Settings::default()), lower);
}

#[test]
fn plain_http_and_tls_are_one_choice() {
    let plain: Settings = toml::from_str("plain = true").unwrap();
    let names: Settings = toml::from_str("tls-name = ['a']\nhsts = true").unwrap();
    assert_eq!(plain.clone().before(names.clone()), plain);
    assert_eq!(names.clone().before(plain.clone()), names);
    let fault = read_text("plain = true\ntls-name = ['a']").unwrap_err().to_string();
    assert!(fault.contains("server.toml has `plain` together with `tls-name`"), "{fault}");
    let fault = read_text("hsts = true\nplain = true").unwrap_err().to_string();
    assert!(fault.contains("`plain` together with `hsts`"), "{fault}");
    let fault = given(&["--plain", "--tls-name", "a"], None).unwrap_err().to_string();
    assert!(fault.contains("the command line has `--plain` together with `--tls-name`"), "{fault}");
}

#[test]
fn a_flag_turns_off_what_the_file_turns_on() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("server.toml");
    std::fs::write(&path, "data = 'here'\nplain = true\nlog-json = true").unwrap();
    let settings = given(&["--plain=false", "--log-json=false"], Some(&path)).unwrap();
    assert!(!settings.log_json());
    assert_eq!(settings.config().unwrap().tls, Tls::Names(vec!["localhost".to_owned()]));
    // A relative path starts from the folder of the file.
    assert_eq!(settings.folder().unwrap(), folder.path().join("here"));
    assert_eq!(given(&["--data", "/there"], Some(&path)).unwrap().folder().unwrap(), Path::new("/there"));
}

#[test]
fn every_fault_is_named_with_its_line_and_what_to_write() {
    let cases: [(&str, &str, &str); 14] = [
        ("\nlisten = 7443", "line 2: `listen`", "address and port in quotes"),
        ("listen = '7443'", "line 1: `listen`", "such as \"0.0.0.0:7443\""),
        ("listen = '0.0.0.0:99999'", "line 1: `listen`", "address and port"),
        ("# a\n# b\nplain = 'yes'", "line 3: `plain`", "true or false, without quotes"),
        ("plain = 1", "line 1: `plain`", "true or false"),
        ("data = ['a']", "line 1: `data`", "a folder in quotes"),
        ("data = ''", "line 1: `data`", "it is empty"),
        ("tls-name = 'a'", "line 1: `tls-name`", "a list of names"),
        ("tls-name = [\n'a',\n5]", "`tls-name`", "a list of names"),
        ("tls-name = []", "`tls-name`", "no name in it"),
        ("advertise = 'sometimes'", "line 1: `advertise`", "\"auto\", \"always\" or \"never\""),
        ("plain = true\nplain = true", "line 2", "duplicate key"),
        ("plain = ", "line 1", "`key = value`"),
        ("[server]\nplain = true", "line 1: there is no setting `server`", "name one of: "),
    ];
    for (text, place, word) in cases {
        let fault = read_text(text).unwrap_err().to_string();
        assert!(
            fault.contains("server.toml, line") && fault.contains(place) && fault.contains(word),
            "{text}: {fault}"
        );
    }
}

#[test]
fn a_secret_has_no_place_and_is_not_repeated() {
    for key in ["token", "password", "passphrase", "secret", "operator-token", "key"] {
        let fault = read_text(&format!("data = 'a'\n{key} = 'zwiebelkuchen'")).unwrap_err();
        assert!(
            matches!(&fault, SettingsError::UnknownKey { line: 2, key: found, .. } if found == key),
            "{fault}"
        );
        assert!(!format!("{fault} {fault:?}").contains("zwiebel"), "{fault}");
    }
}

#[test]
fn a_file_that_cannot_be_read_is_named() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("server.toml");
    let fault = read(&path).unwrap_err();
    assert!(
        matches!(fault, SettingsError::Read { .. }) && fault.to_string().contains("server.toml"),
        "{fault}"
    );
    assert!(matches!(read(folder.path()).unwrap_err(), SettingsError::Read { .. }));
    std::fs::write(&path, b"data = 'a'\n\n# \xff\n").unwrap();
    let fault = read(&path).unwrap_err();
    assert!(matches!(fault, SettingsError::NotText { line: 3, .. }), "{fault}");
    std::fs::write(&path, "# ".repeat(64 << 10)).unwrap();
    assert!(matches!(read(&path).unwrap_err(), SettingsError::TooLarge { .. }));
    std::fs::write(&path, "").unwrap();
    assert_eq!(read(&path).unwrap(), Settings::default());
}

//! What the Debian packages are made of: `packaging/deb`, and `[package.metadata.deb]` of both programs.

use pintle_server::manual::Program;
use std::path::{Path, PathBuf};

/// What `packaging/deb` builds or writes; the rest lies in the repository.
const BUILT: &str = "target/release/";

/// A package, with the files that it brings.
struct Package {
    folder: PathBuf,
    name: String,
    manifest: toml::Table,
    assets: Vec<Asset>,
}

/// What a package takes from where, and what it becomes.
struct Asset {
    from: String,
    to: String,
    mode: String,
}

impl Asset {
    /// Where `file`, which is one of those it takes, comes to lie.
    fn place(&self, file: &Path) -> PathBuf {
        let name = file.file_name().unwrap();
        if self.to.ends_with('/') { Path::new(&self.to).join(name) } else { self.to.clone().into() }
    }
}

fn root() -> &'static Path {
    Path::new(env!("CARGO_MANIFEST_DIR")).parent().unwrap()
}

fn read(path: impl AsRef<Path>) -> String {
    let path = root().join(path);
    std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()))
}

fn packages() -> [Package; 2] {
    ["cli", "server"].map(|folder| {
        let manifest: toml::Table = read(format!("{folder}/Cargo.toml")).parse().unwrap();
        let text = |value: &toml::Value| value.as_str().unwrap().to_owned();
        let listed = manifest["package"]["metadata"]["deb"]["assets"].as_array().unwrap();
        let assets = listed.iter().map(|asset| Asset {
            from: text(&asset[0]),
            to: text(&asset[1]),
            mode: text(&asset[2]),
        });
        let assets = assets.collect();
        Package { folder: root().join(folder), name: text(&manifest["package"]["name"]), manifest, assets }
    })
}

impl Package {
    /// The files of the repository that an asset names; none for what is built.
    fn sources(&self, asset: &Asset) -> Vec<PathBuf> {
        if asset.from.starts_with(BUILT) {
            return Vec::new();
        }
        let path = self.folder.join(&asset.from);
        let (folder, name) = (path.parent().unwrap(), path.file_name().unwrap().to_str().unwrap());
        let Some((start, end)) = name.split_once('*') else { return vec![path] };
        let entries = std::fs::read_dir(folder).unwrap().map(|entry| entry.unwrap().path());
        let fits = |path: &PathBuf| {
            let name = path.file_name().unwrap().to_str().unwrap();
            path.is_file() && name.starts_with(start) && name.ends_with(end)
        };
        entries.filter(fits).collect()
    }

    /// Where a file comes to lie that `packaging/deb` writes; `None` if the package leaves it out.
    fn packed(&self, built: &Path) -> Option<PathBuf> {
        let asset = self.assets.iter().find(|asset| {
            let from = Path::new(&asset.from);
            let any = asset.from.ends_with("/*") && from.parent() == built.parent();
            from == built || any
        })?;
        Some(asset.place(built))
    }
}

#[test]
fn what_the_packages_take_from_the_repository_is_there() {
    for package in packages() {
        for asset in package.assets.iter().filter(|asset| !asset.from.starts_with(BUILT)) {
            let sources = package.sources(asset);
            assert!(!sources.is_empty(), "{}: {} is nothing", package.name, asset.from);
            for source in sources {
                assert!(source.is_file(), "{}: {} is not there", package.name, source.display());
            }
        }
        let licence = package.manifest["package"]["metadata"]["deb"]["license-file"][0].as_str().unwrap();
        assert!(package.folder.join(licence).is_file(), "{licence}");
    }
}

/// The places of the Filesystem Hierarchy Standard 3.0 (`/etc` 3.7, `/usr` 4), and of Debian's shells.
#[test]
fn everything_goes_where_it_belongs() {
    for package in packages() {
        for asset in &package.assets {
            let places =
                ["usr/bin/", "usr/share/", "etc/pintle/", "usr/lib/systemd/system/", "usr/lib/sysusers.d/"];
            let known = places.iter().any(|place| asset.to.starts_with(place));
            assert!(known && !asset.to.contains(".."), "{}: {}", package.name, asset.to);
            let program = asset.to == "usr/bin/";
            assert_eq!(asset.mode, if program { "755" } else { "644" }, "{}", asset.from);
            assert_eq!(program, asset.from == format!("{BUILT}{}", package.name), "{}", asset.from);
        }
    }
}

#[test]
fn the_whole_manual_is_packed() {
    for (package, section) in packages().iter().zip(["1", "8"]) {
        let name: &'static str = package.name.clone().leak();
        let command = clap::Command::new(name).subcommand(clap::Command::new("some"));
        let program = Program { command, section, exits: Vec::new(), environment: &[], also: &[] };
        let pages = program.pages().unwrap();
        let places: Vec<_> = pages
            .iter()
            .map(|page| {
                let built = Path::new(BUILT).join("share").join(&page.path);
                package.packed(&built).unwrap_or_else(|| panic!("{name} leaves out {}", built.display()))
            })
            .collect();
        let expected = [
            format!("usr/share/man/man{section}/{name}.{section}"),
            format!("usr/share/man/man{section}/{name}-some.{section}"),
            format!("usr/share/bash-completion/completions/{name}"),
            format!("usr/share/zsh/vendor-completions/_{name}"),
            format!("usr/share/fish/vendor_completions.d/{name}.fish"),
        ];
        assert_eq!(places, expected.map(PathBuf::from));
    }
}

#[test]
fn a_package_has_the_version_of_the_workspace_and_both_licences() {
    let workspace: toml::Table = read("Cargo.toml").parse().unwrap();
    let shared = &workspace["workspace"]["package"];
    assert_eq!(shared["version"].as_str(), Some(env!("CARGO_PKG_VERSION")));
    assert_eq!(shared["license"].as_str(), Some("MIT OR Apache-2.0"));
    for package in packages() {
        let own = &package.manifest["package"];
        assert_eq!(own["version"]["workspace"].as_bool(), Some(true), "{}", package.name);
        for elsewhere in ["name", "revision"] {
            assert!(own["metadata"]["deb"].get(elsewhere).is_none(), "{}: {elsewhere}", package.name);
        }
    }
    // Debian calls the MIT licence Expat; its text has to be that of LICENSE-MIT.
    let copyright = read("packaging/copyright");
    assert!(copyright.contains("License: Expat or Apache-2.0\n"));
    let words = |text: &str| -> Vec<String> {
        text.split_whitespace().filter(|word| *word != ".").map(str::to_owned).collect()
    };
    let (own, mit) = (words(&copyright).join(" "), read("LICENSE-MIT"));
    let terms = mit.split_once("\n\nPermission").unwrap();
    assert!(own.contains(&words(&format!("Permission{}", terms.1)).join(" ")), "{own}");
    assert!(own.contains(terms.0.split("Copyright (c) ").nth(1).unwrap()), "{own}");
}

#[test]
fn no_key_or_token_is_packed() {
    for package in packages() {
        for source in package.assets.iter().flat_map(|asset| package.sources(asset)) {
            let text = std::fs::read_to_string(&source).unwrap();
            assert!(!text.contains("-----BEGIN"), "{}", source.display());
            let name = source.file_name().unwrap().to_str().unwrap();
            let end = name.rsplit('.').next().unwrap();
            assert!(
                ["md", "toml", "service", "sysusers"].contains(&end),
                "{} is of no kind that is packed",
                source.display()
            );
        }
    }
}

#[test]
fn licences_are_those_of_what_is_compiled_in() {
    let done =
        std::process::Command::new(root().join("packaging/licences")).arg("pintle-server").output().unwrap();
    assert!(done.status.success(), "{}", String::from_utf8_lossy(&done.stderr));
    let said = String::from_utf8(done.stdout).unwrap();
    assert!(said.contains("\nrusqlite ") && said.contains("\nring "), "{said}");
    // What only tests use is not compiled in, and a path of the machine is no licence.
    assert!(!said.contains("\nproptest ") && !said.contains("\npintle-protocol "));
    assert!(!said.contains(root().to_str().unwrap()));
    let unknown =
        std::process::Command::new(root().join("packaging/licences")).arg("no-such").output().unwrap();
    assert!(!unknown.status.success());
}

#[test]
fn the_script_is_one() {
    let done =
        std::process::Command::new("bash").arg("-n").arg(root().join("packaging/deb")).output().unwrap();
    assert!(done.status.success() && done.stderr.is_empty(), "{done:?}");
}

#[test]
fn the_settings_are_for_the_folder_of_the_service() {
    let settings: toml::Table = read("packaging/server.toml").parse().unwrap();
    assert_eq!(settings["data"].as_str(), Some("/var/lib/pintle"));
}

/// What the scripts of the server's package ask the system for, where systemd runs or not.
fn asked(script: &str, args: &[&str], systemd_runs: bool) -> (String, String) {
    let place = tempfile::tempdir().unwrap();
    std::fs::create_dir_all(place.path().join("var/lib/pintle")).unwrap();
    if systemd_runs {
        std::fs::create_dir_all(place.path().join("run/systemd/system")).unwrap();
    }
    let log = place.path().join("log");
    for tool in ["systemctl", "systemd-sysusers"] {
        let path = place.path().join(tool);
        std::fs::write(&path, format!("#!/bin/sh\necho {tool} \"$@\" >>'{}'\n", log.display())).unwrap();
        let mode = std::os::unix::fs::PermissionsExt::from_mode(0o755);
        std::fs::set_permissions(&path, mode).unwrap();
    }
    let mut run = std::process::Command::new("sh");
    run.arg(root().join("packaging/server-scripts").join(script)).args(args);
    run.env("DPKG_ROOT", place.path()).env("PATH", format!("{}:/usr/bin:/bin", place.path().display()));
    let done = run.output().unwrap();
    assert!(done.status.success() && done.stderr.is_empty(), "{script} {args:?}: {done:?}");
    assert!(place.path().join("var/lib/pintle").is_dir(), "{script} {args:?} removed the server's folder");
    let asked = std::fs::read_to_string(log).unwrap_or_default();
    (asked, String::from_utf8(done.stdout).unwrap())
}

/// The calls of Debian Policy 4.7, 6.5 to 6.8 (maintainer scripts).
#[test]
fn installing_starts_nothing_upgrading_restarts_and_removing_keeps_the_data() {
    let (user, reload) = ("systemd-sysusers pintle.conf\n", "systemctl daemon-reload\n");
    let restart = "systemctl try-restart pintle-server.service\n";
    let stop = "systemctl disable --now pintle-server.service\n";
    for (script, args, expected) in [
        ("postinst", &["configure", ""][..], format!("{user}{reload}")),
        ("postinst", &["configure"], format!("{user}{reload}")),
        ("postinst", &["configure", "0.0.9-1"], format!("{user}{reload}{restart}")),
        ("postinst", &["abort-remove"], String::new()),
        ("prerm", &["upgrade", "0.2.0-1"], String::new()),
        ("prerm", &["remove"], stop.to_owned()),
        ("postrm", &["upgrade", "0.2.0-1"], String::new()),
        ("postrm", &["remove"], reload.to_owned()),
        ("postrm", &["purge"], String::new()),
    ] {
        let (did, said) = asked(script, args, true);
        assert_eq!(did, expected, "{script} {args:?}");
        assert_eq!(said.contains("/var/lib/pintle is left"), args == ["purge"], "{script} {args:?}: {said}");
        // In the root of another system, or where systemd does not run, nothing is asked for.
        assert_eq!(asked(script, args, false).0, "", "{script} {args:?}");
    }
}

/// A file below `/etc` that the package does not call a configuration file is written over at upgrades.
#[test]
fn settings_are_kept_at_upgrades_and_every_script_is_packed() {
    let [_, server] = packages();
    let deb = &server.manifest["package"]["metadata"]["deb"];
    let kept: Vec<_> = deb["conf-files"].as_array().unwrap().iter().map(|f| f.as_str().unwrap()).collect();
    let files = server.assets.iter().flat_map(|asset| {
        server.sources(asset).into_iter().map(|file| Path::new("/").join(asset.place(&file)))
    });
    let settings: Vec<_> = files.filter(|file| file.starts_with("/etc")).collect();
    assert_eq!(settings, kept.iter().map(PathBuf::from).collect::<Vec<_>>());
    let folder = server.folder.join(deb["maintainer-scripts"].as_str().unwrap());
    let mut scripts: Vec<_> = std::fs::read_dir(folder)
        .unwrap()
        .map(|entry| entry.unwrap().file_name().into_string().unwrap())
        .collect();
    scripts.sort();
    assert_eq!(scripts, ["postinst", "postrm", "prerm"]);
}

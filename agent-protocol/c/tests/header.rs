//! The headers in `include/` are what the sources say, and C and C++ compilers take them.
//!
//! After a change of the interface: `PINTLE_WRITE_HEADERS=1 cargo test -p pintle-c --test header`.

use cbindgen::{
    Builder, Config, DocumentationStyle, EnumConfig, ExportConfig, Language, RenameRule, SortKey, Style,
};
use std::path::{Path, PathBuf};
use std::process::Command;

/// In the order in which a reader wants them.
const INTERFACE: [&str; 12] = [
    "code",
    "text",
    "board",
    "event",
    "node",
    "status",
    "boot",
    "envelope",
    "interlock",
    "frame",
    "message",
    "loader",
];
const NOTE: [&str; 2] = ["note", "panic"];
const VIRTUAL: [&str; 2] = ["virtual_board", "virtual_yard"];

/// Enums whose numbers stand in plain members, so that no function names them.
const NUMBERS: [&str; 10] = [
    "PintleSlot",
    "PintleFlashFault",
    "PintleEventKind",
    "PintleJoinFault",
    "PintlePhase",
    "PintleEnding",
    "PintlePosition",
    "PintleFact",
    "PintleAskKind",
    "PintleMode",
];
const VIRTUAL_NUMBERS: [&str; 1] = ["PintleVirtualOffer"];

const HEAD: &str = "/* The Pintle node core for firmware in C.
 *
 * Made from agent-protocol/c/src; do not edit. docs/porting.md says how to build the library.
 *
 * This interface never moves a door: it has no function that does. It tells when an update may be
 * applied, and keeps everything else to wait. The relay, its interlocks and the entrapment protection
 * stay with the firmware and the operator that it drives; a listed CO alarm stays a listed CO alarm.
 *
 * One thread at a time may use a node or a loader. No function may be called from an interrupt while
 * another one works on the same. */";

const VIRTUAL_HEAD: &str = "/* A virtual board, yard and server, to try firmware in C on a PC.
 *
 * Made from agent-protocol/c/src; do not edit. Only in a library that was built with the feature sim. */";

fn folder() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).to_path_buf()
}

fn config(guard: &str, head: &str, numbers: &[&str]) -> Config {
    Config {
        export: ExportConfig {
            include: numbers.iter().map(|n| (*n).to_owned()).collect(),
            ..ExportConfig::default()
        },
        language: Language::C,
        cpp_compat: true,
        include_guard: Some(guard.into()),
        header: Some(head.into()),
        no_includes: true,
        usize_is_size_t: true,
        style: Style::Both,
        documentation_style: DocumentationStyle::C99,
        sort_by: SortKey::None,
        line_length: 110,
        enumeration: EnumConfig {
            rename_variants: RenameRule::QualifiedScreamingSnakeCase,
            ..EnumConfig::default()
        },
        ..Config::default()
    }
}

fn generate(config: Config, files: &[&str]) -> String {
    let mut builder = Builder::new().with_config(config);
    for file in files {
        builder = builder.with_src(folder().join("src").join(format!("{file}.rs")));
    }
    let mut text = Vec::new();
    builder.generate().expect("the sources can be read").write(&mut text);
    // In C a section of the docstrings is a paragraph.
    String::from_utf8(text).unwrap().replace("// # Safety\n", "// What the caller promises:\n")
}

fn headers() -> [(PathBuf, String); 2] {
    let include = folder().join("include");
    let mut own = config("PINTLE_H", HEAD, &NUMBERS);
    own.sys_includes = vec!["stddef.h".into(), "stdint.h".into()];
    let mut side = config("PINTLE_VIRTUAL_H", VIRTUAL_HEAD, &VIRTUAL_NUMBERS);
    side.includes = vec!["pintle.h".into()];
    let interface: Vec<&str> = INTERFACE.into_iter().chain(NOTE).collect();
    [
        (include.join("pintle.h"), generate(own, &interface)),
        (include.join("pintle_virtual.h"), generate(side, &VIRTUAL)),
    ]
}

#[test]
fn the_headers_are_what_the_sources_say() {
    for (path, text) in headers() {
        if std::env::var_os("PINTLE_WRITE_HEADERS").is_some() {
            std::fs::write(&path, &text).unwrap();
        }
        let kept = std::fs::read_to_string(&path).unwrap_or_default();
        assert!(
            kept == text,
            "{} is not what the sources say; write it anew with\n\
             PINTLE_WRITE_HEADERS=1 cargo test -p pintle-c --test header",
            path.display()
        );
    }
}

#[test]
fn c_and_cpp_compilers_take_the_headers_without_a_warning() {
    let include = folder().join("include");
    for (compiler, language, standard) in
        [("cc", "c", "c99"), ("cc", "c", "c17"), ("c++", "c++", "c++11"), ("c++", "c++", "c++17")]
    {
        for header in ["pintle.h", "pintle_virtual.h"] {
            let ran = Command::new(compiler)
                .args(["-Wall", "-Wextra", "-Werror", "-pedantic", "-fsyntax-only", "-I"])
                .arg(&include)
                .arg(format!("-std={standard}"))
                // Twice: the guard must hold.
                .args(["-x", language, "-include", header])
                .arg(include.join(header))
                .output()
                .expect("a C and a C++ compiler (Debian: gcc, g++)");
            let said = String::from_utf8_lossy(&ran.stderr);
            assert!(ran.status.success(), "{compiler} -std={standard} {header}:\n{said}");
        }
    }
}

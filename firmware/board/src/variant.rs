//! The one table of which images there are.
//!
//! `build.sh` builds each chip once per row and names the row in the environment variable
//! `LATCHBOARD_VARIANT`; an unknown name does not compile.

/// One row: what goes into the image note.
#[derive(Clone, Copy)]
pub struct Variant {
    /// The row's name, which the file name repeats.
    pub name: &'static str,
    /// Major, minor, patch.
    pub version: [u16; 3],
    /// Oldest and newest link version spoken.
    pub link: [u8; 2],
    /// Actuation profile: id and version.
    pub profile: (u16, u8),
    /// How the image misbehaves, as in the image note: 0 not at all, 1 never answers the other chip,
    /// 2 reports another door position, 3 never completes a check-in, 4 resets again and again.
    pub quirk: u8,
}

/// Never answers the other chip.
pub const MUTE_LINK: u8 = 1;
/// Reports another door position than the door has.
pub const WRONG_POSITION: u8 = 2;
/// Never completes a check-in.
pub const NO_CHECK_IN: u8 = 3;
/// Resets a few seconds after every start.
pub const RESET_LOOP: u8 = 4;

const fn row(name: &'static str, version: [u16; 3], link: [u8; 2], quirk: u8) -> Variant {
    Variant { name, version, link, profile: (1, 1), quirk }
}

/// All images.
pub const VARIANTS: [Variant; 7] = [
    row("1.0.0", [1, 0, 0], [1, 1], 0),
    row("1.1.0", [1, 1, 0], [1, 2], 0),
    row("2.0.0", [2, 0, 0], [2, 2], 0),
    row("1.2.0-mute-link", [1, 2, 0], [1, 2], MUTE_LINK),
    row("1.2.0-wrong-position", [1, 2, 0], [1, 2], WRONG_POSITION),
    row("1.2.0-no-check-in", [1, 2, 0], [1, 2], NO_CHECK_IN),
    row("1.2.0-reset-loop", [1, 2, 0], [1, 2], RESET_LOOP),
];

/// The row that is being built.
pub const BUILT: Variant = find(match option_env!("LATCHBOARD_VARIANT") {
    Some(name) => name,
    None => "1.0.0",
});

const fn find(name: &str) -> Variant {
    let mut n = 0;
    while n < VARIANTS.len() {
        if same(VARIANTS[n].name.as_bytes(), name.as_bytes()) {
            return VARIANTS[n];
        }
        n += 1;
    }
    panic!("LATCHBOARD_VARIANT names no row of the table in variant.rs");
}

const fn same(a: &[u8], b: &[u8]) -> bool {
    if a.len() != b.len() {
        return false;
    }
    let mut n = 0;
    while n < a.len() {
        if a[n] != b[n] {
            return false;
        }
        n += 1;
    }
    true
}

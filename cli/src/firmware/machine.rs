//! Instruction sets, by their number in ELF files.

use std::fmt;

/// The instruction set of a chip.
///
/// # Source
/// System V Application Binary Interface, list of `e_machine` values.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Hash)]
pub enum Machine {
    /// AVR, 8 bits.
    Avr,
    /// Arm, 32 bits.
    Arm,
    /// RISC-V.
    RiscV,
    /// Xtensa.
    Xtensa,
}

impl Machine {
    /// All that are known, by their word.
    pub const ALL: [Self; 4] = [Self::Arm, Self::Avr, Self::RiscV, Self::Xtensa];

    /// The number in `e_machine`.
    pub const fn number(self) -> u16 {
        match self {
            Self::Arm => 40,
            Self::Avr => 83,
            Self::Xtensa => 94,
            Self::RiscV => 243,
        }
    }

    /// The one with this number in `e_machine`.
    pub fn from_number(number: u16) -> Option<Self> {
        Self::ALL.into_iter().find(|m| m.number() == number)
    }

    /// The word in a board description.
    pub const fn word(self) -> &'static str {
        match self {
            Self::Arm => "arm",
            Self::Avr => "avr",
            Self::RiscV => "riscv",
            Self::Xtensa => "xtensa",
        }
    }

    /// Reads the word.
    pub fn from_word(word: &str) -> Option<Self> {
        Self::ALL.into_iter().find(|m| m.word() == word)
    }
}

impl fmt::Display for Machine {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.word())
    }
}

//! How much memory the program holds.

/// Bytes of the program that are in memory; absent where the system does not say.
pub(super) fn resident() -> Option<i64> {
    of_status(&std::fs::read_to_string("/proc/self/status").ok()?)
}

/// Reads the line `VmRSS: 1234 kB` (Linux, proc_pid_status(5); its kB are 1024 bytes).
fn of_status(text: &str) -> Option<i64> {
    let line = text.lines().find_map(|line| line.strip_prefix("VmRSS:"))?;
    let kib: i64 = line.trim().strip_suffix("kB")?.trim_end().parse().ok()?;
    kib.checked_mul(1024)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Source: the example in proc_pid_status(5).
    #[test]
    fn the_line_of_the_manual_is_read() {
        let text = "VmHWM:\t    5572 kB\nVmRSS:\t    5572 kB\nRssAnon:\t    1388 kB\n";
        assert_eq!(of_status(text), Some(5572 * 1024));
        for odd in ["", "VmRSS:\t many kB\n", "VmRSS:\t 5572\n", "VmRSS:\t 9223372036854775807 kB\n"] {
            assert_eq!(of_status(odd), None, "{odd}");
        }
    }

    #[test]
    #[cfg(target_os = "linux")]
    fn this_program_holds_some() {
        assert!(resident().is_some_and(|bytes| bytes > 1 << 20));
    }
}

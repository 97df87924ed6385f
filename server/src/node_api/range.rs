//! One byte range (RFC 9110 section 14), so that a download resumes.

/// What of a file of known size is wanted.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub(super) enum Wanted {
    /// All of it: no range was given, or one of a kind that is not served, which RFC 9110 lets a
    /// server ignore.
    All,
    /// Bytes `first..=last`, both within the file.
    Part {
        /// First byte.
        first: u64,
        /// Last byte, included.
        last: u64,
    },
    /// A range that has no byte in the file.
    Beyond,
}

/// Reads a Range field for a file of `size` bytes.
///
/// Served: `bytes=a-b`, `bytes=a-` and `bytes=-n`. Anything else, several ranges too, counts as
/// none.
pub(super) fn wanted(field: Option<&str>, size: u64) -> Wanted {
    let Some(range) = field.and_then(|f| f.trim().strip_prefix("bytes=")) else { return Wanted::All };
    let Some((first, last)) = range.split_once('-') else { return Wanted::All };
    let number = |text: &str| {
        let plain = !text.is_empty() && text.bytes().all(|b| b.is_ascii_digit());
        // A number too large for 64 bits is beyond every file.
        plain.then(|| text.parse::<u64>().unwrap_or(u64::MAX))
    };
    match (first.is_empty(), last.is_empty(), number(first), number(last)) {
        (true, false, None, Some(0)) => Wanted::Beyond,
        (true, false, None, Some(_)) if size == 0 => Wanted::Beyond,
        (true, false, None, Some(n)) => Wanted::Part { first: size.saturating_sub(n), last: size - 1 },
        (false, true, Some(first), None) if first < size => Wanted::Part { first, last: size - 1 },
        (false, false, Some(first), Some(last)) if first > last => Wanted::All,
        (false, false, Some(first), Some(last)) if first < size => {
            Wanted::Part { first, last: last.min(size - 1) }
        }
        (false, _, Some(_), _) if last.is_empty() || number(last).is_some() => Wanted::Beyond,
        _ => Wanted::All,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    /// Source: RFC 9110 section 14.1.2, examples for a representation of 10000 bytes.
    #[test]
    fn rfc9110_examples() {
        let part = |first, last| Wanted::Part { first, last };
        assert_eq!(wanted(Some("bytes=0-499"), 10_000), part(0, 499));
        assert_eq!(wanted(Some("bytes=500-999"), 10_000), part(500, 999));
        assert_eq!(wanted(Some("bytes=-500"), 10_000), part(9500, 9999));
        assert_eq!(wanted(Some("bytes=9500-"), 10_000), part(9500, 9999));
    }

    #[test]
    fn odd_ranges_count_as_none_and_those_beyond_are_told() {
        for none in [
            "",
            "bytes=",
            "bytes=-",
            "bytes=5",
            "bytes=9-3",
            "bytes=0-1,4-5",
            "lines=1-2",
            "bytes=a-b",
            "bytes=+1-2",
            "bytes=-x",
            "bytes=1-x",
        ] {
            assert_eq!(wanted(Some(none), 10), Wanted::All, "{none}");
        }
        for beyond in ["bytes=10-", "bytes=10-20", "bytes=-0", "bytes=99999999999999999999999-"] {
            assert_eq!(wanted(Some(beyond), 10), Wanted::Beyond, "{beyond}");
        }
        assert_eq!(wanted(Some("bytes=4-999"), 10), Wanted::Part { first: 4, last: 9 });
        assert_eq!(wanted(Some("bytes=-999"), 10), Wanted::Part { first: 0, last: 9 });
        assert_eq!(wanted(None, 10), Wanted::All);
        assert_eq!(wanted(Some("bytes=0-"), 0), Wanted::Beyond);
    }

    proptest! {
        #[test]
        fn parts_lie_within_the_file(field in "bytes=[0-9]{0,22}-[0-9]{0,22}", size in any::<u64>()) {
            if let Wanted::Part { first, last } = wanted(Some(&field), size) {
                prop_assert!(first <= last && last < size);
            }
        }

        #[test]
        fn any_text_is_read_without_panic(field in ".*", size in any::<u64>()) {
            let _ = wanted(Some(&field), size);
        }
    }
}
